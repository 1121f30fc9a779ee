"""What is left beside how much of the time is left."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credentialing import pace

D = dt.date
YEAR = (D(2026, 1, 1), D(2026, 12, 31))


@pytest.mark.parametrize(
    ("away", "n"),
    [
        ([], 365),
        ([(D(2026, 2, 1), D(2026, 2, 28))], 337),
        ([(D(2025, 12, 1), D(2026, 1, 31))], 334),  # begins before
        ([(D(2026, 2, 1), D(2026, 2, 28)), (D(2026, 2, 15), D(2026, 3, 1))], 336),  # overlap
        ([(D(2027, 1, 1), D(2027, 2, 1))], 365),
        ([(D(2025, 1, 1), D(2027, 1, 1))], 0),
    ],
)
def test_days_without_those_away(away, n):
    assert pace.days(*YEAR, away) == n


def test_somebody_who_began_last_week_is_not_behind():
    one = pace.pace(1.0, D(2026, 1, 1), D(2026, 12, 31), on=D(2026, 1, 7))
    assert (one.is_new, one.is_behind) == (True, False)
    assert one.behind == pytest.approx(7 / 365)


def test_half_way_with_most_left_is_behind_and_leave_is_not_held_against_anybody():
    mid = {"starts_on": YEAR[0], "ends_on": YEAR[1], "on": D(2026, 7, 2)}
    assert pace.pace(0.8, **mid).is_behind
    away = pace.pace(0.8, **mid, away=[(D(2026, 2, 1), D(2026, 6, 30))])
    assert not away.is_behind
    assert away.time_left == pytest.approx(182 / 215)


def test_after_the_end_nothing_of_the_time_is_left():
    late = pace.pace(0.3, *YEAR, on=D(2027, 2, 1))
    assert (late.time_left, late.behind) == (0.0, 0.3)


def test_an_open_end_is_taken_as_usual_or_not_known():
    usual = pace.usual_length([YEAR, (D(2024, 1, 1), D(2025, 12, 31)), (D(2026, 1, 1), None)])
    assert usual == 364
    assumed = pace.pace(0.5, D(2026, 1, 1), None, on=D(2026, 7, 2), usual=usual)
    assert (assumed.assumed, assumed.time_left) == (True, pytest.approx(182 / 365))
    assert pace.usual_length([(D(2026, 1, 1), None)]) is None
    assert pace.pace(0.5, D(2026, 1, 1), None, on=D(2026, 7, 2)).behind is None


def test_the_order_is_behind_first_unknown_between_met_last():
    on = D(2026, 7, 2)
    named = {
        "behind": (pace.pace(0.8, *YEAR, on=on), False),
        "ahead": (pace.pace(0.2, *YEAR, on=on), False),
        "no end, far": (pace.pace(0.9, D(2025, 1, 1), None, on=on), False),
        "no end, near": (pace.pace(0.4, D(2025, 1, 1), None, on=on), False),
        "no end, new": (pace.pace(1.0, D(2026, 6, 25), None, on=on), False),
        "met": (pace.pace(0.0, *YEAR, on=D(2026, 12, 31)), True),
    }
    found = sorted(named, key=lambda name: pace.order(named[name][0], met=named[name][1]))
    assert found == ["behind", "ahead", "no end, far", "no end, near", "no end, new", "met"]


@given(
    left=st.floats(0, 1),
    start=st.dates(D(2020, 1, 1), D(2030, 1, 1)),
    length=st.integers(0, 2000),
    at=st.integers(-10, 2500),
    away=st.lists(st.tuples(st.integers(-50, 2100), st.integers(0, 400)), max_size=5),
)
def test_shares_stay_shares(left, start, length, at, away):
    day = dt.timedelta
    spans = [(start + day(a), start + day(a + n)) for a, n in away]
    one = pace.pace(left, start, start + day(length), on=start + day(at), away=spans)
    assert 0 <= one.time_left <= 1
    assert one.days_in >= 0
