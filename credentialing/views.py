"""Home, the cohort, the scans behind a number, and the plan in force. Every page only reads."""

from __future__ import annotations

import uuid
from typing import Any

from django.db.models import F
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from accounts.access import P
from accounts.models import Membership, Role
from credentialing import ahead, presenting, queries, recorded, words
from credentialing.measures import behind
from credentialing.measures.plans import MONTHS
from credentialing.models import PlanVersion, Standing
from credentialing.reports import records
from review.queries import to_acknowledge

SHOWN = 6


def _page(request: HttpRequest, name: str, context: dict[str, Any]) -> HttpResponse:
    zone = request.programme.zone_on(request.today)
    return render(request, f"credentialing/{name}.html", {"zone": zone, **context})


# --- one's own ------------------------------------------------------------------------------------


@require_safe
def home(request: HttpRequest, programme: str) -> HttpResponse:
    """Where one stands, and what one can do about it. A fixed number of queries."""
    person, its = request.user, request.programme
    membership = queries.trainee_membership(person, its)
    context: dict[str, Any] = {
        "membership": membership,
        "own": True,
        "may_record": P.RECORD_EXAMS in request.rights,
        "urgent": to_acknowledge(person, its),
    }
    if membership is not None:
        whole, rows = queries.standing_of(membership)
        exams = queries.open_exams(person, its)
        needing = [exam for exam in exams if exam.state == "needs_you"]
        waiting = [exam for exam in exams if exam.state != "needs_you"]
        context |= {
            "needing": needing,
            "waiting": waiting[:SHOWN],
            "waiting_more": len(waiting) - SHOWN,
            "feedback": queries.latest_feedback(person, its),
        }
        if whole is not None:
            lines = presenting.own_lines(its, rows, queries.applications_of(its))
            totals = queries.credited_totals(its, person.pk, whole.as_of)
            context |= presenting.standing(whole, lines) | {
                "totals": words.totals(*totals),
                "left_out": words.left_out(queries.beside(its, person.pk, timezone.now())),
                "is_new": not any(totals) and not exams,
            }
        context |= ahead.of_oneself(request, membership)
    return _page(request, "home", context)


@require_safe
def own_number(request: HttpRequest, programme: str, ordinal: int) -> HttpResponse:
    membership = queries.trainee_membership(request.user, request.programme)
    if membership is None:
        raise Http404
    return _number(request, membership, ordinal, link="review:exam", whole=True)


# --- the cohort -----------------------------------------------------------------------------------


def _trainee(request: HttpRequest, membership_id: uuid.UUID) -> Membership:
    return get_object_or_404(
        Membership.objects.select_related("person"),
        pk=membership_id,
        programme=request.programme,
        role=Role.TRAINEE,
    )


@require_safe
def number(
    request: HttpRequest, programme: str, membership_id: uuid.UUID, ordinal: int
) -> HttpResponse:
    """A director opens the exams; a coordinator sees progress and no reading."""
    membership = _trainee(request, membership_id)
    opens = P.SEE_ANY_EXAM in request.rights
    return _number(request, membership, ordinal, link="review:exam" if opens else "", whole=opens)


def _number(
    request: HttpRequest, membership: Membership, ordinal: int, *, link: str, whole: bool
) -> HttpResponse:
    """The scans that add up to a stored number, judged as of the standing's own (D, D2, N)."""
    its, person = request.programme, membership.person
    row = get_object_or_404(
        Standing.objects.select_related("clause__gate", "clause__version", "membership"),
        membership=membership,
        clause__version=F("membership__plan_standing__version"),
        clause__ordinal=ordinal,
    )
    clause, names = row.clause, queries.applications_of(its)
    # Other clauses of the plan may have a say in which scans are this one's.
    whole_plan = queries.versions([clause.version_id])[clause.version_id].as_plan()
    asked = next(one for one in whole_plan.clauses if one.ordinal == ordinal)
    history = queries.history_of(its, person.pk, asks=recorded.asked_by([whole_plan]))
    whole_row = membership.plan_standing
    found = behind(asked, history, as_of=whole_row.as_of, plan=whole_plan)
    codes = queries.exams_named_to(request.user, {one.fact.exam for one in found}, on=request.today)
    own = person.pk == request.user.pk
    line = (
        presenting.own_lines(its, [row], names)
        if own
        else presenting.lines_of(its, membership.pk, [row], names)
    )[0]
    context = {
        "membership": membership,
        "own": own,
        "line": line,
        "sentence": words.sentence(clause, names),
        "as_of": words.as_of(whole_row),
        "first_received_on": history.first_received_on if clause.measure in MONTHS else None,
        "parts": presenting.parts_of(
            clause, found, codes=codes, names=names, link=link, programme=its, whole=whole
        ),
        "adds_up": presenting.adds_up(clause, row, found),
    }
    if clause.measure in ("agreement", "determinate") and whole:
        context["accuracy"] = presenting.accuracy_of(
            records.accuracy_of(its, [one.fact.id for one in found])
        )
    return _page(request, "number", context)


# --- the plan -------------------------------------------------------------------------------------


@require_safe
def plan(request: HttpRequest, programme: str) -> HttpResponse:
    """The versions in force as sentences with their sources: one's own first."""
    its, on = request.programme, request.today
    names = queries.applications_of(its)
    membership = queries.trainee_membership(request.user, its)
    own = queries.plan_of(membership, on=on) if membership is not None else None
    judged = queries.people_by_version(its, on=on)
    newcomers = PlanVersion.objects.for_newcomers(its, on=on)
    wanted = {version.pk for version in (own, newcomers) if version is not None}
    wanted |= set(judged)
    sees_people = P.SEE_COHORT in request.rights
    versions = sorted(
        queries.versions(wanted).values(),
        key=lambda one: (own is None or one.pk != own.pk, -len(judged.get(one.pk, [])), one.name),
    )
    shown = [
        {
            "version": version,
            "own": own is not None and version.pk == own.pk,
            "newcomers": newcomers is not None and version.pk == newcomers.pk,
            "gates": presenting.gates_of(version, names),
            "people": judged.get(version.pk, []) if sees_people else [],
            "count": len(judged.get(version.pk, [])),
        }
        for version in versions
    ]
    return _page(request, "plan", {"plans": shown, "sees_people": sees_people})
