"""Months against a table of cases and against dateutil, which clamps in the same way."""

from __future__ import annotations

import datetime as dt

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from credentialing.months import leaves_window, minus_months, plus_months, whole_months

D = dt.date
days = st.dates(D(1999, 1, 1), D(2101, 12, 31))


@pytest.mark.parametrize(
    ("day", "months", "before"),
    [
        (D(2024, 3, 31), 1, D(2024, 2, 29)),
        (D(2023, 3, 31), 1, D(2023, 2, 28)),
        (D(2024, 2, 29), 12, D(2023, 2, 28)),
        (D(2024, 2, 29), 48, D(2020, 2, 29)),
        (D(2024, 1, 31), 2, D(2023, 11, 30)),
        (D(2024, 7, 15), 12, D(2023, 7, 15)),
    ],
)
def test_the_same_day_number_else_the_last_of_the_month(day, months, before):
    assert minus_months(day, months) == before


@pytest.mark.parametrize(
    ("start", "end", "months"),
    [
        (D(2024, 1, 31), D(2024, 2, 28), 0),
        (D(2024, 1, 31), D(2024, 2, 29), 1),  # clamped
        (D(2024, 1, 31), D(2024, 3, 30), 1),  # from itself, not from 29 February
        (D(2024, 1, 31), D(2024, 3, 31), 2),
        (D(2024, 2, 29), D(2025, 2, 28), 12),
        (D(2024, 5, 1), D(2024, 4, 1), 0),
        (D(2024, 5, 1), D(2024, 5, 1), 0),
    ],
)
def test_whole_months(start, end, months):
    assert whole_months(start, end) == months


@given(days, st.integers(-40, 40))
def test_dateutil_agrees(day, months):
    assert plus_months(day, months) == day + relativedelta(months=months)


@given(days, days)
def test_whole_months_is_the_largest_that_fits(one, other):
    start, end = min(one, other), max(one, other)
    k = whole_months(start, end)
    assert start + relativedelta(months=k) <= end < start + relativedelta(months=k + 1)


@given(days, st.integers(1, 40))
def test_a_scan_leaves_on_the_first_day_whose_window_does_not_hold_it(day, months):
    leaves = leaves_window(day, months)
    assert day <= minus_months(leaves, months)
    assert day > minus_months(leaves - dt.timedelta(days=1), months)
