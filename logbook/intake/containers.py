"""Whether a file ends before its container does, from sizes alone. Nothing is decoded.

A demuxer shows what is there of a cut file and says nothing. Layouts: ISO/IEC 14496-12 (boxes),
RFC 8794 (EBML), the RIFF chunk of AVI, and the blocks of GIF89a.
"""

import io
import struct
from collections.abc import Callable
from typing import BinaryIO

SEGMENT = 0x18538067
MOST_BOXES = 10_000


def boxes_whole(source: BinaryIO) -> bool:
    """MP4 and MOV: no top-level box reaches beyond the file."""
    size, at = source.seek(0, io.SEEK_END), 0
    for _ in range(MOST_BOXES):
        if at + 8 > size:
            break
        source.seek(at)
        length, _kind = struct.unpack(">I4s", source.read(8))
        if length == 1:
            length = int.from_bytes(source.read(8), "big")
        if length < 8:
            # 0: to the end of the file; anything else is no box, but bytes behind the last one.
            break
        if at + length > size:
            # Bytes behind the last box may look like the head of one; a box has a plain name.
            return not _kind.isalnum() or (at > 0 and _kind not in KNOWN)
        at += length
    return True


KNOWN = (b"ftyp", b"moov", b"mdat", b"moof", b"free", b"wide", b"skip", b"uuid", b"meta")


def segment_whole(source: BinaryIO) -> bool:
    """WebM and Matroska: the segment does not reach beyond the file."""
    size, at = source.seek(0, io.SEEK_END), 0
    for _ in range(4):
        source.seek(at)
        head = source.read(12)
        identifier, used = vint(head, keep_mark=True)
        length, more = vint(head[used:], keep_mark=False)
        if not used or not more:
            return True
        at += used + more
        if identifier == SEGMENT:
            unknown = length == (1 << 7 * more) - 1
            return unknown or at + length <= size
        at += length
    return True


def vint(content: bytes, *, keep_mark: bool) -> tuple[int, int]:
    """A number of variable length and how many bytes it takes (0: none)."""
    if not content or not content[0]:
        return 0, 0
    length = 9 - content[0].bit_length()
    if len(content) < length:
        return 0, 0
    value = int.from_bytes(content[:length], "big")
    return (value if keep_mark else value & ~(1 << 7 * length)), length


def riff_whole(source: BinaryIO) -> bool:
    """AVI: the first RIFF chunk does not reach beyond the file."""
    size = source.seek(0, io.SEEK_END)
    source.seek(4)
    return 8 + int.from_bytes(source.read(4), "little") <= size + 1


WHOLE: dict[str, Callable[[BinaryIO], bool]] = {
    "mov": boxes_whole,
    "matroska": segment_whole,
    "avi": riff_whole,
}


def gif_pictures(source: BinaryIO, most: int) -> int:
    """How many pictures a GIF holds, counted without decoding; no further than one over `most`."""
    source.seek(10)
    flags = source.read(3)[0]
    _skip_table(source, flags)
    found = 0
    while found <= most:
        match source.read(1):
            case b"\x21":
                source.read(1)
                _skip_blocks(source)
            case b"\x2c":
                found += 1
                _skip_table(source, source.read(9)[8])
                source.read(1)
                _skip_blocks(source)
            case _:
                break
    return found


def _skip_table(source: BinaryIO, flags: int) -> None:
    if flags & 0x80:
        source.seek(3 << (flags & 7) + 1, io.SEEK_CUR)


def _skip_blocks(source: BinaryIO) -> None:
    while (length := source.read(1)) not in (b"", b"\0"):
        source.seek(length[0], io.SEEK_CUR)
