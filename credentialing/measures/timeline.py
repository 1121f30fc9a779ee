"""When a clause held: scans coming in by signature, going out by supersession or by the window.

An `Item` is one scan as one clause sees it, over the run of attestations that are the same to the
clause. `enter` is the first day on which it counts, `replaced` and `expires` the first on which
it no longer does.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from credentialing.measures.facts import DIRECT, AsOf, Fact, History
from credentialing.measures.plans import COUNTS, ONCE, SCAN, STILL, Clause
from credentialing.measures.tallies import Key, Value, keyer, tally_of
from credentialing.months import leaves_window

NEVER = dt.date.max
DAY = dt.timedelta(days=1)

RECENCY, SUPERSEDED, NEW_READINGS, TIME = "recency", "superseded", "new_readings", "time"
# The order in which a day's events are taken; the last step that loses a clause is the cause.
_PHASES = (RECENCY, SUPERSEDED, NEW_READINGS)

Event = tuple[dt.date, int, int, Key]  # day, phase, +1 or -1, key


@dataclass(slots=True)
class Item:
    fact: Fact  # the newest attestation of the run
    key: Key
    signed: dt.date  # of the first attestation of the run
    enter: dt.date
    replaced: dt.date  # NEVER while it is current
    expires: dt.date  # leaves the window on this day; NEVER without one
    corrects: bool  # came with another attestation of a scan that had one, not with news


@dataclass(frozen=True, slots=True)
class Run:
    """A clause held from `start` up to, not including, `end` (NEVER: it still does)."""

    start: dt.date
    end: dt.date = NEVER
    cause: str = ""

    @property
    def open(self) -> bool:
        return self.end == NEVER


class Seen:
    """What of a history may be looked at as of (D, D2, N), sorted out once for all clauses.

    `chains`: application -> the attestations of each scan in their order, each with the day on
    which it was replaced. An attestation replaced on the day it was signed never stood at the end
    of a day and is left out.
    """

    def __init__(self, history: History, as_of: AsOf) -> None:
        self.history, self.as_of = history, as_of
        by_scan: dict[object, list[tuple[Fact, dt.date]]] = {}
        for fact in history.facts:
            if not fact.known(as_of):
                continue
            replaced = fact.replaced(as_of) or NEVER
            if replaced > fact.signed_on:
                by_scan.setdefault(fact.scan, []).append((fact, replaced))
        self.chains: dict[str, list[list[tuple[Fact, dt.date]]]] = {}
        for chain in by_scan.values():
            if len(chain) > 1:
                chain.sort(key=lambda link: link[0].ordinal)
            self.chains.setdefault(chain[0][0].application, []).append(chain)
        self.confirmed: dict[object, dt.date] = {}
        for one in history.confirmations:
            if one.supervision == DIRECT and one.on <= as_of.d2 and one.seq <= as_of.n:
                earlier = self.confirmed.get(one.exam, NEVER)
                self.confirmed[one.exam] = min(one.on, earlier)

    def of(self, clause: Clause) -> Iterable[list[tuple[Fact, dt.date]]]:
        for application, chains in self.chains.items():
            if clause.covers(application, self.history.groups):
                yield from chains


def items_of(clause: Clause, seen: Seen) -> list[Item]:
    """Scans that the clause uses, in no order. Linear in the facts."""
    key_of, as_of = keyer(clause), seen.as_of
    months, supervised = clause.within_months, clause.measure == "supervised"
    items: list[Item] = []
    for chain in seen.of(clause):
        run: Item | None = None
        for fact, replaced in chain:
            key = key_of(fact)
            if run is not None and run.replaced == fact.signed_on and run.key == key:
                run.fact, run.replaced = fact, replaced
                continue
            run = None
            if key is None:
                continue
            enter = max(fact.signed_on, fact.performed_on)
            if supervised:
                enter = max(enter, seen.confirmed.get(fact.exam, NEVER))
                if enter == NEVER:
                    continue
            expires = NEVER if months is None else leaves_window(fact.performed_on, months)
            run = Item(
                fact,
                key,
                fact.signed_on,
                enter,
                replaced,
                expires if expires <= as_of.d else NEVER,
                corrects=fact is not chain[0][0]
                and not (supervised and enter == seen.confirmed.get(fact.exam)),
            )
            items.append(run)
    return items


def current(items: Iterable[Item]) -> list[Item]:
    """Items that count at (D, D2, N)."""
    return [item for item in items if item.replaced == NEVER and item.expires == NEVER]


def value_of(clause: Clause, items: Iterable[Item]) -> Value:
    tally = tally_of(clause)
    for item in items:
        tally.change(item.key, 1)
    return tally.value()


# ---------------------------------------------------------------------------------------------
# Sweeps


def sweep(
    clause: Clause, events: list[Event], begins: dt.date, until: dt.date, *, first: bool = False
) -> list[Run]:
    """The runs of days from `begins` to `until` on whose evening the clause holds.

    `first`: stop at the first such day. Sorts the events; otherwise linear in them.
    """
    events.sort(key=lambda event: event[:2])
    tally, runs, total, at = tally_of(clause), [], len(events), 0
    while at < total and events[at][0] <= begins:
        tally.change(events[at][3], events[at][2])
        at += 1
    held = tally.holds()
    opened = begins
    if held and first:
        return [Run(begins)]
    while at < total and (day := events[at][0]) <= until:
        now, cause = held, ""
        while at < total and events[at][0] == day:
            phase = events[at][1]
            while at < total and events[at][0] == day and events[at][1] == phase:
                tally.change(events[at][3], events[at][2])
                at += 1
            before, now = now, tally.holds()
            if before and not now:
                cause = _PHASES[phase]
        if now and not held:
            opened = day
            if first:
                return [Run(day)]
        elif held and not now:
            runs.append(Run(opened, day, cause))
        held = now
    if held:
        runs.append(Run(opened))
    return runs


def held_by_signature(clause: Clause, items: Sequence[Item], seen: Seen) -> list[Run]:
    """The runs of days on which the clause was known to hold.

    One sweep for `still`, and for a plain count, which is met by a day if it is met on it. Any
    other `once` (a trailing window, a share) asks on each day whether what is current then ever
    met it: one pass for each day on which a correction changed something for this clause, judged
    from the first day that the correction could touch.
    """
    begins, until = seen.history.begins_on(seen.as_of), seen.as_of.d2
    if clause.judged == STILL or only_grows(clause):
        return sweep(clause, _as_signed(items), begins, until)
    # Evenings before the earliest scan that a correction took away read as they did before it.
    corrected: dict[dt.date, dt.date] = {}
    for item in items:
        if begins < item.replaced <= until:
            since = corrected.get(item.replaced, item.replaced)
            corrected[item.replaced] = min(since, item.enter)
    turns = sorted(corrected)
    runs: list[Run] = []
    met_on: dt.date | None = None
    for start, end in zip([begins, *turns], [*turns, NEVER], strict=True):
        since = max(begins, corrected.get(start, begins))
        if met_on is None or met_on >= since:
            stood = [
                replace(item, replaced=NEVER)
                for item in items
                if item.enter < end and item.replaced > start
            ]
            last = until if end == NEVER else end - DAY
            found = sweep(clause, _as_signed(stood), since, last, first=True)
            met_on = found[0].start if found else None
        if met_on is None:
            continue
        opened = max(met_on, start)
        if runs and runs[-1].end == opened:
            opened = runs.pop().start
        runs.append(Run(opened, end, "" if end == NEVER else SUPERSEDED))
    return runs


def held_by_performance(clause: Clause, items: Sequence[Item], seen: Seen) -> list[Run]:
    """The same, to D, with every scan current at D2 taken as signed when it was performed."""
    kept = [item for item in items if item.replaced == NEVER]
    days = [item.fact.performed_on for item in kept]
    begins = min([*days, seen.history.begins_on(seen.as_of), seen.as_of.d])
    events: list[Event] = []
    for item in kept:
        events.append((item.fact.performed_on, 2, 1, item.key))
        if item.expires != NEVER:
            events.append((item.expires, 0, -1, item.key))
    return sweep(clause, events, begins, seen.as_of.d, first=clause.judged == ONCE)


def _as_signed(items: Iterable[Item]) -> list[Event]:
    events: list[Event] = []
    for item in items:
        leave, phase = (item.replaced, 1) if item.replaced < item.expires else (item.expires, 0)
        if item.enter >= leave:
            continue
        enter_phase = 1 if item.corrects and item.enter == item.signed else 2
        events.append((item.enter, enter_phase, 1, item.key))
        if leave != NEVER:
            events.append((leave, phase, -1, item.key))
    return events


def crossing(clause: Clause, items: Iterable[Item], day: dt.date) -> Item | None:
    """The scan, performed on `day`, with which the clause came to hold, taken in the order
    (performed_at, exam, scan); None where time or a window did it."""
    tally, today = tally_of(clause), []
    for item in items:
        done = item.fact.performed_on
        if item.replaced != NEVER or done > day:
            continue
        if clause.within_months is not None and leaves_window(done, clause.within_months) <= day:
            continue
        if done == day:
            today.append(item)
        else:
            tally.change(item.key, 1)
    if tally.holds():
        return None
    for item in sorted(today, key=in_order):
        tally.change(item.key, 1)
        if tally.holds():
            return item
    return None


def in_order(item: Item) -> tuple:
    """The order in which scans were performed."""
    fact = item.fact
    moment = fact.performed_at.timestamp() if fact.performed_at is not None else 0.0
    return (fact.performed_on, moment, str(fact.exam), str(fact.scan))


def only_grows(clause: Clause) -> bool:
    """Whether another scan, or another day, can never lower the value."""
    if clause.within_months is not None or clause.measure not in COUNTS:
        return False
    return clause.measure != "negative" or clause.unit == SCAN


# ---------------------------------------------------------------------------------------------
# Runs of several clauses


def together(series: Sequence[Sequence[Run]], needs: int) -> list[Run]:
    """The runs of days on which at least `needs` of the series hold. The cause of a loss is that
    of the first of those that were lost on the day."""
    changes: list[tuple[dt.date, int, str]] = []
    for runs in series:
        for run in runs:
            changes.append((run.start, 1, ""))
            if not run.open:
                changes.append((run.end, -1, run.cause))
    changes.sort(key=lambda change: change[0])
    out: list[Run] = []
    holding, at, opened = 0, 0, None
    while at < len(changes):
        day, cause = changes[at][0], ""
        while at < len(changes) and changes[at][0] == day:
            _day, by, why = changes[at]
            holding, at = holding + by, at + 1
            cause = cause or why
        if holding >= needs and opened is None:
            opened = day
        elif holding < needs and opened is not None:
            out.append(Run(opened, day, cause))
            opened = None
    if opened is not None:
        out.append(Run(opened))
    return out
