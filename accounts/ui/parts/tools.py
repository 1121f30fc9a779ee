"""The clip player, QR codes, key hints."""

from typing import Any

import segno
from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

register = template.Library()


@register.simple_tag
def qr(text: str, label: str) -> SafeString:
    """A QR code as an inline drawing, black on white in every theme."""
    code = segno.make(text, error="m", micro=False)
    drawing = code.svg_inline(border=4, light="#fff", svgclass="qr", lineclass=None, omitsize=True)
    return format_html('<span role="img" aria-label="{}">{}</span>', label, mark_safe(drawing))  # noqa: S308


@register.inclusion_tag("ui/clip.html")
def clip(
    src: str,
    poster: str = "",
    label: str = "",
    frames: int = 0,
    rate: float = 25,
    starts: str = "",
    width: int = 640,
    height: int = 480,
    kind: str = "clip",
) -> dict[str, Any]:
    """A capture: a looping clip with step and speed, or (kind "still") an image.

    `rate` is frames a second as stored, `frames` their number; `starts` says when each begins, in
    ms with commas between, where they do not come evenly. Without JavaScript the browser's
    own controls stay.
    """
    return {
        "src": src,
        "poster": poster,
        "label": label or _("clip"),
        "frames": frames,
        "last": max(frames - 1, 0),
        "rate": f"{rate:g}",
        "starts": starts,
        "width": width,
        "height": height,
        "kind": kind,
        "speeds": (("0.25", "¼"), ("0.5", "½"), ("1", "1")),
    }


@register.simple_tag
def key(letter: str) -> SafeString:
    """A key hint; hidden where there is no keyboard to speak of."""
    return format_html('<kbd class="key" aria-hidden="true">{}</kbd>', letter)
