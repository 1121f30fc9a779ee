"""What lies under one line of a clip, over its time: a picture made when it is asked for."""

from __future__ import annotations

import uuid

from django import forms
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from logbook import keeping
from logbook.capture_views import _sandboxed
from logbook.intake.facts import Refusal
from logbook.intake.store import PIECE
from logbook.models import Capture


class LineForm(forms.Form):
    """Where the line begins at the picture's upper edge and ends at its lower one, in percent."""

    above = forms.FloatField(
        label=gettext_lazy("Line at the top, % from the left"), min_value=0, max_value=100
    )
    below = forms.FloatField(
        label=gettext_lazy("Line at the bottom, % from the left"), min_value=0, max_value=100
    )


@require_safe
def capture_strip(request: HttpRequest, programme: str, capture_id: uuid.UUID) -> HttpResponse:
    """A PNG, to whoever may see the exam. The sentence that it is no M-mode is drawn into it."""
    visible = Capture.objects.visible_to(request.user, on=request.today)
    capture = get_object_or_404(visible, pk=capture_id, programme=request.programme)
    # The middle, where nothing is said.
    form = LineForm({"above": 50, "below": 50, **request.GET.dict()})
    if capture.state != "ready" or not capture.play_key or not form.is_valid():
        raise Http404
    above, below = form.cleaned_data["above"] / 100, form.cleaned_data["below"] / 100
    tag = f'"{capture.master_sha256[:32]}-{above:g}-{below:g}"'
    if request.headers.get("If-None-Match") == tag:
        response = HttpResponse(status=304)
    else:
        response = HttpResponse(_drawn(capture, (above, 0.0, below, 1.0)), content_type="image/png")
    response.headers["ETag"] = tag
    response.headers["Cache-Control"] = "private, no-cache"
    return _sandboxed(response)


def _drawn(capture: Capture, line: tuple[float, float, float, float]) -> bytes:
    caption = _("reconstructed at clip rate: a teaching aid, not for deciding sliding")
    try:
        with keeping.store().open(capture.play_key) as clip:
            picture = keeping.runner().strip_along(
                iter(lambda: clip.read(PIECE), b""), line=line, caption=caption
            )
    except FileNotFoundError as missing:
        raise Http404 from missing
    if isinstance(picture, Refusal):
        raise Http404
    return picture
