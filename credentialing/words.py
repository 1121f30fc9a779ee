"""What plans and standings say, as sentences of the pages. Numbers in, words out."""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext

from credentialing import measures
from credentialing.measures.plans import CURVES, MEDIANS, MONTHS, SHARES
from credentialing.models import Clause, Gate, Standing
from credentialing.reports.words import LOST, percent

MEASURED = {
    "credited": gettext_lazy("credited"),
    "positive": gettext_lazy("credited and read positive"),
    "negative": gettext_lazy("credited and read negative"),
    "with_finding": gettext_lazy("credited with a finding"),
    "supervised": gettext_lazy("credited, direct supervision confirmed"),
    "adequate": gettext_lazy("credited with adequate images"),
    "read": gettext_lazy("read independently"),
    "per_period": gettext_lazy("credited in each of the last periods"),
    "readers": gettext_lazy("different readers"),
    "assessed": gettext_lazy("bedside assessments"),
    "document": gettext_lazy("a course, a test, a record"),
    "procedure": gettext_lazy("procedures"),
    "elapsed_months": gettext_lazy("months since the first exam"),
    "quality": gettext_lazy("median image quality"),
    "adequate_share": gettext_lazy("share with adequate images"),
    "agreement": gettext_lazy("share that matches the blind reading"),
    "positive_agreement": gettext_lazy("agreement on positive ones"),
    "negative_agreement": gettext_lazy("agreement on negative ones"),
    "determinate": gettext_lazy("share that commits"),
    "sensitivity": gettext_lazy("share found, against a reference"),
    "specificity": gettext_lazy("share ruled out, against a reference"),
    "curve": gettext_lazy("learning curve with a signal"),
    "clinical_share": gettext_lazy("share that was patient care"),
    "unread_share": gettext_lazy("share not read yet"),
}
COUNTED = {
    "credited": gettext_lazy("credited"),
    "positive": gettext_lazy("credited and read positive"),
    "negative": gettext_lazy("credited and read negative"),
    "with_finding": gettext_lazy("credited with the finding"),
    "supervised": gettext_lazy("credited, direct supervision confirmed"),
    "adequate": gettext_lazy("credited with adequate images"),
    "read": gettext_lazy("read independently"),
    "per_period": gettext_lazy("credited"),
}
SHARED = {
    "adequate_share": gettext_lazy("readings with adequate images"),
    "agreement": gettext_lazy("answers that match the blind reading"),
    "determinate": gettext_lazy("answers that commit"),
    "positive_agreement": gettext_lazy("agreement on positive ones with the blind reading"),
    "negative_agreement": gettext_lazy("agreement on negative ones with the blind reading"),
    "sensitivity": gettext_lazy("found, of the sides that a reference said were positive"),
    "specificity": gettext_lazy("ruled out, of the sides that a reference said were negative"),
    "clinical_share": gettext_lazy("of the credited ones, part of a patient’s care"),
    "unread_share": gettext_lazy("of those submitted, not read yet"),
}
DOCUMENTS = {
    "course": gettext_lazy("a course"),
    "written_test": gettext_lazy("a written test"),
    "other": gettext_lazy("another dated record"),
}
PROCEDURES = {
    "done": gettext_lazy("done"),
    "supervised": gettext_lazy("done under supervision"),
    "complications": gettext_lazy("with complications"),
}
KINDS = {
    "initial": gettext_lazy("initial numbers"),
    "maintenance": gettext_lazy("staying current"),
    "focused_review": gettext_lazy("focused review"),
}


SHORT = {
    "credited": gettext_lazy("credited"),
    "read": gettext_lazy("read"),
    "positive": gettext_lazy("positive"),
    "negative": gettext_lazy("negative"),
    "with_finding": gettext_lazy("with the finding"),
    "supervised": gettext_lazy("supervised"),
    "claimed": gettext_lazy("supervision claimed"),
    "adequate": gettext_lazy("adequate"),
    "adequate_share": gettext_lazy("adequate images"),
    "quality": gettext_lazy("image quality"),
    "agreement": gettext_lazy("agreement"),
    "determinate": gettext_lazy("commits"),
    "positive_agreement": gettext_lazy("agreement, positive"),
    "negative_agreement": gettext_lazy("agreement, negative"),
    "sensitivity": gettext_lazy("sensitivity"),
    "specificity": gettext_lazy("specificity"),
    "assessed": gettext_lazy("at the bedside"),
    "curve": gettext_lazy("learning curve"),
    "elapsed_months": gettext_lazy("months"),
    "per_period": gettext_lazy("each period"),
    "readers": gettext_lazy("readers"),
    "clinical_share": gettext_lazy("on patients"),
    "unread_share": gettext_lazy("unread"),
    "document": gettext_lazy("document"),
    "procedure": gettext_lazy("procedures"),
}


def short(clause: Clause, application: str) -> str:
    """For a narrow place: *Effusion: credited*, *Lung: supervised*, *Months*."""
    measure = str(SHORT.get(clause.measure, clause.measure.replace("_", " ")))
    if clause.within_months:
        measure = _("%(measure)s, %(n)s months") % {"measure": measure, "n": clause.within_months}
    of = application or clause.group.capitalize()
    return f"{of}: {measure}" if of else capfirst(measure)


def day(when: dt.date | None) -> str:
    return date_format(when) if when else ""


def units(clause: Clause, n: float) -> str:
    """A count with its unit: 12 exams."""
    n = int(n)
    if clause.measure in MONTHS:
        return ngettext("%(n)s month", "%(n)s months", n) % {"n": n}
    if clause.measure == "assessed":
        return ngettext("%(n)s assessment", "%(n)s assessments", n) % {"n": n}
    if clause.measure == "document":
        return ngettext("%(n)s record", "%(n)s records", n) % {"n": n}
    if clause.measure == "procedure":
        return ngettext("%(n)s procedure", "%(n)s procedures", n) % {"n": n}
    if clause.measure == "readers":
        return ngettext("%(n)s reader", "%(n)s readers", n) % {"n": n}
    if clause.unit == measures.PATIENT:
        return ngettext("%(n)s patient", "%(n)s patients", n) % {"n": n}
    if clause.unit == measures.EXAM:
        return ngettext("%(n)s exam", "%(n)s exams", n) % {"n": n}
    return ngettext("%(n)s scan", "%(n)s scans", n) % {"n": n}


def bar(clause: Clause) -> str:
    if clause.measure in SHARES:
        return percent(clause.bar)
    return f"{clause.bar:g}" if clause.measure in MEDIANS else units(clause, clause.bar)


def asked(clause: Clause) -> str:
    """at least 25 exams, at most 20%"""
    if clause.measure in CURVES:
        return _("a signal that still stands")
    if clause.direction == measures.AT_MOST:
        return pgettext("a threshold", "at most %(bar)s") % {"bar": bar(clause)}
    return pgettext("a threshold", "at least %(bar)s") % {"bar": bar(clause)}


def scope(clause: Clause, names: dict[str, str]) -> str:
    """Which scans a clause looks at. `names`: application code -> name."""
    if clause.application:
        return names.get(clause.application, clause.application)
    if clause.group:
        return capfirst(_("%(group)s applications together") % {"group": clause.group})
    if clause.measure in ("document", "procedure"):
        return _("On record")
    return _("Every application together")


def what(clause: Clause) -> str:
    if clause.measure == "assessed":
        told = _("at the bedside at level %(n)s or above") % {"n": clause.level}
        return told + (_(", summative") if clause.summative else "")
    if clause.measure == "document":
        return _named_record(clause.kind)
    if clause.measure == "procedure":
        told = str(PROCEDURES[clause.which])
        return f"{clause.kind}, {told}" if clause.kind else told
    if clause.measure == "readers":
        if clause.max_share is None:
            return _("different ones")
        return _("different ones, none with more than %(share)s") % {
            "share": percent(clause.max_share)
        }
    if clause.measure in CURVES:
        return _("learning curve: disagreement is shown to be nearer %(a)s than %(i)s") % {
            "a": percent(clause.adequate_rate),
            "i": percent(clause.inadequate_rate),
        }
    if clause.measure in COUNTED:
        return str(COUNTED[clause.measure])
    if clause.measure in SHARED:
        return str(SHARED[clause.measure])
    return _("image quality, median") if clause.measure in MEDIANS else _("since the first exam")


def name_of(clause: Clause, names: dict[str, str]) -> str:
    """What stands beside the ruler: the plan's own words, else words made of its columns."""
    if clause.text:
        return clause.text
    parts = [scope(clause, names), f"{asked(clause)} {what(clause)}"]
    if clause.within_months:
        parts.append(window(clause))
    if clause.measure == "per_period":
        parts.append(periods(clause))
    return ": ".join([parts[0], ", ".join(parts[1:])])


def _named_record(kind: str) -> str:
    name, _colon, code = kind.partition(":")
    told = str(DOCUMENTS.get(name, name))
    return f"{told} ({code})" if code else told


def periods(clause: Clause) -> str:
    """in each of the last 2 years"""
    n = clause.periods
    if clause.period == "year":
        told = ngettext("in the last year", "in each of the last %(n)s years", n)
    elif clause.period == "month":
        told = ngettext("in the last month", "in each of the last %(n)s months", n)
    else:
        told = ngettext("in the last week", "in each of the last %(n)s weeks", n)
    return told % {"n": n} if n != 1 else told


def links(clause: Clause) -> list[str]:
    """What other clauses and dates leave to it."""
    told = []
    if clause.further:
        told.append(
            ngettext(
                "scans that number %(list)s does not use",
                "scans that numbers %(list)s do not use",
                len(clause.further),
            )
            % {"list": ", ".join(map(str, clause.further))}
        )
    if clause.after is not None:
        told.append(_("performed after number %(n)s was reached") % {"n": clause.after})
    if clause.since == "remediation":
        told.append(_("since the newest block of remediation began"))
    elif clause.since[:1].isdigit():
        told.append(_("since %(day)s") % {"day": day(dt.date.fromisoformat(clause.since))})
    elif clause.since:
        told.append(_("since %(record)s") % {"record": _named_record(clause.since)})
    return told


def window(clause: Clause) -> str:
    return ngettext("in the last %(n)s month", "in the last %(n)s months", clause.within_months) % {
        "n": clause.within_months
    }


def sentence(clause: Clause, names: dict[str, str]) -> str:
    """A clause of a plan with everything that it asks."""
    parts = [f"{scope(clause, names)}: {asked(clause)}, {what(clause)}"]
    if clause.finding:
        parts.append(clause.finding.replace("=", ": "))
    if clause.within_months:
        parts.append(window(clause))
    if clause.measure == "per_period":
        parts.append(periods(clause))
    parts += links(clause)
    if clause.focal != measures.APART:
        parts.append(
            _("a focal pattern counts as positive")
            if clause.focal == "positive"
            else _("a focal pattern counts as negative")
        )
    if clause.normal_cap is not None:
        parts.append(_("of the normal ones at most %(n)s count") % {"n": clause.normal_cap})
    if clause.measure in ("adequate", "adequate_share"):
        parts.append(_("adequate means quality %(cut)s or better") % {"cut": clause.cut})
    if clause.least:
        parts.append(least(clause))
    if clause.bound and clause.has_looks:
        parts.append(
            _("the plausible range must clear it, looked at after every %(n)s") % {"n": clause.step}
        )
    elif clause.bound:
        parts.append(
            _("the plausible range must clear it; not protected against repeated checking")
        )
    parts.append(_("must hold still") if clause.judged == measures.STILL else _("once is enough"))
    return "; ".join(parts) + "."


def least(clause: Clause | measures.Clause) -> str:
    """How many a value needs to be known."""
    if clause.measure in ("positive_agreement", "negative_agreement"):
        kind = _("positive") if clause.measure == "positive_agreement" else _("negative")
        return _("known from %(n)s readings on that are %(kind)s") % {
            "n": clause.least, "kind": kind,
        }  # fmt: skip
    if clause.measure in ("sensitivity", "specificity"):
        return _("known from %(n)s sides on that had a reference") % {"n": clause.least}
    told = _("known from %(n)s on") % {"n": clause.least}
    if clause.least_each:
        told += _(", at least %(n)s of them positive and %(n)s negative") % {"n": clause.least_each}
    return told


def combined(gate: Gate, clauses: int) -> str:
    """How the clauses of a gate go together."""
    if clauses == 1:
        return ""
    if gate.combine == measures.ALL:
        return _("all of these")
    if gate.combine == measures.ANY:
        return _("one of these is enough")
    return _("at least %(n)s of these") % {"n": gate.combine}


# --- a standing -----------------------------------------------------------------------------------


def value(clause: Clause, row: Standing) -> str:
    """What stands in large: 12 of 25 exams."""
    if row.value is None:
        return asked(clause)
    if clause.measure in CURVES:
        return ngettext("%(n)s scan on the curve", "%(n)s scans on the curve", row.seen or 0) % {
            "n": row.seen or 0
        }
    if clause.measure in ("positive_agreement", "negative_agreement"):
        # Twice the agreeing ones of twice these and the others: no number of scans.
        return _("%(share)s, asked %(bar)s") % {
            "share": percent(row.value, up=clause.direction == measures.AT_MOST),
            "bar": percent(clause.bar),
        }
    if clause.measure in SHARES:
        at_most = clause.direction == measures.AT_MOST
        return _("%(share)s (%(n)s of %(of)s), asked %(bar)s") % {
            "share": percent(row.value, up=at_most),
            "n": row.numerator,
            "of": row.denominator,
            "bar": percent(clause.bar),
        }
    if clause.measure in MEDIANS:
        return _("%(value)s, asked %(bar)s") % {"value": int(row.value), "bar": f"{clause.bar:g}"}
    if clause.direction == measures.AT_MOST:
        return _("%(n)s, at most %(bar)s") % {"n": row.numerator, "bar": bar(clause)}
    return _("%(n)s of %(bar)s") % {"n": row.numerator, "bar": bar(clause)}


def state(clause: Clause, row: Standing) -> str:
    """The word that says what the ruler means."""
    if row.state == measures.MET:
        return _("met %(day)s") % {"day": day(row.met_since)}
    if row.state == measures.NOT_YET_KNOWN:
        if clause.has_looks:
            first = -(-max(clause.least, 1) // clause.step) * clause.step
            return _("not yet known: has %(has)s, the first look is after %(first)s") % {
                "has": row.seen or 0,
                "first": first,
            }
        if clause.measure in ("positive_agreement", "negative_agreement"):
            return _("not yet known: %(least)s") % {"least": least(clause)}
        return _("not yet known: has %(has)s, %(least)s") % {
            "has": row.denominator or 0,
            "least": least(clause),
        }
    if row.lost_on:
        return _("lapsed %(day)s: %(why)s") % {
            "day": day(row.lost_on),
            "why": LOST.get(row.lost_because, row.lost_because),
        }
    if row.left:
        return ngettext("%(n)s to go", "%(n)s to go", row.left) % {"n": row.left}
    if clause.measure in CURVES:
        return _("no signal yet, which does not mean inadequate")
    return _("above the limit") if clause.direction == measures.AT_MOST else _("not yet met")


class Brief(NamedTuple):
    """What a ruler says where there is room for a few words only."""

    value: str
    state: str
    waiting: str


def brief(clause: Clause, row: Standing) -> Brief:
    if row.value is None:
        number = asked(clause)
    elif clause.measure in CURVES:
        number = value(clause, row)
    elif clause.measure in SHARES:
        at_most = clause.direction == measures.AT_MOST
        number = _("%(share)s, asked %(bar)s") % {
            "share": percent(row.value, up=at_most),
            "bar": percent(clause.bar),
        }
    elif clause.direction == measures.AT_LEAST:
        number = _("%(n)s of %(bar)s") % {"n": f"{row.value:g}", "bar": f"{clause.bar:g}"}
    else:
        number = _("%(n)s, at most %(bar)s") % {"n": f"{row.value:g}", "bar": f"{clause.bar:g}"}
    if row.state == measures.MET:
        told = _("met")
    elif row.state == measures.NOT_YET_KNOWN:
        told = _("not yet known")
    else:
        told = _("lapsed") if row.lost_on else state(clause, row)
    waits = (
        ngettext("%(n)s waits", "%(n)s wait", row.waiting) % {"n": row.waiting}
        if row.waiting
        else ""
    )
    return Brief(number, told, waits)


def waiting(clause: Clause, row: Standing) -> str:
    """What was performed and may still come to count."""
    told = []
    if row.waiting:
        told.append(
            ngettext("%(n)s waits to be read", "%(n)s wait to be read", row.waiting)
            % {"n": row.waiting}
        )
    if row.returned:
        told.append(_("%(n)s returned") % {"n": row.returned})
    return ", ".join(told)


def notes(clause: Clause, row: Standing) -> str:
    """What else the number has to say."""
    told = []
    if row.left and row.state != measures.MET and row.lost_on:
        told.append(ngettext("%(n)s to go", "%(n)s to go", row.left) % {"n": row.left})
    if row.state == measures.MET and row.reached_with:
        reached = _("reached with the scan of %(day)s") % {"day": day(row.reached_with)}
        if row.reached_signed_on:
            reached += _(", signed %(day)s") % {"day": day(row.reached_signed_on)}
        told.append(reached)
    if row.first_met_on and row.first_met_on != row.met_since:
        told.append(_("first met %(day)s") % {"day": day(row.first_met_on)})
    if row.normal_over:
        told.append(
            _("%(n)s normal ones beyond the cap of %(cap)s do not count")
            % {"n": row.normal_over, "cap": clause.normal_cap}
        )
    if row.claimed:
        told.append(_("%(n)s claimed as supervised, nobody has confirmed") % {"n": row.claimed})
    if row.transferred:
        told.append(
            _("of them attested elsewhere %(n)s, in no figure of accuracy") % {"n": row.transferred}
        )
    if row.people:
        told.append(
            ngettext("by %(n)s assessor", "by %(n)s assessors", row.people) % {"n": row.people}
        )
    if row.largest is not None:
        told.append(
            _("the one with most read %(share)s") % {"share": percent(row.largest, up=True)}
        )
    if row.window_ends_on:
        told.append(
            _("in the best window, which ends on %(day)s") % {"day": day(row.window_ends_on)}
        )
    if row.skipped:
        told.append(
            ngettext(
                "%(n)s that waits for more than 60 days is passed over",
                "%(n)s that wait for more than 60 days are passed over",
                row.skipped,
            )
            % {"n": row.skipped}
        )
    if clause.bound and clause.has_looks:
        told.append(
            _("judged at the last look of %(n)s so far, one after every %(step)s")
            % {"n": row.seen or 0, "step": clause.step}
        )
    elif clause.bound:
        told.append(_("the range must clear the bar; not protected against repeated checking"))
    return "; ".join(told)


def whole(row, met: int, all_of_them: int) -> str:
    """The plan as a whole."""
    if row.met and row.met_since < row.version.effective_on:
        return _(
            "The plan is met. It is judged over the whole record: it would have been met on "
            "%(day)s, before it took effect."
        ) % {"day": day(row.met_since)}
    if row.met:
        return _("The plan is met, since %(day)s.") % {"day": day(row.met_since)}
    if row.lost_on:
        return _("%(met)s of %(all)s numbers met. The plan was met and lapsed %(day)s.") % {
            "met": met,
            "all": all_of_them,
            "day": day(row.lost_on),
        }
    return _("%(met)s of %(all)s numbers met.") % {"met": met, "all": all_of_them}


def as_of(row) -> str:
    """Performed by D, read by D2, position N. The day is not over yet where it is today."""
    return _("As known on %(day)s, at entry %(n)s of the ledger.") % {
        "day": day(row.d2),
        "n": row.n,
    }


def totals(scans: int, exams: int) -> str:
    return _(
        "%(scans)s of %(exams)s are credited so far. A number shows exposure, not competence."
    ) % {
        "scans": ngettext("%(n)s scan", "%(n)s scans", scans) % {"n": scans},
        "exams": ngettext("%(n)s exam", "%(n)s exams", exams) % {"n": exams},
    }


def left_out(beside) -> str:
    """What of a record is not among its readings; what is zero is not named."""
    told = {
        "drafts_old": _("drafts older than 7 days"),
        "withdrawn": _("withdrawn after submission"),
        "returned": _("returned"),
        "closed": _("closed"),
        "set_aside": _("set aside"),
        "late": _("late"),
        "not_independent": _("not independent"),
        "corrected": _("corrected after the reveal"),
    }
    some = [f"{n} {word}" for name, word in told.items() if (n := getattr(beside, name))]
    return _("Not among the readings: %(what)s.") % {"what": ", ".join(some) or _("nothing so far")}


def record(one: object) -> str:
    """What stands behind a number and is no scan; "" for scans."""
    if isinstance(one, measures.Assessment):
        return _("assessment at level %(n)s") % {"n": one.level}
    if isinstance(one, measures.Document):
        return _named_record(f"{one.kind}:{one.code}" if one.code else one.kind)
    if isinstance(one, measures.Procedure):
        return one.code or _("procedure")
    return ""


def best_window(gate: Gate | measures.Gate) -> str:
    if gate.window != measures.BEST:
        return ""
    return ngettext(
        "All in one and the same window of %(n)s month, the best there is.",
        "All in one and the same window of %(n)s months, the best there is.",
        gate.within_months or 0,
    ) % {"n": gate.within_months}


def chose(n: int) -> str:
    return ngettext("%(n)s choice is recorded.", "%(n)s choices are recorded.", n) % {"n": n}


def cohort(terms) -> str:
    """For whom a plan is."""
    told = [part for part in (terms.profession, terms.level) if part]
    if terms.starts_from:
        told.append(_("begun on %(day)s or later") % {"day": day(terms.starts_from)})
    return ", ".join(told) or _("everybody")


def would_change(moving: int, cohort: int, gain: int, lose: int) -> str:
    """The sentence above what a draft would change."""
    if not gain and not lose:
        return ngettext(
            "Of %(all)s in the cohort %(n)s moves to it. Nobody’s answer changes now.",
            "Of %(all)s in the cohort %(n)s move to it. Nobody’s answer changes now.",
            moving,
        ) % {"n": moving, "all": cohort}
    return ngettext(
        "Of %(all)s in the cohort %(n)s moves to it: %(gain)s would come to meet their plan, "
        "%(lose)s would no longer.",
        "Of %(all)s in the cohort %(n)s move to it: %(gain)s would come to meet their plan, "
        "%(lose)s would no longer.",
        moving,
    ) % {"n": moving, "all": cohort, "gain": gain, "lose": lose}


def before_and_after(before, after) -> str:
    """met: still met; not met: would be met"""
    if before is None:
        return _("no plan: would be met") if after.met else _("no plan: would not be met")
    if before.met and after.met:
        return _("met, and still met")
    if before.met:
        return _("met, would no longer be")
    return _("not met, would be met") if after.met else _("not met, and still not")
