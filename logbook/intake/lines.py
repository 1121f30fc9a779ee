"""A strip: what lies under one line of a clip, side by side over its time.

Made from the frames as they were stored, each shown for as long as it lasted; nothing is
interpolated. It looks like M-mode and is far slower, so the sentence that says so is drawn into it.

Runs in the child process only.
"""

from functools import cache
from typing import BinaryIO

import av
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from logbook.intake import frames
from logbook.intake.facts import Limits, Refused

WIDTH, MOST_HEIGHT = 800, 480
FOOT, LETTER = 44, 13
EBML = b"\x1aE\xdf\xa3"  # how a WebM clip begins
INK, QUIET = 235, 120


def strip_along(
    clip: BinaryIO,
    out: BinaryIO,
    *,
    line: tuple[float, float, float, float],
    caption: str,
    limits: Limits,
) -> None:
    """Write a PNG. `line` runs from x0, y0 to x1, y1, fractions of the picture. Raises Refused."""
    columns, starts = [], []
    head = clip.read(4)
    clip.seek(0)
    form = "matroska" if head == EBML else "mov"
    with av.open(clip, "r", format=form, options={"format_whitelist": form}) as container:
        stream = container.streams.video[0]
        limits.check_clip(stream.codec_context.width, stream.codec_context.height, 0, 0)
        for frame in container.decode(stream):
            limits.check_clip(frame.width, frame.height, len(columns) + 1, 0)
            columns.append(_under(frames.planes(frame)[0], line))
            starts.append(float(frame.pts * stream.time_base))
        end = (container.duration or 0) / av.time_base
    if not columns:
        raise Refused("damaged")
    end = max(end, starts[-1] + 0.001)
    shown = np.searchsorted(starts, np.linspace(0, end, WIDTH, endpoint=False), side="right") - 1
    strip = np.stack(columns, axis=1)[:, np.maximum(shown, 0)]
    _captioned(strip, end, caption).save(out, "PNG")


def _under(luma: np.ndarray, line: tuple[float, float, float, float]) -> np.ndarray:
    """The pixels nearest to the line, from its beginning to its end."""
    height, width = luma.shape
    x0, y0, x1, y1 = line
    ends = np.array([[x0 * (width - 1), y0 * (height - 1)], [x1 * (width - 1), y1 * (height - 1)]])
    steps = int(np.clip(np.hypot(*(ends[1] - ends[0])), 16, MOST_HEIGHT))
    at = ends[0] + np.linspace(0, 1, steps)[:, None] * (ends[1] - ends[0])
    columns, rows = np.rint(at).astype(int).T
    return luma[rows, columns]


def _captioned(strip: np.ndarray, seconds: float, caption: str) -> Image.Image:
    picture = Image.new("L", (strip.shape[1], strip.shape[0] + FOOT), 0)
    picture.paste(Image.fromarray(np.ascontiguousarray(strip)), (0, 0))
    draw, font = ImageDraw.Draw(picture), letter()
    every = next(step for step in (0.25, 0.5, 1, 2, 5, 10, 20, 60) if seconds / step <= 16)
    at = 0.0
    while at <= seconds:
        across = round(at / seconds * (strip.shape[1] - 1))
        draw.line([(across, strip.shape[0]), (across, strip.shape[0] + 5)], fill=INK)
        draw.text((across + 3, strip.shape[0] + 4), f"{at:g} s", fill=QUIET, font=font)
        at += every
    draw.text((4, strip.shape[0] + 24), caption, fill=INK, font=font)
    return picture


@cache
def letter() -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Pillow's own letters, which it carries inside itself: no file is opened."""
    return ImageFont.load_default(LETTER)
