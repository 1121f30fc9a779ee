"""Geometry of the traces: what lies where, and that everything lies within the drawing."""

from __future__ import annotations

import datetime as dt

import pytest
from django.template import Context, Template
from hypothesis import given
from hypothesis import strategies as st

from accounts.ui.trace import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Step, fan, trace

FLOOR = HEIGHT - BOTTOM


def test_zero_is_the_skin_and_the_limit_lies_above_the_floor():
    drawn = trace([Step(0), Step(4.4)], {0: 4.4, 1: 4.5})
    skin, reached = drawn.spots
    assert skin.y == TOP
    assert reached.y == drawn.reaches[0].y < FLOOR


def test_a_line_ends_with_its_phase_and_another_begins_at_the_skin():
    steps = [Step(1), Step(4.4, event="signal"), Step(0.9, phase=1), Step(0, phase=1)]
    drawn = trace(steps, {0: 4.4, 1: 4.5})
    assert [phase for phase, _points in drawn.lines] == [0, 1]
    assert [len(points) for _phase, points in drawn.lines] == [3, 3]
    assert all(points[0][1] == TOP for _phase, points in drawn.lines)
    assert [reach.phase for reach in drawn.reaches] == [0, 1]
    assert drawn.reaches[0].end == drawn.reaches[1].start


def test_many_steps_lose_their_dots_and_keep_their_room():
    few, many = trace([Step(1)] * 3, {0: 4}), trace([Step(1)] * 200, {0: 4})
    assert (few.dots, many.dots) == (True, False)
    assert many.spots[-1].left + many.spots[-1].wide <= WIDTH - RIGHT + 1


@given(st.lists(st.floats(0, 6), max_size=250))
def test_everything_lies_within(depths):
    drawn = trace([Step(depth) for depth in depths], {0: 4.4})
    for spot in drawn.spots:
        assert LEFT <= spot.x <= WIDTH - RIGHT
        assert TOP <= spot.y <= FLOOR
    assert all(TOP < reach.y < FLOOR for reach in drawn.reaches)


@given(st.lists(st.integers(0, 20), min_size=2, max_size=13), st.integers(1, 80))
def test_a_fan_goes_down_and_stays_within(adds, needed):
    low = [sum(adds[: n + 1]) for n in range(len(adds))]
    high = [2 * one for one in low]
    middle = [1.5 * one for one in low]
    drawn = fan(range(len(adds)), low, middle, high, needed=needed)
    assert all(
        LEFT <= x <= WIDTH - RIGHT and TOP <= y <= FLOOR for x, y in (*drawn.band, *drawn.middle)
    )
    assert TOP < drawn.needed < FLOOR
    ys = [y for _x, y in drawn.middle]
    assert ys == sorted(ys)
    assert drawn.marks[0].y == TOP


def test_numbers_are_plain_in_every_language():
    """A decimal comma in a path would draw something else."""
    from django.utils.translation import override

    days = [dt.date(2026, 3, 1), dt.date(2026, 6, 1)]
    context = {"steps": [Step(1.25)], "limits": {0: 4.4}, "words": {0: "signal"}, "days": days}
    html = "{% load ui %}{% depth_trace steps limits words %}{% depth_fan days low low low 7.5 %}"
    with override("de"):
        said = Template(html).render(Context({**context, "low": [1.5, 2.5]}))
    drawn = [part.split('"')[0] for part in said.split(' d="')[1:]]
    assert drawn
    assert not any("," in path for path in drawn)


def test_what_is_drawn_is_not_announced_and_its_links_take_no_focus():
    steps = [Step(1, href="/there/", says="Scan 1"), Step(4.4, event="signal")]
    html = Template("{% load ui %}{% depth_trace steps limits words %}").render(
        Context({"steps": steps, "limits": {0: 4.4}, "words": {0: "signal"}})
    )
    assert 'aria-hidden="true"' in html
    assert html.count('tabindex="-1"') == html.count("<a ") == 1
    assert "Scan 1" in html


@pytest.mark.parametrize("missed", [True, False])
def test_a_miss_is_a_cross_and_a_match_a_dot(missed):
    html = Template("{% load ui %}{% depth_trace steps limits words %}").render(
        Context({"steps": [Step(1, missed=missed)], "limits": {0: 4.4}, "words": {}})
    )
    assert ("trace-miss" in html, "trace-hit" in html) == (missed, not missed)
