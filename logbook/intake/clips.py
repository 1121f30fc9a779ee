"""Moving pictures: every frame and its time into a fresh clip, nothing else carried along.

Runs in the child process only. What waits for the mask is without loss (`frames`); the master is
H.264 in MP4 without B-frames, so that decoding order is showing order and no edit list is needed,
with a key frame every `KEY_EVERY` frames, so that stepping is quick.
"""

import io
import itertools
import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from typing import BinaryIO

import av
import av.bitstream
from av.video.frame import PictureType

from logbook.intake import coded, containers, frames, masks, sector, stills
from logbook.intake.facts import CLIP, Day, Facts, Limits, Rectangle, Refused, Suggestions

CODECS = (
    "h264", "hevc", "mpeg4", "mjpeg", "vp8", "vp9", "av1", "libdav1d", "h263", "mpeg1video",
    "mpeg2video", "rawvideo",
)  # fmt: skip
KEY_EVERY = 12
QUALITY = "15"  # a real scan stays above a likeness (SSIM) of 0.98, which 18 does not
PRESET = "veryfast"
MOST_TICKS = 1_000_000
UNSPECIFIED = 2
EARLIEST = date(1990, 1, 1)  # a clock that was never set says 1904 or 1970


@dataclass(frozen=True)
class Form:
    """How a master is encoded: every frame from the ones before it, a key frame every few."""

    encoder: str
    options: Mapping[str, str]
    container: str
    media_type: str
    muxer: Mapping[str, str]
    cleaner: str = ""


FORMS = {
    "h264": Form(
        "libx264",
        {"crf": QUALITY, "preset": PRESET, "bf": "0", "g": str(KEY_EVERY)},
        "mp4",
        "video/mp4",
        {"fflags": "+bitexact"},
        "filter_units=remove_types=6",
    ),
    # WebM counts milliseconds; frames' times are rounded to them.
    "vp9": Form(
        "libvpx-vp9",
        {
            "crf": "12", "b": "0", "deadline": "good", "cpu-used": "5", "lag-in-frames": "0",
            "auto-alt-ref": "0", "g": str(KEY_EVERY),
        },
        "webm",
        "video/webm",
        {"fflags": "+bitexact"},
    ),
}  # fmt: skip


def strip(
    source: BinaryIO,
    working: BinaryIO,
    poster: BinaryIO,
    *,
    limits: Limits,
    day: Day,
    form: str = "mov",
) -> Facts:
    """Decode one clip in the container `form`, write it afresh.

    Raises Refused; any other error means damage.
    """
    about = {"limits": limits, "day": day, "form": form}
    if form == "mov":
        try:
            return _strip(source, working, poster, copied=True, **about)
        except Exception:  # what is unusual, or wrong, is for the way over bare frames to show
            for one in (working, poster):
                one.seek(0)
                one.truncate()
    return _strip(source, working, poster, copied=False, **about)


def _strip(
    source: BinaryIO,
    working: BinaryIO,
    poster: BinaryIO,
    *,
    limits: Limits,
    day: Day,
    form: str,
    copied: bool,
) -> Facts:
    whole = containers.WHOLE[form](source)
    source.seek(0)
    with av.open(source, "r", format=form, options=options(form, decode=not copied)) as container:
        stream = _picture_stream(container)
        writer, timing = rewrite(
            container,
            stream,
            working,
            limits=limits,
            timed=form != "avi",
            copy=coded.Copy(stream, working) if copied else None,
        )
        if not whole or timing.short:
            raise Refused("cut_short")
        writer.close(poster)
        # Read while the container is open: some versions refuse to ask a closed one.
        about = {
            "source": stream.codec_context.name,
            "colour": colour_of(stream),
            "aspect": aspect_of(stream),
        }
        file_day = _file_day(container, stream, day)
    times, ticks, end, known = timing.tidy()
    if end / ticks > limits.seconds:
        raise Refused("too_long", seconds=limits.seconds, frames=limits.frames)
    return facts_of_clip(
        writer,
        times=times,
        ticks=ticks,
        end=end,
        times_known=known,
        file_date=stills.compare_day(file_day, day),
        **about,
    )


@dataclass
class Timing:
    """When frames begin, in ticks of 1/`per_second`; how long the last one lasts, 0 if unknown.

    `short`: the container holds, or lasts, less than it says.
    """

    per_second: int
    times: list[int] = field(default_factory=list)
    last: int = 0
    short: bool = False

    def tidy(self) -> tuple[list[int], int, int, bool]:
        """Times from zero, strictly rising, in at most a million ticks a second; that number of
        ticks; the end; whether all was sound."""
        times, ticks, last = self.times, self.per_second, self.last
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


def rewrite(
    container: av.container.InputContainer,
    stream: av.VideoStream,
    working: BinaryIO,
    *,
    limits: Limits,
    timed: bool = True,
    copy: coded.Copy | None = None,
) -> tuple[frames.WorkingWriter, Timing]:
    """Every frame into the working copy, and when each is shown; `copy` where the coded pictures
    wait.

    `timed` False: the container gives its frames' times in the order in which they are stored,
    which is not always the one in which they are shown.
    Raises Refused.
    """
    context, base = stream.codec_context, stream.time_base
    expected = len(stream.index_entries) if stream.frames else 0
    seconds = float((stream.duration or 0) * base)
    limits.check_clip(context.width, context.height, max(stream.frames, expected), seconds)
    context.thread_count = 1
    timing = Timing(base.denominator)
    shown: list[int | None] = []
    if not expected:
        expected = math.ceil((container.duration or 0) / 1e6 * (stream.average_rate or 0)) + 1
    writer = frames.WorkingWriter(working, expected, copy)
    decode = copy.decode if copy else av.Packet.decode
    packets = 0
    for packet in container.demux(stream):
        packets += packet.size > 0
        if copy:  # whose packets are frames, most of them not decoded here
            limits.check_clip(context.width, context.height, packets, 0)
        for frame in decode(packet):
            limits.check_clip(frame.width, frame.height, writer.count + 1, 0)
            if frame.is_corrupt:
                raise Refused("damaged")
            shown.append(frame.pts)
            timing.last = (frame.duration or 0) * base.numerator
            writer.add_upright(frame)
    if not writer.count:
        raise Refused("cut_short" if packets < expected else "damaged")
    if copy:
        timing.times = [at * base.numerator for at, _length in copy.times]
        timing.last = copy.times[-1][1] * base.numerator
    elif all(one is not None for one in shown):
        timing.times = [one * base.numerator for one in shown]
    else:
        timing.times = [index * _step(stream) for index in range(writer.count)]
    if not timed:
        timing.times.sort()
    timing.short = _short(container, stream, timing, packets)
    return writer, timing


def _short(
    container: av.container.InputContainer, stream: av.VideoStream, timing: Timing, packets: int
) -> bool:
    if stream.frames:  # the container has an index; an edit list may leave some of it out
        return packets < min(stream.frames, len(stream.index_entries) or stream.frames)
    shown = timing.times[-1] - min(timing.times) + max(timing.last, _step(stream))
    return shown / timing.per_second < (container.duration or 0) / 1e6 * 0.95 - 0.1


def _step(stream: av.VideoStream) -> int:
    """A frame's length where frames are merely counted, in ticks."""
    rate = stream.average_rate or stream.guessed_rate or 25
    return max(round(stream.time_base.denominator / rate), 1)


def colour_of(stream: av.VideoStream) -> dict[str, int]:
    """How the numbers of its pixels are meant (ISO/IEC 23091-2)."""
    context = stream.codec_context
    return {
        "space": context.colorspace,
        "primaries": context.color_primaries,
        "transfer": context.color_trc,
    }


def aspect_of(stream: av.VideoStream) -> Fraction:
    """A pixel's width over its height."""
    aspect = stream.sample_aspect_ratio or stream.codec_context.sample_aspect_ratio
    return aspect if aspect and Fraction(1, 4) <= aspect <= 4 else Fraction(1)


def facts_of_clip(
    writer: frames.WorkingWriter,
    *,
    times: list[int],
    ticks: int,
    end: int,
    times_known: bool,
    file_date: str,
    source: str,
    colour: dict[str, int],
    aspect: Fraction = Fraction(1),
    mask: list[Rectangle] | None = None,
    regions_clamped: bool = False,
    suggestions: Suggestions | None = None,
) -> Facts:
    """The facts of a clip; `end` is when its last frame ends, in ticks."""
    rate = round(len(times) * ticks / end, 3) if end and times_known else None
    hidden, mask_from = sector.choose(
        mask,
        clamped=regions_clamped,
        glimpses=writer.glimpses.frames,
        picture=writer.brightness,
    )
    return Facts(
        kind=CLIP,
        width=writer.width,
        height=writer.height,
        frames=len(times),
        duration_ms=round(end * 1000 / ticks),
        ticks_per_second=ticks,
        times=times,
        times_known=times_known,
        mask=hidden,
        mask_from=mask_from,
        regions_clamped=regions_clamped,
        suggestions=suggestions or Suggestions(frame_rate=rate),
        file_date=file_date,
        lossless=False,
        source=source,
        colour=colour,
        aspect=(1 / aspect if writer.turned else aspect).as_integer_ratio(),
    )


def finish(
    working: BinaryIO,
    master: BinaryIO,
    poster: BinaryIO,
    *,
    facts: Facts,
    mask: list[Rectangle],
    drawn: Sequence[masks.Box] = (),
    codec: str = "h264",
) -> str:
    """Cover every frame, draw `drawn` on it, write the master. Returns its media type.

    Raises Refused.
    """
    masks.check(mask, facts.width, facts.height)
    boxes = [masks.pixels(one, facts.width, facts.height) for one in mask]
    # In steps that all frames' times have in common: an even clip then counts 1, 2, 3, and the
    # stream says its true rate, by which some players find the frame that a time belongs to.
    unit = math.gcd(*(at - facts.times[0] for at in facts.times)) or 1
    starts = [(at - facts.times[0]) // unit for at in facts.times]
    end = facts.duration_ms * facts.ticks_per_second / 1000 / unit
    lengths = {
        at: max(after - at, 1) for at, after in itertools.pairwise([*starts, max(round(end), 0)])
    }
    form = FORMS[codec]
    out = io.BytesIO()
    muxer = dict(form.muxer)
    if form.container == "webm":  # the index first, so that it plays at once
        muxer["reserve_index_space"] = str(256 + 32 * (facts.frames // KEY_EVERY + 1))
    with av.open(out, "w", format=form.container, options=muxer) as target:
        stream = _stream(target, facts, form, Fraction(unit, facts.ticks_per_second))
        # The encoder writes its settings into the first packet as text; nothing needs them.
        cleaner = form.cleaner and av.bitstream.BitStreamFilterContext(form.cleaner, stream)

        def write(packets: Iterable[av.Packet]) -> None:
            for packet in packets:
                packet.duration = lengths[packet.pts]
                for clean in cleaner.filter(packet) if cleaner else [packet]:
                    target.mux(clean)

        middle = facts.frames // 2
        count = 0
        for frame in frames.waiting(working, facts):
            if count == facts.frames:
                raise Refused("damaged")
            frames.cover(frame, boxes, drawn)
            frame.pts, frame.time_base = starts[count], stream.codec_context.time_base
            # Each frame comes out of the working copy as a key frame and would stay one.
            frame.pict_type = PictureType.NONE
            if count == middle:
                stills.write_poster(frame.to_image(), poster, stills.POSTER_SIDE)
            write(stream.encode(frame))
            count += 1
        write(stream.encode())
        for clean in cleaner.filter(None) if cleaner else []:
            target.mux(clean)
    if count != facts.frames:
        raise Refused("damaged")
    if form.container == "mp4":
        index_first(out.getbuffer(), master)
    else:
        master.write(out.getbuffer())
    return form.media_type


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


def options(form: str, *, decode: bool = True) -> dict[str, str]:
    """Nothing but this container and these decoders; "aac" is what sound is most often.

    `decode` False: the first pictures are not decoded while it is opened, to know more of them.
    """
    decoders = (*CODECS, "aac") if decode else ("none",)
    return {"format_whitelist": form, "codec_whitelist": ",".join(decoders)}


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


def _stream(
    target: av.container.OutputContainer, facts: Facts, form: Form, step: Fraction
) -> av.VideoStream:
    seconds = facts.duration_ms / 1000
    rate = Fraction(facts.frames / seconds if seconds else 25).limit_denominator(1001)
    stream = target.add_stream(
        form.encoder, rate=max(rate, Fraction(1)), options=dict(form.options)
    )
    context = stream.codec_context
    stream.width, stream.height = facts.width, facts.height
    stream.pix_fmt = "yuv420p"
    context.thread_count = 1
    context.time_base = stream.time_base = step
    context.sample_aspect_ratio = Fraction(*facts.aspect)
    context.color_range = frames.LIMITED_RANGE
    context.colorspace = facts.colour.get("space", UNSPECIFIED)
    context.color_primaries = facts.colour.get("primaries", UNSPECIFIED)
    context.color_trc = facts.colour.get("transfer", UNSPECIFIED)
    return stream
