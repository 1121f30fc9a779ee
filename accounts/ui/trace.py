"""Geometry of traces that run across and sink downward, like a ruler laid out in time.

Pure: numbers in, drawing units out. The skin line is at the top; what has been gathered lies
below it, and a limit is a depth that is reached. Nothing here knows what a number means.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from accounts.ui.ruler import steps

WIDTH, HEIGHT = 480, 216
LEFT, RIGHT, TOP, BOTTOM = 40, 10, 18, 26
WIDEST = 24  # between two steps; a short trace does not stretch
SMALLEST = 6  # steps closer than this are drawn without dots


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a trace. phase: which limit it runs toward. missed: drawn as a cross. event: a
    word printed at it. breaks: the line begins anew at the skin before it."""

    depth: float
    missed: bool = False
    phase: int = 0
    event: str = ""
    href: str = ""
    says: str = ""
    breaks: bool = False


@dataclass(frozen=True, slots=True)
class Spot:
    step: Step
    x: float
    y: float
    left: float  # of the column that answers to the pointer
    wide: float


@dataclass(frozen=True, slots=True)
class Reach:
    """A limit, over the steps that run toward it."""

    phase: int
    start: float
    end: float
    y: float


@dataclass(frozen=True, slots=True)
class Trace:
    spots: tuple[Spot, ...]
    lines: tuple[tuple[int, tuple[tuple[float, float], ...]], ...]
    reaches: tuple[Reach, ...]
    dots: bool


def trace(given: Sequence[Step], limits: Mapping[int, float]) -> Trace:
    """Lay a trace out; `limits`: phase -> the depth that is its limit, above zero."""
    room = WIDTH - LEFT - RIGHT
    column = min(WIDEST, room / max(len(given), 1))
    deepest = max([*limits.values(), *(step.depth for step in given)]) * 1.14
    span = HEIGHT - TOP - BOTTOM

    def down(depth: float) -> float:
        return round(TOP + max(depth, 0) / deepest * span, 2)

    spots, lines, reaches = [], [], []
    line: list[tuple[float, float]] = []
    before: Step | None = None
    for at, step in enumerate(given):
        left = LEFT + at * column
        x = round(left + column / 2, 2)
        if before is None or step.breaks or step.phase != before.phase:
            line = [(round(left, 2), float(TOP))]
            lines.append((step.phase, line))
            reaches.append(Reach(step.phase, round(left, 2), 0, down(limits[step.phase])))
        line.append((x, down(step.depth)))
        last = reaches[-1]
        reaches[-1] = Reach(last.phase, last.start, round(left + column, 2), last.y)
        spots.append(Spot(step, x, down(step.depth), round(left, 2), round(column, 2)))
        before = step
    if not given:
        reaches.append(Reach(0, LEFT, WIDTH - RIGHT, down(limits[0])))
    return Trace(
        tuple(spots),
        tuple((phase, tuple(points)) for phase, points in lines),
        tuple(reaches),
        column >= SMALLEST,
    )


@dataclass(frozen=True, slots=True)
class Mark:
    y: float
    numeral: str
    long: bool


@dataclass(frozen=True, slots=True)
class Fan:
    band: tuple[tuple[float, float], ...]
    middle: tuple[tuple[float, float], ...]
    needed: float | None
    marks: tuple[Mark, ...]
    start: float
    end: float


def fan(
    at: Sequence[float],
    low: Sequence[float],
    middle: Sequence[float],
    high: Sequence[float],
    *,
    needed: float | None = None,
) -> Fan:
    """A band that widens from today on: `at` rises, and low <= middle <= high everywhere."""
    first, last = at[0], at[-1]
    across = max(last - first, 1)
    wanted = max([high[-1], needed or 0, 5]) * 1.08
    _hair, minor, long = steps(wanted)
    span = HEIGHT - TOP - BOTTOM

    def x(when: float) -> float:
        return round(LEFT + (when - first) / across * (WIDTH - LEFT - RIGHT), 2)

    def y(amount: float) -> float:
        return round(TOP + min(amount, wanted) / wanted * span, 2)

    def path(amounts: Iterable[float]) -> list[tuple[float, float]]:
        return [(x(when), y(amount)) for when, amount in zip(at, amounts, strict=True)]

    finest = minor or long
    marks = []
    for index in range(int(wanted // finest) + 1):
        amount = index * finest
        is_long = bool(long) and amount % long == 0
        near = needed is not None and abs(y(amount) - y(needed)) < 12
        numeral = f"{amount:g}" if is_long and not near else ""
        marks.append(Mark(y(amount), numeral, is_long))
    return Fan(
        tuple(path(low) + path(high)[::-1]),
        tuple(path(middle)),
        y(needed) if needed is not None else None,
        tuple(marks),
        x(first),
        x(last),
    )
