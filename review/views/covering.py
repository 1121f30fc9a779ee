"""A reader covers more of a capture, takes it out, or puts it back."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from functools import partial

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from accounts.errors import Refused
from logbook.actions import covering as actions
from logbook.capture_forms import RectanglesForm
from logbook.models import Capture, Exam
from review import covering, presenting, queries
from review.views.desk import exam_to_read


@require_http_methods(["GET", "HEAD", "POST"])
def cover(
    request: HttpRequest, programme: str, exam_id: uuid.UUID, capture_id: uuid.UUID
) -> HttpResponse:
    """The picture with what would be covered drawn on it; covered as it is, or changed first."""
    exam, capture = _capture(request, exam_id, capture_id)
    if capture.state != "ready" or not capture.master_key:
        return _back(request, exam)
    if request.method == "POST":
        form = RectanglesForm(request.POST)
        if form.is_valid() and form.is_final:
            try:
                new = covering.cover(
                    capture=capture, mask=form.mask, by=request.user, at=timezone.now()
                )
            except Refused as refused:
                form.add_error(None, refused.sentence)
            else:
                messages.success(request, _("Covered. The picture before it is shown to nobody."))
                return _back(request, exam, new)
    else:
        form = RectanglesForm(suggested=covering.look(capture))
    context = {"exam": exam, "capture": capture, "form": form}
    status = 422 if form.errors else 200
    return render(request, "review/cover.html", context, status=status)


@require_POST
def cover_letters(
    request: HttpRequest, programme: str, exam_id: uuid.UUID, capture_id: uuid.UUID
) -> HttpResponse:
    """Covers letters at once where some are found; where none are, the reader chooses. Nothing is
    covered by a guess."""
    exam, capture = _capture(request, exam_id, capture_id)
    mask = covering.letters_of(capture)
    if not mask:
        return redirect("review:cover", request.programme.code, exam.pk, capture.pk)
    done = _("The letters that were found are covered. Look again: Cover leads to more.")
    return _at_once(request, exam, partial(covering.cover, capture=capture, mask=mask), done)


@require_POST
def take_out(
    request: HttpRequest, programme: str, exam_id: uuid.UUID, capture_id: uuid.UUID
) -> HttpResponse:
    exam, capture = _capture(request, exam_id, capture_id)
    done = _("Taken out: nobody sees it any more.")
    return _at_once(request, exam, partial(actions.take_out, capture=capture), done)


@require_POST
def put_back(
    request: HttpRequest, programme: str, exam_id: uuid.UUID, capture_id: uuid.UUID
) -> HttpResponse:
    exam, capture = _capture(request, exam_id, capture_id)
    done = _("Put back as it was.")
    return _at_once(request, exam, partial(actions.put_back, capture=capture), done)


def _at_once(
    request: HttpRequest, exam: Exam, act: Callable[..., Capture], done: str
) -> HttpResponse:
    try:
        changed = act(by=request.user, at=timezone.now())
    except Refused as refused:
        messages.warning(request, refused.sentence)
        return _back(request, exam)
    messages.success(request, done)
    return _back(request, exam, changed)


def _capture(
    request: HttpRequest, exam_id: uuid.UUID, capture_id: uuid.UUID
) -> tuple[Exam, Capture]:
    exam = exam_to_read(request, exam_id)
    return exam, get_object_or_404(Capture, pk=capture_id, exam=exam)


def _back(request: HttpRequest, exam: Exam, capture: Capture | None = None) -> HttpResponse:
    """To the desk while something is to be read there, else to the exam."""
    waits = queries.readable_by(request.user, request.programme, on=request.today).filter(
        exam=exam, state="submitted"
    )
    code = request.programme.code
    if exam.state == "complete" and waits.exists():
        shown = f"#{presenting.anchor_of(capture)}" if capture else ""
        return redirect(reverse("review:desk", args=[code, exam.pk]) + shown)
    return redirect("review:exam", code, exam.pk)
