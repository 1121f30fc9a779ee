"""Pages and files of captures: send one, say what is hidden, see what is kept."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator
from typing import Any, BinaryIO

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.errors import Refused
from logbook import capture_rules, keeping, processing
from logbook.actions import captures
from logbook.capture_forms import CaptureForm, MaskForm
from logbook.intake.facts import SENTENCES
from logbook.intake.keys import KeyMissing
from logbook.intake.staging import StagingError
from logbook.models import Capture, Exam
from logbook.nudging import nudge, nudge_forgetting
from logbook.queries import logbook_of
from logbook.tus.pool import RETRY_AFTER, Full, pool
from logbook.uploads import IntoStaging, StagedFile
from logbook.views import _own_exam, _page, _today

MEDIA_TYPES = (
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", "image/png"),
    (b"ftyp", "video/mp4"),
    (b"\x1aE\xdf\xa3", "video/webm"),
)
RANGE = re.compile(r"bytes=(\d*)-(\d*)")
BLOCK = 256 * 1024


# --- sending --------------------------------------------------------------------------------------


@csrf_exempt  # asked below, once the file's handler stands: asking reads the body
@require_http_methods(["GET", "HEAD", "POST"])
def capture_add(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    """One file and where it was recorded; or the note that it is in the department's archive."""
    exam = _own_exam(request, exam_id)
    if request.method != "POST":
        return _capture_add(request, exam)
    handler = IntoStaging(request)
    request.upload_handlers = [handler]
    try:
        with pool().slot(request):
            return _capture_add(request, exam)
    except Full:
        sentence = _("Many files are coming in at this moment. Go back and press Send again.")
        response = render(request, "ui/refused.html", {"sentence": sentence}, status=503)
        response.headers["Retry-After"] = str(RETRY_AFTER)
        return response
    finally:
        handler.abort()  # a body that broke off, of which Django tells nobody


@csrf_protect
def _capture_add(request: HttpRequest, exam: Exam) -> HttpResponse:
    logbook = logbook_of(request.programme)
    if request.method != "POST":
        try:
            capture_rules.check_addable(exam, request.user, timezone.now())
        except Refused as refused:
            messages.warning(request, refused.sentence)
            return redirect("logbook:exam", request.programme.code, exam.pk)
        last = exam.captures.present().last()
        return _add_page(request, exam, CaptureForm(logbook, last=last))
    arrived = request.FILES.get("file")
    form = CaptureForm(logbook, request.POST)
    try:
        capture = _receive(request, exam, form, arrived)
    except Refused as refused:
        if isinstance(arrived, StagedFile):
            arrived.arrival.discard()
        form.refuse(refused)
        status = {400: 422, 413: 413}.get(refused.status, 409)
        return _add_answer(request, exam, form, status=status)
    if capture.kind != "archive":
        return _sent(request, exam, capture)
    messages.success(request, _("Noted: kept in the department’s archive."))
    return redirect("logbook:captures", request.programme.code, exam.pk)


def _receive(request: HttpRequest, exam: Exam, form: CaptureForm, arrived: Any) -> Capture:
    if not form.is_valid():
        raise Refused(_("Look at the marked fields."), code="form")
    said = {**form.described, "exam": exam, "by": request.user, "at": timezone.now()}
    if form.cleaned_data["kept"] == "archive":
        if isinstance(arrived, StagedFile):
            arrived.arrival.discard()
        return captures.archive(**said)
    if not isinstance(arrived, StagedFile):
        handler = request.upload_handlers[0]
        if handler.too_large:
            limits = {"limit_mb": handler.limit // 2**20}
            raise Refused(_(SENTENCES["too_large"]) % limits, code="too_large", field="file")
        raise Refused(_("Choose the file to send."), code="no_file", field="file")
    if not arrived.size:
        raise Refused(_(SENTENCES["empty"]), code="empty", field="file")
    capture = captures.receive(arrival=arrived.arrival, **said)
    if str(capture.upload.pk) != arrived.arrival.upload_id:
        arrived.arrival.discard()  # the same send, repeated: the first one counts
    return capture


def _sent(request: HttpRequest, exam: Exam, capture: Capture) -> HttpResponse:
    # The row says what waits; a lost message costs a minute, not the file.
    transaction.on_commit(lambda: nudge(capture.pk))
    if request.accepts("text/html"):
        return redirect("logbook:captures", request.programme.code, exam.pk)
    return JsonResponse({"id": str(capture.pk), "state": capture.state}, status=201)


def _add_answer(
    request: HttpRequest, exam: Exam, form: CaptureForm, *, status: int
) -> HttpResponse:
    if request.accepts("text/html"):
        return _add_page(request, exam, form, status=status)
    return JsonResponse({"errors": form.errors.get_json_data()}, status=status)


def _add_page(
    request: HttpRequest, exam: Exam, form: CaptureForm, status: int = 200
) -> HttpResponse:
    context = {
        "exam": exam,
        "form": form,
        "captures": exam.captures.present(),
        "limit_mb": IntoStaging().limit // 2**20,
    }
    return _page(request, "capture_add", context, status=status)


@require_safe
def capture_list(request: HttpRequest, programme: str, exam_id: uuid.UUID) -> HttpResponse:
    """The captures of one's own exam and what each waits for; also as a fragment, for the page
    to ask again while something is under way."""
    exam = _own_exam(request, exam_id)
    present = list(exam.captures.present().select_related("upload"))
    context = {
        "exam": exam,
        "captures": present,
        "under_way": any(c.state in ("uploading", "received") for c in present),
        "checking": any(c.state == "received" for c in present),
        "to_confirm": next((c for c in present if c.state == "confirm_mask"), None),
    }
    fragment = request.headers.get("X-Fragment") == "captures"
    response = _page(request, "_capture_rows" if fragment else "captures", context)
    response.headers["Vary"] = "X-Fragment"
    return response


# --- what is hidden -------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def capture_mask(request: HttpRequest, programme: str, capture_id: uuid.UUID) -> HttpResponse:
    """The picture with what will be hidden drawn on it; confirmed as it is, or changed first."""
    capture = _own_capture(request, capture_id)
    where = ("logbook:captures", programme, capture.exam_id)
    if capture.state != "confirm_mask":
        return redirect(*where)
    try:
        facts = processing.facts_of(capture.upload)
    except (StagingError, KeyMissing):
        messages.error(request, _(SENTENCES["lost"]))
        return redirect(*where)
    form = MaskForm(request.POST or None, facts=facts, depth_mm=capture.depth_mm)
    status = 200
    if request.method == "POST":
        if form.is_valid() and form.is_final:
            try:
                captures.confirm_mask(
                    capture=capture, by=request.user, at=timezone.now(), **form.said
                )
            except Refused as refused:
                field = refused.field if refused.field in form.fields else None
                form.add_error(field, refused.sentence)
            else:
                nudge(capture.pk)
                return redirect(*where)
        status = 422 if form.errors else 200
    context = {
        "capture": capture,
        "exam": capture.exam,
        "form": form,
        "facts": facts,
        "depth_cm": f"{facts.suggestions.depth_mm / 10:.1f}" if facts.suggestions.depth_mm else "",
        "pixel_mm": f"{facts.suggestions.pixel_mm:.2f}" if facts.suggestions.pixel_mm else "",
    }
    return _page(request, "capture_mask", context, status=status)


@require_safe
def capture_preview(request: HttpRequest, programme: str, capture_id: uuid.UUID) -> HttpResponse:
    """The picture that waits for its mask: for its own person alone, straight from staging."""
    capture = _own_capture(request, capture_id)
    if capture.state != "confirm_mask":
        raise Http404
    try:
        content = processing.preview_of(capture.upload)
    except (StagingError, KeyMissing) as lost:
        raise Http404 from lost
    return _sandboxed(HttpResponse(content, content_type="image/jpeg"))


@require_POST
def capture_remove(request: HttpRequest, programme: str, capture_id: uuid.UUID) -> HttpResponse:
    capture = _own_capture(request, capture_id)
    try:
        captures.remove(capture=capture, by=request.user, at=timezone.now())
    except Refused as refused:
        messages.error(request, refused.sentence)
    else:
        messages.success(request, _("The capture is removed."))
        transaction.on_commit(nudge_forgetting)
    return redirect("logbook:captures", programme, capture.exam_id)


# --- what is kept ---------------------------------------------------------------------------------


@require_safe
def capture_file(
    request: HttpRequest, programme: str, capture_id: uuid.UUID, part: str
) -> HttpResponse:
    """The master, poster or playable clip, to whoever may see the exam; whole or a range."""
    visible = Capture.objects.visible_to(request.user, on=_today(request))
    capture = get_object_or_404(visible, pk=capture_id, programme=request.programme)
    key = getattr(capture, f"{part}_key")
    if capture.state != "ready" or not key:
        raise Http404
    tag = f'"{key.rpartition("/")[2]}"'
    if request.headers.get("If-None-Match") == tag:
        response = HttpResponse(status=304)
    else:
        try:
            source = keeping.store().open(key)
        except FileNotFoundError as missing:
            raise Http404 from missing
        if settings.ACCEL_LOCATION:
            response = _handed_over(source, key)
        else:
            response = _ranged(request, source, keeping.store().size(key), tag)
    response.headers["ETag"] = tag
    # Content never changes under its address, but who may see it does: ask again each time.
    response.headers["Cache-Control"] = "private, no-cache"
    return _sandboxed(response)


def _handed_over(source: BinaryIO, key: str) -> HttpResponse:
    """The permission is checked; the proxy sends the bytes, ranges included, from its internal
    location over the store's folder."""
    with source:
        response = HttpResponse(content_type=_media_type(source.read(12)))
    response.headers["X-Accel-Redirect"] = f"{settings.ACCEL_LOCATION.rstrip('/')}/{key}"
    return response


def _media_type(head: bytes) -> str:
    return next(kind for mark, kind in MEDIA_TYPES if mark in head[:12])


def _ranged(request: HttpRequest, source: BinaryIO, size: int, tag: str) -> HttpResponse:
    """RFC 9110 section 14: one range; anything else gets the whole."""
    media_type = _media_type(source.read(12))
    start, end = 0, size - 1
    found = RANGE.fullmatch(request.headers.get("Range", ""))
    ranged = found and any(found.groups()) and request.headers.get("If-Range", tag) == tag
    if ranged:
        first, last = found.groups()
        if first:
            start, end = int(first), min(int(last), size - 1) if last else size - 1
        else:
            start = max(size - int(last), 0)
        if start >= size or start > end:
            source.close()
            response = HttpResponse(status=416)
            response.headers["Content-Range"] = f"bytes */{size}"
            return response
    source.seek(start)
    response = StreamingHttpResponse(
        _Blocks(source, end - start + 1), content_type=media_type, status=206 if ranged else 200
    )
    response.headers["Accept-Ranges"] = "bytes"
    response.headers["Content-Length"] = str(end - start + 1)
    if ranged:
        response.headers["Content-Range"] = f"bytes {start}-{end}/{size}"
    return response


class _Blocks:
    """So many bytes of a file, from where it stands. Closed by the response even when nobody
    reads it, as with HEAD: a generator that never started would leave its file open."""

    def __init__(self, source: BinaryIO, size: int) -> None:
        self.source, self.left = source, size
        self.close = source.close

    def __iter__(self) -> Iterator[bytes]:
        while self.left > 0 and (block := self.source.read(min(BLOCK, self.left))):
            self.left -= len(block)
            yield block


def _sandboxed(response: HttpResponse) -> HttpResponse:
    """Whatever the bytes say they are, a browser runs nothing of them."""
    response.sandbox = True
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Content-Disposition"] = "inline"
    return response


def _own_capture(request: HttpRequest, capture_id: uuid.UUID) -> Capture:
    own = Capture.objects.filter(exam__trainee=request.user, programme=request.programme)
    return get_object_or_404(
        own.select_related("exam__programme", "exam__revision", "upload"), pk=capture_id
    )
