"""Rectangles: where the picture is, where it is not, and covering. Pure arithmetic and numpy."""

import itertools
import math
from collections.abc import Iterable, Sequence

import numpy as np

from logbook.intake.facts import Rectangle, Refused

Box = tuple[int, int, int, int]  # x0, y0, x1, y1 in pixels; x1 and y1 lie outside

BANDS = (Rectangle(0.0, 0.0, 1.0, 0.1), Rectangle(0.0, 0.93, 1.0, 1.0))
LEAST_REGION = 16
MOST_RECTANGLES = 64


def clamp(box: Box, width: int, height: int) -> Box | None:
    """The part of `box` inside the frame, or None where too little of it is."""
    x0, y0, x1, y1 = max(box[0], 0), max(box[1], 0), min(box[2], width), min(box[3], height)
    return (x0, y0, x1, y1) if x1 - x0 >= LEAST_REGION and y1 - y0 >= LEAST_REGION else None


def outside(boxes: Iterable[Box], width: int, height: int) -> list[Box]:
    """Rectangles, disjoint, that cover exactly what `boxes` do not. No boxes: everything."""
    boxes = list(boxes)
    edges = sorted({0, height, *(edge for box in boxes for edge in (box[1], box[3]))})
    bands: list[tuple[int, int, tuple[tuple[int, int], ...]]] = []
    for top, bottom in itertools.pairwise(edges):
        gaps, reached = [], 0
        for x0, x1 in sorted((b[0], b[2]) for b in boxes if b[1] <= top and b[3] >= bottom):
            if x0 > reached:
                gaps.append((reached, x0))
            reached = max(reached, x1)
        if reached < width:
            gaps.append((reached, width))
        if bands and bands[-1][2] == tuple(gaps):
            bands[-1] = (bands[-1][0], bottom, tuple(gaps))
        else:
            bands.append((top, bottom, tuple(gaps)))
    return [(x0, top, x1, bottom) for top, bottom, gaps in bands for x0, x1 in gaps]


def normalise(box: Box, width: int, height: int) -> Rectangle:
    """Pixels to fractions."""
    return Rectangle(box[0] / width, box[1] / height, box[2] / width, box[3] / height)


def pixels(rectangle: Rectangle, width: int, height: int, step: int = 1) -> Box:
    """Fractions to pixels, outward to the next multiple of `step`, never inward."""

    def down(share: float, side: int) -> int:
        # A hair's breadth of floating-point error must not cost a whole row.
        return math.floor(share * side / step + 1e-6) * step

    def up(share: float, side: int) -> int:
        return min(math.ceil(share * side / step - 1e-6) * step, side)

    return (
        down(rectangle.x0, width), down(rectangle.y0, height),
        up(rectangle.x1, width), up(rectangle.y1, height),
    )  # fmt: skip


def check(rectangles: Sequence[Rectangle], width: int, height: int) -> None:
    """Raises Refused where a rectangle is not one or nothing of the picture would be left."""
    if len(rectangles) > MOST_RECTANGLES or not all(one.valid for one in rectangles):
        raise Refused("rectangles")
    covered = np.zeros((height, width), bool)
    for one in rectangles:
        x0, y0, x1, y1 = pixels(one, width, height)
        covered[y0:y1, x0:x1] = True
    if covered.all():
        raise Refused("all_covered")


def is_covered(one: Rectangle, rectangles: Sequence[Rectangle]) -> bool:
    """Whether `rectangles` leave next to nothing of `one` to be seen."""
    steps = (np.arange(24) + 0.5) / 24
    across = one.x0 + steps * (one.x1 - one.x0)
    down = one.y0 + steps * (one.y1 - one.y0)
    under = np.zeros((24, 24), bool)
    for r in rectangles:
        under |= np.outer((down >= r.y0) & (down <= r.y1), (across >= r.x0) & (across <= r.x1))
    return bool(under.mean() > 0.95)
