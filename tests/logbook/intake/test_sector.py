"""Where the image is, found in invented screens of known layout."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from logbook.intake import masks, sector
from logbook.intake.facts import Rectangle

WIDTH, HEIGHT = 640, 480


def speckle(rng, shape):
    return np.clip(rng.rayleigh(38, shape), 0, 255)


def sector_shape(box, fan):
    """True where the beam reaches: a fan from above the box, or the whole box."""
    yy, xx = np.mgrid[0:HEIGHT, 0:WIDTH]
    inside = (xx >= box[0]) & (xx < box[2]) & (yy >= box[1]) & (yy < box[3])
    if not fan:
        return inside
    middle, top = (box[0] + box[2]) / 2, box[1] - (box[3] - box[1]) * 0.25
    half = (box[2] - box[0]) / 2 / (box[3] - top)
    return inside & (np.abs(xx - middle) <= (yy - top) * half)


def screen(box, *, fan, moves, frames, seed, ground=2, ticks=True, mark=False):
    """Frames of an invented machine: banner, side panel, grey bar, depth ticks, and the image."""
    rng = np.random.default_rng(seed)
    paper = Image.new("L", (WIDTH, HEIGHT), ground)
    draw = ImageDraw.Draw(paper)
    draw.text((6, 4), "FENN, ADA 1984-02-11  4471-22  NORTHFIELD  2026-03-04 09:41:12", fill=235)
    draw.text((6, HEIGHT - 16), "Preset LUNG   Gain 52   TIS 0.1   MI 0.9", fill=235)
    draw.text((WIDTH - 60, 60), "C5-2\n12 cm\n22 Hz", fill=200)
    for level in range(64):
        draw.line([(8, 180 + level), (18, 180 + level)], fill=4 * level)
    if ticks:
        for tick in range(0, box[3] - box[1], 24):
            across = box[2] + 12
            draw.line([(across, box[1] + tick), (across + 5, box[1] + tick)], fill=210)
    if mark:
        draw.ellipse([box[0] + 40, box[1] - 12, box[0] + 50, box[1] - 3], fill=220)
    shape = sector_shape(box, fan)
    still = speckle(rng, shape.shape)
    made = []
    for _frame in range(frames):
        picture = np.array(paper)
        here = speckle(rng, shape.shape) if moves else still
        picture[shape] = here[shape].astype(np.uint8)
        made.append(picture)
    return made


def glimpsed(frames):
    one = sector.Glimpses()
    for frame in frames:
        one.add(frame)
    return one.frames


BOXES = [(150, 40, 500, 450), (60, 60, 420, 430), (200, 30, 560, 400)]


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize("fan", [True, False], ids=["fan", "rectangle"])
@pytest.mark.parametrize(("moves", "frames"), [(True, 30), (False, 30), (False, 1)])
@pytest.mark.parametrize("ground", [2, 24])
def test_the_image_is_found_within_three_percent_of_the_picture(box, fan, moves, frames, ground):
    made = screen(box, fan=fan, moves=moves, frames=frames, seed=sum(box), ground=ground)
    found = sector.find(glimpsed(made))
    x0, y0, x1, y1 = masks.pixels(found, WIDTH, HEIGHT)
    assert np.abs(np.array([x0, x1]) - [box[0], box[2]]).max() <= 0.03 * WIDTH
    assert np.abs(np.array([y0, y1]) - [box[1], box[3]]).max() <= 0.03 * HEIGHT


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize("fan", [True, False], ids=["fan", "rectangle"])
def test_what_is_suggested_covers_every_letter_and_leaves_scale_mark_and_image(box, fan):
    made = screen(box, fan=fan, moves=True, frames=12, seed=3, mark=True)
    luma = made[-1]
    suggested, source = sector.choose(None, clamped=False, glimpses=glimpsed(made), picture=luma)
    assert source == "found"
    covered = np.zeros((HEIGHT, WIDTH), bool)
    for one in suggested:
        x0, y0, x1, y1 = masks.pixels(one, WIDTH, HEIGHT)
        covered[y0:y1, x0:x1] = True
    assert covered[:15].all()  # the banner
    assert covered[HEIGHT - 16 :].all()
    assert covered[180:244, 8:19].all()  # the grey bar
    ticks = slice(box[1], box[3] - 6), slice(box[2] + 12, box[2] + 18)
    assert not covered[ticks].any()
    assert not covered[box[1] - 11 : box[1] - 4, box[0] + 41 : box[0] + 49].any()
    inside = sector_shape(box, fan)
    assert covered[inside].mean() < 0.03


def test_regions_that_fit_are_the_files_word_and_those_that_do_not_give_way():
    box = BOXES[0]
    made = screen(box, fan=True, moves=True, frames=8, seed=1)
    named = [Rectangle(0, 0, 1, 0.05)]
    given_ = {"glimpses": glimpsed(made), "picture": made[0]}
    assert sector.choose(named, clamped=False, **given_) == (named, "regions")
    assert sector.choose(named, clamped=True, **given_)[1] == "found"
    empty = {"glimpses": [np.zeros((48, 64), np.uint8)], "picture": np.zeros((48, 64), np.uint8)}
    assert sector.choose(named, clamped=True, **empty) == (named, "regions")
    assert sector.choose(None, clamped=False, **empty) == (list(masks.BANDS), "bands")


def test_tissue_that_fills_the_picture_leaves_nothing_to_find():
    rng = np.random.default_rng(5)
    frames = [speckle(rng, (HEIGHT, WIDTH)).astype(np.uint8) for _ in range(8)]
    assert sector.find(glimpsed(frames)) is None


def test_a_page_of_letters_alone_holds_no_image():
    paper = Image.new("L", (WIDTH, HEIGHT), 255)
    draw = ImageDraw.Draw(paper)
    for row in range(10, HEIGHT - 20, 14):
        draw.text((10, row), "Northfield Teaching Hospital, a report of nobody in particular " * 2)
    assert sector.find([sector.small(np.array(paper))]) is None


def test_glimpses_stay_few_however_long_the_clip():
    one = sector.Glimpses()
    for index in range(1000):
        one.add(np.full((120, 160), index % 256, np.uint8))
    assert 8 <= len(one.frames) <= sector.MOST
    assert one.frames[0][0, 0] == 0


@given(
    st.integers(2, 90), st.integers(2, 90), st.integers(1, 6), st.integers(0, 2**32 - 1),
    st.sampled_from(["noise", "flat", "lines"]),
)  # fmt: skip
def test_any_picture_gets_a_valid_suggestion(height, width, frames, seed, kind):
    rng = np.random.default_rng(seed)
    stack = {
        "noise": lambda: rng.integers(0, 256, (frames, height, width), dtype=np.uint8),
        "flat": lambda: np.full((frames, height, width), seed % 256, np.uint8),
        "lines": lambda: np.tile((np.arange(width) % 7 * 36).astype(np.uint8), (frames, height, 1)),
    }[kind]()
    suggested, _source = sector.choose(
        None, clamped=False, glimpses=[sector.small(one) for one in stack], picture=stack[0]
    )
    assert all(one.valid for one in suggested)
