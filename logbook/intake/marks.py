"""Draws beside the image what covering took away: a depth scale, and where the probe's mark lies.

Pure arithmetic: everything is a list of boxes in pixels, painted light into what is covered.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from logbook.intake import masks
from logbook.intake.facts import Facts, Rectangle

LIGHT = 205
ROOM = 8  # pixels of width at single size, without a number
DIGITS = {
    "0": "111101101101111", "1": "010110010010111", "2": "111001111100111",
    "3": "111001111001111", "4": "101101111001001", "5": "111100111001111",
    "6": "111100111101111", "7": "111001010010010", "8": "111101111101111",
    "9": "111101111001111",
}  # fmt: skip


@dataclass(frozen=True)
class Marks:
    """What is to be redrawn. `side`: the image's side on which the probe's mark was seen."""

    ruler: bool = False
    side: Literal["", "left", "right"] = ""


def can_measure(facts: Facts) -> bool:
    """Whether the file says how many millimetres a pixel is, for this very picture."""
    said = facts.suggestions
    return bool(said.pixel_mm and said.region and not facts.regions_clamped)


def boxes(wanted: Marks, facts: Facts, mask: Sequence[Rectangle]) -> list[masks.Box]:
    """All that is painted, inside what `mask` covers alone: nothing of the image is touched."""
    width, height = facts.width, facts.height
    covered = np.zeros((height, width), bool)
    for one in mask:
        x0, y0, x1, y1 = masks.pixels(one, width, height)
        covered[y0:y1, x0:x1] = True
    image = _image(facts, covered)
    if image is None:
        return []
    drawn: list[masks.Box] = []
    if wanted.ruler and can_measure(facts):
        drawn += _ruler(facts, image, covered)
    if wanted.side:
        drawn += _mark(wanted.side, image, height)
    return [box for box in drawn if _inside(box, width, height) and _all(covered, box)]


def _image(facts: Facts, covered: np.ndarray) -> masks.Box | None:
    """The smallest box around what is not covered, or the file's own region where it names one."""
    if facts.suggestions.region and not facts.regions_clamped:
        return masks.pixels(facts.suggestions.region, facts.width, facts.height)
    rows, columns = np.flatnonzero(~covered.all(axis=1)), np.flatnonzero(~covered.all(axis=0))
    if not len(rows):
        return None
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def _ruler(facts: Facts, image: masks.Box, covered: np.ndarray) -> list[masks.Box]:
    """A tick each centimetre, a longer one each five with its number, on the side with room."""
    said, size = facts.suggestions, max(facts.height // 360, 1)
    zero = (said.zero_at if said.zero_at is not None else image[1] / facts.height) * facts.height
    step = 10 / said.pixel_mm  # type: ignore[operator]
    room, rows = ROOM * size, slice(image[1], image[3])
    right = image[2] + room <= facts.width and covered[rows, image[2] : image[2] + room].all()
    if not right and image[0] < room:
        return []
    drawn = []
    count = int((image[3] - zero) / step) if step >= 3 * size else 0
    for tick in range(count + 1):
        row = round(zero + tick * step)
        if row < image[1]:
            continue
        length = (6 if tick % 5 == 0 else 3) * size
        start = image[2] + size if right else image[0] - size - length
        drawn.append((start, row, start + length, row + size))
        if tick % 5 == 0 and tick:
            wide = 4 * size * len(str(tick))
            across = start + length + 2 * size if right else start - 2 * size - wide
            drawn += _number(str(tick), across, row - 2 * size, size)
    return drawn


def _number(text: str, across: int, down: int, size: int) -> list[masks.Box]:
    drawn = []
    for place, digit in enumerate(text):
        for index, bit in enumerate(DIGITS[digit]):
            if bit == "1":
                x = across + (place * 4 + index % 3) * size
                y = down + index // 3 * size
                drawn.append((x, y, x + size, y + size))
    return drawn


def _mark(side: str, image: masks.Box, height: int) -> list[masks.Box]:
    """A lozenge at the upper corner of that side: above the image, else beside it."""
    size = max(height // 40, 4)
    near = image[0] if side == "left" else image[2] - size
    beside = image[0] - size - 2 if side == "left" else image[2] + 2
    start, top = (near, image[1] - size - 2) if image[1] >= size + 2 else (beside, image[1])
    middle = (size - 1) / 2
    drawn = []
    for row in range(size):
        less = round(abs(row - middle))
        drawn.append((start + less, top + row, start + size - less, top + row + 1))
    return drawn


def _inside(box: masks.Box, width: int, height: int) -> bool:
    return 0 <= box[0] < box[2] <= width and 0 <= box[1] < box[3] <= height


def _all(covered: np.ndarray, box: masks.Box) -> bool:
    return bool(covered[box[1] : box[3], box[0] : box[2]].all())
