"""Moving pictures: every frame and its time into a fresh clip, nothing else carried along.

Runs in the child process only. The working copy is Ut Video (lossless) in NUT, which is fast and
exact; the master is H.264 in MP4 without B-frames, so that decoding order is showing order and
no edit list is needed, with a key frame every `KEY_EVERY` frames, so that stepping is quick.
"""

import io
import itertools
import struct
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from typing import BinaryIO

import av
import av.bitstream
import numpy as np
from av.video.frame import PictureType

from logbook.intake import masks, stills
from logbook.intake.facts import CLIP, Day, Facts, Limits, Rectangle, Refused, Suggestions

CODECS = ("h264", "hevc", "mpeg4", "mjpeg", "vp8", "vp9", "av1", "libdav1d", "h263", "mpeg2video")
DEMUXER_OPTIONS = {"format_whitelist": "mov", "codec_whitelist": ",".join((*CODECS, "aac"))}
KEY_EVERY = 12
QUALITY = "18"
PRESET = "veryfast"
MOST_TICKS = 1_000_000
LIMITED_RANGE, FULL_RANGE = 1, 2
BLACK = (16, 128, 128)  # in limited range; every working copy is
UNSPECIFIED = 2
SMPTE170M = 6
EARLIEST = date(1990, 1, 1)  # a clock that was never set says 1904 or 1970


def strip(
    source: BinaryIO, working: BinaryIO, poster: BinaryIO, *, limits: Limits, day: Day
) -> Facts:
    """Decode one clip, write it afresh. Raises Refused; any other error means damage."""
    with av.open(source, "r", format="mov", options=DEMUXER_OPTIONS) as container:
        stream = _picture_stream(container)
        context = stream.codec_context
        seconds = float((stream.duration or 0) * (stream.time_base or 0))
        limits.check_clip(context.width, context.height, stream.frames, seconds)
        context.thread_count = 1
        base = stream.time_base
        colour = {
            "space": context.colorspace,
            "primaries": context.color_primaries,
            "transfer": context.color_trc,
        }
        writer = WorkingWriter(working, colour)
        times, last_duration, packets = [], 0, 0
        for packet in container.demux(stream):
            packets += packet.size > 0
            for frame in packet.decode():
                limits.check_clip(frame.width, frame.height, len(times) + 1, 0)
                if frame.pts is not None:
                    times.append(frame.pts * base.numerator)
                    last_duration = (frame.duration or 0) * base.numerator
                else:
                    times.append(times[-1] + 1 if times else 0)
                writer.add(upright(frame))
        if packets < stream.frames:
            raise Refused("cut_short")
        if not times:
            raise Refused("damaged")
        writer.close(poster)
        file_day = _file_day(container, stream, day)
    times, ticks, end, known = _tidy(times, base.denominator, last_duration)
    if end / ticks > limits.seconds:
        raise Refused("too_long", seconds=limits.seconds, frames=limits.frames)
    return facts_of_clip(
        writer,
        times=times,
        ticks=ticks,
        end=end,
        times_known=known,
        file_date=stills.compare_day(file_day, day),
        source=context.name,
        colour=colour,
    )


def facts_of_clip(
    writer: "WorkingWriter",
    *,
    times: list[int],
    ticks: int,
    end: int,
    times_known: bool,
    file_date: str,
    source: str,
    colour: dict[str, int],
    mask: list[Rectangle] | None = None,
    regions_clamped: bool = False,
    suggestions: Suggestions | None = None,
) -> Facts:
    """The facts of a clip; `end` is when its last frame ends, in ticks."""
    rate = round(len(times) * ticks / end, 3) if end and times_known else None
    return Facts(
        kind=CLIP,
        width=writer.width,
        height=writer.height,
        frames=len(times),
        duration_ms=round(end * 1000 / ticks),
        ticks_per_second=ticks,
        times=times,
        times_known=times_known,
        mask=list(masks.BANDS) if mask is None else mask,
        mask_from="bands" if mask is None else "regions",
        regions_clamped=regions_clamped,
        suggestions=suggestions or Suggestions(frame_rate=rate),
        file_date=file_date,
        lossless=False,
        source=source,
        colour=colour,
    )


def finish(
    working: BinaryIO, master: BinaryIO, poster: BinaryIO, *, facts: Facts, mask: list[Rectangle]
) -> str:
    """Cover every frame and write the master. Returns its media type. Raises Refused."""
    masks.check(mask, facts.width, facts.height)
    boxes = [masks.pixels(one, facts.width, facts.height) for one in mask]
    ends = [*facts.times[1:], round(facts.duration_ms * facts.ticks_per_second / 1000)]
    lengths = {t: max(end - t, 1) for t, end in zip(facts.times, ends, strict=True)}
    out = io.BytesIO()
    with (
        av.open(working, "r", format="nut") as container,
        av.open(out, "w", format="mp4", options={"fflags": "+bitexact"}) as target,
    ):
        stream = _h264_stream(target, facts)
        # The encoder writes its settings into the stream as text; nothing needs them.
        cleaner = av.bitstream.BitStreamFilterContext("filter_units=remove_types=6", stream)

        def write(packets: Iterable[av.Packet]) -> None:
            for packet in packets:
                packet.duration = lengths[packet.pts]
                for clean in cleaner.filter(packet):
                    target.mux(clean)

        middle = facts.frames // 2
        count = 0
        for frame in container.decode(video=0):
            covered = _cover(frame, boxes)
            covered.pts = facts.times[count]
            covered.time_base = Fraction(1, facts.ticks_per_second)
            # Each frame comes out of the working copy as a key frame and would stay one.
            covered.pict_type = PictureType.NONE
            if count == middle:
                stills.write_poster(covered.to_image(), poster, stills.POSTER_SIDE)
            write(stream.encode(covered))
            count += 1
        write(stream.encode())
        for clean in cleaner.filter(None):
            target.mux(clean)
    if count != facts.frames:
        raise Refused("damaged")
    index_first(out.getbuffer(), master)
    return "video/mp4"


class WorkingWriter:
    """Writes frames losslessly, and keeps one from the middle for the preview."""

    def __init__(self, working: BinaryIO, colour: dict[str, int]) -> None:
        self._out = av.open(working, "w", format="nut")
        self._stream: av.VideoStream | None = None
        self._colour = colour
        self._kept: av.VideoFrame | None = None
        self.count = self.width = self.height = 0

    def add(self, frame: av.VideoFrame) -> None:
        """Append a frame in yuv420p, limited range, even sides, all of one size."""
        if self._stream is None:
            self.width, self.height = frame.width, frame.height
            self._stream = self._out.add_stream("utvideo", rate=25)
            self._stream.width, self._stream.height = frame.width, frame.height
            self._stream.pix_fmt = "yuv420p"
            self._stream.codec_context.thread_count = 1
        elif (frame.width, frame.height) != (self.width, self.height):
            raise Refused("damaged")
        frame.pts, frame.time_base = self.count, Fraction(1, 25)
        # The frame at the highest power of two: always in the second half, known without counting.
        if self.count & (self.count - 1) == 0:
            self._kept = frame
        self.count += 1
        self._out.mux(self._stream.encode(frame))

    def close(self, poster: BinaryIO) -> None:
        """Finish the file and write the preview."""
        if self._stream is not None:
            self._out.mux(self._stream.encode())
        self._out.close()
        if self._kept is not None:
            stills.write_poster(self._kept.to_image(), poster, stills.PREVIEW_SIDE)


def upright(frame: av.VideoFrame) -> av.VideoFrame:
    """The frame as it is meant to be seen: turned, 8 bits, yuv420p, limited range, even sides."""
    turns = round(frame.rotation / 90) % 4
    odd = frame.width % 2 or frame.height % 2
    if odd:
        return even(np.rot90(frame.to_ndarray(format="rgb24"), turns))
    full = frame.format.name.startswith("yuvj") or frame.color_range == FULL_RANGE
    if frame.format.name != "yuv420p" or full:
        frame = frame.reformat(
            format="yuv420p",
            src_color_range=FULL_RANGE if full else LIMITED_RANGE,
            dst_color_range=LIMITED_RANGE,
        )
    return from_planes([np.rot90(one, turns) for one in planes(frame)]) if turns else frame


def even(picture: np.ndarray) -> av.VideoFrame:
    """Grey or colour pixels as a frame, the last row and column doubled where a side is odd."""
    height, width = picture.shape[:2]
    if width % 2 or height % 2:
        sides = ((0, height % 2), (0, width % 2), (0, 0))[: picture.ndim]
        picture = np.pad(picture, sides, mode="edge")
    frame = av.VideoFrame.from_ndarray(
        np.ascontiguousarray(picture), format="gray" if picture.ndim == 2 else "rgb24"
    )
    return frame.reformat(
        format="yuv420p",
        dst_colorspace=SMPTE170M if picture.ndim == 3 else None,
        src_color_range=FULL_RANGE,
        dst_color_range=LIMITED_RANGE,
    )


def planes(frame: av.VideoFrame) -> list[np.ndarray]:
    """The planes of a yuv420p frame as views (height, width) into it."""
    views = []
    for plane in frame.planes:
        rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        views.append(rows[:, : plane.width])
    return views


def from_planes(three: list[np.ndarray]) -> av.VideoFrame:
    """A yuv420p frame from its planes."""
    height, width = three[0].shape
    frame = av.VideoFrame(width, height, "yuv420p")
    for view, plane in zip(planes(frame), three, strict=True):
        view.setflags(write=True)
        view[:] = plane
    return frame


def index_first(clip: memoryview, out: BinaryIO) -> None:
    """Write an MP4 with its index (moov) before its pictures, so that it plays at once.

    The muxer can do this itself only where it may reopen its output by name.
    """
    boxes = {}
    position = 0
    while position < len(clip):
        size, kind = struct.unpack(">I4s", clip[position : position + 8])
        if size == 1:
            size = struct.unpack(">Q", clip[position + 8 : position + 16])[0]
        boxes.setdefault(kind, []).append(clip[position : position + (size or len(clip))])
        position += size or len(clip)
    index = bytearray(boxes[b"moov"][0])
    before = len(boxes[b"ftyp"][0])
    data_at = sum(len(one) for kind in (b"ftyp", b"free") for one in boxes.get(kind, []))
    # The pictures move from where the muxer put them to behind the index.
    shift = before + len(index) - data_at
    _move_offsets(index, 8, len(index), shift)
    out.write(boxes[b"ftyp"][0])
    out.write(index)
    out.writelines(boxes[b"mdat"])


def _move_offsets(index: bytearray, start: int, end: int, shift: int) -> None:
    position = start
    while position + 8 <= end:
        size, kind = struct.unpack_from(">I4s", index, position)
        if kind in (b"trak", b"mdia", b"minf", b"stbl"):
            _move_offsets(index, position + 8, position + size, shift)
        elif kind in (b"stco", b"co64"):
            code, width = (">I", 4) if kind == b"stco" else (">Q", 8)
            for at in range(position + 16, position + size, width):
                struct.pack_into(code, index, at, struct.unpack_from(code, index, at)[0] + shift)
        position += size


def _picture_stream(container: av.container.InputContainer) -> av.VideoStream:
    streams = [one for one in container.streams.video if not _is_cover(one)]
    if not streams:
        raise Refused("no_picture")
    stream = max(streams, key=lambda one: (one.width or 0) * (one.height or 0))
    if stream.codec_context.name not in CODECS:
        raise Refused("codec", codec=stream.codec_context.name)
    return stream


def _is_cover(stream: av.VideoStream) -> bool:
    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def _file_day(
    container: av.container.InputContainer, stream: av.VideoStream, day: Day
) -> date | None:
    """The clip's own date on the programme's clock; the container gives it in UTC."""
    for metadata in (stream.metadata, container.metadata):
        text = metadata.get("creation_time")
        try:
            at = datetime.fromisoformat(text).astimezone(UTC) if text else None
        except ValueError:
            at = None
        if at and at.date() >= EARLIEST:
            return (at + timedelta(minutes=day.utc_offset_minutes)).date()
    return None


def _tidy(times: list[int], ticks: int, last: int) -> tuple[list[int], int, int, bool]:
    """Times from zero, strictly rising, in at most a million ticks a second; the end; all sound."""
    if ticks > MOST_TICKS:
        times = [round(one * MOST_TICKS / ticks) for one in times]
        last, ticks = round(last * MOST_TICKS / ticks), MOST_TICKS
    rising = [0]
    for earlier, later in itertools.pairwise(times):
        rising.append(rising[-1] + max(later - earlier, 1))
    sound = rising[-1] == times[-1] - times[0]
    if last <= 0:
        last = rising[-1] - rising[-2] if len(rising) > 1 else max(ticks // 25, 1)
    return rising, ticks, rising[-1] + last, sound


def _h264_stream(target: av.container.OutputContainer, facts: Facts) -> av.VideoStream:
    seconds = facts.duration_ms / 1000
    rate = Fraction(facts.frames / seconds if seconds else 25).limit_denominator(1001)
    options = {"crf": QUALITY, "preset": PRESET, "bf": "0", "g": str(KEY_EVERY)}
    stream = target.add_stream("libx264", rate=max(rate, Fraction(1)), options=options)
    context = stream.codec_context
    stream.width, stream.height = facts.width, facts.height
    stream.pix_fmt = "yuv420p"
    context.thread_count = 1
    context.time_base = stream.time_base = Fraction(1, facts.ticks_per_second)
    context.color_range = LIMITED_RANGE
    context.colorspace = facts.colour.get("space", UNSPECIFIED)
    context.color_primaries = facts.colour.get("primaries", UNSPECIFIED)
    context.color_trc = facts.colour.get("transfer", UNSPECIFIED)
    return stream


def _cover(frame: av.VideoFrame, boxes: list[masks.Box]) -> av.VideoFrame:
    frame.make_writable()
    for view, value, scale in zip(planes(frame), BLACK, (1, 2, 2), strict=True):
        for x0, y0, x1, y1 in boxes:
            view[y0 // scale : -(-y1 // scale), x0 // scale : -(-x1 // scale)] = value
    return frame


def frames_of(clip: BinaryIO, format: str = "mov") -> Iterator[av.VideoFrame]:
    """The frames of a clip of our own making."""
    with av.open(clip, "r", format=format) as container:
        yield from container.decode(video=0)
