"""The programme's teaching set: captures kept as cleaned DICOM, where the programme asks for it."""

from __future__ import annotations

import uuid

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from logbook import keeping
from logbook.capture_views import _Blocks, _sandboxed
from logbook.models import Capture, LogbookSettings, Scan
from logbook.queries import logbook_of

PER_PAGE = 50


@require_safe
def teaching_set(request: HttpRequest, programme: str) -> HttpResponse:
    """What is there, without names: of exams that nobody still has to read."""
    logbook = logbook_of(request.programme)
    page = Paginator(_kept(request).order_by("-ready_at", "id"), PER_PAGE).get_page(
        request.GET.get("page")
    )
    rows = [
        {
            "capture": capture,
            "probe": _(logbook.lists["probe"].text_of(capture.probe)) if capture.probe else "",
        }
        for capture in page
    ]
    chosen = LogbookSettings.objects.filter(programme=request.programme).first()
    context = {"page": page, "rows": rows, "kept": bool(chosen and chosen.keep_dicom)}
    return render(request, "logbook/teaching_set.html", context)


@require_safe
def teaching_file(request: HttpRequest, programme: str, capture_id: uuid.UUID) -> HttpResponse:
    """One cleaned file, under a name that says nothing."""
    capture = get_object_or_404(_kept(request), pk=capture_id)
    try:
        source, size = (
            keeping.store().open(capture.dicom_key),
            keeping.store().size(capture.dicom_key),
        )
    except FileNotFoundError as missing:
        raise Http404 from missing
    response = StreamingHttpResponse(_Blocks(source, size), content_type="application/dicom")
    response.headers["Content-Length"] = str(size)
    response.headers["Cache-Control"] = "private, no-store"
    response = _sandboxed(response)
    response.headers["Content-Disposition"] = f'attachment; filename="{capture.pk}.dcm"'
    return response


def _kept(request: HttpRequest):
    unread = Scan.objects.filter(programme=request.programme, state__in=["submitted", "returned"])
    return (
        Capture.objects.filter(programme=request.programme)
        .ready()
        .exclude(dicom_key="")
        .exclude(exam__in=unread.values("exam"))
        .exclude(exam__state="draft")
    )
