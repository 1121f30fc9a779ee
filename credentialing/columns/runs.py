"""Many people's running numbers at once: events in order, sums within a person, runs of days.

Four counts of a person travel as one 64-bit word, sixteen bits each, so that a single running sum
carries them all; differences within a person are exact whatever the total wraps to.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from credentialing.columns.frame import NONE, Days, Flags, Numbers

LANE = 16
MOST = (1 << LANE) - 1  # scans of one person
# person | day | phase | place
PLACE_BITS, PHASE_BITS, DAY_BITS = 23, 2, 22
_PLACE = (1 << PLACE_BITS) - 1
_DAY = PLACE_BITS + PHASE_BITS
_PERSON = _DAY + DAY_BITS

Holds = Callable[[Numbers], Flags]  # words -> whether the clause holds


def word(*lanes: Numbers) -> Numbers:
    """Flags or small counts as one word a row, the first lane lowest."""
    total = lanes[0].astype(np.int64)
    for at, lane in enumerate(lanes[1:], start=1):
        total |= lane.astype(np.int64) << (LANE * at)
    return total


def lane(words: Numbers, at: int) -> Numbers:
    return (words >> (LANE * at) if at else words) & MOST


@dataclass(frozen=True)
class Runs:
    """The runs of days on which something holds: parallel starts and ends, by person and day.
    An end that never came is not among the ends."""

    start_person: Numbers
    start: Days
    end_person: Numbers
    end: Days
    cause: Numbers  # phase of the loss + 1; 0 where nobody asked, and for all but the last


@dataclass(frozen=True)
class Said:
    """The dates of a run for each person, NONE where there is nothing to say."""

    first: Days
    since: Days
    lost: Days
    because: Numbers

    @classmethod
    def of(cls, runs: Runs, people: int) -> Said:
        first, start, end = (np.zeros(people, np.int64) for _ in range(3))
        because = np.zeros(people, np.int8)
        # Of several values for one place the last assigned stays.
        first[runs.start_person[::-1]] = runs.start[::-1]
        start[runs.start_person] = runs.start
        end[runs.end_person] = runs.end
        because[runs.end_person] = runs.cause
        open_ = start > end
        return cls(
            first,
            np.where(open_, start, NONE),
            np.where(open_, NONE, end),
            np.where(open_, 0, because).astype(np.int8),
        )


class Story:
    """Events of many people in order, and where their days end.

    Each person has one event that changes nothing on the first day that is judged; whatever came
    before it is taken as of that day. Sorting is the cost: once for all clauses that share rows.

    place: of each event its place among the weights. days: each person's, as `on` makes them;
    day_ends: the last event of each. last_day: of each person.
    """

    def __init__(self, begins: Days, events: Numbers, rows: int) -> None:
        """events: packed as `events_of` makes them, in any order; rows: how many weights."""
        people = np.arange(len(begins))
        events = np.concatenate([events_of(begins, people, begins, 0, rows), events])
        events.sort()
        self.begins, self.rows, self.events = begins, rows, events
        self.place = events & _PLACE
        days = events >> _DAY
        self.day_ends = np.flatnonzero(_last(days))
        self.days = days[self.day_ends]
        self.day_person = self.days >> DAY_BITS
        self.last_day = np.flatnonzero(_last(self.day_person))
        self.days_of_person = np.diff(self.last_day, prepend=-1)

    def some(self, events: Numbers) -> Story:
        """A story of the same people with these events alone, as rows 0, 1, 2 ..."""
        rows = np.arange(len(events))
        return Story(self.begins, self.events[events] & ~_PLACE | rows, len(rows))

    def counts(self, weights: Numbers) -> Counts:
        """weights: a word a row, added when it comes and taken away when it leaves."""
        weights = np.concatenate([weights, [0], -weights])
        total = np.cumsum(weights.take(self.place))
        days = total.take(self.day_ends)
        before = np.concatenate([[0], days[self.last_day[:-1]]])
        days -= np.repeat(before, self.days_of_person)
        return Counts(total, before, days, days[self.last_day])

    def runs(self, counts: Counts, holds: Holds, *, causes: bool) -> Runs:
        held = holds(counts.days)
        before = np.empty_like(held)
        before[1:] = held[:-1]
        before[0] = False
        before[self.last_day[:-1] + 1] = False
        starts, ends = np.flatnonzero(held & ~before), np.flatnonzero(before & ~held)
        cause = np.zeros(len(ends), np.int8)
        if causes:
            last = np.flatnonzero(_last(self.day_person[ends]))
            cause[last] = self._causes(counts, holds, ends[last])
        day = self.days & ((1 << DAY_BITS) - 1)
        return Runs(self.day_person[starts], day[starts], self.day_person[ends], day[ends], cause)

    def _causes(self, counts: Counts, holds: Holds, days: Numbers) -> Numbers:
        """The phase, counted from 1, of the last step of each of these days that loses it."""
        phases = np.arange(1 << PHASE_BITS)
        before = self.first(self.days[days][:, None], phases) - 1
        held = holds(counts.after(before, self.day_person[days][:, None]))
        return ((held[:, :-1] & ~held[:, 1:]) * phases[1:]).max(axis=1)

    def first(self, day: Numbers, phase: Numbers | int = 0) -> Numbers:
        """Where the events of a person's day begin, or those from a phase of it on."""
        return np.searchsorted(self.events, (day << PHASE_BITS | phase) << PLACE_BITS)


@dataclass(frozen=True)
class Counts:
    """Words along a story. total: of everybody so far, after each event; before: of everybody,
    before each person's first. days: each person's own after each day; end: after the last."""

    total: Numbers
    before: Numbers
    days: Numbers
    end: Numbers

    def after(self, events: Numbers, person: Numbers) -> Numbers:
        """Each person's own after that event."""
        return self.total[events] - self.before[person]


def on(person: Numbers, day: Days) -> Numbers:
    """A person's day as one number that rises."""
    return person << DAY_BITS | day


def events_of(
    begins: Days, person: Numbers, day: Days, phase: Numbers | int, place: Numbers | int
) -> Numbers:
    """What comes or leaves, as one number that sorts by person, day and phase. place: a row's
    number as it comes; as it leaves, that and one more than all rows."""
    events = np.maximum(day, begins[person]) << _DAY
    events |= person << _PERSON
    events |= phase << PLACE_BITS
    events |= place
    return events


def _last(keys: Numbers) -> Flags:
    """Whether each of the sorted keys is the last of its kind."""
    last = np.empty(len(keys), bool)
    np.not_equal(keys[1:], keys[:-1], out=last[:-1])
    last[-1:] = True
    return last


def together(series: Sequence[Runs], needs: int) -> Runs:
    """The runs of days on which at least `needs` of the series hold."""
    people = np.concatenate([*(r.start_person for r in series), *(r.end_person for r in series)])
    days = np.concatenate([*(r.start for r in series), *(r.end for r in series)])
    up = sum(len(r.start) for r in series)
    events = people.astype(np.int64) << (DAY_BITS + 1) | days << 1
    events[:up] |= 1
    events.sort(kind="stable")
    holding = np.cumsum((events & 1) * 2 - 1)
    events >>= 1
    ends = np.flatnonzero(_last(events))
    events, holding = events[ends], holding[ends]
    person, day = events >> DAY_BITS, events & ((1 << DAY_BITS) - 1)
    if not len(person):
        return Runs(person, day, person, day, np.zeros(0, np.int8))
    lasts = np.flatnonzero(_last(person))
    firsts = np.concatenate([[0], lasts[:-1] + 1])
    base = np.concatenate([[0], holding[lasts[:-1]]])
    held = holding - np.repeat(base, np.diff(lasts, prepend=-1)) >= needs
    before = np.empty_like(held)
    before[1:] = held[:-1]
    before[firsts] = False
    starts, stops = np.flatnonzero(held & ~before), np.flatnonzero(before & ~held)
    return Runs(
        person[starts], day[starts], person[stops], day[stops], np.zeros(len(stops), np.int8)
    )
