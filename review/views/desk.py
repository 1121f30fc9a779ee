"""The desk: one exam in front of one reader, blind, then revealed, then signed, then the next."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db.models import Exists, OuterRef
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from accounts.errors import Refused
from logbook import duplicates
from logbook.models import Exam
from logbook.queries import Logbook, logbook_of
from review import covering, drafts, presenting, queries, rubrics, words
from review.actions import attestations, holds, readings, scans
from review.forms import ArchiveForm, AsideForm, BlindForm, ReturnForm, SignForm
from review.models import CreditRule, RubricVersion


def exam_to_read(request: HttpRequest, exam_id: uuid.UUID) -> Exam:
    """An exam of which the person may read something; anything else does not exist for them."""
    readable = queries.readable_by(request.user, request.programme, on=request.today)
    # Correlated: the plan looks at this exam's scans, not at everything that may be read.
    visible = Exam.objects.filter(
        Exists(readable.filter(exam=OuterRef("pk"))), programme=request.programme
    )
    exam = get_object_or_404(
        visible.select_related("trainee", "revision__supervisor", "revision__note"), pk=exam_id
    )
    exam.programme = request.programme
    return exam


@dataclass
class _Desk:
    """What the page shows; forms are bound where something was refused."""

    on_desk: queries.OnDesk
    logbook: Logbook
    blind: list[BlindForm]
    open: list[SignForm]
    archive: ArchiveForm
    returning: ReturnForm
    aside: AsideForm

    @property
    def forms(self) -> list:
        return [*(self.open or self.blind)]

    @property
    def all_valid(self) -> bool:
        verdicts = [form.is_valid() for form in [*self.forms, self.archive]]  # each says its own
        return all(verdicts)

    def take_faults(self, faults: dict[str, str]) -> None:
        for form in self.forms:
            prefix = f"{form.scan.pk}-"
            mine = {k.removeprefix(prefix): v for k, v in faults.items() if k.startswith(prefix)}
            form.take_faults(mine)

    def refuse(self, refused: Refused) -> bool:
        """Shows a refusal beside what it is about; False where it is about the whole page."""
        faults = getattr(refused, "faults", None)
        if faults is None and refused.field:
            faults = {refused.field: str(refused.sentence)}
        if not faults:
            return False
        self.take_faults(faults)
        return any(form.errors for form in self.forms)


def _desk_of(request: HttpRequest, exam: Exam, *, bound: bool = False, **more) -> _Desk:
    on_desk = queries.on_desk(exam, request.user, on=request.today)
    data = request.POST if bound else None
    logbook = logbook_of(request.programme)
    rule = CreditRule.objects.in_force(request.programme)
    parts = {scan.pk: drafts.of_scan(on_desk.draft, scan.pk) for scan in on_desk.scans}
    blind, signing = [], []
    if on_desk.revealed and rule is not None:
        for scan, reading in zip(on_desk.scans, on_desk.readings, strict=True):
            judged = attestations.judge(
                scan, exam, reading, rule, on_desk.captures, drafts.archive_read(on_desk.draft)
            )
            form = SignForm(
                scan, reading.rubric_version.rubric, judged.verdict, parts[scan.pk], data
            )
            form.verdict, form.reading = judged.verdict, reading
            signing.append(form)
    else:
        version = RubricVersion.objects.in_force(request.programme)
        rubric = version.rubric if version else rubrics.default()
        blind = [BlindForm(scan, rubric, parts[scan.pk], data) for scan in on_desk.scans]
    return _Desk(
        on_desk=on_desk,
        logbook=logbook,
        blind=blind,
        open=signing,
        archive=ArchiveForm(on_desk.captures, drafts.archive_read(on_desk.draft), data),
        returning=more.get("returning") or ReturnForm(exam, on_desk.scans, on_desk.captures),
        aside=more.get("aside") or AsideForm(on_desk.scans),
    )


def _page(request: HttpRequest, desk: _Desk, *, status: int = 200) -> HttpResponse:
    exam, revealed = desk.on_desk.exam, desk.on_desk.revealed
    hold = queries.live_hold(exam, at=timezone.now())
    mine = hold is not None and hold.reader_id == request.user.pk
    context: dict[str, Any] = {
        "exam": exam,
        "zone": request.programme.zone_on(request.today),
        "hold": hold,
        "mine": mine,
        "revealed": revealed,
        "captures": presenting.capture_rows(desk.on_desk.captures, request.programme, desk.logbook),
        "scheme": desk.on_desk.scans[0].revision.rules.scheme if desk.on_desk.scans else "8b",
        "zones": presenting.zones_imaged(desk.on_desk.captures),
        "facts": presenting.facts_before_reveal(exam, desk.logbook),
        "blind_forms": desk.blind,
        "archive": desk.archive,
        "returning": desk.returning,
        "aside": desk.aside,
        "all_forms": desk.forms,
        "gone": covering.just_gone(exam, at=timezone.now()),
    }
    if revealed:
        context |= _revealed(request, desk)
    return render(request, "review/desk.html", context, status=status)


def _revealed(request: HttpRequest, desk: _Desk) -> dict[str, Any]:
    exam = desk.on_desk.exam
    rows = [
        {
            "form": form,
            "scan": form.scan,
            "credit": words.credit_sentence(form.verdict),
            **presenting.comparison(form.scan, form.reading, desk.logbook),
        }
        for form in desk.open
    ]
    return {
        "rows": rows,
        "is_urgent": any(row["urgent"] for row in rows),
        "trainee": exam.trainee,
        "more_facts": presenting.facts_after_reveal(exam, desk.logbook),
        "findings": presenting.findings_of(exam.revision),
        "note": exam.revision.note.text if exam.revision.note else "",
        "supervisor": presenting.supervisor_of(exam),
        "place": desk.logbook.lists["place"].text_of(exam.revision.place),
        "hints": duplicates.hints_of(exam, desk.on_desk.captures),
    }


@require_safe
def desk(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = exam_to_read(request, exam_id)
    shown = _desk_of(request, exam)
    if not shown.on_desk.scans or exam.state != "complete":
        messages.info(request, _("Nothing in this exam waits for you any more."))
        return redirect("review:list", programme)
    return _page(request, shown)


# --- taking and leaving ---------------------------------------------------------------------------


@require_POST
def take_next(request: HttpRequest, programme: str) -> HttpResponse:
    return _next(request)


def _next(request: HttpRequest) -> HttpResponse:
    """The next exam at once, else the list, which says that nothing waits."""
    code = request.programme.code
    try:
        hold = holds.take(programme=request.programme, by=request.user, at=timezone.now())
    except Refused as refused:
        messages.warning(request, refused.sentence)
        return redirect("review:list", code)
    if hold is None:
        return redirect("review:list", code)
    return redirect("review:desk", code, hold.exam_id)


@require_POST
def take(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = exam_to_read(request, exam_id)
    try:
        holds.take(programme=request.programme, exam=exam, by=request.user, at=timezone.now())
    except Refused as refused:
        messages.warning(request, refused.sentence)
        return redirect("review:list", programme)
    return redirect("review:desk", programme, exam.pk)


@require_POST
def release(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = exam_to_read(request, exam_id)
    holds.release(exam=exam, by=request.user, at=timezone.now())
    messages.info(request, _("Given back to the list. What you had marked is kept for you."))
    return redirect("review:list", programme)


# --- reading --------------------------------------------------------------------------------------


def _try(
    request: HttpRequest, shown: _Desk, act: Callable[[], Any], done: Callable[[], HttpResponse]
) -> HttpResponse:
    """One action; a refusal is shown where it belongs and nothing that was typed is cleared."""
    try:
        act()
    except drafts.Misshapen:
        messages.warning(request, _("This page was out of date. Look at it again."))
        return redirect("review:desk", request.programme.code, shown.on_desk.exam.pk)
    except Refused as refused:
        if not shown.refuse(refused):
            messages.warning(request, refused.sentence)
        return _page(request, shown, status=422 if refused.status == 400 else refused.status)
    return done()


def _save(request: HttpRequest, shown: _Desk) -> None:
    exam = shown.on_desk.exam
    parts = {str(f.scan.pk): f.open_parts for f in shown.open} or {
        str(f.scan.pk): f.marks for f in shown.blind
    }
    readings.save(
        exam=exam,
        scans=parts,
        archive_read=None if shown.open else shown.archive.cleaned_data["archive"],
        by=request.user,
        at=timezone.now(),
    )


@require_POST
def save(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    """Keeps what is marked. Asked by a module it answers with nothing but the state."""
    exam = exam_to_read(request, exam_id)
    shown = _desk_of(request, exam, bound=True)
    quietly = request.headers.get("X-Fragment") == "saved"
    if not shown.all_valid:
        return HttpResponse(status=422) if quietly else _page(request, shown, status=422)
    if quietly:
        try:
            _save(request, shown)
        except (Refused, drafts.Misshapen) as refused:
            status = getattr(refused, "status", 409)
            return HttpResponse(str(refused), status=status, content_type="text/plain")
        return HttpResponse(status=204)
    return _try(
        request,
        shown,
        lambda: _save(request, shown),
        lambda: redirect("review:desk", programme, exam.pk),
    )


@require_POST
def reveal(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    """What is marked is kept even where something is still missing: two actions, in this order."""
    exam = exam_to_read(request, exam_id)
    shown = _desk_of(request, exam, bound=True)
    if shown.open:
        return redirect("review:desk", programme, exam.pk)
    if not shown.all_valid:
        return _page(request, shown, status=422)

    def act() -> None:
        _save(request, shown)
        readings.reveal(exam=exam, by=request.user, at=timezone.now())

    return _try(request, shown, act, lambda: redirect("review:desk", programme, exam.pk))


@require_POST
def sign(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = exam_to_read(request, exam_id)
    shown = _desk_of(request, exam, bound=True)
    if not shown.open:
        messages.warning(request, _("Give your own answer before you sign."))
        return redirect("review:desk", programme, exam.pk)
    if not shown.all_valid:
        return _page(request, shown, status=422)

    def act() -> None:
        attestations.sign(
            exam=exam,
            signatures=[form.signature for form in shown.open],
            by=request.user,
            at=timezone.now(),
        )

    def done() -> HttpResponse:
        messages.success(request, _("Exam %(code)s is signed.") % {"code": exam.code})
        return _next(request)

    return _try(request, shown, act, done)


# --- not reading it -------------------------------------------------------------------------------


@require_POST
def return_(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = exam_to_read(request, exam_id)
    on_desk = queries.on_desk(exam, request.user, on=request.today)
    form = ReturnForm(exam, on_desk.scans, on_desk.captures, request.POST)

    def act() -> None:
        d = form.cleaned_data
        scans.return_(
            exam=exam,
            scan_ids=d["scans"],
            zones=d["zones"],
            captures=d["captures"],
            fields=d["fields_asked"],
            text=d["text"],
            by=request.user,
            at=timezone.now(),
        )

    done = _("Exam %(code)s is returned to its trainee.") % {"code": exam.code}
    return _away(request, exam, form, act, done, returning=form)


@require_POST
def set_aside(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    exam = exam_to_read(request, exam_id)
    on_desk = queries.on_desk(exam, request.user, on=request.today)
    form = AsideForm(on_desk.scans, request.POST)

    def act() -> None:
        d = form.cleaned_data
        scans.set_aside(
            exam=exam,
            scan_ids=d["scans"],
            reason=d["reason"],
            text=d["text"],
            by=request.user,
            at=timezone.now(),
        )

    done = _("Exam %(code)s: set aside.") % {"code": exam.code}
    return _away(request, exam, form, act, done, aside=form)


def _away(
    request: HttpRequest, exam: Exam, form, act: Callable[[], None], done: str, **more
) -> HttpResponse:
    if form.is_valid():
        try:
            act()
        except Refused as refused:
            form.add_error(
                refused.field if refused.field in form.fields else None, refused.sentence
            )
        else:
            messages.success(request, done)
            return _next(request)
    return _page(request, _desk_of(request, exam, **more), status=422)
