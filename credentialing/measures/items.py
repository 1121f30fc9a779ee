"""What a clause looks at: one item for each thing that counts, with the days on which it does.

An `Item` is one scan (or assessment, or dated record) as one clause sees it, over the run of
attestations that are the same to the clause. `enter` is the first day on which it counts,
`replaced` and `expires` the first on which it no longer does; `starts` is the first day on which
it would count had it been signed when it was performed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from credentialing.measures.facts import (
    DIRECT,
    AsOf,
    Document,
    Fact,
    History,
    Transfer,
    Waiting,
)
from credentialing.measures.plans import (
    COMPLICATIONS,
    COURSE,
    OTHER,
    PATIENT,
    REFERENCED,
    SCAN,
    SUPERVISED,
    TRANSFERABLE,
    WEEK,
    WRITTEN_TEST,
    YEAR,
    Clause,
)
from credentialing.measures.tallies import (
    TRANSFERRED,
    Key,
    Value,
    against_reference,
    keyer,
    tally_of,
)
from credentialing.months import leaves_window

NEVER = dt.date.max
DAY = dt.timedelta(days=1)
# A wait longer than this no longer holds looks up; it is skipped, counted and said.
LONGEST_WAIT = dt.timedelta(days=60)
REMEDIATION = "remediation"
DOCUMENTS = (COURSE, WRITTEN_TEST, OTHER)

Span = tuple[dt.date, dt.date]


@dataclass(slots=True)
class Item:
    fact: Any  # the newest attestation of the run, or what else stands behind it
    key: Key
    signed: dt.date  # of the first attestation of the run
    enter: dt.date
    replaced: dt.date  # NEVER while it is current
    expires: dt.date  # leaves the window on this day; NEVER without one
    corrects: bool  # came with another attestation of a scan that had one, not with news
    starts: dt.date  # NEVER where it only holds others up
    lo: dt.date | None = None  # what was attested elsewhere began on this day
    was_read: bool = False  # `expires` because it was read, not because of time
    by_time: bool = False  # `enter` because a day passed, not because it was signed


@dataclass(frozen=True, slots=True)
class Limits:
    """What other clauses and dates leave to a clause.

    after: only what was performed after this day. starts_on: the day from which time is counted
    instead of the first exam; None as by default, NEVER: not at all. taken: scans, exams and
    patients that an earlier clause uses, as ("scan" | "exam" | "patient", id). spent: of each
    transfer, how many an earlier clause uses.
    """

    after: dt.date = dt.date.min
    starts_on: dt.date | None = None
    taken: frozenset[tuple[str, Hashable]] = frozenset()
    spent: Mapping[Hashable, int] = field(default_factory=dict)

    def leaves(self, one: Any) -> bool:
        if one.performed_on <= self.after:
            return False
        if not self.taken:
            return True
        patient = getattr(one, "patient", None)
        names = (
            ("scan", one.scan),
            ("exam", one.exam),
            ("patient", one.exam if patient is None else patient),
        )
        return not any(name in self.taken for name in names)


ALL_OF_IT = Limits()


class Seen:
    """What of a history may be looked at as of (D, D2, N), sorted out once for all clauses.

    `chains`: application -> the attestations of each scan in their order, each with the day on
    which it was replaced. An attestation replaced on the day it was signed never stood at the end
    of a day and is left out. `waits`: every scan on the list at some time, until which day.
    """

    def __init__(self, history: History, as_of: AsOf) -> None:
        self.history, self.as_of = history, as_of
        by_scan: dict[object, list[tuple[Fact, dt.date]]] = {}
        read_on: dict[object, dt.date] = {}
        for fact in history.facts:
            if not fact.known(as_of):
                continue
            read_on[fact.scan] = min(fact.signed_on, read_on.get(fact.scan, NEVER))
            replaced = fact.replaced(as_of) or NEVER
            if replaced > fact.signed_on:
                by_scan.setdefault(fact.scan, []).append((fact, replaced))
        self._read_on = read_on
        self._waits: list[tuple[Any, dt.date]] | None = None
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

    def unread(self) -> list[Waiting]:
        """Scans that wait at (D, D2, N): those that wait today, and those read or taken off the
        list only after it."""
        return [_as_waiting(one) for one, ended in self.waits() if ended == NEVER]

    def waits(self) -> list[tuple[Any, dt.date]]:
        """(scan, the first day on which it no longer waits). A scan is on the list from the day it
        was received."""
        if self._waits is None:
            history, as_of = self.history, self.as_of
            found: list[tuple[Any, dt.date]] = []
            for fact in history.facts:
                if fact.ordinal == 1 and fact.received(as_of):
                    found.append((fact, self._read_on.get(fact.scan, NEVER)))
            for one in (*history.waiting, *history.ended):
                if one.received(as_of):
                    found.append((one, one.ended(as_of) or NEVER))
            self._waits = found
        return self._waits

    def recorded(self, rows: Iterable[Any]) -> Iterator[list[tuple[Any, dt.date]]]:
        """Chains of rows that correct each other, as `chains` has them."""
        chains: dict[object, list[tuple[Any, dt.date]]] = {}
        for row in rows:
            if not row.known(self.as_of):
                continue
            replaced = row.replaced(self.as_of) or NEVER
            if replaced > row.recorded_on:
                chains.setdefault(row.chain, []).append((row, replaced))
        for chain in chains.values():
            chain.sort(key=lambda link: link[0].ordinal)
            yield chain


def _as_waiting(one: Any) -> Waiting:
    if isinstance(one, Waiting):
        return one
    return Waiting(
        one.exam, one.scan, one.application, one.performed_on, one.received_on,
        performed_at=one.performed_at,
        patient=one.patient,
    )  # fmt: skip


# ---------------------------------------------------------------------------------------------
# Items of a clause


def items_of(clause: Clause, seen: Seen, limits: Limits = ALL_OF_IT) -> list[Item]:
    """What the clause uses, in no order. Linear in the facts."""
    if clause.measure in REFERENCED:
        items = list(_with_reference(clause, seen, limits))
    elif clause.measure in RECORDS:
        items = list(_of_records(clause, seen, limits))
    else:
        items = _of_scans(clause, seen, limits)
    if clause.measure in TRANSFERABLE:
        items += _elsewhere(clause, seen, limits)
    if clause.measure == "unread_share":
        items += _unread(clause, seen, limits)
    if clause.since and not _is_day(clause.since):
        items = list(_since_a_record(clause, seen, items))
    if clause.measure == "per_period":
        items = [part for item in items for part in _by_period(clause, item, seen.as_of)]
    if clause.has_looks:
        items = _in_order_of_arrival(clause, seen, items, limits)
    return items


def _of_scans(clause: Clause, seen: Seen, limits: Limits) -> list[Item]:
    key_of, as_of = keyer(clause), seen.as_of
    months, supervised = clause.within_months, clause.measure == "supervised"
    limited = limits is not ALL_OF_IT
    items: list[Item] = []
    for chain in seen.of(clause):
        if limited and not limits.leaves(chain[0][0]):
            continue
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
                starts=fact.performed_on,
            )
            items.append(run)
    return items


def _runs(
    chain: list[tuple[Any, dt.date]], key_of: Callable[[Any], Key | None], as_of: AsOf
) -> Iterator[Item]:
    """Rows of a chain that say the same to the clause, as one item."""
    run: Item | None = None
    for row, replaced in chain:
        key = key_of(row)
        if run is not None and run.replaced == row.recorded_on and run.key == key:
            run.fact, run.replaced = row, replaced
            continue
        if run is not None:
            yield run
            run = None
        if key is None:
            continue
        run = Item(
            row, key, row.recorded_on, max(row.recorded_on, row.performed_on), replaced, NEVER,
            corrects=row is not chain[0][0], starts=row.performed_on,
        )  # fmt: skip
    if run is not None:
        yield run


RECORDS = ("assessed", "document", "procedure")


def _of_records(clause: Clause, seen: Seen, limits: Limits) -> Iterator[Item]:
    history, as_of = seen.history, seen.as_of
    rows: Iterable[Any]
    if clause.measure == "assessed":
        rows = (a for a in history.assessments if clause.covers(a.application, history.groups))
        key_of = _key_of_assessment(clause)
    elif clause.measure == "document":
        rows, key_of = history.documents, _key_of_document(clause)
    else:
        rows, key_of = history.procedures, _key_of_procedure(clause)
    for chain in seen.recorded(rows):
        for item in _runs(chain, key_of, as_of):
            if item.fact.performed_on <= limits.after:
                continue
            yield _expiring(clause, item, as_of)


def _key_of_assessment(clause: Clause) -> Callable[[Any], Key | None]:
    def key(one: Any) -> Key | None:
        counts = one.level >= clause.level and (one.summative or not clause.summative)
        return (one.chain, True, False, one.performed_on, one.assessor) if counts else None

    return key


def is_of_kind(one: Document | Transfer, kind: str) -> bool:
    """Whether a dated record is the one that a plan asks for: "course", or "course:basic"."""
    name, _, code = kind.partition(":")
    return one.kind == name and (not code or one.code == code)


def _key_of_document(clause: Clause) -> Callable[[Any], Key | None]:
    def key(one: Any) -> Key | None:
        if not is_of_kind(one, clause.kind):
            return None
        return (one.chain, True, False, one.performed_on, one.valid_until)

    return key


def _key_of_procedure(clause: Clause) -> Callable[[Any], Key | None]:
    def key(one: Any) -> Key | None:
        counts = not clause.kind or one.code == clause.kind
        if clause.which == SUPERVISED:
            counts = counts and one.supervised
        elif clause.which == COMPLICATIONS:
            counts = counts and one.complications
        return (one.chain, True, False, one.performed_on) if counts else None

    return key


def _expiring(clause: Clause, item: Item, as_of: AsOf) -> Item:
    """Leaves with the window, or on the day after the record was valid last."""
    ends = [NEVER]
    if clause.within_months is not None:
        ends.append(leaves_window(item.fact.performed_on, clause.within_months))
    valid_until = getattr(item.fact, "valid_until", None)
    if valid_until is not None:
        ends.append(valid_until + DAY)
    expires = min(ends)
    return replace(item, expires=expires if expires <= as_of.d else NEVER)


def _elsewhere(clause: Clause, seen: Seen, limits: Limits) -> Iterator[Item]:
    """Attested elsewhere, inside the window with both its ends."""
    history, as_of = seen.history, seen.as_of

    def key_of(one: Transfer) -> Key | None:
        if one.measure != clause.measure:
            return None
        if clause.measure == "document":
            if not is_of_kind(one, clause.kind):
                return None
        elif not clause.covers(one.application, history.groups):
            return None
        if clause.measure == "assessed" and (one.level < clause.level or clause.summative):
            return None
        left = one.count - limits.spent.get(one.chain, 0)
        if left <= 0 or one.performed_from <= limits.after:
            return None
        return (TRANSFERRED, left, one.performed_from, one.performed_on)

    for chain in seen.recorded(history.transfers):
        for item in _runs(chain, key_of, as_of):
            began = item.fact.performed_from
            expires = NEVER
            if clause.within_months is not None:
                expires = leaves_window(began, clause.within_months)
            yield replace(item, expires=expires if expires <= as_of.d else NEVER, lo=began)


def _with_reference(clause: Clause, seen: Seen, limits: Limits) -> Iterator[Item]:
    """One item for each side that a reference spoke of, while both it and the attestation stand."""
    by_scan: dict[Hashable, list[tuple[Any, dt.date]]] = {}
    for chain in seen.recorded(seen.history.references):
        for row, replaced in chain:
            by_scan.setdefault(row.chain[0], []).append((row, replaced))
    if not by_scan:
        return
    for item in _of_scans(clause, seen, limits):
        exam, answer = item.key
        for row, gone in by_scan.get(item.fact.scan, ()):
            if not row.usable:
                continue
            hit = against_reference(clause, answer, row.side, row.answer)
            if hit is None:
                continue
            enter, replaced = max(item.enter, row.recorded_on), min(item.replaced, gone)
            if enter < replaced:
                corrects = item.corrects if enter == item.enter else row.ordinal > 1
                yield replace(
                    item, key=(exam, hit, ""), enter=enter, replaced=replaced, corrects=corrects,
                    signed=enter,
                )  # fmt: skip


def _by_period(clause: Clause, item: Item, as_of: AsOf) -> Iterator[Item]:
    """The item in each of the last periods: period j is (D - j m, D - (j - 1) m]."""
    performed = item.fact.performed_on
    if clause.unit == SCAN:
        unit: Hashable = item.fact.scan
    else:
        unit, counts, _other = item.key
        if not counts:
            return
    for j in range(clause.periods):
        begins = performed if j == 0 else _edge(clause, performed, j)
        ends = _edge(clause, performed, j + 1)
        if begins > as_of.d:
            return
        yield replace(
            item,
            key=(j, unit),
            enter=max(item.enter, begins),
            expires=ends if ends <= as_of.d else NEVER,
            corrects=item.corrects and begins <= item.enter,
            starts=begins,
            by_time=begins > item.enter,
        )


def _edge(clause: Clause, performed: dt.date, j: int) -> dt.date:
    """The first day on which a scan is no longer in the last j periods."""
    if clause.period == WEEK:
        return performed + dt.timedelta(days=7 * j)
    return leaves_window(performed, j * (12 if clause.period == YEAR else 1))


# ---------------------------------------------------------------------------------------------
# Since a course, since a block of remediation


def _is_day(since: str) -> bool:
    return since[:1].isdigit()


def spans_of(clause: Clause, application: str, performed: dt.date, seen: Seen) -> list[Span]:
    """The days on which something performed then counts for a clause that counts since a dated
    record (the earliest of its kind), or since the newest block of remediation. Apart, in order."""
    history = seen.history
    if clause.since == REMEDIATION:
        blocks = [
            (row.performed_on, row.recorded_on, gone)
            for chain in seen.recorded(history.remediations)
            for row, gone in chain
            if row.application in ("", application)
        ]
        holds = [(on, gone) for begins, on, gone in blocks if begins <= performed]
        shut = [(on, gone) for begins, on, gone in blocks if begins > performed]
        return _without(_joined(holds), _joined(shut))
    rows = (d for d in history.documents if is_of_kind(d, clause.since))
    return _joined(
        [
            (max(row.recorded_on, row.performed_on), gone)
            for chain in seen.recorded(rows)
            for row, gone in chain
            if row.performed_on <= performed
        ]
    )


def _joined(spans: list[Span]) -> list[Span]:
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def _without(spans: list[Span], shut: list[Span]) -> list[Span]:
    for begins, ends in shut:
        spans = [
            (start, end)
            for a, b in spans
            for start, end in ((a, min(b, begins)), (max(a, ends), b))
            if start < end
        ]
    return spans


def _since_a_record(clause: Clause, seen: Seen, items: list[Item]) -> Iterator[Item]:
    known: dict[tuple[str, dt.date], list[Span]] = {}
    for item in items:
        began = item.lo if item.lo is not None else item.fact.performed_on
        about = (item.fact.application, began)
        if about not in known:
            known[about] = spans_of(clause, *about, seen)
        for start, end in known[about]:
            enter, replaced = max(item.enter, start), min(item.replaced, end)
            if enter < replaced:
                corrects = item.corrects and enter == item.enter
                yield replace(item, enter=enter, replaced=replaced, corrects=corrects)


# ---------------------------------------------------------------------------------------------
# Scans that wait


def order_of(one: Any) -> tuple:
    """The order of the learning curve: day first received, time performed, exam."""
    moment = one.performed_at.timestamp() if one.performed_at is not None else 0.0
    return (one.received_on, moment, str(one.exam), str(one.scan))


def _waiting_of(clause: Clause, seen: Seen, limits: Limits) -> Iterator[tuple[Any, dt.date]]:
    groups = seen.history.groups
    for one, ended in seen.waits():
        if clause.covers(one.application, groups) and limits.leaves(one):
            yield one, ended


def _in_order_of_arrival(
    clause: Clause, seen: Seen, items: list[Item], limits: Limits
) -> list[Item]:
    out = [replace(item, key=(order_of(item.fact), item.key)) for item in items]
    for one, ended in _waiting_of(clause, seen, limits):
        received = one.received_on
        skipped = received + LONGEST_WAIT + DAY
        expires = min(ended, skipped if skipped <= seen.as_of.d else NEVER)
        if received < expires:
            starts = one.performed_on if ended == NEVER else NEVER
            out.append(
                Item(
                    one,
                    (order_of(one), None),
                    received,
                    received,
                    NEVER,
                    expires,
                    False,
                    starts,
                    was_read=expires == ended,
                )
            )
    return out


def skipped_by(clause: Clause, seen: Seen, limits: Limits) -> int:
    """How many scans waited so long that looks no longer wait for them."""
    return sum(
        ended == NEVER and seen.as_of.d - one.received_on > LONGEST_WAIT
        for one, ended in _waiting_of(clause, seen, limits)
    )


def _unread(clause: Clause, seen: Seen, limits: Limits) -> Iterator[Item]:
    for one, ended in _waiting_of(clause, seen, limits):
        window = NEVER
        if clause.within_months is not None:
            window = leaves_window(one.performed_on, clause.within_months)
        expires = min(ended, window if window <= seen.as_of.d else NEVER)
        if one.received_on < expires:
            starts = one.performed_on if ended == NEVER else NEVER
            key = (one.exam, True, "")
            yield Item(
                one, key, one.received_on, one.received_on, NEVER, expires, False, starts,
                was_read=expires == ended,
            )  # fmt: skip


# ---------------------------------------------------------------------------------------------
# What counts now


def current(items: Iterable[Item]) -> list[Item]:
    """Items that count at (D, D2, N)."""
    return [item for item in items if item.replaced == NEVER and item.expires == NEVER]


def value_of(clause: Clause, items: Iterable[Item]) -> Value:
    tally = tally_of(clause)
    for item in items:
        tally.change(item.key, 1)
    return tally.value()


def name_of(clause: Clause, one: Any) -> tuple[str, Hashable]:
    """What a clause counts once, with its kind: for `further`."""
    if clause.unit == PATIENT:
        patient = getattr(one, "patient", None)
        return ("patient", one.exam if patient is None else patient)
    return ("scan", one.scan) if clause.unit == SCAN else ("exam", one.exam)


def in_order(item: Item) -> tuple:
    """The order in which scans were performed."""
    fact = item.fact
    moment = fact.performed_at.timestamp() if fact.performed_at is not None else 0.0
    return (fact.performed_on, moment, str(fact.exam), str(fact.scan))
