"""What a curve says, in sentences. Numbers in, words out."""

from __future__ import annotations

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from credentialing.learning_curve import (
    BY,
    CONTINUE,
    Curve,
    Limits,
    Vanished,
    chance_of_alarm,
    chance_of_signal,
    passes_the_inadequate,
)
from credentialing.reports.words import percent
from credentialing.words import day


def state(curve: Curve) -> str:
    """One line: where it stands."""
    if curve.alarm is not None:
        return _("signal, then an alarm with the scan received %(day)s") % {
            "day": day(curve.alarm.fact.received_on)
        }
    if curve.signal is not None:
        return _("signal with the scan received %(day)s") % {
            "day": day(curve.signal.fact.received_on)
        }
    n = len(curve.points)
    if not n:
        return _("nothing to compare yet")
    return ngettext("no signal after %(n)s scan", "no signal after %(n)s scans", n) % {"n": n}


def code(curve: Curve) -> str:
    """For the icon beside it: met, open or lapsed."""
    if curve.alarm is not None:
        return "lapsed"
    return "met" if curve.signal is not None else "open"


def meaning(curve: Curve) -> str:
    """What must stand beside it: no signal is no finding, and a signal can be luck."""
    limits = curve.limits
    n = len(curve.points)
    if curve.signal is None and n < limits.shortest_run:
        return _(
            "No signal does not mean inadequate. The fewest scans that can signal are %(run)s, "
            "every one matching."
        ) % {"run": limits.shortest_run}
    if curve.signal is None:
        return _(
            "No signal does not mean inadequate. Of people who are adequate, %(adequate)s would "
            "have one by scan %(n)s; the fewest scans that can signal are %(run)s, every one "
            "matching."
        ) % {
            "adequate": percent(chance_of_signal(limits, limits.adequate, n)),
            "n": n,
            "run": limits.shortest_run,
        }
    n = curve.where.signal + 1
    return _(
        "An inadequate person would have a signal by scan %(n)s with a chance of %(chance)s."
    ) % {"n": n, "chance": percent(chance_of_signal(limits, limits.inadequate, n))}


def limits(given: Limits) -> str:
    return _(
        "Adequate: one disagreement in %(adequate)s or fewer. Inadequate: one in %(inadequate)s or "
        "more. The sum of log-likelihood ratios signals at %(h)s; after a signal a second sum "
        "watches for drift and alarms at %(drift)s."
    ) % {
        "adequate": f"{1 / given.adequate:.3g}",
        "inadequate": f"{1 / given.inadequate:.3g}",
        "h": f"{given.h:.2f}",
        "drift": f"{given.drift_h:.2f}",
    }


def warning(given: Limits) -> str:
    """Where the limits let the inadequate through; "" where they do not."""
    found = passes_the_inadequate(given)
    if found is None:
        return ""
    return _(
        "These limits are too easy: somebody inadequate has a signal by scan %(by)s with a chance "
        "of %(chance)s."
    ) % {"by": BY, "chance": percent(found)}


def errors(given: Limits) -> list[tuple[str, list[str]]]:
    """Exact error rates: (true rate of disagreement, chances of a signal by 25, 50, 100, 200)."""
    step = (given.inadequate - given.adequate) / 3
    between = [given.adequate + step * n for n in range(4)]
    return [
        (percent(rate), [percent(chance_of_signal(given, rate, n)) for n in (25, 50, 100, 200)])
        for rate in between
    ]


def false_alarms(given: Limits) -> str:
    return _(
        "After a signal somebody who stays adequate has a false alarm within 100 scans with a "
        "chance of %(false)s; somebody who has become inadequate has one within 50 with %(found)s."
    ) % {
        "false": percent(chance_of_alarm(given, given.adequate, 100)),
        "found": percent(chance_of_alarm(given, given.inadequate, 50)),
    }


def left_out(curve: Curve) -> list[str]:
    """What of the record is not in it, and why."""
    said = []
    if curve.cut_on is not None:
        said.append(
            _(
                "It ends before the scan received %(day)s, which waits to be read: a reader who "
                "takes some first must not move it."
            )
            % {"day": day(curve.cut_on)}
        )
        if curve.behind:
            said.append(
                ngettext(
                    "%(n)s scan behind that one is read and comes in when it is.",
                    "%(n)s scans behind that one are read and come in when it is.",
                    curve.behind,
                )
                % {"n": curve.behind}
            )
    if curve.skipped:
        said.append(
            ngettext(
                "%(n)s scan has waited for more than 60 days and is passed over.",
                "%(n)s scans have waited for more than 60 days and are passed over.",
                curve.skipped,
            )
            % {"n": curve.skipped}
        )
    if curve.not_compared:
        said.append(
            ngettext(
                "%(n)s reading decided nothing and is skipped.",
                "%(n)s readings decided nothing and are skipped.",
                curve.not_compared,
            )
            % {"n": curve.not_compared}
        )
    return said


def vanished(one: Vanished) -> str:
    return _(
        "A signal stood from %(since)s, with the scan received %(scan)s, until %(gone)s, when what "
        "was read or corrected took it away."
    ) % {
        "since": day(one.from_on),
        "scan": day(one.scan.received_on),
        "gone": day(one.gone_on),
    }


def event(point) -> str:
    return {"signal": _("signal"), "alarm": _("alarm")}.get(point.event, "")


def begins(what: str) -> str:
    if not what:
        return ""
    return _("watched anew from here") if what == CONTINUE else _("started again from here")
