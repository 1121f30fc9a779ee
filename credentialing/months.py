"""Calendar months. Pure; never done in SQL, where the engines differ at the end of a month."""

from __future__ import annotations

import calendar
import datetime as dt


def _month(day: dt.date, months: int) -> tuple[int, int, int]:
    """Year, month and length in days of the month that lies so many months after `day`."""
    index = day.year * 12 + day.month - 1 + months
    year, month = index // 12, index % 12 + 1
    return year, month, calendar.monthrange(year, month)[1]


def plus_months(day: dt.date, months: int) -> dt.date:
    """The same day number so many months on (or back), else the last day of that month."""
    year, month, last = _month(day, months)
    return dt.date(year, month, min(day.day, last))


def minus_months(day: dt.date, months: int) -> dt.date:
    """The day before which a trailing window of so many months begins: the window is
    (result, day]."""
    return plus_months(day, -months)


def leaves_window(day: dt.date, months: int) -> dt.date:
    """The first day whose trailing window of so many months no longer holds `day`.

    Not `plus_months`: 31 January is still inside (28 January, 28 February] and leaves on 1 March.
    """
    year, month, last = _month(day, months)
    if day.day <= last:
        return dt.date(year, month, day.day)
    return dt.date(year, month, last) + dt.timedelta(days=1)


def whole_months(start: dt.date, end: dt.date) -> int:
    """The largest k with start + k months <= end, each step clamped from `start` itself; 0 where
    `end` lies before `start`."""
    if end < start:
        return 0
    months = (end.year - start.year) * 12 + end.month - start.month
    return months if plus_months(start, months) <= end else months - 1
