"""Still pictures: pixels into a fresh picture, nothing else carried along.

Runs in the child process only.
"""

import re
import warnings
from datetime import date
from typing import BinaryIO

import numpy as np
import pillow_heif
from PIL import ExifTags, Image, ImageOps

from logbook.intake import masks
from logbook.intake.facts import STILL, Day, Facts, Limits, Rectangle, Refused, Suggestions

FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF")
LOSSLESS = {"PNG"}
PREVIEW_SIDE, POSTER_SIDE = 1280, 640
PNG_PIXELS = 4_000_000  # above this a lossless master costs more than it shows
JPEG_QUALITY = 93

pillow_heif.register_heif_opener(thumbnails=False)


def strip(
    source: BinaryIO, working: BinaryIO, poster: BinaryIO, *, limits: Limits, day: Day
) -> Facts:
    """Decode one picture, write it afresh. Raises Refused; any other error means damage."""
    Image.MAX_IMAGE_PIXELS = None  # the limits here are asked before anything is decoded
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        picture = Image.open(source, formats=FORMATS)
        limits.check_still(*picture.size)
        form = picture.format or ""
        if form in ("PNG", "WEBP", "AVIF") and getattr(picture, "n_frames", 1) > 1:
            raise Refused("several_pictures")
        file_day = _file_day(picture)
        if form == "PNG":  # decoding alone does not look at the checksums
            source.seek(0)
            Image.open(source, formats=FORMATS).verify()
            source.seek(0)
            picture = Image.open(source, formats=FORMATS)
        ImageOps.exif_transpose(picture, in_place=True)
        pixels = _eight_bits(picture)
    facts = facts_of_still(
        pixels.shape[1],
        pixels.shape[0],
        file_date=compare_day(file_day, day),
        source=form.lower(),
        lossless=form in LOSSLESS,
    )
    write_working(pixels, working, poster)
    return facts


def facts_of_still(
    width: int,
    height: int,
    *,
    file_date: str,
    source: str,
    lossless: bool,
    mask: list[Rectangle] | None = None,
    regions_clamped: bool = False,
    suggestions: Suggestions | None = None,
) -> Facts:
    """The facts of a picture without time."""
    return Facts(
        kind=STILL,
        width=width,
        height=height,
        frames=1,
        duration_ms=0,
        ticks_per_second=1,
        times=[],
        times_known=False,
        mask=list(masks.BANDS) if mask is None else mask,
        mask_from="bands" if mask is None else "regions",
        regions_clamped=regions_clamped,
        suggestions=suggestions or Suggestions(),
        file_date=file_date,
        lossless=lossless,
        source=source,
    )


def write_working(pixels: np.ndarray, working: BinaryIO, poster: BinaryIO) -> None:
    """The lossless copy that waits for the mask, and a preview of it."""
    fresh = Image.fromarray(pixels)
    # Bare pixels: it rests for minutes, and compressing would cost more than all the rest.
    fresh.save(working, "PPM")
    write_poster(fresh, poster, PREVIEW_SIDE)


def finish(
    working: BinaryIO, master: BinaryIO, poster: BinaryIO, *, facts: Facts, mask: list[Rectangle]
) -> str:
    """Cover and write the master. Returns its media type. Raises Refused."""
    with Image.open(working, formats=("PPM",)) as picture:
        pixels = np.array(picture)
    masks.check(mask, facts.width, facts.height)
    masks.cover(pixels, mask)
    fresh = Image.fromarray(pixels)
    write_poster(fresh, poster, POSTER_SIDE)
    if facts.lossless and facts.width * facts.height <= PNG_PIXELS:
        fresh.save(master, "PNG", compress_level=6)
        return "image/png"
    fresh.save(master, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    return "image/jpeg"


def write_poster(fresh: Image.Image, poster: BinaryIO, side: int) -> None:
    """A JPEG no larger than `side` on its longer side."""
    small = fresh.copy()
    small.thumbnail((side, side), Image.Resampling.LANCZOS, reducing_gap=2.0)
    small.save(poster, "JPEG", quality=85)


def compare_day(found: date | None, day: Day) -> str:
    """agrees, differs or absent; the file's date itself goes nowhere."""
    if found is None:
        return "absent"
    return "agrees" if found.isoformat() == day.iso else "differs"


def day_from_text(text: object) -> date | None:
    """A date from text that begins year, month, day in any punctuation; None if it is none."""
    parts = re.match(r"\s*(\d{4})[:.\-/]?(\d{2})[:.\-/]?(\d{2})", str(text or ""))
    try:
        return date(*map(int, parts.groups())) if parts else None
    except ValueError:
        return None


def _file_day(picture: Image.Image) -> date | None:
    try:
        exif = picture.getexif()
        detail = exif.get_ifd(ExifTags.IFD.Exif)
        values = (detail.get(ExifTags.Base.DateTimeOriginal), exif.get(ExifTags.Base.DateTime))
    except Exception:  # broken metadata is no reason to refuse the picture
        return None
    return next((found for found in map(day_from_text, values) if found), None)


def _eight_bits(picture: Image.Image) -> np.ndarray:
    """Grey (height, width) or colour (height, width, 3), uint8; transparency over black."""
    if picture.mode.startswith("I;16") or picture.mode == "I":
        deep = np.asarray(picture).astype(np.int64)
        return (np.clip(deep, 0, 65535) >> 8).astype(np.uint8)
    if picture.mode in ("1", "L"):
        return np.array(picture.convert("L"))
    if picture.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in picture.info:
        clear = picture.convert("RGBA")
        ground = Image.new("RGBA", clear.size, (0, 0, 0, 255))
        ground.alpha_composite(clear)
        return np.array(ground.convert("RGB"))
    return np.array(picture.convert("RGB"))
