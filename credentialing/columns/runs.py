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
    day_ends: the last event of each. first_day, last_event: of each person.
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
        self.days = days.take(self.day_ends)
        self.day_person, self.day = self.days >> DAY_BITS, self.days & ((1 << DAY_BITS) - 1)
        last = np.flatnonzero(_last(self.day_person))
        self.first_day = np.concatenate([[0], last[:-1] + 1])
        self.last_event = self.day_ends[last]
        self.events_of_person = np.diff(self.last_event, prepend=-1)

    def some(self, events: Numbers) -> Story:
        """A story of the same people with these events alone, as rows 0, 1, 2 ..."""
        rows = np.arange(len(events))
        return Story(self.begins, self.events[events] & ~_PLACE | rows, len(rows))

    def words(self, weights: Numbers) -> Numbers:
        """Each person's own counts after each event. weights: a word a row, added when it comes
        and taken away when it leaves."""
        weights = np.concatenate([weights, [0], -weights])
        total = np.cumsum(weights.take(self.place))
        before = np.concatenate([[0], total[self.last_event[:-1]]])
        total -= np.repeat(before, self.events_of_person)
        return total

    def runs(self, held: Flags, *, causes: bool) -> Runs:
        """held: whether it holds after each event; what counts is the end of each day."""
        now = held.take(self.day_ends)
        before = np.empty_like(now)
        before[1:] = now[:-1]
        before[self.first_day] = False
        starts, ends = np.flatnonzero(now > before), np.flatnonzero(now < before)
        cause = np.zeros(len(ends), np.int8)
        if causes:
            last = np.flatnonzero(_last(self.day_person[ends]))
            cause[last] = self._causes(held, ends[last])
        person, day = self.day_person, self.day
        return Runs(person[starts], day[starts], person[ends], day[ends], cause)

    def _causes(self, held: Flags, days: Numbers) -> Numbers:
        """The phase, counted from 1, of the last step of each of these days that loses it."""
        phases = np.arange(1 << PHASE_BITS)
        held = held[self.first(self.days[days][:, None], phases) - 1]
        return ((held[:, :-1] > held[:, 1:]) * phases[1:]).max(axis=1)

    def first(self, day: Numbers, phase: Numbers | int = 0) -> Numbers:
        """Where the events of a person's day begin, or those from a phase of it on."""
        return np.searchsorted(self.events, (day << PHASE_BITS | phase) << PLACE_BITS)


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
