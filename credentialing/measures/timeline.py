"""When a clause held: items coming in by signature, going out by supersession or by the window."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from credentialing.measures.facts import Waiting
from credentialing.measures.items import DAY, NEVER, Item, Seen, in_order
from credentialing.measures.plans import COUNTS, ONCE, SCAN, STILL, Clause
from credentialing.measures.tallies import Key, tally_of

RECENCY, SUPERSEDED, NEW_READINGS, TIME = "recency", "superseded", "new_readings", "time"
# The order in which a day's events are taken; the last step that loses a clause is the cause.
_PHASES = (RECENCY, SUPERSEDED, NEW_READINGS)

GROWING = (*COUNTS, "assessed", "procedure")

Event = tuple[dt.date, int, int, Key]  # day, phase, +1 or -1, key


@dataclass(frozen=True, slots=True)
class Run:
    """A clause held from `start` up to, not including, `end` (NEVER: it still does)."""

    start: dt.date
    end: dt.date = NEVER
    cause: str = ""

    @property
    def open(self) -> bool:
        return self.end == NEVER


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
    kept = [item for item in items if item.replaced == NEVER and item.starts != NEVER]
    days = [item.starts for item in kept]
    begins = min([*days, seen.history.begins_on(seen.as_of), seen.as_of.d])
    events: list[Event] = []
    for item in kept:
        events.append((item.starts, 2, 1, item.key))
        if item.expires != NEVER:
            events.append((item.expires, 0, -1, item.key))
    return sweep(clause, events, begins, seen.as_of.d, first=clause.judged == ONCE)


def _as_signed(items: Iterable[Item]) -> list[Event]:
    events: list[Event] = []
    for item in items:
        leave, phase = (item.replaced, 1) if item.replaced < item.expires else (item.expires, 0)
        if item.enter >= leave:
            continue
        if item.was_read and leave == item.expires:
            phase = 2
        enter_phase = 1 if item.corrects and item.enter == item.signed else 2
        if item.by_time:
            enter_phase = 0
        events.append((item.enter, enter_phase, 1, item.key))
        if leave != NEVER:
            events.append((leave, phase, -1, item.key))
    return events


def crossing(clause: Clause, items: Iterable[Item], day: dt.date) -> Item | None:
    """The scan, performed on `day`, with which the clause came to hold, taken in the order
    (performed_at, exam, scan); None where time or a window did it."""
    tally, today = tally_of(clause), []
    for item in items:
        if item.replaced != NEVER or item.starts > day or item.expires <= day:
            continue
        if item.starts == day:
            today.append(item)
        else:
            tally.change(item.key, 1)
    if tally.holds():
        return None
    for item in sorted(today, key=in_order):
        tally.change(item.key, 1)
        if tally.holds():
            return None if isinstance(item.fact, Waiting) else item
    return None


def only_grows(clause: Clause) -> bool:
    """Whether another scan, or another day, can never lower the value."""
    if clause.within_months is not None or clause.measure not in GROWING:
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
