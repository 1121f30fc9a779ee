"""A plan and a history give a standing."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from credentialing.measures.facts import DIRECT, AsOf, Fact, History, Waiting
from credentialing.measures.plans import (
    AT_LEAST,
    COUNTS,
    EXAM,
    MONTHS,
    OF_CREDITED,
    Clause,
    Gate,
    Plan,
)
from credentialing.measures.tallies import Value
from credentialing.measures.timeline import (
    NEVER,
    TIME,
    Item,
    Run,
    Seen,
    crossing,
    current,
    held_by_performance,
    held_by_signature,
    in_order,
    items_of,
    together,
    value_of,
)
from credentialing.months import plus_months, whole_months

MET, NOT_MET, NOT_YET_KNOWN = "met", "not_met", "not_yet_known"


@dataclass(frozen=True, slots=True)
class Dates:
    """first_met_on: ever. met_since: the present run. lost_on, lost_because: only while not met.
    reached_with: when it came to hold had every scan been read the day it was performed; reached
    signed: when the scan of that day was. All None where there is nothing to say."""

    first_met_on: dt.date | None = None
    met_since: dt.date | None = None
    lost_on: dt.date | None = None
    lost_because: str = ""
    reached_with: dt.date | None = None
    reached_signed_on: dt.date | None = None


@dataclass(frozen=True, slots=True)
class ClauseStanding:
    """state: met, not_met, or not_yet_known (too few to say; never zero, never met).

    numerator, denominator, value, lower, upper as `tallies.Value` has them; value and bar of a
    share lie in 0-1. left: what a count still needs (None for the others). waiting, returned:
    scans or exams in the clause's unit that were submitted, fall into its applications and window,
    and have no attestation. normal_over: normal ones beyond the cap. claimed: direct supervision
    that nobody confirmed (for `supervised`).
    """

    clause: Clause
    state: str
    value: Value
    dates: Dates
    left: int | None
    waiting: int
    returned: int
    normal_over: int = 0
    claimed: int = 0

    @property
    def met(self) -> bool:
        return self.state == MET


@dataclass(frozen=True, slots=True)
class GateStanding:
    gate: Gate
    met: bool
    dates: Dates
    clauses: tuple[ClauseStanding, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    plan: Plan
    as_of: AsOf
    met: bool
    dates: Dates
    gates: tuple[GateStanding, ...]
    waiting: int
    returned: int

    @property
    def clauses(self) -> tuple[ClauseStanding, ...]:
        return tuple(clause for gate in self.gates for clause in gate.clauses)


@dataclass(frozen=True, slots=True)
class _Judged:
    standing: ClauseStanding
    signed: list[Run]
    performed: list[Run]


def judge(plan: Plan, history: History, *, as_of: AsOf) -> Standing:
    """Where one trainee is against one plan as of (D, D2, N).

    Time: for each clause linear in the facts it covers, plus a sort of the days on which
    something came or went; a `once` with a window or a share takes one such pass for each day on
    which a correction changed something for it. Memory: one item a scan and clause at a time.
    """
    seen = Seen(history, as_of)
    gates, signed_of_gates, performed_of_gates = [], [], []
    for gate in plan.gates:
        judged = [_judge_clause(clause, seen) for clause in gate.clauses]
        signed = together([one.signed for one in judged], gate.needs)
        performed = together([one.performed for one in judged], gate.needs)
        signed_of_gates.append(signed)
        performed_of_gates.append(performed)
        dates = _dates(signed, performed)
        met = dates.met_since is not None
        gates.append(GateStanding(gate, met, dates, tuple(one.standing for one in judged)))
    signed = together(signed_of_gates, len(gates))
    dates = _dates(signed, together(performed_of_gates, len(gates)))
    waiting = [one for one in history.waiting if _waits(one, as_of)]
    return Standing(
        plan,
        as_of,
        dates.met_since is not None,
        dates,
        tuple(gates),
        sum(not one.returned for one in waiting),
        sum(one.returned for one in waiting),
    )


def _judge_clause(clause: Clause, seen: Seen) -> _Judged:
    if clause.measure in MONTHS:
        return _judge_months(clause, seen)
    items = items_of(clause, seen)
    now = current(items)
    value = value_of(clause, now)
    signed = held_by_signature(clause, items, seen)
    performed = held_by_performance(clause, items, seen)
    dates = _dates(signed, performed)
    if dates.reached_with is not None:
        scan = crossing(clause, items, dates.reached_with)
        if scan is not None:
            dates = Dates(
                dates.first_met_on,
                dates.met_since,
                dates.lost_on,
                dates.lost_because,
                dates.reached_with,
                scan.signed,
            )
    return _Judged(_standing(clause, value, dates, seen, now), signed, performed)


def _judge_months(clause: Clause, seen: Seen) -> _Judged:
    as_of, first = seen.as_of, seen.history.first_received_on
    begins = seen.history.begins_on(as_of)
    known = first is not None and first <= as_of.d2
    months = whole_months(first, as_of.d) if known else 0
    bar = int(clause.bar)
    runs: list[Run] = []
    if clause.direction == AT_LEAST:
        day = plus_months(first, bar) if known else NEVER
        if day <= as_of.d:
            runs = [Run(day)]
    else:
        end = plus_months(first, bar + 1) if known else NEVER
        runs = [Run(begins, end, TIME) if end <= as_of.d else Run(begins)]
    value = Value(months, value=months)
    return _Judged(_standing(clause, value, _dates(runs, runs), seen, []), runs, runs)


def _dates(signed: list[Run], performed: list[Run]) -> Dates:
    if not signed:
        return Dates()
    first, last = signed[0].start, signed[-1]
    if not last.open:
        return Dates(first, None, last.end, last.cause)
    reached = performed[-1].start if performed and performed[-1].open else None
    return Dates(first, last.start, reached_with=reached)


def _standing(
    clause: Clause, value: Value, dates: Dates, seen: Seen, now: list[Item]
) -> ClauseStanding:
    if dates.met_since is not None:
        state = MET
    else:
        state = NOT_YET_KNOWN if value.value is None else NOT_MET
    left = None
    if clause.direction == AT_LEAST and clause.measure in (*COUNTS, *MONTHS):
        left = 0 if state == MET else max(0, int(clause.bar) - value.numerator)
    waiting, returned = _waiting(clause, seen)
    return ClauseStanding(
        clause,
        state,
        value,
        dates,
        left,
        waiting,
        returned,
        _normal_over(clause, value, now),
        _claimed(clause, seen),
    )


def _waits(one: Waiting, as_of: AsOf) -> bool:
    return one.performed_on <= as_of.d and one.received_on <= as_of.d2


def _waiting(clause: Clause, seen: Seen) -> tuple[int, int]:
    """Unread and returned ones that could still come to count here."""
    if clause.measure in MONTHS:
        return 0, 0
    start = _window_start(clause, seen.as_of)
    found: tuple[list[object], list[object]] = ([], [])
    for one in seen.history.waiting:
        if (
            _waits(one, seen.as_of)
            and one.performed_on > start
            and clause.covers(one.application, seen.history.groups)
        ):
            found[one.returned].append(one.exam)
    if clause.unit == EXAM:
        return len(set(found[0])), len(set(found[1]))
    return len(found[0]), len(found[1])


def _window_start(clause: Clause, as_of: AsOf) -> dt.date:
    if clause.within_months is None:
        return dt.date.min
    return plus_months(as_of.d, -clause.within_months)


def _normal_over(clause: Clause, value: Value, now: list[Item]) -> int:
    if clause.normal_cap is None:
        return 0
    units = {item.fact.exam for item in now if item.key[1]} if clause.unit == EXAM else now
    return len(units) - value.numerator


def _claimed(clause: Clause, seen: Seen) -> int:
    if clause.measure != "supervised":
        return 0
    start = _window_start(clause, seen.as_of)
    claimed = [
        fact.exam
        for chain in seen.of(clause)
        for fact, replaced in chain
        if replaced == NEVER
        and fact.credited
        and fact.supervision == DIRECT
        and fact.performed_on > start
        and fact.exam not in seen.confirmed
    ]
    return len(set(claimed) if clause.unit == EXAM else claimed)


# ---------------------------------------------------------------------------------------------
# The scans behind a number

COUNTED, OF_THE_REST, OVER_THE_CAP = "counted", "of_the_rest", "over_the_cap"


@dataclass(frozen=True, slots=True)
class Behind:
    """One scan behind a number. part: counted; of_the_rest (in the denominator only);
    over_the_cap (a normal one beyond the cap). In exams, the scans of a counted exam that are
    credited are all `counted`: as many exams as the number says."""

    fact: Fact
    part: str


def behind(clause: Clause, history: History, *, as_of: AsOf) -> list[Behind]:
    """The scans that add up to the clause's value at (D, D2, N), in the order performed."""
    if clause.measure in MONTHS:
        return []
    seen = Seen(history, as_of)
    now = sorted(current(items_of(clause, seen)), key=in_order)
    if clause.measure not in OF_CREDITED:
        return [Behind(item.fact, _part_of_reading(clause, item)) for item in now]
    if clause.unit != EXAM:
        kept = _earliest_normals(clause, [(i.fact.scan, i.fact, i.key[2]) for i in now])
        return [
            Behind(i.fact, OVER_THE_CAP if i.key[2] and i.fact.scan not in kept else COUNTED)
            for i in now
        ]
    others = {item.fact.exam for item in now if item.key[2]}
    hits = [item for item in now if item.key[1]]
    if clause.measure == "negative":
        return [Behind(i.fact, COUNTED) for i in hits if i.fact.exam not in others]
    exams = {i.fact.exam: (i.fact.exam, i.fact, i.fact.exam not in others) for i in reversed(hits)}
    kept = _earliest_normals(clause, list(exams.values()))
    return [
        Behind(
            i.fact,
            COUNTED if i.fact.exam in others or i.fact.exam in kept else OVER_THE_CAP,
        )
        for i in hits
    ]


def _part_of_reading(clause: Clause, item: Item) -> str:
    if clause.measure == "quality":
        return COUNTED if item.key[0] >= clause.bar else OF_THE_REST
    return COUNTED if item.key[1] else OF_THE_REST


def _earliest_normals(clause: Clause, units: list[tuple[object, Fact, bool]]) -> set[object]:
    """The normal ones under the cap: the earliest by (performed_on, exam)."""
    normal = [(name, fact) for name, fact, is_normal in units if is_normal]
    if clause.normal_cap is None:
        return {name for name, _fact in normal}
    normal.sort(key=lambda one: (one[1].performed_on, str(one[1].exam), str(one[0])))
    return {name for name, _fact in normal[: clause.normal_cap]}
