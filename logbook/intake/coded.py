"""A clip's own coded pictures without all that is not its pictures: what waits for the mask is
decoded again, which is quicker than to write, encrypt and read its bare frames, a fiftieth of them.

H.264 in MP4 and MOV. Kept are the slices, and the parameter sets without which no slice can be
decoded (ITU-T H.264 table 7-1), these written anew from their own syntax so that nothing hangs on
behind them; no word of the container. What is looked at while the clip is stripped are the first
frames of these copies, so what was seen is what is masked; that the rest can be decoded shows when
they are masked. Where anything is unusual nothing is copied, and bare frames wait. Runs in the
child process only.
"""

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

import av
from av.bitstream import BitStreamFilterContext

from logbook.intake.facts import Refused

MARK = b"coded pictures\n"
HEAD = struct.Struct(">B?B")  # how the frames are meant, and how many are held back for their order
SIZE = struct.Struct(">I")  # before the parameter sets and before each packet
CODEC = "h264"
KEPT = "filter_units=pass_types=1|5|7|8,h264_metadata"
PLAIN = ("yuv420p", "yuvj420p")
LOOKED_AT = 32  # frames: a second of most clips
FULL_RANGE = 2


class NotCopied(Exception):
    """The clip is not one whose coded pictures can wait."""


@dataclass(frozen=True)
class Meant:
    """How a frame is meant to be seen: quarter turns to the left, and whether black is 0."""

    turns: int
    full: bool


def meant(frame: av.VideoFrame) -> Meant:
    """What a frame says of itself, and its container of it."""
    full = frame.format.name.startswith("yuvj") or frame.color_range == FULL_RANGE
    return Meant(round(frame.rotation / 90) % 4, full)


class Copy:
    """Copies packet after packet to `working` and decodes the first copies. Raises NotCopied."""

    def __init__(self, stream: av.VideoStream, working: BinaryIO) -> None:
        self._working, self._decoder = working, stream.codec_context
        if self._decoder.name != CODEC:
            raise NotCopied
        self._filter, sets = _filter(stream)
        self._depth = self._decoder.reorder_depth
        self._decoder.extradata, self._decoder.thread_count = sets, 1
        self._meant: Meant | None = None
        self._shown: int | None = None
        self._packets = self._frames = 0
        self._times: dict[int, int] = {}  # how long each is shown, by when
        working.write(MARK + bytes(HEAD.size))
        self._write(sets)

    def decode(self, packet: av.Packet) -> Iterator[av.VideoFrame]:
        """Of the first packets the frames that the copy of this one completes; an empty packet ends
        the stream."""
        if packet.is_discard or any(packet.iter_sidedata()):
            raise NotCopied
        last = not packet.size  # the filter takes its content away
        self._packets += not last
        for clean in self._filter.filter(None if last else packet):
            content = bytes(clean)
            self._write(content)
            if clean.pts is None or clean.pts in self._times:
                raise NotCopied
            self._times[clean.pts] = clean.duration or 0
            if len(self._times) <= LOOKED_AT:
                copied = av.Packet(content)
                copied.pts, copied.duration = clean.pts, clean.duration
                yield from self._decoded(copied)
                if len(self._times) == LOOKED_AT:
                    yield from self._decoded(None)
        if last and len(self._times) < LOOKED_AT:
            yield from self._decoded(None)

    @property
    def times(self) -> list[tuple[int, int]]:
        """When each frame is shown and how long, in their order."""
        return sorted(self._times.items())

    def add(self, frame: av.VideoFrame, index: int) -> None:
        """Nothing: the frame waits as it came."""

    def close(self) -> None:
        """Finish the file. Raises NotCopied where a packet was not one whole frame."""
        whole = len(self._times) == self._packets
        if self._meant is None or not whole or self._frames != min(self._packets, LOOKED_AT):
            raise NotCopied
        self._working.seek(len(MARK))
        self._working.write(HEAD.pack(self._meant.turns, self._meant.full, self._depth))
        self._working.flush()

    def _decoded(self, packet: av.Packet | None) -> Iterator[av.VideoFrame]:
        for frame in self._decoder.decode(packet):
            how = meant(frame)
            # Of other formats a decoder may want to know which encoder wrote them.
            if frame.format.name not in PLAIN or how != (self._meant or how):
                raise NotCopied
            if frame.pts is None or (self._shown is not None and frame.pts <= self._shown):
                raise NotCopied
            self._meant, self._shown = how, frame.pts
            self._frames += 1
            yield frame

    def _write(self, content: bytes) -> None:
        self._working.write(SIZE.pack(len(content)) + content)


def read(working: BinaryIO) -> Iterator[tuple[av.VideoFrame, Meant]]:
    """The frames of a copy. They are the decoder's own: copy before changing. Raises Refused."""
    working.seek(len(MARK))
    turns, full, depth = HEAD.unpack(working.read(HEAD.size))
    how = Meant(turns, full)
    decoder = av.CodecContext.create(CODEC, "r")
    decoder.extradata, decoder.thread_count = _next(working), 1
    decoder.reorder_depth = depth
    while content := _next(working):
        yield from _checked(decoder.decode(av.Packet(content)), how)
    yield from _checked(decoder.decode(None), how)


def _checked(frames: list[av.VideoFrame], how: Meant) -> Iterator[tuple[av.VideoFrame, Meant]]:
    for frame in frames:
        if frame.is_corrupt or frame.format.name not in PLAIN or meant(frame).full != how.full:
            raise Refused("damaged")
        yield frame, how


def _next(working: BinaryIO) -> bytes:
    head = working.read(SIZE.size)
    return working.read(*SIZE.unpack(head)) if head else b""


def _filter(stream: av.VideoStream) -> tuple[BitStreamFilterContext, bytes]:
    """What cleans each packet, and the cleaned parameter sets. Raises NotCopied."""
    with av.open(io.BytesIO(), "w", format="null") as nowhere:
        told = nowhere.add_stream_from_template(stream)
        cleaner = BitStreamFilterContext(KEPT, stream, told)  # only an output tells of them,
        sets = told.codec_context.extradata
    if not sets:
        raise NotCopied
    # and of these no unit was left out yet: they go the way of a packet.
    return cleaner, b"".join(
        map(bytes, BitStreamFilterContext(KEPT, CODEC).filter(av.Packet(sets)))
    )
