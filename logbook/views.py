"""Pages of the logbook: recording an exam, one's own exams, the bare record, the shift."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import P
from accounts.errors import Refused
from logbook import doors, drafts, presenting, queries, rules, words
from logbook.actions import exams, supervision
from logbook.forms import ExamForm
from logbook.models import Exam, Scan
from logbook.queries import Logbook, logbook_of
from logbook.value_lists import signs

SAVE, CAPTURE, SUBMIT = "save", "capture", "submit"
PAGE = 50


def _today(request: HttpRequest) -> dt.date:
    return request.programme.local_date(timezone.now())


def _page(
    request: HttpRequest, name: str, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    """Every page of the logbook shows times in the programme's zone."""
    context = {
        "zone": request.programme.zone_on(_today(request)),
        "may_record": P.RECORD_EXAMS in request.rights,
        **context,
    }
    return render(request, f"logbook/{name}.html", context, status=status)


def _visible_exam(request: HttpRequest, exam_id: uuid.UUID) -> Exam:
    exams_here = Exam.objects.visible_to(request.user, on=_today(request)).filter(
        programme=request.programme
    )
    return get_object_or_404(
        exams_here.select_related("programme", "trainee", "revision__supervisor", "revision__note"),
        pk=exam_id,
    )


def _own_exam(request: HttpRequest, exam_id: uuid.UUID) -> Exam:
    exam = _visible_exam(request, exam_id)
    if exam.trainee_id != request.user.pk:
        raise Http404
    return exam


# --- recording ------------------------------------------------------------------------------------


def _form(
    request: HttpRequest, logbook: Logbook, exam: Exam | None, data=None, draft=None
) -> ExamForm:
    at = timezone.now()
    earlier = Exam.objects.of_trainee(request.user).filter(programme=request.programme)
    earlier = earlier.exclude(state="withdrawn").select_related("revision").latest_first()
    answered: list[str] = []
    if exam is not None:
        earlier = earlier.exclude(pk=exam.pk)
        answered = list(Scan.objects.filter(exam=exam).values_list("application__code", flat=True))
        draft = draft or exams.present_draft(exam)
    return ExamForm(
        logbook,
        data,
        today=_today(request),
        draft=draft,
        supervisors=queries.supervisors_of(
            request.programme, on=request.programme.local_date(at)
        ).exclude(pk=request.user.pk),
        earlier=earlier[:20],
        answered=answered,
    )


def _form_page(
    request: HttpRequest,
    logbook: Logbook,
    form: ExamForm,
    *,
    exam: Exam | None,
    exam_id: uuid.UUID,
    status: int = 200,
    stale: Exam | None = None,
) -> HttpResponse:
    context: dict[str, Any] = {
        "form": form,
        "exam": exam,
        "exam_id": exam_id,
        "version": exam.version if exam else "",
        "scheme": logbook.settings.scheme,
        "map_values": presenting.map_values(form.findings, exam, logbook),
        "captures": exam.captures.present() if exam else (),
        "hints": presenting.hint_sentences(exam, logbook) if exam and exam.draft else (),
        "stale": presenting.differences(stale, form, logbook) if stale else None,
    }
    context["sign_help"] = [
        {"name": _(values.name), "help": _(values.help)} for values in signs().values()
    ]
    return _page(request, "exam_form", context, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
def exam_new(request: HttpRequest, programme: str) -> HttpResponse:
    """A GET writes nothing: the form carries an identifier and is stored by its first POST."""
    logbook = logbook_of(request.programme)
    if request.method == "POST":
        return _store(request, logbook, exam=None)
    now = timezone.now().replace(second=0, microsecond=0)
    draft = {
        **drafts.EMPTY,
        **queries.last_choices(request.user, request.programme),
        "performed_at": now.isoformat(),
    }
    form = _form(request, logbook, None, draft=draft)
    return _form_page(request, logbook, form, exam=None, exam_id=uuid.uuid4())


@require_http_methods(["GET", "HEAD", "POST"])
def exam_edit(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = _own_exam(request, exam_id)
    logbook = logbook_of(request.programme)
    if request.method == "POST":
        return _store(request, logbook, exam=exam)
    try:
        rules.check_editable(exam, timezone.now())
    except Refused as refused:
        messages.warning(request, refused.sentence)
        return redirect("logbook:exam", programme, exam_id)
    form = _form(request, logbook, exam)
    return _form_page(request, logbook, form, exam=exam, exam_id=exam.pk)


def _store(request: HttpRequest, logbook: Logbook, *, exam: Exam | None) -> HttpResponse:
    """Saves what the form says, then does what its button asks. Nothing typed is ever cleared."""
    exam_id = exam.pk if exam else _identifier(request)
    form = _form(request, logbook, exam, request.POST)

    def again(status: int, stale: Exam | None = None) -> HttpResponse:
        shown = stale or exam
        return _form_page(
            request, logbook, form, exam=shown, exam_id=exam_id, status=status, stale=stale
        )

    if not form.is_valid():
        return again(422)
    at = timezone.now()
    try:
        saved = exams.save_draft(
            exam_id=exam_id,
            programme=request.programme,
            draft=form.draft,
            version=_version(request) if exam else None,
            by=request.user,
            at=at,
        )
    except exams.Stale as stale:
        return again(412, stale.exam)
    except Refused as refused:
        form.add_error(_field_of(refused, form), refused.sentence)
        return again(422)
    exam, then = saved.exam, request.POST.get("then", SAVE)
    where = (request.programme.code, exam.pk)
    if then == CAPTURE:
        return redirect("logbook:capture_add", *where)
    if exam.draft is None:  # nothing differs from what was submitted: a second tap, or no change
        messages.info(request, _("Nothing was changed. What you submitted stands."))
        return redirect("logbook:exam", *where)
    if then == SUBMIT:
        draft = drafts.read(exam.draft)
        if faults := rules.faults(exam, draft, logbook, at=at):
            form.add_faults(faults)
            return again(422)
        if queries.hints_for(exam, logbook):
            return redirect("logbook:exam_submit", *where)
        return _submit(request, exam, exam.version, again)
    messages.success(request, _("Saved as a draft. Its code is %(code)s.") % {"code": exam.code})
    return redirect("logbook:exam_edit", *where)


def _identifier(request: HttpRequest) -> uuid.UUID:
    try:
        return uuid.UUID(request.POST.get("exam_id", ""))
    except ValueError:
        return uuid.uuid4()


def _version(request: HttpRequest) -> int:
    text = request.POST.get("version", "")
    return int(text) if text.isascii() and text.isdigit() else 0


def _field_of(refused: Refused, form: ExamForm) -> str | None:
    return refused.field if refused.field in form.fields else None


def _submit(request: HttpRequest, exam: Exam, version: int, again) -> HttpResponse:
    try:
        exams.submit(exam=exam, version=version, by=request.user, at=timezone.now())
    except Refused as refused:
        messages.error(request, refused.sentence)
        return redirect("logbook:exam_edit", request.programme.code, exam.pk)
    messages.success(
        request,
        _("Received. Write the code %(code)s in the patient’s note.") % {"code": exam.code},
    )
    return redirect("logbook:exam", request.programme.code, exam.pk)


@require_http_methods(["GET", "HEAD", "POST"])
def exam_submit(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    """What may be looked at again before the submission; the answer is not one of these things."""
    exam = _own_exam(request, exam_id)
    if request.method == "POST":
        return _submit(request, exam, _version(request), None)
    if exam.draft is None:
        return redirect("logbook:exam", programme, exam_id)
    logbook = logbook_of(request.programme)
    draft = drafts.read(exam.draft)
    if rules.faults(exam, draft, logbook, at=timezone.now()):
        return redirect("logbook:exam_edit", programme, exam_id)
    context = {
        "exam": exam,
        "hints": presenting.hint_sentences(exam, logbook),
        "answers": presenting.draft_answers(draft, logbook),
        "scheme": logbook.settings.scheme,
        "map_values": presenting.map_values(draft["findings"], exam, logbook, missing=True),
    }
    return _page(request, "exam_submit", context)


@require_http_methods(["GET", "HEAD", "POST"])
def exam_withdraw(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = _own_exam(request, exam_id)
    why_not = ""
    try:
        if request.method == "POST":
            exams.withdraw(exam=exam, by=request.user, at=timezone.now())
            messages.success(request, _("Exam %(code)s is withdrawn.") % {"code": exam.code})
            return redirect("logbook:exam_list", programme)
        rules.check_withdrawable(exam, timezone.now())
    except Refused as refused:
        why_not = refused.sentence
    context = {"exam": exam, "why_not": why_not}
    status = 422 if why_not and request.method == "POST" else 200
    return _page(request, "exam_withdraw", context, status=status)


@require_POST
def exam_drop_edit(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = _own_exam(request, exam_id)
    try:
        exams.drop_edit(exam=exam, version=_version(request), by=request.user, at=timezone.now())
    except Refused as refused:
        messages.error(request, refused.sentence)
        return redirect("logbook:exam_edit", programme, exam_id)
    messages.success(request, _("The changes are dropped. What you submitted stands."))
    return redirect("logbook:exam", programme, exam_id)


# --- showing --------------------------------------------------------------------------------------


@require_safe
def exam_list(request: HttpRequest, programme: str) -> HttpResponse:
    """One's own exams, those that need something first."""
    logbook = logbook_of(request.programme)
    found = queries.exams_of(request.user, request.programme)
    rest = Paginator(found.exclude(state__in=["needs_you", "draft"]), PAGE)
    page = rest.get_page(request.GET.get("page"))
    page.object_list = [presenting.list_row(exam, logbook) for exam in page.object_list]

    def unfinished(state: str) -> list[dict[str, Any]]:
        return [presenting.list_row(exam, logbook) for exam in found.filter(state=state)[:PAGE]]

    context = {
        "needing": unfinished("needs_you"),
        "drafts": unfinished("draft"),
        "page": page,
        "exam_page": doors.exam_page(),
    }
    return _page(request, "exam_list", context)


@require_safe
def exam(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    """The bare record: what was stated, and where it stands. Feedback lives a floor above."""
    seen = _visible_exam(request, exam_id)
    if seen.revision is None and seen.trainee_id == request.user.pk and seen.draft is not None:
        return redirect("logbook:exam_edit", programme, exam_id)
    logbook = logbook_of(request.programme)
    on = _today(request)
    mine = seen.trainee_id == request.user.pk
    whole = mine or queries.may_see_answers(request.user, seen, on=on)
    context = presenting.record(seen, logbook, whole=whole)
    context["is_mine"] = mine
    if mine:
        context["disagreements"] = presenting.disagreement_sentences(seen, logbook)
        context["may_edit"] = _allows(rules.check_editable, seen)
        context["may_withdraw"] = _allows(rules.check_withdrawable, seen)
    return _page(request, "exam", context)


def _allows(check, exam: Exam) -> bool:
    try:
        check(exam, timezone.now())
    except Refused:
        return False
    return True


@require_http_methods(["GET", "HEAD", "POST"])
def shifts(request: HttpRequest, programme: str) -> HttpResponse:
    """The attending confirms a whole scanning shift in one tap."""
    refusal = ""
    if request.method == "POST":
        try:
            chosen = [uuid.UUID(text) for text in request.POST.getlist("exam")]
            made = supervision.confirm_shift(
                programme=request.programme, exams=chosen, by=request.user, at=timezone.now()
            )
        except ValueError:
            refusal = _("One of these exams does not exist. Reload the page.")
        except Refused as refused:
            refusal = refused.sentence
        else:
            messages.success(request, words.confirmed(len(made)))
            return redirect("logbook:shifts", programme)
    context = {
        "shifts": presenting.shifts(
            queries.unconfirmed_for(request.user, request.programme), logbook_of(request.programme)
        ),
        "refusal": refusal,
    }
    return _page(request, "shifts", context, status=422 if refusal else 200)
