"""Geometry of the depth ruler."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounts.ui.ruler import HAIR, LONG, MINOR, Span, draw


def sizes(ruler):
    return {round(t.at / ruler.length * ruler.top, 1): t.size for t in ruler.ticks}


def test_a_minor_tick_every_five_and_a_longer_one_every_ten():
    assert sizes(draw(18, 25)) == {
        0: LONG,
        5: MINOR,
        10: LONG,
        15: MINOR,
        20: LONG,
        25: MINOR,
        30: LONG,
    }


def test_a_short_scale_shows_its_single_units():
    ruler = draw(4, 5)
    assert ruler.top == 6
    assert sizes(ruler) == {0: LONG, 1: HAIR, 2: HAIR, 3: HAIR, 4: HAIR, 5: MINOR, 6: HAIR}


def test_a_long_scale_keeps_the_pattern_ten_times_as_wide():
    ruler = draw(0, 1000)
    assert ruler.top == 1200
    assert sizes(ruler)[50] == MINOR
    assert sizes(ruler)[100] == LONG
    assert len(ruler.ticks) == 25


def test_waiting_begins_where_the_fill_ends():
    ruler = draw(18, 25, waiting=3, length=150)
    assert ruler.top == 30
    assert ruler.fill == Span(0, 90)
    assert ruler.waiting == Span(90, 15)
    assert ruler.threshold == 125
    assert not ruler.broken


def test_values_past_the_threshold_go_on_beyond_it():
    ruler = draw(31, 25)
    assert ruler.fill.end > ruler.threshold
    assert not ruler.broken


def test_a_value_off_the_scale_is_broken_not_squeezed():
    ruler = draw(140, 25)
    assert ruler.top == 50
    assert ruler.threshold == ruler.length / 2
    assert ruler.fill.end == ruler.length
    assert ruler.broken


def test_not_yet_known_has_no_fill_but_its_threshold_and_what_waits():
    ruler = draw(None, 25, waiting=2)
    assert ruler.fill is None
    assert ruler.waiting.start == 0
    assert not ruler.known


def test_zero_is_known_and_empty():
    ruler = draw(0, 25)
    assert ruler.fill is None
    assert ruler.known


def test_a_share_runs_to_a_hundred_with_its_plausible_range():
    ruler = draw(87, 85, kind="share", low=74, high=94, length=100)
    assert (ruler.top, ruler.fill, ruler.plausible) == (100, Span(0, 87), Span(74, 20))


def test_an_upper_limit_closes_what_lies_beyond_it():
    ruler = draw(12, 20, kind="share", at_most=True, length=100)
    assert ruler.closed == Span(20, 80)


def test_a_median_runs_to_five_in_single_steps():
    ruler = draw(4, 3, kind="ordinal", length=100)
    assert ruler.fill == Span(0, 80)
    assert [t.at for t in ruler.ticks] == [0, 20, 40, 60, 80, 100]


def test_no_numeral_prints_over_the_threshold_s_own():
    ruler = draw(31, 25)
    assert [t.numeral for t in ruler.ticks if t.numeral and abs(t.at - ruler.threshold) < 10] == []


def test_an_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="unknown kind of ruler"):
        draw(1, 2, kind="score")


@given(
    value=st.one_of(st.none(), st.integers(0, 5000)),
    needed=st.one_of(st.none(), st.integers(0, 2000)),
    waiting=st.integers(0, 500),
)
def test_everything_lies_on_the_axis(value, needed, waiting):
    ruler = draw(value, needed, waiting=waiting)
    marks = [t.at for t in ruler.ticks]
    assert marks == sorted(set(marks))
    assert marks[0] >= 0
    assert marks[-1] <= ruler.length
    assert len(marks) <= 61
    for span in (ruler.fill, ruler.waiting):
        assert span is None or 0 <= span.start < span.end <= ruler.length + 0.02
    if needed is not None:
        assert 0 <= ruler.threshold <= ruler.length
        assert needed <= ruler.top
    numerals = [t.at for t in ruler.ticks if t.numeral]
    assert all(b - a >= 9.9 for a, b in pairwise(numerals))
