"""The synthetic clips show what they say they show, measured on their pixels."""

import av
import numpy as np
import pydicom
import pytest
from PIL import Image

from fixtures_demo import clips

BY_SLUG = {clip.slug: clip for clip in clips.CLIPS}


@pytest.fixture(autouse=True, scope="module")
def half_as_many():
    """One breath in half the frames: half as long to draw, and the same to be seen."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(clips, "FRAMES", clips.FRAMES // 2)
        yield


@pytest.fixture(scope="module")
def frames():
    cache = {}

    def of(slug):
        if slug not in cache:
            cache[slug] = np.stack(list(clips.draw(BY_SLUG[slug]))).astype(float)
        return cache[slug]

    return of


def region(clip_frames, rows, columns):
    return clip_frames[:, rows[0] : rows[1], columns[0] : columns[1]]


def steadiness(part):
    """Mean correlation of a region with itself six frames (half a second) later."""
    flat = part.reshape(len(part), -1)
    flat = flat - flat.mean(axis=1, keepdims=True)
    flat = flat / np.linalg.norm(flat, axis=1, keepdims=True)
    return float(np.mean(np.sum(flat[:-6] * flat[6:], axis=1)))


def test_twelve_clips_and_one_still():
    assert len([clip for clip in clips.CLIPS if clip.kind != "still"]) == 12
    assert [clip.slug for clip in clips.CLIPS if clip.kind == "cine"] == ["effusion"]
    assert [clip.slug for clip in clips.CLIPS if clip.kind == "still"] == ["pleura-still"]


def test_the_same_frames_every_time():
    once, again = (next(clips.draw(BY_SLUG["b-lines-two"])) for _ in range(2))
    assert once.shape == (240, 320)
    assert np.array_equal(once, again)


def test_below_the_pleura_lung_slides_or_does_not(frames):
    # Rows 98-138 lie between the pleural line and the first A-line of the linear clips.
    sliding = steadiness(region(frames("sliding-linear"), (98, 138), (90, 215)))
    absent = steadiness(region(frames("no-sliding"), (98, 138), (90, 215)))
    assert absent > 0.9
    assert sliding < 0.6


def test_the_chest_wall_stands_still_while_the_lung_slides(frames):
    assert steadiness(region(frames("sliding-linear"), (32, 75), (95, 210))) > 0.95


def test_a_lung_point_slides_on_one_side_only(frames):
    lung = steadiness(region(frames("lung-point"), (102, 138), (78, 120)))
    air = steadiness(region(frames("lung-point"), (102, 138), (188, 222)))
    assert lung < 0.6
    assert air > 0.9


def count_columns(mean_frame, clip, depth_mm):
    """Bright vertical columns on the arc at one depth, by peaks of the smoothed arc."""
    from scipy.ndimage import gaussian_filter1d, map_coordinates
    from scipy.signal import find_peaks

    pixels = clips._ScanConverter(clip)
    angle = np.linspace(-0.85, 0.85, 300) * clip.probe.half_angle
    x = (clip.probe.radius + depth_mm) * np.sin(angle) / pixels.mm + (
        clips.PICTURE[0] + clips.PICTURE[2]
    ) / 2
    y = ((clip.probe.radius + depth_mm) * np.cos(angle) - clip.probe.radius) / pixels.mm
    arc = map_coordinates(mean_frame, [y + pixels.zero_row, x], order=1)
    peaks, _ = find_peaks(gaussian_filter1d(arc, 4), prominence=12)
    return len(peaks)


@pytest.mark.parametrize(("slug", "lines"), [("b-lines-two", 2), ("b-lines-five", 5)])
def test_b_lines_can_be_counted_at_the_bottom(frames, slug, lines):
    one_moment = frames(slug)[22:27].mean(axis=0)
    assert count_columns(one_moment, BY_SLUG[slug], 128) == lines


def test_confluent_lines_leave_no_gap(frames):
    picture = frames("b-lines-confluent").mean(axis=0)
    along = picture[200, 110:200]
    assert along.min() > 0.6 * along.max()


def test_simple_fluid_is_black_and_septated_fluid_is_not(frames):
    simple = np.median(region(frames("effusion"), (142, 158), (75, 125)))
    septated = np.median(region(frames("effusion-septated"), (142, 158), (75, 125)))
    assert simple < 8
    assert septated > 3 * max(simple, 3)


def test_the_dark_clip_is_too_dark_to_read(frames):
    assert np.median(frames("too-dark")[:, 40:220, 40:280]) < 3


def test_files_can_be_opened_by_what_reads_such_files(tmp_path):
    for slug in ("sliding-linear", "effusion", "pleura-still"):
        clip = BY_SLUG[slug]
        path = tmp_path / clip.filename
        clips.write(clip, path)
        if clip.kind == "clip":
            with av.open(str(path)) as container:
                decoded = [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]
            assert len(decoded) == clips.FRAMES
            assert decoded[0].shape == (240, 320)
        elif clip.kind == "cine":
            ds = pydicom.dcmread(path)
            assert (ds.NumberOfFrames, ds.Rows, ds.Columns) == (clips.FRAMES, 240, 320)
            assert ds.pixel_array.shape == (clips.FRAMES, 240, 320)
            assert "SequenceOfUltrasoundRegions" in ds
        else:
            with Image.open(path) as image:
                assert image.size == (320, 240)
                assert image.format == "JPEG"


def test_drawn_once_and_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(clips, "CLIPS", (BY_SLUG["pleura-still"],))
    said = []
    first = clips.ensure(tmp_path, say=said.append)
    stamp = first["pleura-still"].stat().st_mtime_ns
    second = clips.ensure(tmp_path, say=said.append)
    assert said == ["pleura-still"]
    assert second["pleura-still"].stat().st_mtime_ns == stamp
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drawing.json", "pleura-still.jpg"]
