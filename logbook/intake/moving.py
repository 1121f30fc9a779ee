"""Moving pictures in a still format (GIF, PNG, WebP, AVIF): they are clips.

Runs in the child process only.
"""

import warnings
from typing import BinaryIO

import numpy as np
from PIL import Image

from logbook.intake import clips, containers, frames, stills
from logbook.intake.facts import Day, Facts, Limits, Refused

FORMATS = ("GIF", "PNG", "WEBP", "AVIF")
TICKS = 1_000_000
UNSAID_MS, LEAST_MS = 100.0, 10.0  # common practice: browsers show shorter ones for this long


def strip(
    source: BinaryIO, working: BinaryIO, poster: BinaryIO, *, limits: Limits, day: Day
) -> Facts:
    """Each picture and its time into a working copy; a file of one picture is a still.

    Raises Refused; any other error means damage.
    """
    Image.MAX_IMAGE_PIXELS = None  # the limits here are asked before anything is decoded
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        picture = Image.open(source, formats=FORMATS)
        limits.check_still(*picture.size)
        if picture.format == "GIF":
            count = containers.gif_pictures(source, limits.frames)
        else:
            count = getattr(picture, "n_frames", 1)
        source.seek(0)
        if count == 1:
            return stills.strip(source, working, poster, limits=limits, day=day)
        picture = Image.open(source, formats=FORMATS)
        return _clip(picture, count, working, poster, limits=limits, day=day)


def _clip(
    picture: Image.Image,
    count: int,
    working: BinaryIO,
    poster: BinaryIO,
    *,
    limits: Limits,
    day: Day,
) -> Facts:
    width, height = picture.size
    limits.check_clip(width, height, count, 0)
    file_day = stills.compare_day(stills.file_day(picture), day)
    # A PNG may hold one more picture, for programs that know no moving ones.
    first = 1 if picture.info.get("default_image") else 0
    writer = frames.WorkingWriter(working, count)
    times, at, known = [], 0, True
    for index in range(first, count):
        picture.seek(index)
        picture.load()
        lasts = float(picture.info.get("duration") or 0)
        known = known and lasts > LEAST_MS
        times.append(at)
        at += round((lasts if lasts > LEAST_MS else UNSAID_MS) * 1000)
        if at / TICKS > limits.seconds:
            raise Refused("too_long", seconds=limits.seconds, frames=limits.frames)
        writer.add(frames.even(np.asarray(stills.plain(picture))))
    writer.close(poster)
    return clips.facts_of_clip(
        writer,
        times=times,
        ticks=TICKS,
        end=at,
        times_known=known,
        file_date=file_day,
        source=(picture.format or "").lower(),
        colour={"space": frames.SMPTE170M},
    )
