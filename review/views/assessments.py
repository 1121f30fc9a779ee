"""Bedside assessments: whom one watched, the form beside them, and what was signed."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from accounts.access import P
from accounts.errors import Refused
from accounts.models import Membership, Role
from review import bedside, rubrics, rules
from review.actions import assessments as actions
from review.assessment_forms import AssessmentForm
from review.models import Assessment, RubricVersion

LATEST = 50


@require_safe
def assessments(request: HttpRequest, programme: str) -> HttpResponse:
    """For faculty whom to assess and what one signed; for everybody what was signed about them."""
    its, person, on = request.programme, request.user, request.today
    current = Assessment.objects.current().filter(programme=its)
    context = {
        "own": bedside.rows_of(current.filter(trainee=person)),
        "signed": bedside.rows_of(current.filter(assessor=person))[:LATEST],
        "may_assess": P.READ_EXAMS in request.rights,
    }
    if context["may_assess"]:
        context["trainees"] = bedside.trainees_for(its, person, on=on)
        context["applications"] = bedside.applications_for(its, person, on=on)
    return render(request, "review/assessments.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def assess(request: HttpRequest, programme: str, membership_id: uuid.UUID) -> HttpResponse:
    its, person, on = request.programme, request.user, request.today
    membership = get_object_or_404(
        Membership.objects.select_related("person"),
        pk=membership_id,
        programme=its,
        role=Role.TRAINEE,
    )
    trainee = membership.person
    applications = bedside.applications_for(its, person, on=on)
    if trainee.pk == person.pk or not applications:
        raise Http404
    data = request.POST if request.method == "POST" else None
    form = AssessmentForm(
        data,
        version=_version(its, data),
        applications=applications,
        today=on,
        asked=bedside.last_application(its, trainee, beside=request.user) if data is None else "",
    )
    if form.is_bound and form.is_valid():
        d = form.cleaned_data
        try:
            made = actions.sign(
                programme=its,
                trainee=trainee,
                application=next(a for a in applications if a.code == d["application"]),
                watched=form.watched,
                performed_on=d["performed_on"],
                assessment_id=d["form_id"],
                by=person,
                at=timezone.now(),
            )
        except Refused as refused:
            form.add_error(
                refused.field if refused.field in form.fields else None, refused.sentence
            )
        else:
            messages.success(
                request, _("Signed. Show it to %(name)s.") % {"name": made.trainee.name}
            )
            return redirect("review:assessment", programme, made.pk)
    return render(
        request,
        "review/assess.html",
        {"form": form, "trainee": trainee, "membership": membership},
        status=422 if form.is_bound else 200,
    )


def _version(programme, data) -> RubricVersion:
    """The version that the form showed, so that nobody signs words that they did not see."""
    if data is not None:
        try:
            shown = RubricVersion.objects.filter(
                programme=programme,
                kind=rubrics.ASSESSMENT,
                pk=uuid.UUID(data.get("rubric", "")),
            ).first()
        except ValueError:
            shown = None
        if shown is not None:
            return shown
    version = RubricVersion.objects.in_force(programme, rubrics.ASSESSMENT)
    if version is None:
        raise Http404
    return version


def _visible(request: HttpRequest, assessment_id: uuid.UUID) -> Assessment:
    return get_object_or_404(
        Assessment.objects.visible_to(request.user, on=request.today).select_related(
            "trainee", "assessor", "application", "rubric_version", "remark", "correction_reason",
            "programme",
        ),
        pk=assessment_id,
        programme=request.programme,
    )  # fmt: skip


@require_safe
def assessment(request: HttpRequest, programme: str, assessment_id: uuid.UUID) -> HttpResponse:
    row = _visible(request, assessment_id)
    newer = Assessment.objects.filter(supersedes=row).first()
    context = {
        "shown": bedside.shown(row),
        "newer": newer,
        "own": row.trainee_id == request.user.pk,
        "zone": request.programme.zone_on(row.signed_on),
        "may_correct": row.assessor_id == request.user.pk and newer is None and not row.taken_back,
    }
    return render(request, "review/assessment.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def assessment_correct(
    request: HttpRequest, programme: str, assessment_id: uuid.UUID
) -> HttpResponse:
    before = _visible(request, assessment_id)
    if request.method != "POST":
        rules.check_may_change_assessment(before, request.user)
    data = request.POST if request.method == "POST" else None
    form = AssessmentForm(
        data, version=before.rubric_version, applications=[], today=request.today, before=before
    )
    take_back = bool(data and data.get("do") == "take_back")
    if take_back:
        for name in list(form.fields):
            form.fields[name].required = name == "reason"
    if form.is_bound and form.is_valid():
        try:
            made = actions.supersede(
                assessment=before,
                reason=form.cleaned_data["reason"],
                watched=None if take_back else form.watched,
                by=request.user,
                at=timezone.now(),
            )
        except Refused as refused:
            if refused.status == 403:
                raise
            form.add_error(None, refused.sentence)
        else:
            messages.success(request, _("Taken back.") if take_back else _("Corrected."))
            return redirect("review:assessment", programme, made.pk)
    return render(
        request,
        "review/assess.html",
        {"form": form, "trainee": before.trainee, "before": before},
        status=422 if form.is_bound else 200,
    )
