"""The depth ruler lying down, as an SVG picture for the printed page.

Ticks hang from a line like the centimetre marks at the edge of an ultrasound picture: a short one
every step, a longer one every second step, and the threshold's tick runs through. It is filled
from the left. Pure; the same arguments give the same text.
"""

from __future__ import annotations

INK = "#1d2b33"
FAINT = "#9aa7ad"
FILL = "#1b7f83"
FILL_PALE = "#a9d3d3"

STEPS = (5, 10, 25, 50, 100, 250, 500, 1000, 2500, 5000)
MOST_TICKS = 24


def step_for(scale: float, *, most: int = MOST_TICKS) -> float:
    """Distance of two ticks: 5, or the next larger step that leaves no more than `most` of them."""
    if scale <= 1:
        return 0.05 if most >= 20 else 0.1
    return next((step for step in STEPS if scale / step <= most), scale / most)


def svg(
    *, value: float | None, bar: float, share: bool, met: bool, width: int = 360, height: int = 26
) -> str:
    """A ruler `width` points long; `value` None leaves it empty (not yet known).

    `share`: the scale runs from 0 to 1. Otherwise it runs a little past the larger of value and
    bar.
    """
    scale = 1.0 if share else max(bar * 1.12, min(value or 0, bar * 2.5), 1)
    step = step_for(scale, most=MOST_TICKS if width > 200 else 12)
    left, right, line = 1.5, width - 1.5, 6.5
    span = right - left

    def at(amount: float) -> float:
        return left + span * max(0.0, min(amount, scale)) / scale

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}">'
    ]
    if value:
        end = at(value)
        parts.append(
            f'<rect x="{left:.2f}" y="{line:.2f}" width="{end - left:.2f}" height="8" '
            f'fill="{FILL if met else FILL_PALE}"/>'
        )
        if not met:
            # A hard edge, so that where the filling ends shows without colour.
            parts.append(_tick(end, line, line + 8, FILL, 1.4))
    parts.append(
        f'<line x1="{left}" y1="{line}" x2="{right}" y2="{line}" '
        f'stroke="{INK}" stroke-width="0.9"/>'
    )
    count = int(scale / step + 1e-9)
    for index in range(count + 1):
        long = index % 2 == 0
        parts.append(
            _tick(at(index * step), line, line + (8 if long else 4.5), INK if long else FAINT, 0.7)
        )
    parts.append(_tick(at(bar), 0.5, height - 6, INK, 1.8))
    foot = at(bar)
    parts.append(
        f'<path d="M{foot - 3.5:.2f} {height - 1:.2f} L{foot + 3.5:.2f} {height - 1:.2f} '
        f'L{foot:.2f} {height - 6.5:.2f} Z" fill="{INK}"/>'
    )
    parts.append("</svg>")
    return "".join(parts)


def _tick(x: float, top: float, bottom: float, colour: str, stroke: float) -> str:
    return (
        f'<line x1="{x:.2f}" y1="{top:.2f}" x2="{x:.2f}" y2="{bottom:.2f}" '
        f'stroke="{colour}" stroke-width="{stroke}"/>'
    )
