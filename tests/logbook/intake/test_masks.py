import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.intake import masks
from logbook.intake.facts import Rectangle, Refused

WIDTH, HEIGHT = 40, 30


@st.composite
def boxes(draw):
    x0, x1 = sorted(draw(st.lists(st.integers(0, WIDTH), min_size=2, max_size=2, unique=True)))
    y0, y1 = sorted(draw(st.lists(st.integers(0, HEIGHT), min_size=2, max_size=2, unique=True)))
    return x0, y0, x1, y1


def painted(rectangles):
    count = np.zeros((HEIGHT, WIDTH), int)
    for x0, y0, x1, y1 in rectangles:
        count[y0:y1, x0:x1] += 1
    return count


@given(st.lists(boxes(), max_size=4))
def test_outside_is_exactly_what_the_boxes_leave_and_never_twice(several):
    outside = painted(masks.outside(several, WIDTH, HEIGHT))
    assert (outside == (painted(several) == 0)).all()


@given(boxes())
def test_pixels_to_fractions_and_back_is_the_same_box(box):
    assert masks.pixels(masks.normalise(box, WIDTH, HEIGHT), WIDTH, HEIGHT) == box


@given(st.floats(0, 0.9), st.floats(0, 0.9), st.integers(1, 4000), st.integers(1, 4000))
def test_a_rectangle_never_shrinks_on_its_way_to_pixels(x0, y0, width, height):
    rectangle = Rectangle(x0, y0, x0 + 0.1, y0 + 0.1)
    left, top, right, bottom = masks.pixels(rectangle, width, height)
    slack = 1e-5
    assert left <= x0 * width + slack
    assert top <= y0 * height + slack
    assert right >= min((x0 + 0.1) * width, width) - slack
    assert bottom >= min((y0 + 0.1) * height, height) - slack


def test_a_region_beyond_the_frame_is_clamped_and_one_outside_it_is_dropped():
    assert masks.clamp((84, 31, 596, 415), 320, 240) == (84, 31, 320, 240)
    assert masks.clamp((400, 31, 596, 415), 320, 240) is None
    assert masks.clamp((-5, -5, 20, 20), 320, 240) == (0, 0, 20, 20)


@pytest.mark.parametrize(
    ("rectangle", "code"),
    [
        (Rectangle(0, 0, 1, 1), "all_covered"),
        (Rectangle(0.5, 0, 0.5, 1), "rectangles"),
        (Rectangle(0.6, 0, 0.5, 1), "rectangles"),
        (Rectangle(-0.1, 0, 0.5, 1), "rectangles"),
        (Rectangle(0, 0, 0.5, 1.1), "rectangles"),
        (Rectangle(float("nan"), 0, 0.5, 1), "rectangles"),
        (Rectangle(0, 0, float("inf"), 1), "rectangles"),
    ],
)
def test_a_rectangle_that_is_none_is_refused(rectangle, code):
    with pytest.raises(Refused) as refused:
        masks.check([rectangle], WIDTH, HEIGHT)
    assert refused.value.refusal.code == code
