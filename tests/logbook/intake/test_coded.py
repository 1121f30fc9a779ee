"""What waits of an H.264 clip are its own coded pictures: the same frames, and nothing else.

Unit types: ITU-T H.264 table 7-1. The frames are compared with what FFmpeg's decoder makes of the
file itself, byte by byte.
"""

import io
import random
import re
import struct
import tempfile
from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest

from logbook.intake import clips, coded, frames
from logbook.intake.facts import Day, Facts, Limits, Rectangle
from tests.logbook.intake import canaries, samples
from tests.logbook.intake.test_clips import turned_a_quarter
from tests.logbook.intake.test_formats import edited

PARTS_OF_PICTURES = {1, 5, 7, 8}
MASK = [Rectangle(0, 0, 1, 0.1)]


def h264(form="mp4", **options):
    more = {"pix_fmt": options.pop("pix_fmt", "yuv420p")}
    sides = {side: options.pop(side) for side in ("width", "height") if side in options}
    return samples.clip(frames=25, form=form, options={"crf": "14", **options}, **sides, **more)


def fragmented():
    """The same clip in fragments, as browsers record it."""
    out = io.BytesIO()
    options = {"movflags": "frag_keyframe+empty_moov"}
    with av.open(io.BytesIO(h264(g="6"))) as source, av.open(out, "w", "mp4", options) as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = stream
                target.mux(packet)
    return out.getvalue()


COPIED = {
    "plain": lambda: h264(bf="0"),
    "out of order": lambda: h264(bf="3", **{"x264-params": "b-pyramid=normal"}),
    "open groups": lambda: h264(bf="3", g="8", **{"x264-params": "open-gop=1"}),
    "no arithmetic coding": lambda: h264(profile="baseline"),
    "several slices": lambda: h264(slices="4"),
    "two fields": lambda: h264(**{"x264-params": "tff=1"}),
    "without loss": lambda: h264(qp="0", profile="high"),
    "full range": lambda: h264(pix_fmt="yuvj420p"),
    "odd sides": lambda: h264(width=162, height=122),
    "turned": lambda: turned_a_quarter(h264()),
    "fragments": fragmented,
    "cut at a key frame": lambda: edited(h264(bf="0", g="6"), start_seconds=0.4),
    "MOV": lambda: h264("mov"),
    "uneven times": lambda: samples.clip(frames=8, times=[0, 4, 5, 13, 40, 41, 44, 90], ticks=100),
}
NOT_COPIED = {
    "HEVC": lambda: samples.clip(codec="libx265", options={"x265-params": "log-level=none"}),
    "MPEG-4": lambda: samples.clip(codec="mpeg4", options={}),
    "ten bits": lambda: h264(pix_fmt="yuv420p10le"),
    "no loss of colour": lambda: h264(pix_fmt="yuv444p"),
    "cut within a group": lambda: edited(h264(bf="0", g="6"), start_seconds=0.5),
    "begins within a group": lambda: without_first(h264(bf="0", g="6")),
}


def without_first(content):
    """The sample without its first key frame, which the rest of the group looks back to."""
    out = io.BytesIO()
    with av.open(io.BytesIO(content)) as source, av.open(out, "w", format="mp4") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in list(source.demux(video=0))[1:]:
            if packet.size:
                packet.stream = stream
                target.mux(packet)
    return out.getvalue()


def strip(content, **how):
    """What waits, and the facts."""
    working = io.BytesIO()
    common = {"limits": Limits(), "day": Day("2026-03-04")}
    taken = clips._strip if how else clips.strip
    more = {**common, "form": "mov", **how} if how else common
    facts = taken(io.BytesIO(content), working, io.BytesIO(), **more)
    assert isinstance(facts, Facts)
    return working.getvalue(), facts


def kept(waiting, facts):
    master, poster = io.BytesIO(), io.BytesIO()
    with tempfile.TemporaryFile() as working:
        working.write(waiting)
        working.seek(0)
        clips.finish(working, master, poster, facts=facts, mask=MASK)
    return master.getvalue(), poster.getvalue()


def planes(frame):
    return [np.array(one) for one in frames.planes(frame)]


@pytest.fixture(params=[None, 8], ids=["all looked at", "eight looked at"])
def looked_at(request, monkeypatch):
    """How many frames are decoded before the mask; the samples have 25 at most."""
    if request.param:
        monkeypatch.setattr(coded, "LOOKED_AT", request.param)


@pytest.mark.parametrize("kind", COPIED)
def test_the_frames_that_wait_are_those_of_the_file(kind, looked_at):
    content = COPIED[kind]()
    waiting, facts = strip(content)
    assert waiting.startswith(coded.MARK)
    assert len(waiting) < len(content) + 1000
    with av.open(io.BytesIO(content)) as container:
        wanted = [
            planes(frames.upright(frame, coded.meant(frame))) for frame in container.decode(video=0)
        ]
    assert facts.frames == len(wanted)
    assert seen(waiting, facts) == [plane.tobytes() for one in wanted for plane in one]


@pytest.mark.parametrize("kind", COPIED)
def test_what_is_known_and_kept_is_the_same_as_over_bare_frames(kind, looked_at):
    """And so what waited before coded pictures did is read as it was."""
    content = COPIED[kind]()
    waiting, facts = strip(content)
    bare, known = strip(content, copied=False)
    assert bare.startswith(frames.BARE)
    assert facts == seen_from_the_same(known, facts)
    assert kept(waiting, facts) == kept(bare, known)


def seen_from_the_same(facts, others):
    """`facts` with the suggestion of `others`, which looked at fewer frames."""
    return replace(facts, mask=others.mask, mask_from=others.mask_from)


@pytest.mark.parametrize("kind", NOT_COPIED)
def test_where_anything_is_unusual_bare_frames_wait(kind, looked_at):
    content = NOT_COPIED[kind]()
    assert strip(content) == strip(content, copied=False)
    assert not strip(content)[0].startswith(coded.MARK)


def test_a_long_clip_that_waits_as_before_is_read():
    content = COPIED["out of order"]()
    _waiting, facts = strip(content)
    packed = io.BytesIO()
    writer = frames.WorkingWriter(packed)  # which does not know how many will come
    with av.open(io.BytesIO(content)) as container:
        for frame in container.decode(video=0):
            writer.add_upright(frame)
    writer.close(io.BytesIO())
    assert packed.getvalue().startswith(b"nut/multimedia container")
    assert kept(packed.getvalue(), facts) == kept(*strip(content))


def test_what_is_taken_of_a_mutant_is_the_same_on_both_ways(scale, capsys, looked_at):
    """A changed byte may make a copy refuse itself, at once or when its rest is decoded; it never
    makes another clip of it."""
    draw, same, refused = random.Random("bytes of H.264"), 0, 0
    seed = COPIED["out of order"]()
    count = scale(5000)
    for _mutant in range(count):
        mutant = bytearray(seed)
        for _change in range(draw.choice([1, 1, 2])):
            mutant[draw.randrange(len(mutant))] = draw.randrange(256)
        waiting, facts = copied(bytes(mutant))
        if facts is None:
            continue
        try:
            frames_seen = seen(waiting, facts)
        except Exception:
            refused += 1
            continue
        bare, known = strip(bytes(mutant), copied=False)
        if len(frames_seen) != 3 * facts.frames:
            refused += 1  # finishing counts them
            continue
        # Times that contradict the order of the pictures are put in order, unless seen before.
        assert facts == seen_from_the_same(known, facts) or not known.times_known
        assert frames_seen == seen(bare, known)
        same += 1
    assert same > count / 20
    with capsys.disabled():
        print(f"\n{count} mutants of H.264, {same} copied, each the same; {refused} refused later")


def copied(content):
    """As `strip`, or nothing where the other way has to say what is wrong."""
    try:
        return strip(content, copied=True)
    except Exception:
        return b"", None


def seen(waiting, facts):
    """Every plane of every frame that waits."""
    with tempfile.TemporaryFile() as working:
        working.write(waiting)
        working.seek(0)
        return [
            plane.tobytes() for frame in frames.waiting(working, facts) for plane in planes(frame)
        ]


def units(waiting):
    """The types of all units, and their bytes."""
    at = len(coded.MARK) + coded.HEAD.size
    found = []
    while at < len(waiting):
        (size,) = struct.unpack_from(">I", waiting, at)
        part = waiting[at + 4 : at + 4 + size]
        starts = [one.end() for one in re.finditer(rb"\x00\x00\x01", part)]
        assert part[: starts[0]].lstrip(b"\0") == b"\1"
        found += [
            (part[a] & 31, part[a:b]) for a, b in zip(starts, [*starts[1:], None], strict=True)
        ]
        at += 4 + size
    assert at == len(waiting)
    return found


def test_nothing_waits_but_slices_and_parameter_sets():
    plant = canaries.Planter()
    content = canaries.mp4(plant)
    assert canaries.found_in(content) == set(plant.slots)
    waiting, facts = strip(content)
    assert waiting.startswith(coded.MARK)
    assert {kind for kind, _unit in units(waiting)} == PARTS_OF_PICTURES
    assert canaries.found_in(waiting) == set()
    assert facts.frames == 12


def test_its_encoders_settings_do_not_wait():
    content = h264()
    assert b"x264 - core" in content
    assert b"x264" not in strip(content)[0]


def test_a_clip_of_many_groups_waits_as_small_as_it_came(runner):
    content = h264(g="5")
    stripped = runner.strip([content], day=samples.DAY)
    assert stripped.working[:].startswith(coded.MARK)
    assert len(stripped.working) < len(content)
    master = runner.finish([stripped.working[:]], facts=stripped.facts, mask=MASK).master[:]
    shown = samples.frames_of(master)
    assert [time for time, _grey in shown] == [Fraction(index, 30) for index in range(25)]
    assert [samples.number_in(grey) for _time, grey in shown] == list(range(25))


def test_copies_that_were_cut_are_found_damaged(runner):
    stripped = runner.strip([h264(bf="0")], day=samples.DAY)
    whole = stripped.working[:]
    for share in range(2, 10):
        cut = whole[: len(whole) * share // 10]
        assert runner.finish([cut], facts=stripped.facts, mask=MASK).code == "damaged"
