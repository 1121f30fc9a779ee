import io
import struct
from fractions import Fraction

import av
import numpy as np
import pytest

from logbook.intake.facts import Day, Limits, Rectangle, Refusal
from logbook.intake.runner import Finished, Runner, Stripped
from tests.logbook.intake import samples

TOP = Rectangle(0, 0, 1, 0.1)


def take(runner, content, mask=(TOP,)):
    stripped = runner.strip([content], day=samples.DAY)
    assert isinstance(stripped, Stripped), stripped
    finished = runner.finish([stripped.working.read()], facts=stripped.facts, mask=mask)
    assert isinstance(finished, Finished), finished
    return stripped.facts, finished.master.read()


def test_every_frame_and_its_time_are_kept_when_times_are_even(runner):
    facts, kept = take(runner, samples.clip(frames=40))
    assert (facts.kind, facts.frames, facts.duration_ms) == ("clip", 40, 1333)
    assert facts.suggestions.frame_rate == 30.0
    frames = samples.frames_of(kept)
    assert [time for time, _grey in frames] == [Fraction(i, 30) for i in range(40)]
    assert [samples.number_in(grey) for _time, grey in frames] == list(range(40))


def test_every_frame_and_its_time_are_kept_when_times_are_uneven(runner):
    times = [0, 1, 2, 7, 8, 30, 31, 32, 90, 91, 200, 451]
    facts, kept = take(runner, samples.clip(times=times, ticks=90, codec="libx264"))
    frames = samples.frames_of(kept)
    assert [time for time, _grey in frames] == [Fraction(at, 90) for at in times]
    assert [samples.number_in(grey) for _time, grey in frames] == list(range(12))
    assert [Fraction(at, facts.ticks_per_second) for at in facts.times] == [
        Fraction(at, 90) for at in times
    ]


def test_a_clip_with_frames_stored_out_of_order_comes_out_in_order(runner):
    content = samples.clip(frames=30, options={"bf": "3", "crf": "12"})
    _facts, kept = take(runner, content)
    assert [samples.number_in(grey) for _time, grey in samples.frames_of(kept)] == list(range(30))


def test_the_master_plays_at_once_and_steps_quickly(runner):
    _facts, kept = take(runner, samples.clip(frames=40))
    kinds = boxes(kept)
    assert kinds == [b"ftyp", b"moov", b"mdat"]
    with av.open(io.BytesIO(kept)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")
        keys = [packet.is_keyframe for packet in container.demux(stream) if packet.size]
        assert len(container.streams) == 1
    assert keys == [index % 12 == 0 for index in range(40)]


def test_covered_is_black_in_every_frame_and_the_rest_is_as_before(runner):
    content = samples.clip(frames=20)
    mask = [TOP, Rectangle(0.8, 0.5, 1, 1)]
    _facts, kept = take(runner, content, mask=mask)
    _facts, plain = take(runner, content, mask=[])
    for (_t, covered), (_u, free) in zip(
        samples.frames_of(kept), samples.frames_of(plain), strict=True
    ):
        assert covered[:11].max() <= 20  # black is 16 in limited range
        assert covered[62:, 130:].max() <= 20
        rest = np.abs(covered[20:55].astype(int) - free[20:55])
        assert rest.mean() < 3


@pytest.mark.parametrize(
    ("codec", "options"),
    [
        ("libx264", {}),
        ("libx265", {}),
        ("mpeg4", {"b": "2000000"}),
        ("libvpx-vp9", {"deadline": "realtime"}),
        ("libsvtav1", {"preset": "12"}),
    ],
)
def test_the_usual_codecs_are_read(runner, codec, options):
    try:
        content = samples.clip(codec=codec, options=options)
    except av.codec.codec.UnknownCodecError:
        pytest.skip(f"no encoder {codec} here to make the sample")
    facts, kept = take(runner, content)
    assert facts.frames == 12
    assert [samples.number_in(grey) for _t, grey in samples.frames_of(kept)] == list(range(12))


def test_ten_bits_and_full_range_become_eight_bits_in_limited_range(runner):
    facts, kept = take(runner, samples.clip(codec="libx265", pix_fmt="yuv420p10le", options={}))
    assert [samples.number_in(grey) for _t, grey in samples.frames_of(kept)] == list(range(12))
    assert facts.frames == 12


def test_a_turned_clip_comes_out_upright(runner):
    content = turned_a_quarter(samples.clip())
    facts, kept = take(runner, content, mask=[])
    assert (facts.width, facts.height) == (120, 160)
    with av.open(io.BytesIO(content)) as container:
        angle = next(container.decode(video=0)).rotation
    frames = samples.frames_of(kept)
    back = [np.rot90(grey, -angle // 90) for _time, grey in frames]
    assert [samples.number_in(grey) for grey in back] == list(range(12))


def test_odd_sides_gain_one(runner):
    facts, kept = take(runner, samples.clip(codec="mpeg4", width=161, height=121, options={}))
    assert (facts.width, facts.height) == (162, 122)
    assert len(samples.frames_of(kept)) == 12


def test_the_sound_is_gone(runner):
    content = with_sound(samples.clip())
    _facts, kept = take(runner, content)
    with av.open(io.BytesIO(kept)) as container:
        assert [stream.type for stream in container.streams] == ["video"]


def test_a_sound_without_pictures_is_refused(runner):
    assert runner.strip([with_sound(None)], day=samples.DAY).code == "no_picture"


def test_the_clips_day_is_compared_on_the_programmes_clock(runner):
    content = samples.clip(metadata={"creation_time": "2026-03-04T23:30:00Z"})
    for offset, day, wanted in (
        (0, "2026-03-04", "agrees"),
        (60, "2026-03-04", "differs"),
        (60, "2026-03-05", "agrees"),
    ):
        assert runner.strip([content], day=Day(day, offset)).facts.file_date == wanted
    assert runner.strip([samples.clip()], day=samples.DAY).facts.file_date == "absent"


def test_a_clip_cut_short_is_refused(runner):
    content = samples.clip(frames=40)
    whole = runner_index_first(content)
    for share in range(1, 10):
        refusal = runner.strip([whole[: len(whole) * share // 10]], day=samples.DAY)
        assert isinstance(refusal, Refusal)
        assert refusal.code in ("cut_short", "damaged")


@pytest.mark.parametrize(
    "limits",
    [Limits(frames=39), Limits(seconds=1), Limits(clip_pixels=160 * 120 * 39)],
)
def test_a_clip_too_long_is_refused_from_its_header(limits):
    strict = Runner(limits=limits)
    try:
        assert strict.strip([samples.clip(frames=40)], day=samples.DAY).code == "too_long"
    finally:
        strict.close()


def test_the_same_clip_twice_gives_the_same_bytes(runner):
    content = samples.clip()
    assert take(runner, content)[1] == take(runner, content)[1]


def boxes(content):
    kinds, position = [], 0
    while position < len(content):
        size, kind = struct.unpack(">I4s", content[position : position + 8])
        kinds.append(kind)
        position += size
    return kinds


def runner_index_first(content):
    """The sample with its index first, so that cutting its end cuts only pictures."""
    from logbook.intake import clips

    out = io.BytesIO()
    clips.index_first(memoryview(content), out)
    return out.getvalue()


def turned_a_quarter(content):
    """The sample with a quarter turn written into its track header (ISO 14496-12, tkhd)."""
    at = content.index(b"tkhd") + 4 + 40
    matrix = struct.pack(">9i", 0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30)
    return content[:at] + matrix + content[at + 36 :]


def with_sound(content):
    """The sample with a sound track, or the sound track alone."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as target:
        source = av.open(io.BytesIO(content)) if content else None
        pictures = source and target.add_stream_from_template(source.streams.video[0])
        sound = target.add_stream("aac", rate=8000, layout="mono")
        if source:
            for packet in source.demux(video=0):
                if packet.size:
                    packet.stream = pictures
                    target.mux(packet)
        for index in range(8):
            wave = np.sin(np.arange(1024) / 5, dtype=np.float32)[None]
            frame = av.AudioFrame.from_ndarray(wave, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 8000, index * 1024
            target.mux(sound.encode(frame))
        target.mux(sound.encode())
    return out.getvalue()


@pytest.mark.parametrize(
    ("times", "ticks", "rate"),
    [
        ([i * 3003 for i in range(8)], 90_000, Fraction(30_000, 1001)),
        ([i * 33_333 for i in range(8)], 1_000_000, Fraction(1_000_000, 33_333)),
        ([0, 40, 80, 400, 440], 1000, Fraction(25)),
    ],
)
def test_the_stream_says_the_rate_at_which_its_frames_come(runner, times, ticks, rate):
    """H.264, E.2.1: a stream that counts microseconds says a million frames a second, and a player
    that believes it shows the next frame wherever it is asked for the middle of one."""
    content = samples.clip(frames=len(times), times=times, ticks=ticks)
    stripped = runner.strip([content], day=samples.DAY)
    master = runner.finish([stripped.working[:]], facts=stripped.facts, mask=[]).master[:]
    with av.open(io.BytesIO(master)) as container:
        stream = container.streams.video[0]
        assert stream.codec_context.framerate == rate
        shown = [p.pts * p.time_base for p in container.demux(stream) if p.size]
    assert shown == [Fraction(one, ticks) for one in times]
