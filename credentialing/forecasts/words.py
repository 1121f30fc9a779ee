"""What an outlook says. Always to the nearest 5%, never as a finding."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from credentialing import words
from credentialing.models import BackTest, Clause, Outlook
from credentialing.outlook.rounding import rounded

WEEKS = 52


def chance(given: float) -> str:
    """40%; at the ends *under 5%* and *over 95%*."""
    found = rounded(given)
    if found == 0:
        return _("under 5%")
    if found == 100:
        return _("over 95%")
    return _("about %(percent)s%%") % {"percent": found}


def lead(outlook: Outlook) -> str:
    """The first sentence: all numbers together, or why no chance is told."""
    told = outlook.told
    end = words.day(outlook.ends_on)
    if outlook.why == Outlook.NO_END:
        return _("No end of training is set, so there is no date to reach the numbers by.")
    if outlook.why == Outlook.TOO_EARLY:
        return _(
            "Too early for a forecast: fewer than 8 past trainees can be asked, and fewer than 8 "
            "weeks of scanning lie behind. Only the pace is known."
        )
    if outlook.why == Outlook.NOTHING_YET:
        return _("No exam here has been credited yet, so there is nothing to forecast from.")
    if told["met"]:
        return _("All numbers are met now. Chance that they are on %(end)s: %(chance)s.") % {
            "end": end,
            "chance": chance(outlook.joint),
        }
    return _("Chance of meeting all numbers together by %(end)s: %(chance)s.") % {
        "end": end,
        "chance": chance(outlook.joint),
    }


def basis(outlook: Outlook) -> str:
    """From what it is told: weeks, exams, past trainees, what waits."""
    told = outlook.told
    said = [
        ngettext(
            "%(exams)s exam in %(weeks)s weeks of scanning so far, leave and rotations taken out.",
            "%(exams)s exams in %(weeks)s weeks of scanning so far, leave and rotations taken out.",
            told["exams"],
        )
        % {"exams": told["exams"], "weeks": f"{told['weeks']:.0f}"}
    ]
    if outlook.ends_on:
        said.append(
            _("%(weeks)s weeks are left in which a scan can still be read in time.")
            % {"weeks": f"{told['weeks_left']:.0f}"}
        )
    if told["waiting"]:
        said.append(
            ngettext(
                "%(n)s exam waits to be read.", "%(n)s exams wait to be read.", told["waiting"]
            )
            % {"n": told["waiting"]}
        )
    prior = told["prior"]
    if prior and outlook.why == Outlook.TOLD:
        pooled = {
            "": _("of the same stage"),
            "stages": _("of all stages"),
            "applications": _("of all stages and applications"),
        }[prior["pooled"]]
        said.append(
            ngettext(
                "%(n)s past trainee %(pooled)s says how paces differ.",
                "%(n)s past trainees %(pooled)s say how paces differ.",
                prior["trainees"],
            )
            % {"n": prior["trainees"], "pooled": pooled}
        )
    return " ".join(said)


def tested(outlook: Outlook, test: BackTest | None) -> str:
    """How forecasts like this one did: of past trainees given about p, so many got there."""
    if test is None or test.verdict == "too_few":
        return _("There are not enough past trainees to test this forecast.")
    if test.verdict == "no_better" or outlook.joint is None:
        return ""
    groups = test.told["groups"]
    if not groups:
        return ""
    near = min(groups, key=lambda group: abs(group["mean"] - outlook.joint))
    return ngettext(
        "Of %(n)s forecast of past trainees given %(chance)s, %(reached)s came true.",
        "Of %(n)s forecasts of past trainees given %(chance)s, %(reached)s came true.",
        near["cases"],
    ) % {"n": near["cases"], "chance": chance(near["mean"]), "reached": near["reached"]}


def hidden(test: BackTest | None) -> str:
    """Why chances are folded away; "" where they are shown."""
    if test is None or test.verdict != "no_better":
        return ""
    return _(
        "Hidden, because past forecasts here did no better than that everybody goes on as they "
        "did. Pace says as much."
    )


def pace(clause: Clause, told: dict[str, Any]) -> str:
    """So far and needed, in the clause's own unit, a week of scanning."""
    if told["so_far"] is None:
        return ""
    so_far = _("%(n)s a week so far") % {"n": f"{told['so_far']:.2g}"}
    if told["needed"] is None:
        return so_far
    return _("%(so_far)s, %(needed)s needed") % {
        "so_far": so_far,
        "needed": f"{told['needed']:.2g}",
    }


def clause_chance(clause: Clause, told: dict[str, Any]) -> str:
    if not told["forecast"]:
        return _("met") if told["met"] else _("not forecast: it does not come from scans")
    if told["met"] and (told["chance"] is None or told["chance"] == 1.0):
        return _("met")
    if told["chance"] is None:
        return _("not told")
    if told["met"]:
        return _("met now; %(chance)s on the last day") % {"chance": chance(told["chance"])}
    return chance(told["chance"])


def half_way(fan: dict[str, Any], needed: float) -> str:
    """By when half of the futures are there; beyond the end it is not within training."""
    middle, days = fan["middle"], [dt.date.fromisoformat(one) for one in fan["days"]]
    if middle[0] >= needed:
        return _("There already.")
    for at in range(1, len(days)):
        if middle[at] >= needed:
            share = (needed - middle[at - 1]) / (middle[at] - middle[at - 1])
            on = days[at - 1] + (days[at] - days[at - 1]) * share
            return _("Half of the futures are there by %(day)s.") % {"day": words.day(on)}
    return _("Half of the futures get there: not within training.")
