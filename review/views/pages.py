"""The reading list, the exam with its feedback, signed readings and their corrections, the rule."""

from __future__ import annotations

import json
import uuid

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import P
from accounts.errors import Refused
from logbook import presenting as logbook_presenting
from logbook import queries as logbook_queries
from logbook.models import Exam, Scan
from logbook.queries import logbook_of
from review import covering, credit, drafts, presenting, queries, rules
from review.actions import attestations, discrepancies, programmes
from review.actions.readings import Incomplete
from review.forms import (
    BlindForm,
    CorrectionForm,
    CreditRuleForm,
    ExceptionForm,
    ToldForm,
    own_reading,
)
from review.models import Attestation, CreditRule, Discrepancy, Reading

LONGEST_LIST = 100
A_PAGE = 30


@require_safe
def reading_list(request: HttpRequest, programme: str) -> HttpResponse:
    its, at = request.programme, timezone.now()
    try:
        rules.check_duty_telephone(its)
    except Refused as refused:
        context = {"sentence": refused.sentence, "may_set": P.CHANGE_SETTINGS in request.rights}
        return render(request, "review/no_list.html", context)
    rows = presenting.list_rows(its, request.user, at=at, limit=LONGEST_LIST)
    waiting = len(rows)
    if waiting == LONGEST_LIST:
        waiting = queries.waiting_for(request.user, its, on=request.today).count()
    context = {
        "zone": its.zone_on(request.today),
        "rows": rows,
        "waiting": waiting,
        "untold": queries.untold_by(request.user, its),
    }
    return render(request, "review/list.html", context)


@require_safe
def signed(request: HttpRequest, programme: str) -> HttpResponse:
    own = queries.signed_by(request.user, request.programme)
    page = Paginator(own, A_PAGE).get_page(request.GET.get("page"))
    told_form = ToldForm()
    context = {
        "zone": request.programme.zone_on(request.today),
        "page": page,
        "readings": presenting.signed_together(page),
        "overrides": queries.overrides_of(own),
        "untold": queries.untold_by(request.user, request.programme),
        "told_form": told_form,
    }
    return render(request, "review/signed.html", context)


@require_POST
def told(request: HttpRequest, programme: str, discrepancy_id: uuid.UUID) -> HttpResponse:
    row = get_object_or_404(
        Discrepancy,
        pk=discrepancy_id,
        programme=request.programme,
        attestation__reader=request.user,
    )
    form = ToldForm(request.POST)
    if form.is_valid():
        try:
            discrepancies.record_told(
                discrepancy=row, by=request.user, at=timezone.now(), **form.cleaned_data
            )
        except Refused as refused:
            messages.warning(request, refused.sentence)
        else:
            messages.success(request, _("Recorded who was told."))
    else:
        messages.warning(request, _("Choose who was told."))
    return redirect("review:signed", programme)


# --- the exam with its feedback -------------------------------------------------------------------


def _visible_exam(request: HttpRequest, exam_id: uuid.UUID) -> Exam:
    seen = Exam.objects.visible_to(request.user, on=request.today).filter(
        programme=request.programme, first_received_at__isnull=False
    )
    return get_object_or_404(
        seen.select_related("programme", "trainee", "revision__supervisor", "revision__note"),
        pk=exam_id,
    )


@require_safe
def exam(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    return _exam_page(request, _visible_exam(request, exam_id))


def _exam_page(
    request: HttpRequest, seen: Exam, *, exception_form: ExceptionForm | None = None
) -> HttpResponse:
    """The record and what was said about it. Whoever could still read something of it sees
    neither: the attestation of one scan would tell the trainee's name for the others."""
    logbook = logbook_of(request.programme)
    mine = seen.trainee_id == request.user.pk
    whole = mine or logbook_queries.may_see_answers(request.user, seen, on=request.today)
    context = logbook_presenting.record(seen, logbook, whole=whole)
    context |= {
        "zone": request.programme.zone_on(request.today),
        "is_mine": mine,
        "may_record": False,
        "capture_rows": presenting.capture_rows(context["captures"], request.programme, logbook),
    }
    if P.READ_EXAMS in request.rights and not mine:
        context["may_cover"] = (
            queries.readable_by(request.user, request.programme, on=request.today)
            .filter(exam=seen)
            .exists()
        )
        context["exam"] = seen
        context["gone"] = covering.just_gone(seen, at=timezone.now())
    if whole:
        scans = list(
            seen.scans.select_related("application", "aside").order_by("application__ordinal")
        )
        context["feedback"] = presenting.feedback_rows(seen, scans, logbook, request.programme)
        context["signed"] = any(s.state == "attested" for s in scans)
        context["all_signed"] = all(s.state == "attested" for s in scans)
        unsigned = [s for s in scans if s.state in ("submitted", "returned")]
        if P.CHANGE_SETTINGS in request.rights and not mine and unsigned:
            context["exception_form"] = exception_form or ExceptionForm(unsigned)
        context["may_edit"] = mine and seen.state == "needs_you"
    status = 422 if exception_form is not None else 200
    return render(request, "review/exam.html", context, status=status)


@require_POST
def acknowledge(request: HttpRequest, programme: str, discrepancy_id: uuid.UUID) -> HttpResponse:
    row = get_object_or_404(
        Discrepancy.objects.select_related("attestation"),
        pk=discrepancy_id,
        programme=request.programme,
        trainee=request.user,
    )
    discrepancies.acknowledge(discrepancy=row, by=request.user, at=timezone.now())
    messages.success(request, _("Recorded that you have seen it."))
    return redirect("review:exam", programme, row.attestation.exam_id)


@require_POST
def exception(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    seen = _visible_exam(request, exam_id)
    scans = list(
        seen.scans.filter(state__in=["submitted", "returned"]).select_related("application")
    )
    form = ExceptionForm(scans, request.POST)
    if form.is_valid():
        scan = get_object_or_404(Scan, pk=form.cleaned_data["scan"], exam=seen)
        try:
            programmes.make_exception(
                scan=scan,
                waives=form.cleaned_data["waives"],
                reason=form.cleaned_data["reason"],
                by=request.user,
                at=timezone.now(),
            )
        except Refused as refused:
            form.add_error(
                refused.field if refused.field in form.fields else None, refused.sentence
            )
        else:
            messages.success(request, _("The exception is recorded; the reader will see it."))
            return redirect("review:exam", programme, exam_id)
    return _exam_page(request, seen, exception_form=form)


# --- corrections ----------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def correct(request: HttpRequest, programme: str, attestation_id: uuid.UUID) -> HttpResponse:
    before = get_object_or_404(
        Attestation.objects.visible_to(request.user, on=request.today)
        .filter(programme=request.programme)
        .select_related(
            "programme", "exam", "reader", "trainee", "application", "rubric_version",
            "feedback", "override_reason", "scan__revision", "scan__application", "revision",
        ),
        pk=attestation_id,
    )  # fmt: skip
    if before.trainee_id == request.user.pk:
        raise Http404
    rules.check_may_correct(before, request.user, on=request.today)
    scan, rubric = before.scan, before.rubric_version.rubric
    scan.revision = before.revision
    keeps = (
        before.reader_id == request.user.pk
        or Reading.objects.filter(scan=scan, revision=before.revision, reader=request.user).exists()
    )
    data = request.POST or None
    own = None if keeps else BlindForm(scan, rubric, drafts.EMPTY, data)
    form = CorrectionForm(before, rubric, json.loads(before.items), data)
    if request.method == "POST" and _corrected(request, before, form, own):
        messages.success(request, _("The correction is signed."))
        return redirect("review:signed", programme)
    logbook = logbook_of(request.programme)
    context = {
        "before": before,
        "attested": presenting.attested(before, logbook),
        "form": form,
        "own": own,
        "captures": presenting.capture_rows(
            before.exam.captures.ready(), request.programme, logbook
        ),
    }
    status = 422 if request.method == "POST" else 200
    return render(request, "review/correct.html", context, status=status)


def _corrected(request: HttpRequest, before: Attestation, form, own: BlindForm | None) -> bool:
    verdicts = [f.is_valid() for f in (form, own) if f is not None]  # each says its own
    if not all(verdicts):
        return False
    reading = own_reading(own) if own is not None else None
    if own is not None and reading is None:
        return False
    try:
        attestations.supersede(
            attestation=before, own=reading, by=request.user, at=timezone.now(), **form.arguments
        )
    except Incomplete as incomplete:
        mine = {k: v for k, v in incomplete.faults.items() if k in ("answer", "quality")}
        if own is not None:
            own.take_faults(mine)
        form.take_faults({k: v for k, v in incomplete.faults.items() if k not in mine or not own})
        return False
    except Refused as refused:
        form.add_error(refused.field if refused.field in form.fields else None, refused.sentence)
        return False
    return True


# --- the programme's rule -------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def credit_rule(request: HttpRequest, programme: str) -> HttpResponse:
    its = request.programme
    in_force = CreditRule.objects.in_force(its)
    form = CreditRuleForm(
        logbook_of(its), in_force.rule if in_force else credit.Rule(), request.POST or None
    )
    if request.method == "POST" and form.is_valid():
        programmes.publish_credit_rule(
            programme=its, rule=form.rule, by=request.user, at=timezone.now()
        )
        messages.success(request, _("This rule is in force for what is signed from now on."))
        return redirect("review:credit_rule", programme)
    context = {
        "form": form,
        "versions": queries.rule_versions(its),
        "zone": its.zone_on(request.today),
        "overrides": queries.overrides_of(Attestation.objects.filter(programme=its)),
    }
    status = 422 if request.method == "POST" else 200
    return render(request, "review/credit_rule.html", context, status=status)
