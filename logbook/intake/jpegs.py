"""A JPEG without all that is not its picture: what waits for the mask is decoded again, which is
quicker than to write and read its bare pixels, and a tenth of their size.

ITU-T T.81 annex B; the two application segments that say how colours are meant: ITU-T T.871 (JFIF)
and T.872 (Adobe). Runs in the child process only.
"""

import re
import struct
from collections.abc import Iterator

from PIL import ExifTags, Image

# A marker with a length; inside a scan FF is always followed by 00, a restart, or more FF.
MARKER = re.compile(rb"\xff([\x01-\xcf\xd8-\xfe])", re.DOTALL)
SOI, EOI, SOS, APP0, APP1, APP14 = b"\xff\xd8", 0xD9, 0xDA, 0xE0, b"\xff\xe1", 0xEE
PICTURE = {*range(0xC0, 0xD0), SOS, 0xDB, 0xDC, 0xDD} - {0xC8}  # frames, tables, scans
TURNED = range(2, 9)  # Exif 2.32, tag 0x0112
JFIF = b"\xff\xe0\0\x10JFIF\0\1\2\0\0\1\0\1\0\0"
ADOBE = b"\xff\xee\0\x0eAdobe\0\x64\0\0\0\0"  # and one byte: which transform


def bare(content: bytes, orientation: object = None) -> Iterator[bytes]:
    """The picture's own segments, as they are, after our own word on how it is turned.

    What is broken stays broken: that is for the decoder to find.
    """
    yield SOI
    if orientation in TURNED:
        exif = Image.Exif()
        exif[ExifTags.Base.Orientation] = orientation
        said = exif.tobytes()
        yield APP1 + struct.pack(">H", len(said) + 2) + said
    at = len(SOI)
    while found := MARKER.search(content, at):
        kind, start = found[1][0], found.start()
        if kind == EOI:
            yield found[0]
            return
        at = start + 2 + struct.unpack_from(">H", content, start + 2)[0]
        if kind in PICTURE:
            yield content[start:at]
        elif kind == APP0 and content.startswith(JFIF[4:9], start + 4):
            yield JFIF
        elif kind == APP14 and content.startswith(ADOBE[4:9], start + 4):
            yield ADOBE + content[start + 15 : start + 16]
        if kind == SOS:
            after = MARKER.search(content, at)
            start, at = at, after.start() if after else len(content)
            yield content[start:at]
