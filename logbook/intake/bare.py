"""What an object of our own making may hold: a walk over its structure, nothing is decoded.

JPEG: ITU-T T.81 annex B. PNG: W3C PNG, third edition, section 5. MP4: ISO/IEC 14496-12.
WebM: RFC 8794, RFC 9559. DICOM: PS3.10 section 7.1.
"""

import re
import struct
from collections.abc import Iterator

JPEG_ALONE = {0xDB, 0xC4, 0xC0, 0xDA, 0xDD}  # tables, one baseline frame, one scan
JFIF = b"JFIF\0"
PNG_MARK, PNG_CHUNKS = b"\x89PNG\r\n\x1a\n", {b"IHDR", b"IDAT", b"IEND"}
INDEX_BOXES = {
    b"mvhd", b"trak", b"tkhd", b"edts", b"elst", b"mdia", b"mdhd", b"hdlr", b"minf", b"vmhd",
    b"dinf", b"dref", b"stbl", b"stsd", b"stts", b"stss", b"stsc", b"stsz", b"stco", b"co64",
    b"ctts", b"sgpd", b"sbgp",
}  # fmt: skip
NESTED = {b"trak", b"edts", b"mdia", b"minf", b"dinf", b"stbl"}
HANDLER_NAME = b"VideoHandler"
# The muxer's own empty list of tags, byte for byte: nothing else may stand under udta.
NO_TAGS = (
    b"\0\0\0\x35meta\0\0\0\0\0\0\0\x21hdlr\0\0\0\0\0\0\0\0mdirappl\0\0\0\0\0\0\0\0\0\0\0\0\x08ilst"
)
EBML, SEGMENT, VOID, TAGS = b"\x1aE\xdf\xa3", 0x18538067, 0xEC, 0x1254C367
# SeekHead, Void, Info, Tracks, Cues, Cluster; the muxer's one tag is how long the track lasts.
SEGMENT_PARTS = {0x114D9B74, VOID, 0x1549A966, 0x1654AE6B, 0x1C53BB6B, 0x1F43B675}
DURATION_TAG = re.compile(
    rb"ss.c\xc0\x8bc\xc5\x88.{8}g\xc8.E\xa3\x88DURATIOND\x87\x93[\d:.]{18}\x00", re.DOTALL
)


def strange(content: bytes) -> str:
    """What in `content` the service would not have written, in a word; empty where nothing is."""
    try:
        if content[:3] == b"\xff\xd8\xff":
            return _jpeg(content)
        if content[:8] == PNG_MARK:
            return _png(content)
        if content[4:8] == b"ftyp":
            return _mp4(content)
        if content[:4] == EBML:
            return _webm(content)
        if content[128:132] == b"DICM":
            return _dicom(content)
    except (IndexError, struct.error):
        return "broken structure"
    return "unknown kind"


def _jpeg(content: bytes) -> str:
    at = 2
    while True:
        if content[at] != 0xFF:
            return "bytes between segments"
        marker, size = content[at + 1], struct.unpack_from(">H", content, at + 2)[0]
        if marker == 0xE0:
            if content[at + 4 : at + 9] != JFIF or size != 16:
                return "application segment"
        elif marker not in JPEG_ALONE:
            return f"segment {marker:02X}"
        at += 2 + size
        if marker == 0xDA:
            break
    end = content.find(b"\xff\xd9", at)  # inside a scan FF is always followed by 00 or RSTn
    if end < 0:
        return "no end"
    return "bytes after the end" if end + 2 != len(content) else ""


def _png(content: bytes) -> str:
    at = len(PNG_MARK)
    while at < len(content):
        size, kind = struct.unpack_from(">I4s", content, at)
        if kind not in PNG_CHUNKS:
            return f"chunk {kind.decode('ascii', 'replace')}"
        at += 12 + size
        if kind == b"IEND":
            return "bytes after the end" if at != len(content) else ""
    return "no end"


def _mp4(content: bytes) -> str:
    kinds = [kind for kind, _start, _end in _boxes(content, 0, len(content))]
    if kinds != [b"ftyp", b"moov", b"mdat"]:
        return "boxes " + " ".join(kind.decode("ascii", "replace") for kind in kinds)
    for kind, start, end in _boxes(content, 0, len(content)):
        if kind == b"moov":
            return _index(content, start, end)
    return ""


def _index(content: bytes, start: int, end: int) -> str:
    for kind, inner, stop in _boxes(content, start, end):
        if kind == b"udta" and content[inner:stop] == NO_TAGS:
            continue
        if kind not in INDEX_BOXES:
            return f"box {kind.decode('ascii', 'replace')}"
        if kind == b"hdlr" and content[inner + 24 : stop].strip(b"\0") != HANDLER_NAME:
            return "a handler's name"
        if kind in NESTED and (found := _index(content, inner, stop)):
            return found
    return ""


def _boxes(content: bytes, start: int, end: int) -> list[tuple[bytes, int, int]]:
    found = []
    while start < end:
        size, kind = struct.unpack_from(">I4s", content, start)
        head = 8
        if size == 1:
            size, head = struct.unpack_from(">Q", content, start + 8)[0], 16
        size = size or end - start
        if size < head or start + size > end:
            raise IndexError(start)
        found.append((kind, start + head, start + size))
        start += size
    return found


def _webm(content: bytes) -> str:
    """EBML (RFC 8794) and Matroska (RFC 9559): top level and the parts of the one segment."""
    top = list(_elements(content, 0, len(content)))
    if [kind for kind, _start, _end in top] != [int.from_bytes(EBML, "big"), SEGMENT]:
        return "elements beside the segment"
    for kind, start, end in _elements(content, *top[1][1:]):
        if kind == TAGS:
            if not DURATION_TAG.fullmatch(content[start:end]):
                return "tags"
        elif kind not in SEGMENT_PARTS:
            return f"element {kind:X}"
        elif kind == VOID and any(content[start:end]):
            return "a gap that is not empty"
    return ""


def _elements(content: bytes, start: int, end: int) -> Iterator[tuple[int, int, int]]:
    while start < end:
        kind, width = _number(content, start, keep=True)
        size, more = _number(content, start + width, keep=False)
        first = start + width + more
        if first + size > end:
            raise IndexError(start)
        yield kind, first, first + size
        start = first + size


def _number(content: bytes, at: int, *, keep: bool) -> tuple[int, int]:
    width = 9 - content[at].bit_length()
    if width > 8:
        raise IndexError(at)
    value = int.from_bytes(content[at : at + width], "big")
    return (value if keep else value - (1 << 7 * width)), width


def _dicom(content: bytes) -> str:
    if any(content[:128]):
        return "a preamble"
    # Explicit VR, little endian (PS3.5 section 7.1.2): Patient Identity Removed, YES.
    if b"\x12\x00\x62\x00CS\x04\x00YES " not in content:
        return "not marked as cleaned"
    return ""
