"""The part of a trainee's page that looks ahead: outlook and curves. A fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from accounts.access import P
from accounts.models import Membership, Programme
from credentialing import queries
from credentialing.curves import presenting as curve_presenting
from credentialing.curves import reading, words
from credentialing.forecasts import presenting
from credentialing.forecasts import words as forecast_words


def of_trainee(request: HttpRequest, membership: Membership) -> dict[str, Any] | None:
    """A section for the office: everybody's outlook; curves for whoever may open any exam."""
    sees = P.SEE_ANY_EXAM in request.rights
    return _ahead(request, membership, own=False, curves=sees)


def beside(programme: Programme, memberships: list[Membership]) -> Mapping[uuid.UUID, str]:
    """The chance of all numbers together, in the cohort's rows; two queries. Nothing where past
    forecasts did no better than pace."""
    test = queries.back_test_of(programme)
    if test is not None and test.verdict == "no_better":
        return {}
    return {
        pk: _("outlook %(chance)s") % {"chance": forecast_words.chance(joint)}
        for pk, joint in queries.joint_chances(memberships).items()
    }


def of_oneself(request: HttpRequest, membership: Membership) -> dict[str, Any]:
    """For home, where the director lets trainees see it."""
    run = queries.outlook_run(request.programme)
    if run is None or not run.shown_to_trainees:
        return {"ahead": None}
    return {"ahead": _ahead(request, membership, own=True, curves=True)}


def _ahead(request, membership: Membership, *, own: bool, curves: bool) -> dict[str, Any] | None:
    its = request.programme
    names = queries.applications_of(its)
    outlook = queries.outlook_for(membership)
    found: dict[str, Any] = {
        "template": "credentialing/_ahead.html",
        "outlook": None,
        "curves": [],
        "may_test": False,
    }
    if outlook is not None and (outlook.ends_on is None or outlook.ends_on >= request.today):
        [version] = queries.versions([outlook.version_id]).values()
        test = queries.back_test_of(its)
        found["outlook"] = presenting.part(outlook, version, test, names)
        found["may_test"] = P.CHANGE_SETTINGS in request.rights
    if curves:
        found["curves"] = _curves(its, membership, names, own=own)
    return found if found["outlook"] or found["curves"] else None


def _curves(its, membership: Membership, names, *, own: bool):
    as_of = queries.now(its, timezone.now())
    history = queries.history_of(its, membership.person_id, asks=frozenset())
    plan = queries.plan_of(membership, on=as_of.d)
    lines = []
    for code, name in names.items():
        curve = reading.curve_for(history, code, as_of=as_of, limits=reading.limits_of(plan, code))
        if not curve.points:
            continue
        href = (
            reverse("credentialing:own_curve", args=[its.code, code])
            if own
            else reverse("credentialing:curve", args=[its.code, membership.pk, code])
        )
        lines.append(
            curve_presenting.Line(
                name, href, words.state(curve), words.code(curve), len(curve.points)
            )
        )
    return lines
