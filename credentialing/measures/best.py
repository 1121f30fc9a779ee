"""A gate whose clauses are judged in one and the same window: the best stretch there is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from credentialing.measures.facts import Fact
from credentialing.measures.items import NEVER, Item, Seen
from credentialing.measures.plans import Gate
from credentialing.measures.tallies import tally_of
from credentialing.measures.timeline import NEW_READINGS, SUPERSEDED, Run
from credentialing.months import minus_months


@dataclass(frozen=True, slots=True)
class Shown:
    """The window that is shown: the day on which it ends (None: there is no scan to end one), and
    which clauses are met in it."""

    ends_on: dt.date | None
    met: tuple[bool, ...]

    def passes(self, gate: Gate) -> bool:
        return sum(self.met) >= gate.needs


def shown_of(gate: Gate, items: Sequence[Sequence[Item]]) -> Shown:
    """Of all windows the one that meets most clauses, then has the highest first clause, then is
    the latest. One slide over the items, in the order performed."""
    months = gate.within_months or 12
    ends = sorted({i.fact.performed_on for some in items for i in some if _may_end(i)})
    tallies = [tally_of(clause) for clause in gate.clauses]
    if not ends:
        return Shown(None, tuple(tally.holds() for tally in tallies))
    coming = [(i.fact.performed_on, n, i) for n, some in enumerate(items) for i in some]
    coming.sort(key=lambda one: one[0])
    going = sorted(coming, key=lambda one: _from(one[2]))
    inside: set[int] = set()
    came = gone = 0
    best = (-1, 0, ends[0]), tuple[bool, ...]()
    for end in ends:
        start = minus_months(end, months)
        while came < len(coming) and coming[came][0] <= end:
            _day, n, item = coming[came]
            came += 1
            if _from(item) > start:
                tallies[n].change(item.key, 1)
                inside.add(id(item))
        while gone < len(going) and _from(going[gone][2]) <= start:
            _day, n, item = going[gone]
            gone += 1
            if id(item) in inside:
                tallies[n].change(item.key, -1)
        met = tuple(tally.holds() for tally in tallies)
        rank = (sum(met), tallies[0].value().numerator, end)
        if rank > best[0]:
            best = (rank, met)
    return Shown(best[0][2], best[1])


def _from(item: Item) -> dt.date:
    return item.lo if item.lo is not None else item.fact.performed_on


def _may_end(item: Item) -> bool:
    return isinstance(item.fact, Fact) and item.fact.credited and bool(item.key[1])


def within(gate: Gate, items: Iterable[Item], shown: Shown) -> list[Item]:
    """The items that lie in the window that is shown."""
    if shown.ends_on is None:
        return []
    start = minus_months(shown.ends_on, gate.within_months or 12)
    return [i for i in items if start < _from(i) and i.fact.performed_on <= shown.ends_on]


@dataclass(frozen=True, slots=True)
class Held:
    """When each clause held in the window that was shown, and when the gate did."""

    clauses: list[list[Run]]
    gate: list[Run]


def by_signature(gate: Gate, items: Sequence[Sequence[Item]], seen: Seen) -> Held:
    begins, until = seen.history.begins_on(seen.as_of), seen.as_of.d2
    events: list[tuple[dt.date, int, int, Item]] = []
    for n, some in enumerate(items):
        for item in some:
            if item.enter >= item.replaced:
                continue
            phase = 1 if item.corrects and item.enter == item.signed else 2
            events.append((item.enter, phase, n, item))
            if item.replaced != NEVER:
                events.append((item.replaced, -1, n, item))
    return _swept(gate, events, begins, until)


def by_performance(gate: Gate, items: Sequence[Sequence[Item]], seen: Seen) -> Held:
    kept = [[item for item in some if item.replaced == NEVER] for some in items]
    days = [item.starts for some in kept for item in some]
    begins = min([*days, seen.history.begins_on(seen.as_of), seen.as_of.d])
    events = [(item.starts, 2, n, item) for n, some in enumerate(kept) for item in some]
    return _swept(gate, events, begins, seen.as_of.d)


def _swept(
    gate: Gate, events: list[tuple[dt.date, int, int, Item]], begins: dt.date, until: dt.date
) -> Held:
    """As `timeline.sweep`, for all clauses together. Phases -1 and 1 are corrections."""
    events.sort(key=lambda event: event[:2])
    present: list[dict[int, Item]] = [{} for _ in gate.clauses]

    def take(phase: int, n: int, item: Item) -> None:
        if phase == -1:
            present[n].pop(id(item), None)
        else:
            present[n][id(item)] = item

    by_day: dict[dt.date, list[tuple[dt.date, int, int, Item]]] = {begins: []}
    for event in events:
        if event[0] < begins:
            take(*event[1:])
        else:
            by_day.setdefault(event[0], []).append(event)
    series = [_Series() for _ in range(len(gate.clauses) + 1)]
    for day in sorted(day for day in by_day if day <= until):
        for cause, phases in ((SUPERSEDED, (-1, 1)), (NEW_READINGS, (2,))):
            todays = [event for event in by_day[day] if event[1] in phases]
            for event in todays:
                take(*event[1:])
            if todays or day == begins:
                shown = shown_of(gate, [list(some.values()) for some in present])
                for one, held in zip(series, (*shown.met, shown.passes(gate)), strict=True):
                    one.says(held, cause)
        for one in series:
            one.evening(day)
    runs = [one.ended() for one in series]
    return Held(runs[:-1], runs[-1])


class _Series:
    """One answer day by day, as runs."""

    def __init__(self) -> None:
        self.runs: list[Run] = []
        self.opened: dt.date | None = None
        self.now = False
        self.cause = ""

    def says(self, held: bool, cause: str) -> None:
        if self.now and not held:
            self.cause = cause
        self.now = held

    def evening(self, day: dt.date) -> None:
        if self.now and self.opened is None:
            self.opened = day
        elif not self.now and self.opened is not None:
            self.runs.append(Run(self.opened, day, self.cause))
            self.opened = None

    def ended(self) -> list[Run]:
        return [*self.runs, Run(self.opened)] if self.opened is not None else self.runs
