"""A JPEG without what is not its picture decodes to the same pixels, and says nothing else.

Markers: ITU-T T.81 table B.1. The pixels are compared as Pillow's libjpeg-turbo decodes them.
"""

import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageOps

from logbook.intake import jpegs
from tests.logbook.intake import samples


def pixels(content):
    with Image.open(io.BytesIO(content), formats=("JPEG",)) as picture:
        return np.asarray(ImageOps.exif_transpose(picture))


def markers(content):
    """The markers of a JPEG whose segments follow each other without a gap, in their order."""
    found, at = [], 2
    while at < len(content):
        assert content[at] == 0xFF
        kind = content[at + 1]
        found.append(kind)
        if kind == 0xD9:
            break
        at += 2 + struct.unpack_from(">H", content, at + 2)[0]
        if kind == 0xDA:
            while content[at] != 0xFF or content[at + 1] in (0, *range(0xD0, 0xD8)):
                at += 1
    return found


def with_adobe(mode):
    out = io.BytesIO()
    Image.fromarray(samples.colour()).convert(mode).save(out, "JPEG", quality=90)
    return out.getvalue()


KINDS = {
    "colour": lambda: samples.picture(form="JPEG", quality=90),
    "grey": lambda: samples.picture(samples.pattern(), "JPEG"),
    "progressive": lambda: samples.picture(form="JPEG", progressive=True),
    "restarts": lambda: samples.picture(form="JPEG", restart_marker_blocks=3),
    "red, green and blue": lambda: samples.picture(form="JPEG", keep_rgb=True),
    "four inks": lambda: with_adobe("CMYK"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_its_pixels_are_the_same(kind):
    content = KINDS[kind]()
    said = b"".join((b"\xff\xe1", struct.pack(">H", 11), b"my name!!", b"\xff\xff\xff"))
    noisy = content[:2] + said + content[2:] + b"and more"
    kept = b"".join(jpegs.bare(noisy))
    assert (pixels(kept) == pixels(content)).all()
    assert b"name" not in kept
    assert kept.endswith(b"\xff\xd9")
    assert set(markers(kept)) <= jpegs.PICTURE | {0xE0, 0xEE, 0xD9}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_it_is_turned_as_before(orientation):
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = orientation, "maker"
    content = samples.picture(samples.pattern(120, 80), "JPEG", exif=exif)
    kept = b"".join(jpegs.bare(content, orientation))
    assert (pixels(kept) == pixels(content)).all()
    assert b"maker" not in kept


def test_one_that_is_cut_stays_cut():
    content = KINDS["colour"]()
    for share in range(2, 10):
        kept = b"".join(jpegs.bare(content[: len(content) * share // 10]))
        with pytest.raises(OSError, match=r"(?i)truncated"):
            pixels(kept)
