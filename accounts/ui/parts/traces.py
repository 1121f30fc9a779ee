"""Traces: a sum that sinks scan by scan, and a count that goes on."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django import template
from django.utils.formats import date_format

from accounts.ui import trace as geometry
from accounts.ui.trace import Step

register = template.Library()


def _text(number: float) -> str:
    return f"{number:g}"  # a template would write 12,5 in some languages


def _path(points: Iterable[tuple[float, float]], close: bool = False) -> str:
    drawn = " L ".join(f"{_text(x)} {_text(y)}" for x, y in points)
    return f"M {drawn}{' Z' if close else ''}"


def _cross(x: float, y: float, r: float) -> str:
    return f"{_path([(x - r, y - r), (x + r, y + r)])} {_path([(x - r, y + r), (x + r, y - r)])}"


def _diamond(x: float, y: float, r: float) -> str:
    return _path([(x, y - r), (x + r, y), (x, y + r), (x - r, y)], close=True)


BOX = f"0 0 {geometry.WIDTH} {geometry.HEIGHT}"


@register.inclusion_tag("ui/depth_trace.html")
def depth_trace(
    steps: Sequence[Step], limits: Mapping[int, float], words: Mapping[int, str], label: str = ""
) -> dict[str, Any]:
    """Steps that sink toward a limit: `limits` and `words` by phase. The drawing is for the eye
    and the pointer; a table with the same steps and links belongs beside it."""
    drawn = geometry.trace(steps, limits)
    return {
        "box": BOX,
        "label": label,
        "top": _text(geometry.TOP),
        "left": _text(geometry.LEFT),
        "right": _text(geometry.WIDTH - geometry.RIGHT),
        "floor": _text(geometry.HEIGHT - geometry.BOTTOM),
        "tall": _text(geometry.HEIGHT - geometry.BOTTOM - geometry.TOP),
        "across": _text(geometry.WIDTH - geometry.LEFT - geometry.RIGHT),
        "ticks": [
            {"y": _text(geometry.TOP + n * 14.3), "x": _text(geometry.LEFT - (9 if n % 4 else 15))}
            for n in range(13)
        ],
        "reaches": [
            {
                "start": _text(one.start),
                "end": _text(max(one.end, one.start + 30)),
                "y": _text(one.y),
                "text": _text(one.y + 14),
                "word": words.get(one.phase, ""),
                "phase": one.phase,
            }
            for one in drawn.reaches
        ],
        "lines": [{"phase": phase, "d": _path(points)} for phase, points in drawn.lines],
        "dots": drawn.dots,
        "spots": [
            {
                "x": _text(one.x),
                "y": _text(one.y),
                "left": _text(one.left),
                "wide": _text(one.wide),
                "cross": _cross(one.x, one.y, 3.5),
                "diamond": _diamond(one.x, one.y, 7),
                "step": one.step,
            }
            for one in drawn.spots
        ],
    }


@register.inclusion_tag("ui/depth_fan.html")
def depth_fan(
    days: Sequence[dt.date],
    low: Sequence[float],
    middle: Sequence[float],
    high: Sequence[float],
    needed: float | None = None,
    label: str = "",
    words: str = "",
) -> dict[str, Any]:
    """How a count may go on: the middle of the futures and the band of eight in ten. `words` says
    the same beside it."""
    drawn = geometry.fan([day.toordinal() for day in days], low, middle, high, needed=needed)
    return {
        "box": BOX,
        "label": label,
        "words": words,
        "left": _text(geometry.LEFT),
        "right": _text(geometry.WIDTH - geometry.RIGHT),
        "top": _text(geometry.TOP),
        "floor": _text(geometry.HEIGHT - geometry.BOTTOM),
        "under": _text(geometry.HEIGHT - 8),
        "band": _path(drawn.band, close=True),
        "middle": _path(drawn.middle),
        "needed": None if drawn.needed is None else _text(drawn.needed),
        "needed_text": None if drawn.needed is None else _text(drawn.needed + 4.5),
        "needed_numeral": f"{needed:g}" if needed is not None else "",
        "marks": [
            {
                "y": _text(one.y),
                "text": _text(one.y + 4.5),
                "x": _text(geometry.LEFT - (11 if one.long else 6)),
                "numeral": one.numeral,
            }
            for one in drawn.marks
        ],
        "begins": date_format(days[0], "SHORT_DATE_FORMAT"),
        "ends": date_format(days[-1], "SHORT_DATE_FORMAT"),
        "end": _text(drawn.end),
    }
