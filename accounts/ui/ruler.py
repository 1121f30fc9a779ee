"""Geometry of the depth ruler: the centimetre scale at the edge of an ultrasound image.

Pure: numbers in, drawing units out (1 unit = 1 CSS pixel at the default text size). Lengths run
along the axis from zero (the skin line); whether that axis points down or across is the caller's
business. Nothing here knows what a number means.
"""

import math
from dataclasses import dataclass, field

COUNT, SHARE, ORDINAL = "count", "share", "ordinal"
KINDS = (COUNT, SHARE, ORDINAL)

# The reach of a tick from the scale's edge, in drawing units.
HAIR, MINOR, LONG = 4, 6, 11

# Two numerals closer than this along the axis would print over each other.
NUMERAL_ROOM = 10


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    size: int
    numeral: str = ""


@dataclass(frozen=True, slots=True)
class Span:
    start: float
    length: float

    @property
    def end(self) -> float:
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Ruler:
    """`length` is the whole axis; every other figure lies within it.

    `fill` is what counts, `waiting` the outline beyond it, `closed` the part of the scale that an
    upper limit rules out, `plausible` the range around a share. `broken` says that the value runs
    off the end of the scale.
    """

    length: float
    top: float
    ticks: tuple[Tick, ...]
    fill: Span | None
    waiting: Span | None
    threshold: float | None
    threshold_numeral: str
    closed: Span | None
    plausible: Span | None
    broken: bool = False
    known: bool = field(default=True)


def steps(top: float) -> tuple[float, float, float]:
    """Spacing of the hair, minor and long ticks (0 = none) for a scale that ends at `top`.

    A minor tick every 5 and a longer one every 10. A scale shorter than 12 also gets its single
    units; one too long for fives to be told apart keeps the pattern ten times as wide.
    """
    if top <= 12:
        return 1, 5, 10
    magnitude = 1
    while top / (5 * magnitude) > 40:
        magnitude *= 10
    return 0, 5 * magnitude, 10 * magnitude


def scale_top(value: float, needed: float | None, waiting: float) -> float:
    """Where a scale of counts ends: past the threshold, but not so far that it is lost."""
    reached = value + waiting
    if needed is None:
        wanted = max(reached, 10)
    else:
        wanted = max(needed * 1.2, min(reached, needed * 2), needed + 1, 5)
    step = 1 if wanted <= 12 else steps(wanted)[1]
    return math.ceil(wanted / step) * step


def draw(
    value: float | None,
    needed: float | None,
    *,
    waiting: float = 0,
    kind: str = COUNT,
    at_most: bool = False,
    low: float | None = None,
    high: float | None = None,
    top: float | None = None,
    length: float = 160,
) -> Ruler:
    """Lay one ruler out.

    `value`, `needed`, `low` and `high` share a unit: scans for a count, percent for a share, the
    grade itself for an ordinal. `value` None means not yet known. Raises ValueError on an unknown
    kind.
    """
    if kind not in KINDS:
        raise ValueError(f"unknown kind of ruler: {kind!r}")
    shown = max(value or 0, 0)
    if kind == SHARE:
        top, spacing = 100, (0, 5, 10)
    elif kind == ORDINAL:
        top, spacing = 5, (0, 0, 1)
    else:
        top = top or scale_top(shown, needed, waiting)
        spacing = steps(top)

    def along(amount: float) -> float:
        return round(min(max(amount, 0), top) / top * length, 2)

    def span(start: float, end: float) -> Span | None:
        begins, ends = along(start), along(end)
        return Span(begins, round(ends - begins, 2)) if ends > begins else None

    threshold = along(needed) if needed is not None else None
    return Ruler(
        length=length,
        top=top,
        ticks=tuple(_ticks(top, spacing, along, threshold)),
        fill=span(0, shown) if value is not None else None,
        waiting=span(shown, shown + waiting) if waiting else None,
        threshold=threshold,
        threshold_numeral=f"{needed:g}" if needed is not None else "",
        closed=span(needed, top) if at_most and needed is not None else None,
        plausible=span(low, high) if low is not None and high is not None else None,
        broken=shown > top,
        known=value is not None,
    )


def _ticks(top, spacing, along, threshold):
    hair, minor, long = spacing
    finest = hair or minor or long
    numeral_every = long
    while numeral_every and along(numeral_every) < 2 * NUMERAL_ROOM:
        numeral_every *= 2 if numeral_every % 20 else 2.5
    for index in range(int(top // finest) + 1):
        mark = index * finest
        at = along(mark)
        is_long = long and mark % long == 0
        size = LONG if is_long else MINOR if minor and mark % minor == 0 else HAIR
        crowded = threshold is not None and abs(at - threshold) < NUMERAL_ROOM
        numeral = f"{mark:g}" if is_long and mark % numeral_every == 0 and not crowded else ""
        yield Tick(at, size, numeral)
