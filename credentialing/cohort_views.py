"""The cohort, and the page of one person in it. Both only read."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from accounts.access import P
from accounts.models import Membership, Programme, Role
from credentialing import case_mix, keeping, presenting, queries, words
from credentialing import cohort as shown
from credentialing.actions import digests
from credentialing.reports import records
from review import bedside
from review.models import Assessment

PAGE = 40
READY = ("behind", "ending", "lost", "waiting", "new")


@require_safe
def cohort(request: HttpRequest, programme: str) -> HttpResponse:
    """People by clauses, whoever may not reach the numbers first."""
    its, on = request.programme, request.today
    rows = queries.cohort(its, on=on)
    versions = queries.versions(row.whole.version_id for row in rows)
    names = queries.applications_of(its)
    everybody = shown.people_of(its, rows, versions, names, on=on)
    choices = shown.choices_of(everybody, versions, names)
    view = shown.View.from_query(request.GET, choices)
    people = shown.seen(everybody, view, versions, on=on)
    page = Paginator(people, PAGE).get_page(request.GET.get("page"))
    context = {
        "zone": its.zone_on(on),
        "page": page,
        "people": shown.drawn(page.object_list),
        "several_plans": len(versions) > 1,
        "everybody": len(everybody),
        "filters": _filters(view, choices),
        "ready": [
            (str(shown.STATES[code]), shown.View(state=code).query, n, view.state == code)
            for code in READY
            if (n := sum(one.has(code, on=on) for one in everybody))
        ],
        "view": view,
        "folded": view.met == "fold",
        "gets_letter": digests.gets(its, request.user, on=on),
        "run": queries.latest_run(its),
        "as_of": max((row.whole.d2 for row in rows), default=None),
        "may_export": P.EXPORT_REPORTS in request.rights,
        "may_manage": P.MANAGE_PEOPLE in request.rights,
    }
    return render(request, "credentialing/cohort.html", context)


@require_POST
def choose_letter(request: HttpRequest, programme: str) -> HttpResponse:
    """Whether one gets the monthly letter."""
    wants = request.POST.get("wants") == "yes"
    digests.choose(programme=request.programme, wants=wants, by=request.user, at=timezone.now())
    said = _("You get the letter once a month.") if wants else _("You get no letter any more.")
    messages.success(request, said)
    return redirect("credentialing:cohort", programme)


def _filters(view: shown.View, choices: dict[str, dict[str, str]]) -> list[dict[str, Any]]:
    """The selects of the page; one with nothing to choose between is left out."""
    told = [
        ("level", _("Level"), _("every level"), 2),
        ("profession", _("Profession"), _("every profession"), 2),
        ("plan", _("Plan"), _("every plan"), 2),
        ("state", _("Who"), _("everybody"), 1),
        ("application", _("Application"), _("every application"), 2),
        ("clause", _("Number"), _("every number"), 2),
        ("met", _("Numbers that are met"), _("draw them"), 1),
    ]
    return [
        {"name": name, "label": label, "all": every, "options": choices[name].items(),
         "chosen": getattr(view, name)}
        for name, label, every, least in told
        if len(choices[name]) >= least
    ]  # fmt: skip


@require_safe
def seen(request: HttpRequest, programme: str) -> HttpResponse:
    """One's own signed scans: what of the work one has met, and how answers met readings."""
    its = request.programme
    membership = queries.trainee_membership(request.user, its)
    if membership is None:
        raise Http404
    return render(request, "credentialing/seen.html", _seen(its, membership))


def _seen(programme: Programme, membership: Membership) -> dict[str, Any]:
    read = queries.read_of(programme, membership.person_id)
    return {
        "mix": case_mix.case_mix(programme, membership.person_id),
        "accuracy": presenting.accuracy_of(records.accuracy_of(programme, read)),
    }


@require_safe
def trainee(request: HttpRequest, programme: str, membership_id: uuid.UUID) -> HttpResponse:
    its = request.programme
    membership = get_object_or_404(
        Membership.objects.select_related("person"),
        pk=membership_id,
        programme=its,
        role=Role.TRAINEE,
    )
    whole, rows = queries.standing_of(membership)
    context: dict[str, Any] = {
        "membership": membership,
        "own": False,
        "may_keep": P.MANAGE_PEOPLE in request.rights,
        "may_export": P.EXPORT_REPORTS in request.rights,
        "sees_readings": P.SEE_ANY_EXAM in request.rights,
        "sees_all": P.MANAGE_PLANS in request.rights,
    }
    if context["may_keep"]:
        context["facts"] = keeping.current_lines(membership, with_remediation=context["sees_all"])
    if context["sees_readings"]:
        current = Assessment.objects.current().filter(programme=its, trainee=membership.person)
        context |= {"assessed": bedside.rows_of(current), **_seen(its, membership)}
    context["more"] = [part for made in shown.SECTIONS if (part := made(request, membership))]
    if whole is not None:
        names = queries.applications_of(its)
        lines = presenting.lines_of(its, membership.pk, rows, names)
        totals = queries.credited_totals(its, membership.person_id, whole.as_of)
        context |= presenting.standing(whole, lines) | {
            "totals": words.totals(*totals),
            "left_out": words.left_out(queries.beside(its, membership.person_id, timezone.now())),
        }
    return render(request, "credentialing/trainee.html", context)
