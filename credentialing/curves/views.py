"""The page of one curve: the trainee's own, and the director's with the decision."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from accounts.errors import Refused
from accounts.models import Membership, Role
from credentialing import queries, words
from credentialing.actions import curves as actions
from credentialing.curves import presenting, reading
from credentialing.curves import words as curve_words
from credentialing.curves.forms import DecisionForm
from credentialing.learning_curve import Curve, vanished_of
from logbook.models import Application


@require_safe
def own_curve(request: HttpRequest, programme: str, code: str) -> HttpResponse:
    membership = queries.trainee_membership(request.user, request.programme)
    if membership is None:
        raise Http404
    application = _application(request, code)
    run = queries.outlook_run(request.programme)
    if run is None or not run.shown_to_trainees:
        return render(request, "credentialing/curve_kept.html", {"application": application})
    _curve, context = _page(request, membership, application)
    return render(request, "credentialing/curve.html", context | {"own": True})


@require_http_methods(["GET", "HEAD", "POST"])
def curve(
    request: HttpRequest, programme: str, membership_id: uuid.UUID, code: str
) -> HttpResponse:
    membership = get_object_or_404(
        Membership.objects.select_related("person"),
        pk=membership_id,
        programme=request.programme,
        role=Role.TRAINEE,
    )
    application = _application(request, code)
    form = DecisionForm(request.POST) if request.method == "POST" else None
    if form is not None and form.is_valid() and _decided(request, membership, application, form):
        messages.success(request, _("Recorded."))
        return redirect("credentialing:curve", programme, membership.pk, code)
    found, context = _page(request, membership, application)
    if found.alarm is not None:
        exam = found.alarm.fact.exam
        context["form"] = form or DecisionForm(initial={"alarm_exam": exam})
    elif form is not None:
        messages.error(request, _("No alarm stands, so there is nothing to decide."))
    return render(
        request, "credentialing/curve.html", context | {"own": False}, status=422 if form else 200
    )


def _application(request: HttpRequest, code: str) -> Application:
    return get_object_or_404(Application, programme=request.programme, code=code)


def _decided(request, membership, application, form: DecisionForm) -> bool:
    try:
        actions.decide(
            membership=membership,
            application=application,
            by=request.user,
            at=timezone.now(),
            **form.cleaned_data,
        )
    except Refused as refused:
        if refused.status == 403:
            raise
        form.add_error(refused.field if refused.field in form.fields else None, refused.sentence)
        return False
    return True


def _page(
    request: HttpRequest, membership: Membership, application: Application
) -> tuple[Curve, dict[str, Any]]:
    """The curve as of now; a fixed number of queries."""
    its = request.programme
    as_of = queries.now(its, timezone.now())
    history = queries.history_of(its, membership.person_id, asks=frozenset())
    limits = reading.limits_of(queries.plan_of(membership, on=as_of.d), application.code)
    found = reading.curve_for(history, application.code, as_of=as_of, limits=limits)
    stages = reading.stages_for(history, application.code, as_of=as_of, limits=limits)
    codes = queries.exams_named_to(
        request.user, {point.fact.exam for point in found.points}, on=request.today
    )
    decisions = [
        one for one in queries.curve_decisions(membership) if one.application_id == application.pk
    ]
    return found, {
        "membership": membership,
        "application": application,
        "curve": found,
        "state": curve_words.state(found),
        "state_code": curve_words.code(found),
        "meaning": curve_words.meaning(found),
        "limits": curve_words.limits(limits),
        "warning": curve_words.warning(limits),
        "errors": curve_words.errors(limits),
        "false_alarms": curve_words.false_alarms(limits),
        "left_out": curve_words.left_out(found),
        "vanished": [curve_words.vanished(one) for one in vanished_of(stages)],
        "decisions": decisions,
        "drawing": presenting.drawing(found, codes, its),
        "rows": presenting.rows_of(found, codes, its),
        "missed": sum(not point.success for point in found.points),
        "as_of": words.day(as_of.d),
    }
