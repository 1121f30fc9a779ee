"""What plans and standings say, as sentences of the pages. Numbers in, words out."""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext

from credentialing import measures
from credentialing.measures.plans import MEDIANS, MONTHS, SHARES
from credentialing.models import Clause, Gate, Standing
from credentialing.reports.words import percent

LOST = {
    "recency": gettext_lazy("scans have left the window"),
    "superseded": gettext_lazy("a correction took the place of an attestation"),
    "new_readings": gettext_lazy("newer readings changed it"),
    "time": gettext_lazy("the time is over"),
}
COUNTED = {
    "credited": gettext_lazy("credited"),
    "positive": gettext_lazy("credited and read positive"),
    "negative": gettext_lazy("credited and read negative"),
    "with_finding": gettext_lazy("credited with the finding"),
    "supervised": gettext_lazy("credited, direct supervision confirmed"),
    "adequate": gettext_lazy("credited with adequate images"),
    "read": gettext_lazy("read independently"),
}
SHARED = {
    "adequate_share": gettext_lazy("readings with adequate images"),
    "agreement": gettext_lazy("answers that match the blind reading"),
    "determinate": gettext_lazy("answers that commit"),
}


def day(when: dt.date | None) -> str:
    return date_format(when) if when else ""


def units(clause: Clause, n: float) -> str:
    """A count with its unit: 12 exams."""
    n = int(n)
    if clause.measure in MONTHS:
        return ngettext("%(n)s month", "%(n)s months", n) % {"n": n}
    if clause.unit == measures.EXAM:
        return ngettext("%(n)s exam", "%(n)s exams", n) % {"n": n}
    return ngettext("%(n)s scan", "%(n)s scans", n) % {"n": n}


def bar(clause: Clause) -> str:
    if clause.measure in SHARES:
        return percent(clause.bar)
    return f"{clause.bar:g}" if clause.measure in MEDIANS else units(clause, clause.bar)


def asked(clause: Clause) -> str:
    """at least 25 exams, at most 20%"""
    if clause.direction == measures.AT_MOST:
        return pgettext("a threshold", "at most %(bar)s") % {"bar": bar(clause)}
    return pgettext("a threshold", "at least %(bar)s") % {"bar": bar(clause)}


def scope(clause: Clause, names: dict[str, str]) -> str:
    """Which scans a clause looks at. `names`: application code -> name."""
    if clause.application:
        return names.get(clause.application, clause.application)
    if clause.group:
        return capfirst(_("%(group)s applications together") % {"group": clause.group})
    return _("Every application together")


def what(clause: Clause) -> str:
    if clause.measure in COUNTED:
        return str(COUNTED[clause.measure])
    if clause.measure in SHARED:
        return str(SHARED[clause.measure])
    return _("image quality, median") if clause.measure in MEDIANS else _("since the first exam")


def name_of(clause: Clause, names: dict[str, str]) -> str:
    """What stands beside the ruler: the plan's own words, else words made of its columns."""
    if clause.label:
        return clause.label
    parts = [scope(clause, names), f"{asked(clause)} {what(clause)}"]
    if clause.within_months:
        parts.append(window(clause))
    return ": ".join([parts[0], ", ".join(parts[1:])])


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
    if clause.normal_cap is not None:
        parts.append(_("of the normal ones at most %(n)s count") % {"n": clause.normal_cap})
    if clause.measure in ("adequate", "adequate_share"):
        parts.append(_("adequate means quality %(cut)s or better") % {"cut": clause.cut})
    value = clause.as_clause()
    if value.least:
        parts.append(least(value))
    if clause.bound:
        parts.append(_("the plausible range must clear it"))
    parts.append(_("must hold still") if value.judged == measures.STILL else _("once is enough"))
    return "; ".join(parts) + "."


def least(clause: measures.Clause) -> str:
    """How many a value needs to be known."""
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
        value = clause.as_clause()
        return _("not yet known: has %(has)s, %(least)s") % {
            "has": row.denominator or 0,
            "least": least(value),
        }
    if row.lost_on:
        return _("lapsed %(day)s: %(why)s") % {
            "day": day(row.lost_on),
            "why": LOST.get(row.lost_because, row.lost_because),
        }
    if row.left:
        return ngettext("%(n)s to go", "%(n)s to go", row.left) % {"n": row.left}
    return _("above the limit") if clause.direction == measures.AT_MOST else _("not yet met")


class Brief(NamedTuple):
    """What a ruler says where there is room for a few words only."""

    value: str
    state: str
    waiting: str


def brief(clause: Clause, row: Standing) -> Brief:
    if row.value is None:
        number = asked(clause)
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
    if clause.bound:
        told.append(_("the range must clear the bar; not protected against repeated checking"))
    return "; ".join(told)


def whole(row, met: int, all_of_them: int) -> str:
    """The plan as a whole."""
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
