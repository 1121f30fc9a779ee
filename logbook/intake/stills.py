"""Still pictures: pixels into a fresh picture, nothing else carried along.

Runs in the child process only.
"""

import re
import warnings
from collections.abc import Sequence
from datetime import date
from typing import BinaryIO

import numpy as np
import pillow_heif
from PIL import (
    AvifImagePlugin,
    ExifTags,
    Image,
    ImageOps,
    MpoImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from logbook.intake import jpegs, masks, sector
from logbook.intake.facts import STILL, Day, Facts, Limits, Rectangle, Refused, Suggestions
from logbook.intake.marks import LIGHT

FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF", "GIF", "TIFF")
WAITING = ("PPM", "JPEG")
SIDEWAYS = range(5, 9)  # Exif 2.32, tag 0x0112: rows and columns change places
LOSSLESS_TIFF = {"raw", "packbits", "tiff_lzw", "tiff_adobe_deflate", "tiff_deflate"}
PREVIEW_SIDE, POSTER_SIDE = 1280, 640
PNG_PIXELS = 4_000_000  # above this a lossless master costs more than it shows
JPEG_QUALITY = 93

# Named, so that no format's first file makes Pillow load all forty.
LOADED = (AvifImagePlugin, MpoImagePlugin, TiffImagePlugin, WebPImagePlugin)
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
        if form == "TIFF" and getattr(picture, "n_frames", 1) > 1:
            raise Refused("several_pictures")
        day_inside = file_day(picture)
        if form == "PNG":  # decoding alone does not look at the checksums
            source.seek(0)
            Image.open(source, formats=FORMATS).verify()
            source.seek(0)
            picture = Image.open(source, formats=FORMATS)
        without_loss = _without_loss(picture, source)
        orientation = picture.getexif().get(ExifTags.Base.Orientation)
        size = picture.size[::-1] if orientation in SIDEWAYS else picture.size
        if form in ("JPEG", "MPO"):
            source.seek(0)
            working.writelines(jpegs.bare(source.read(), orientation))
            working.seek(0)
            picture = Image.open(working, formats=WAITING)
            # All of it is read, and so found damaged; a preview needs no more than this of it.
            picture.draft(None, (PREVIEW_SIDE, PREVIEW_SIDE))
            luma = write_preview(upright(picture), poster)
        else:
            luma = write_working(upright(picture), working, poster)
    return facts_of_still(
        *size,
        file_date=compare_day(day_inside, day),
        source="jpeg" if form == "MPO" else form.lower(),
        lossless=without_loss,
        luma=luma,
    )


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
    luma: np.ndarray | None = None,
) -> Facts:
    """The facts of a picture without time. Where the image is, is looked for in `luma`, the
    brightness (rows, columns) of the picture or of a smaller one."""
    hidden, mask_from = sector.choose(
        mask,
        clamped=regions_clamped,
        glimpses=[] if luma is None else [sector.small(luma)],
        picture=luma,
    )
    return Facts(
        kind=STILL,
        width=width,
        height=height,
        frames=1,
        duration_ms=0,
        ticks_per_second=1,
        times=[],
        times_known=False,
        mask=hidden,
        mask_from=mask_from,
        regions_clamped=regions_clamped,
        suggestions=suggestions or Suggestions(),
        file_date=file_date,
        lossless=lossless,
        source=source,
    )


def write_working(fresh: Image.Image, working: BinaryIO, poster: BinaryIO) -> np.ndarray:
    """The lossless copy that waits for the mask, and a preview of it, whose luma comes back."""
    # Bare pixels: it rests for minutes, and compressing would cost more than all the rest.
    fresh.save(working, "PPM")
    return write_preview(fresh, poster)


def write_preview(fresh: Image.Image, poster: BinaryIO) -> np.ndarray:
    """The picture on which the mask is drawn. Returns its luma."""
    return np.asarray(write_poster(fresh, poster, PREVIEW_SIDE).convert("L"))


def finish(
    working: BinaryIO,
    master: BinaryIO,
    poster: BinaryIO,
    *,
    facts: Facts,
    mask: list[Rectangle],
    drawn: Sequence[masks.Box] = (),
) -> str:
    """Cover, draw `drawn` and write the master. Returns its media type. Raises Refused."""
    masks.check(mask, facts.width, facts.height)
    fresh = upright(Image.open(working, formats=WAITING))
    if fresh.size != (facts.width, facts.height):
        raise Refused("damaged")
    for one in mask:
        fresh.paste(0, masks.pixels(one, facts.width, facts.height))
    for box in drawn:
        fresh.paste(LIGHT if fresh.mode == "L" else (LIGHT, LIGHT, LIGHT), box)
    write_poster(fresh, poster, POSTER_SIDE)
    if facts.lossless and facts.width * facts.height <= PNG_PIXELS:
        fresh.save(master, "PNG", compress_level=6)
        return "image/png"
    fresh.save(master, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    return "image/jpeg"


def write_poster(fresh: Image.Image, poster: BinaryIO, side: int) -> Image.Image:
    """A JPEG no larger than `side` on its longer side. Returns what was drawn."""
    size = fresh.size
    if max(size) > side:
        size = tuple(max(1, round(one * side / max(size))) for one in size)
        # Averaging whole pixels first makes it cheap; a preview shows no less for it.
        fresh = fresh.resize(size, Image.Resampling.BICUBIC, reducing_gap=1.0)
    # Encoders write what a picture carries beside its pixels; a new one carries nothing.
    drawn = Image.new(fresh.mode, size)
    drawn.paste(fresh)
    drawn.save(poster, "JPEG", quality=85)
    return drawn


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


def _without_loss(picture: Image.Image, source: BinaryIO) -> bool:
    """Whether the file itself gave up nothing of the picture it was made from."""
    match picture.format:
        case "PNG" | "GIF":
            return True
        case "TIFF":
            return picture.info.get("compression") in LOSSLESS_TIFF
        case "WEBP":  # RFC 9649: the kind of the first chunk of a plain file
            at = source.tell()
            source.seek(12)
            kind = source.read(4)
            source.seek(at)
            return kind == b"VP8L"
        case _:
            return False


def file_day(picture: Image.Image) -> date | None:
    try:
        exif = picture.getexif()
        detail = exif.get_ifd(ExifTags.IFD.Exif)
        values = (detail.get(ExifTags.Base.DateTimeOriginal), exif.get(ExifTags.Base.DateTime))
    except Exception:  # broken metadata is no reason to refuse the picture
        return None
    return next((found for found in map(day_from_text, values) if found), None)


def upright(picture: Image.Image) -> Image.Image:
    """The picture as it is meant to be seen, and nothing beside its pixels: encoders would write
    it."""
    ImageOps.exif_transpose(picture, in_place=True)
    picture = plain(picture)
    picture.info.clear()
    return picture


def plain(picture: Image.Image) -> Image.Image:
    """The picture in grey or colour, eight bits, transparency over black."""
    if picture.mode.startswith("I;16") or picture.mode == "I":
        deep = np.asarray(picture).astype(np.int64)
        return Image.fromarray((np.clip(deep, 0, 65535) >> 8).astype(np.uint8))
    if picture.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in picture.info:
        clear = picture.convert("RGBA")
        over = Image.new("RGB", clear.size)
        over.paste(clear, mask=clear)
        return over
    return picture.convert("L" if picture.mode in ("1", "L") else "RGB")
