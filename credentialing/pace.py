"""How far along somebody is in time, beside how much is left. Pure.

The order of a cohort is by what is left beyond what an even pace would leave: somebody who began
last week has everything left and all the time, and is not behind.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

NEW = 90  # days: too early to say anything from a pace
BEHIND = 0.1  # of what is asked, beyond an even pace: worth a look

Span = tuple[dt.date, dt.date]


def days(first: dt.date, last: dt.date, away: Iterable[Span] = ()) -> int:
    """Days from `first` to `last`, both included, without those away. Never under zero.

    Spans may overlap one another and reach beyond; a day away counts once.
    """
    if last < first:
        return 0
    gone: set[int] = set()
    for start, end in away:
        gone.update(range(max(start, first).toordinal(), min(end, last).toordinal() + 1))
    return (last - first).days + 1 - len(gone)


@dataclass(frozen=True, slots=True)
class Pace:
    """left, time_left: shares of what is asked and of the time, 0 to 1; None: the end is unknown.

    `assumed`: the end is that of the others' usual length, since one's own is open.
    """

    left: float
    time_left: float | None
    days_in: int
    assumed: bool = False

    @property
    def behind(self) -> float | None:
        """What is left beyond what an even pace would leave; under zero is ahead."""
        return None if self.time_left is None else self.left - self.time_left

    @property
    def is_new(self) -> bool:
        return self.days_in < NEW

    @property
    def is_behind(self) -> bool:
        return self.behind is not None and self.behind > BEHIND and not self.is_new


def usual_length(spans: Iterable[tuple[dt.date, dt.date | None]]) -> int | None:
    """The lower median of the lengths in days of those whose end is known."""
    lengths = [(last - first).days for first, last in spans if last is not None]
    return statistics.median_low(lengths) if lengths else None


def pace(
    left: float,
    starts_on: dt.date,
    ends_on: dt.date | None,
    *,
    on: dt.date,
    away: Sequence[Span] = (),
    usual: int | None = None,
) -> Pace:
    """Time without days away. Past the end nothing of the time is left."""
    gone = days(starts_on, on, away)
    assumed = ends_on is None and usual is not None
    last = starts_on + dt.timedelta(days=usual) if assumed and usual is not None else ends_on
    if last is None:
        return Pace(left, None, gone)
    whole = days(starts_on, last, away)
    rest = days(on + dt.timedelta(days=1), last, away)
    return Pace(left, min(1.0, rest / whole) if whole else 0.0, gone, assumed)


def order(one: Pace, *, met: bool) -> tuple:
    """Sorts whoever may not reach the numbers first. Those who meet the plan come last; those
    whose end nobody knows stand between, by what is left, newcomers after the others."""
    if met:
        return (2, 0, -one.left)
    if one.behind is None:
        return (1, one.is_new, -one.left)
    return (0, 0, -one.behind)
