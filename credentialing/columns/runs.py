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
# person | day | phase | leaves | row
ROW_BITS, SIGN_BITS, PHASE_BITS, DAY_BITS = 22, 1, 2, 22
ROWS, PEOPLE = 1 << ROW_BITS, 1 << (63 - ROW_BITS - SIGN_BITS - PHASE_BITS - DAY_BITS)
_ROW = ROWS - 1
_SIGN = 1 << ROW_BITS
_PHASE = ROW_BITS + SIGN_BITS
_DAY = _PHASE + PHASE_BITS
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
    cause: Numbers  # phase of the loss + 1; 0 where nobody asked


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
    """Events of many people in order, and where their days and the phases of a day end.

    Each person has one event that changes nothing on the first day that is judged; whatever came
    before it is taken as of that day. Sorting is the cost: once for all clauses that share rows.

    place: of each event its place among the weights. moment: person, day and phase of each event.
    ends: the last event of each moment; day_ends: the last moment of each day.
    """

    def __init__(self, begins: Days, events: Numbers, rows: int) -> None:
        """events: packed as `events_of` makes them, in any order; rows: how many weights."""
        people = len(begins)
        first = np.arange(people, dtype=np.int64) << _PERSON | begins << _DAY | _ROW
        events = np.concatenate([first, events])
        events.sort(kind="stable")  # a few runs that rise already: a merge, not a sort
        self.people, self.begins, self.rows = people, begins, rows
        # Weights, one 0 for the events that change nothing, weights of those that leave.
        self.place = np.minimum(events & _ROW, rows)
        self.place += ((events & _SIGN) >> ROW_BITS) * (rows + 1)
        self.moment = events >> _PHASE
        self.ends = np.flatnonzero(_last(self.moment))
        moments = self.moment[self.ends]
        days = moments >> PHASE_BITS
        self.phase = (moments & ((1 << PHASE_BITS) - 1)).astype(np.int8)
        self.day_ends = np.flatnonzero(_last(days))
        self.day_starts = np.concatenate([[0], self.day_ends[:-1] + 1])
        days = days[self.day_ends]
        self.day_person = days >> DAY_BITS
        self.day = days & ((1 << DAY_BITS) - 1)
        last = np.flatnonzero(_last(self.day_person))
        self.first_day = np.concatenate([[0], last[:-1] + 1])
        self.last_moment = self.day_ends[last]
        self.moments_of_person = np.diff(self.last_moment, prepend=-1)

    def with_rows(self, moments: Numbers) -> Story:
        """A story of the same people whose events are rows 0, 1, 2 ... at these moments."""
        rows = np.arange(len(moments))
        return Story(self.begins, moments << _PHASE | rows, len(rows))

    def words(self, weights: Numbers) -> Numbers:
        """Each person's counts after each moment. weights: a word a row."""
        weights = np.concatenate([weights, [0], -weights])
        total = np.cumsum(weights[self.place])[self.ends]
        before = np.concatenate([[0], total[self.last_moment[:-1]]])
        return total - np.repeat(before, self.moments_of_person)

    def runs(self, words: Numbers, holds: Holds, *, causes: bool) -> Runs:
        at_moment = holds(words)
        held = at_moment[self.day_ends]
        before = np.empty_like(held)
        before[1:] = held[:-1]
        before[self.first_day] = False
        starts, ends = np.flatnonzero(held & ~before), np.flatnonzero(before & ~held)
        cause = np.zeros(len(ends), np.int8)
        if causes and len(ends):
            cause = self._causes(at_moment, ends)
        return Runs(
            self.day_person[starts], self.day[starts], self.day_person[ends], self.day[ends], cause
        )

    def _causes(self, held: Flags, days: Numbers) -> Numbers:
        """The phase, counted from 1, of the last step of each of these days that loses it."""
        cause = np.zeros(len(days), np.int8)
        last, first = self.day_ends[days], self.day_starts[days]
        for back in range(1 << PHASE_BITS):  # no day has more moments
            at = np.maximum(last - back, first)
            loses = held[at - 1] & ~held[at] & (cause == 0)
            cause = np.where(loses, self.phase[at] + 1, cause)
        return cause.astype(np.int8)

    def at_the_end(self, words: Numbers) -> Numbers:
        return words[self.last_moment]


def events_of(
    begins: Days, person: Numbers, day: Days, phase: Numbers | int, row: Numbers, *, leaves: bool
) -> Numbers:
    """A row that comes or leaves, as one number that sorts by person, day and phase."""
    events = np.maximum(day, begins[person]) << _DAY
    events |= person.astype(np.int64) << _PERSON
    events |= phase << _PHASE
    events |= row
    return events | _SIGN if leaves else events


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
