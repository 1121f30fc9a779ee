"""Finds the ultrasound image in a picture that does not say where it is. Pure numpy.

What moves or is textured over a whole area is tissue; letters are thin and stand still; the rest
of a screen is flat. The answer is a suggestion that a person looks at, never more.
"""

import statistics
from collections.abc import Sequence
from typing import Literal

import numpy as np

from logbook.intake import masks
from logbook.intake.facts import Rectangle

SIDE = 240  # a glimpse's longer side, about
MOST = 24  # glimpses of a clip
BLOCKS = 48  # along the longer side
LEAST_AREA, MOST_SIDE = 0.06, 0.97
TISSUE_DETAIL = (1.2, 40.0)  # flat below; letters and lines above
SCALE_WITHIN = 0.2  # of the width: how far beside the image a depth scale is looked for
TICKS_AT_LEAST = 5


class Glimpses:
    """A few small copies of a clip's frames, evenly over a length that is not known beforehand."""

    def __init__(self) -> None:
        self.frames: list[np.ndarray] = []
        self._seen, self._every = 0, 1

    def add(self, luma: np.ndarray) -> None:
        """Takes note of a frame's brightness, (rows, columns) uint8."""
        if self._seen % self._every == 0:
            self.frames.append(small(luma))
            if len(self.frames) > MOST:
                self.frames = self.frames[::2]
                self._every *= 2
        self._seen += 1


def small(luma: np.ndarray) -> np.ndarray:
    """Every so many pixels of a picture, copied."""
    step = max(round(max(luma.shape) / SIDE), 1)
    return luma[::step, ::step].copy()


def find(glimpses: Sequence[np.ndarray]) -> Rectangle | None:
    """Where the image is; None where none stands out, or where it fills the picture."""
    frames = np.stack(glimpses).astype(np.float32)
    height, width = frames.shape[1:]
    if min(height, width) < 16:
        return None
    still = frames.mean(axis=0)
    ground = _ground(still)
    lit = np.abs(still - ground) > 10
    lively = np.zeros_like(lit)
    if len(frames) >= 4:
        lively = frames.std(axis=0) > 3
    block = max(round(max(height, width) / BLOCKS), 3)
    texture = _blocks(np.abs(_detail(frames[len(frames) // 2])), block)
    share_lit = _blocks(lit.astype(np.float32), block)
    share_lively = _blocks(lively.astype(np.float32), block)
    least, most = TISSUE_DETAIL
    tissue = (share_lively > 0.45) | ((share_lit > 0.55) & (texture > least) & (texture < most))
    tissue = _closed(tissue)
    body = _largest(tissue)
    if body is None or body.mean() < LEAST_AREA:
        return None
    rows, columns = _where(body.mean(axis=1)), _where(body.mean(axis=0))
    alive = lit | lively
    top, bottom = _snap(alive[:, _span(columns, block)].mean(axis=1), rows, block, share=0.25)
    left, right = _snap(alive[_span(rows, block)].mean(axis=0), columns, block, share=0.05)
    across, down = (right - left) / width, (bottom - top) / height
    if across * down < LEAST_AREA or (across > MOST_SIDE and down > MOST_SIDE):
        return None
    return Rectangle(left / width, top / height, right / width, bottom / height)


def choose(
    named: list[Rectangle] | None,
    *,
    clamped: bool,
    glimpses: Sequence[np.ndarray],
    picture: np.ndarray | None,
) -> tuple[list[Rectangle], Literal["regions", "found", "bands"]]:
    """What to suggest, and where it comes from: what the file names; else what stands out; else a
    band above and one below. Regions that had to be cut to fit (`clamped`) were meant for another
    picture, so they give way to what stands out.
    """
    if named is not None and not clamped:
        return named, "regions"
    image = find(glimpses) if glimpses else None
    if image is not None and picture is not None:
        return suggest(image, picture), "found"
    return (named, "regions") if named is not None else (list(masks.BANDS), "bands")


def suggest(image: Rectangle, picture: np.ndarray) -> list[Rectangle]:
    """Rectangles over all that is not the image, but for a depth scale beside it and an
    orientation mark above it.

    `picture` is one whole frame's brightness (rows, columns), in which thin ticks are still there.
    """
    height, width = picture.shape
    box = masks.pixels(image, width, height)
    kept = [box, *filter(None, (depth_scale(picture, box), orientation_mark(picture, box)))]
    return [masks.normalise(box, width, height) for box in masks.outside(kept, width, height)]


def depth_scale(picture: np.ndarray, image: masks.Box) -> masks.Box | None:
    """The column beside the image in which short marks follow each other at even distances."""
    height, width = picture.shape
    reach = round(width * SCALE_WITHIN)
    band = max(round(width * 0.012), 4)
    rows = slice(image[1], image[3])
    starts = [
        *range(max(image[0] - reach, 0), max(image[0] - band, 0), band),
        *range(image[2], min(image[2] + reach, width) - band, band),
    ]
    best: tuple[int, int] | None = None
    for start in starts:
        column = picture[rows, start : start + band]
        marks = _even_marks(column, height)
        if marks and (best is None or marks > best[0]):
            best = (marks, start)
    if best is None:
        return None
    start = best[1]
    return (
        max(start - band, 0), max(image[1] - band, 0),
        min(start + 2 * band, width), min(image[3] + band, height),
    )  # fmt: skip


def orientation_mark(picture: np.ndarray, image: masks.Box) -> masks.Box | None:
    """The one compact sign that stands alone above the image; letters have neighbours."""
    height, width = picture.shape
    above, aside = round(height * 0.09), round(width * 0.06)
    top, bottom = max(image[1] - above, 0), image[1]
    left, right = max(image[0] - aside, 0), min(image[2] + aside, width)
    window = picture[top:bottom, left:right].astype(np.int32)
    if min(window.shape) < 4:
        return None
    lit = np.abs(window - _ground(picture)) > 40
    found = []
    for ys, xs in _parts(lit):
        rows, columns = (int(ys.min()), int(ys.max()) + 1), (int(xs.min()), int(xs.max()) + 1)
        pixels = ys.size
        down, across = rows[1] - rows[0], columns[1] - columns[0]
        size = max(down, across)
        if not height * 0.01 <= size <= height * 0.045 or min(down, across) * 2 < size:
            continue
        if pixels < 0.5 * down * across:
            continue
        beside = lit[
            max(rows[0] - 1, 0) : rows[1] + 1,
            max(columns[0] - 2 * size, 0) : columns[1] + 2 * size,
        ]
        if beside.sum() == pixels:
            found.append((left + columns[0], top + rows[0], left + columns[1], top + rows[1]))
    if len(found) != 1:
        return None
    x0, y0, x1, y1 = found[0]
    return max(x0 - 3, 0), max(y0 - 3, 0), min(x1 + 3, width), min(y1 + 3, height)


def _parts(grid: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Connected parts (by edges): the rows and the columns of the cells of each."""
    across = grid.shape[1] + 1  # an empty column more, so that rows do not touch at their ends
    ys, xs = np.nonzero(grid)
    left = set((ys * across + xs).tolist())
    found = []
    while left:
        waiting = [left.pop()]
        part = list(waiting)
        while waiting:
            at = waiting.pop()
            for near in (at - across, at - 1, at + 1, at + across):
                if near in left:
                    left.remove(near)
                    part.append(near)
                    waiting.append(near)
        found.append(np.divmod(np.array(part), across))
    return found


def _median(values: np.ndarray) -> float:
    """Of a few values. numpy's own would load all that it has for masked arrays."""
    return float(statistics.median(values.tolist()))


def _even_marks(column: np.ndarray, height: int) -> int:
    """How many thin marks stand at even distances down a column; 0 where they are not even."""
    level = column.max(axis=1).astype(np.int32)
    bright = level > _median(level) + 30
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bright.astype(np.int8), [0]])))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    if len(runs) < TICKS_AT_LEAST or any(b - a > max(height * 0.02, 4) for a, b in runs):
        return 0
    gaps = np.diff([(a + b) / 2 for a, b in runs])
    usual = _median(gaps)
    if usual < max(height * 0.008, 4):
        return 0
    even = np.abs(gaps - usual) <= max(usual * 0.12, 1.5)
    return len(runs) if even.mean() >= 0.8 else 0


def _ground(picture: np.ndarray) -> float:
    """The level of the empty screen: the commonest one along the picture's edge."""
    edge = np.concatenate([picture[0], picture[-1], picture[:, 0], picture[:, -1]])
    counts = np.bincount(np.clip(edge, 0, 255).astype(np.int64) // 4, minlength=64)
    return float(counts.argmax() * 4 + 1.5)


def _detail(picture: np.ndarray) -> np.ndarray:
    """What is finer than three pixels."""
    padded = np.pad(picture, 1, mode="edge")
    blurred = sum(
        padded[dy : dy + picture.shape[0], dx : dx + picture.shape[1]]
        for dy in range(3)
        for dx in range(3)
    )
    return picture - blurred / 9


def _blocks(values: np.ndarray, block: int) -> np.ndarray:
    """The mean of each block; a rest at the lower or right edge joins the last one."""
    rows = np.arange(0, max(values.shape[0] - block + 1, 1), block)
    columns = np.arange(0, max(values.shape[1] - block + 1, 1), block)
    sums = np.add.reduceat(np.add.reduceat(values, rows, axis=0), columns, axis=1)
    sizes = np.outer(np.diff([*rows, values.shape[0]]), np.diff([*columns, values.shape[1]]))
    return sums / sizes


def _closed(grid: np.ndarray) -> np.ndarray:
    """Holes and gaps of one block filled."""
    return ~_grown(~_grown(grid))


def _grown(grid: np.ndarray) -> np.ndarray:
    padded = np.pad(grid, 1)
    shape = grid.shape
    return np.logical_or.reduce(
        [padded[y : y + shape[0], x : x + shape[1]] for y in range(3) for x in range(3)]
    )


def _largest(grid: np.ndarray) -> np.ndarray | None:
    """The largest connected part (by edges), or None."""
    parts = _parts(grid)
    if not parts:
        return None
    body = np.zeros_like(grid)
    body[max(parts, key=lambda part: part[0].size)] = True
    return body


def _where(profile: np.ndarray) -> tuple[int, int]:
    """First and last-but-one index where a profile carries something; thin tails are left out."""
    filled = np.flatnonzero(profile >= min(0.08, float(profile.max()) / 2))
    return int(filled[0]), int(filled[-1]) + 1


def _span(blocks: tuple[int, int], block: int) -> slice:
    return slice(blocks[0] * block, blocks[1] * block)


def _snap(
    profile: np.ndarray, blocks: tuple[int, int], block: int, *, share: float
) -> tuple[int, int]:
    """From the blocks' edges to the last line of the image, at most two blocks away.

    A line belongs to it that carries that share of what the lines inside carry: rows of letters
    carry less.
    """
    size = len(profile)
    first, last = blocks[0] * block, min(blocks[1] * block, size)
    if size - last < block:
        last = size
    above = max(share * _median(profile[first : first + 3 * block]), 0.03)
    below = max(share * _median(profile[max(last - 3 * block, 0) : last]), 0.03)
    for _step in range(2 * block):
        if first > 0 and profile[first - 1] > above:
            first -= 1
        elif profile[first] <= above:
            first += 1
        if last < size and profile[last] > below:
            last += 1
        elif profile[last - 1] <= below:
            last -= 1
    return max(first - 1, 0), min(last + 1, size)
