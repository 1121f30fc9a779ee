"""The monthly letter about the cohort: how many need a look, and where they stand. No names: a
letter travels further than the page that it leads to."""

from __future__ import annotations

import datetime as dt

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts import notices
from accounts.models import Programme
from accounts.texts import address
from credentialing import cohort, queries

TOLD = ("behind", "ending", "lost", "waiting")


def of(programme: Programme, *, on: dt.date) -> dict[str, int]:
    """What the letter says; empty where there is no cohort."""
    rows = queries.cohort(programme, on=on)
    if not rows:
        return {}
    versions = queries.versions(row.whole.version_id for row in rows)
    names = queries.applications_of(programme)
    people = cohort.people_of(programme, rows, versions, names, on=on)
    return {
        "people": len(people),
        "meets": sum(one.has("meets", on=on) for one in people),
        **{code: sum(one.has(code, on=on) for one in people) for code in TOLD},
    }


def letter(notice, context) -> tuple[str, str]:
    programme = notice.programme
    page = address(reverse("credentialing:cohort", args=[programme.code]))
    lines = [
        ngettext("%(n)s trainee, %(m)s of them meet the plan.",
                 "%(n)s trainees, %(m)s of them meet the plan.", context["people"])
        % {"n": context["people"], "m": context["meets"]}
    ]  # fmt: skip
    for code in TOLD:
        if context[code]:
            lines.append(f"{context[code]} {cohort.STATES[code]}:\n{page}?state={code}")
    if not any(context[code] for code in TOLD):
        lines.append(_("Nobody stands out this month.") + f"\n{page}")
    return (
        _("%(programme)s: who may need you this month") % {"programme": programme.name},
        _(
            "Hello %(name)s,\n\n%(lines)s\n\nBehind means more left than an even pace would leave. "
            "It is the risk of not reaching local numbers, not skill; among many people some look "
            "extreme by chance, and it is no ground for any action against anybody.\n\nYou can "
            "stop this letter on the cohort's page."
        )
        % {"name": notice.person.name, "lines": "\n\n".join(lines)},
    )


notices.register("credentialing.digest", letter)
