"""A plan and a history give a standing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, replace

from credentialing import learning_curve
from credentialing.measures import best
from credentialing.measures.facts import DIRECT, AsOf, Assessment, Fact, History, Waiting
from credentialing.measures.items import (
    ALL_OF_IT,
    NEVER,
    REMEDIATION,
    Item,
    Limits,
    Seen,
    current,
    in_order,
    is_of_kind,
    items_of,
    name_of,
    skipped_by,
    value_of,
)
from credentialing.measures.plans import (
    AT_LEAST,
    BEST,
    CURVES,
    MONTHS,
    OF_CREDITED,
    REFERENCED,
    SCAN,
    WHOLE,
    Clause,
    Gate,
    Plan,
)
from credentialing.measures.tallies import (
    SPECIFIC,
    TRANSFERRED,
    Key,
    Looks,
    Value,
    unit_of,
)
from credentialing.measures.timeline import (
    TIME,
    Run,
    crossing,
    held_by_performance,
    held_by_signature,
    together,
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
    that nobody confirmed (for `supervised`). skipped: waits so long that looks pass over them.
    people: assessors behind `assessed`. window_ends_on: of the best window, where the gate has one.
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
    skipped: int = 0
    people: int = 0
    window_ends_on: dt.date | None = None

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
    now: list[Item] = field(default_factory=list)


def judge(plan: Plan, history: History, *, as_of: AsOf) -> Standing:
    """Where one trainee is against one plan as of (D, D2, N).

    Time: for each clause linear in the facts it covers, plus a sort of the days on which
    something came or went; a `once` with a window or a share takes one such pass for each day on
    which a correction changed something for it, and a best window one for each day on which
    anything did. Memory: one item a scan and clause at a time.
    """
    seen = Seen(history, as_of)
    done: dict[int, _Judged] = {}
    gates, signed_of_gates, performed_of_gates = [], [], []
    for gate in plan.gates:
        signed, performed = _judge_gate(gate, seen, done)
        signed_of_gates.append(signed)
        performed_of_gates.append(performed)
        dates = _dates(signed, performed)
        met = dates.met_since is not None
        standings = tuple(done[clause.ordinal].standing for clause in gate.clauses)
        gates.append(GateStanding(gate, met, dates, standings))
    signed = together(signed_of_gates, len(gates))
    dates = _dates(signed, together(performed_of_gates, len(gates)))
    returned = [history.returned(one.scan, as_of.n) for one in seen.unread()]
    return Standing(
        plan,
        as_of,
        dates.met_since is not None,
        dates,
        tuple(gates),
        returned.count(False),
        returned.count(True),
    )


def _judge_gate(gate: Gate, seen: Seen, done: dict[int, _Judged]) -> tuple[list[Run], list[Run]]:
    """Judges the clauses into `done`; when the gate held, signed and performed."""
    if gate.window == BEST:
        return _judge_best(gate, seen, done)
    judged = []
    for clause in gate.clauses:
        judged.append(_judge_clause(clause, seen, _limits(clause, seen, done)))
        done[clause.ordinal] = judged[-1]
    return (
        together([one.signed for one in judged], gate.needs),
        together([one.performed for one in judged], gate.needs),
    )


def _judge_best(gate: Gate, seen: Seen, done: dict[int, _Judged]) -> tuple[list[Run], list[Run]]:
    limits = [_limits(clause, seen, done) for clause in gate.clauses]
    items = [
        items_of(clause, seen, some) for clause, some in zip(gate.clauses, limits, strict=True)
    ]
    signed = best.by_signature(gate, items, seen)
    performed = best.by_performance(gate, items, seen)
    shown = best.shown_of(gate, [current(some) for some in items])
    for n, clause in enumerate(gate.clauses):
        now = best.within(gate, current(items[n]), shown)
        dates = _dates(signed.clauses[n], performed.clauses[n])
        standing = _standing(clause, value_of(clause, now), dates, seen, now, limits[n])
        done[clause.ordinal] = _Judged(
            replace(standing, window_ends_on=shown.ends_on),
            signed.clauses[n],
            performed.clauses[n],
            now,
        )
    return signed.gate, performed.gate


def _judge_clause(clause: Clause, seen: Seen, limits: Limits) -> _Judged:
    if clause.measure in MONTHS:
        return _judge_months(clause, seen, limits)
    if clause.measure in CURVES:
        return _judge_curve(clause, seen, limits)
    items = items_of(clause, seen, limits)
    now = current(items)
    value = value_of(clause, now)
    signed = held_by_signature(clause, items, seen)
    performed = held_by_performance(clause, items, seen)
    dates = _dates(signed, performed)
    if dates.reached_with is not None:
        scan = crossing(clause, items, dates.reached_with)
        if scan is not None:
            dates = replace(dates, reached_signed_on=scan.signed)
    return _Judged(_standing(clause, value, dates, seen, now, limits), signed, performed, now)


def _judge_months(clause: Clause, seen: Seen, limits: Limits) -> _Judged:
    as_of = seen.as_of
    begins = seen.history.begins_on(as_of)
    first, recorded = _time_begins(clause, seen, limits)
    known = first <= as_of.d2
    months = whole_months(first, as_of.d) if known else 0
    bar = int(clause.bar)
    signed: list[Run] = []
    performed: list[Run] = []
    if clause.direction == AT_LEAST:
        day = max(plus_months(first, bar), begins) if known else NEVER
        if day <= as_of.d:
            signed, performed = [Run(max(day, recorded))], [Run(day)]
    else:
        end = plus_months(first, bar + 1) if known else NEVER
        if end > begins:
            signed = [Run(begins, end, TIME) if end <= as_of.d else Run(begins)]
        performed = signed
    value = Value(months, value=months)
    standing = _standing(clause, value, _dates(signed, performed), seen, [], limits)
    return _Judged(standing, signed, performed)


def _judge_curve(clause: Clause, seen: Seen, limits: Limits) -> _Judged:
    """Met from the signal on, as long as no alarm stands."""
    as_of, groups = seen.as_of, seen.history.groups
    facts = [
        fact
        for fact in seen.history.facts
        if clause.covers(fact.application, groups) and limits.leaves(fact)
    ]
    waits = [
        one
        for one in (*seen.history.waiting, *seen.history.ended)
        if clause.covers(one.application, groups) and limits.leaves(one)
    ]
    drawn = learning_curve.Limits(clause.adequate_rate, clause.inadequate_rate, clause.limit)
    decisions = [d for d in seen.history.decisions if d.application in ("", clause.application)]
    told = {"limits": drawn, "decisions": decisions}
    curve = learning_curve.curve_of(facts, waits, as_of=as_of, **told)
    begins = seen.history.begins_on(as_of)
    stages = learning_curve.stages_of(facts, waits, as_of=as_of, **told)
    signed = _runs_of_stages(stages, begins, as_of.d2)
    # Every scan current at D2 taken as signed when it was performed; who waits at D2 waits on.
    at_once = [
        replace(fact, ordinal=1, signed_on=fact.performed_on, superseded_on=None)
        for fact in facts
        if fact.known(as_of) and fact.replaced(as_of) is None
    ]
    unread = [one for one in seen.unread() if clause.covers(one.application, groups)]
    by = learning_curve.stages_of(at_once, unread, as_of=as_of, **told)
    first = min([begins, *(fact.performed_on for fact in at_once)])
    performed = _runs_of_stages(by, first, as_of.d)
    dates = _dates(signed, performed)
    now = [
        Item(
            point.fact,
            (point.fact.exam, point.success),
            point.fact.signed_on,
            point.fact.signed_on,
            NEVER,
            NEVER,
            False,
            point.fact.performed_on,
        )
        for point in curve.points
    ]
    value = Value(int(curve.met), value=int(curve.met), seen=len(curve.points))
    standing = _standing(clause, value, dates, seen, [], limits)
    standing = replace(standing, skipped=curve.skipped)
    return _Judged(standing, signed, performed, now)


def _runs_of_stages(
    stages: list[learning_curve.Stage], begins: dt.date, until: dt.date
) -> list[Run]:
    runs: list[Run] = []
    opened: dt.date | None = None
    for stage in stages:
        day = max(stage.on, begins)
        if day > until:
            break
        if stage.met and opened is None:
            opened = day
        elif not stage.met and opened is not None:
            if day > opened:
                runs.append(Run(opened, day, stage.cause))
            opened = None
    return [*runs, Run(opened)] if opened is not None else runs


def _time_begins(clause: Clause, seen: Seen, limits: Limits) -> tuple[dt.date, dt.date]:
    """The day from which months are counted, NEVER without one, and since when that is known."""
    if limits.starts_on is not None:
        return limits.starts_on, dt.date.min
    history = seen.history
    if clause.since:
        if clause.since == REMEDIATION:
            rows = [
                row
                for chain in seen.recorded(history.remediations)
                for row, gone in chain
                if gone == NEVER and (not row.application or row.application == clause.application)
            ]
            row = max(rows, key=lambda one: (one.performed_on, one.seq), default=None)
        else:
            documents = (d for d in history.documents if is_of_kind(d, clause.since))
            rows = [
                row for chain in seen.recorded(documents) for row, gone in chain if gone == NEVER
            ]
            row = min(rows, key=lambda one: (one.performed_on, one.recorded_on), default=None)
        return (NEVER, NEVER) if row is None else (row.performed_on, row.recorded_on)
    first = history.first_received_on
    return (NEVER if first is None else first), dt.date.min


def _limits(clause: Clause, seen: Seen, done: Mapping[int, _Judged]) -> Limits:
    """What earlier clauses leave to this one, all as of (D, D2, N): the scans that they use do not
    come back because another was signed first, and a day that was reached is one day."""
    if not (clause.since[:1].isdigit() or clause.after or clause.further):
        return ALL_OF_IT
    after, starts_on = dt.date.min, None
    if clause.since[:1].isdigit():
        starts_on = dt.date.fromisoformat(clause.since)
        after = starts_on - dt.timedelta(days=1)
    if clause.after is not None:
        one = done.get(clause.after)
        reached = one.standing.dates.reached_with if one is not None else None
        starts_on = reached or NEVER
        after = max(after, starts_on)
    taken: set[tuple[str, Hashable]] = set()
    spent: dict[Hashable, int] = {}
    for ordinal in clause.further:
        if ordinal in done:
            names, moved = _used_by(done[ordinal])
            taken |= names
            for transfer, n in moved.items():
                spent[transfer] = spent.get(transfer, 0) + n
    return Limits(after, starts_on, frozenset(taken), spent)


def _used_by(one: _Judged) -> tuple[set[tuple[str, Hashable]], dict[Hashable, int]]:
    """The earliest scans up to the clause's number; what was attested elsewhere before them."""
    clause, left = one.standing.clause, int(one.standing.clause.bar)
    spent: dict[Hashable, int] = {}
    moved = min(left, one.standing.value.transferred)
    left -= moved
    for item in sorted(one.now, key=in_order):
        if item.key[0] is TRANSFERRED and moved:
            spent[item.fact.chain] = min(moved, item.key[1])
            moved -= spent[item.fact.chain]
    names: set[tuple[str, Hashable]] = set()
    for row in _behind(clause, one.now):
        name = name_of(clause, row.fact)
        if row.part == COUNTED and isinstance(row.fact, Fact) and name not in names:
            if len(names) == left:
                break
            names.add(name)
    return names, spent


def _dates(signed: list[Run], performed: list[Run]) -> Dates:
    if not signed:
        return Dates()
    first, last = signed[0].start, signed[-1]
    if not last.open:
        return Dates(first, None, last.end, last.cause)
    reached = performed[-1].start if performed and performed[-1].open else None
    return Dates(first, last.start, reached_with=reached)


def _standing(
    clause: Clause, value: Value, dates: Dates, seen: Seen, now: list[Item], limits: Limits
) -> ClauseStanding:
    if dates.met_since is not None:
        state = MET
    else:
        state = NOT_YET_KNOWN if value.value is None else NOT_MET
    left = None
    if clause.direction == AT_LEAST and clause.measure in (*WHOLE, *MONTHS):
        left = 0 if state == MET else max(0, int(clause.bar) - value.numerator)
    waiting, returned = _waiting(clause, seen, limits)
    assessors = {item.fact.assessor for item in now if isinstance(item.fact, Assessment)}
    return ClauseStanding(
        clause,
        state,
        value,
        dates,
        left,
        waiting,
        returned,
        _normal_over(clause, value, now),
        _claimed(clause, seen, limits),
        skipped_by(clause, seen, limits) if clause.has_looks else 0,
        len(assessors),
    )


# Clauses of which a scan that waits says nothing.
NOT_OF_SCANS = (*MONTHS, *REFERENCED, "assessed", "document", "procedure", "unread_share")


def _waiting(clause: Clause, seen: Seen, limits: Limits) -> tuple[int, int]:
    """Unread and returned ones that could still come to count here."""
    if clause.measure in NOT_OF_SCANS:
        return 0, 0
    start = _window_start(clause, seen.as_of)
    unit = unit_of(clause)
    found: tuple[list[object], list[object]] = ([], [])
    for one in seen.unread():
        if (
            one.performed_on > start
            and clause.covers(one.application, seen.history.groups)
            and limits.leaves(one)
        ):
            found[seen.history.returned(one.scan, seen.as_of.n)].append(unit(one))
    if clause.unit != SCAN:
        return len(set(found[0])), len(set(found[1]))
    return len(found[0]), len(found[1])


def _window_start(clause: Clause, as_of: AsOf) -> dt.date:
    if clause.within_months is None:
        return dt.date.min
    return plus_months(as_of.d, -clause.within_months)


def _normal_over(clause: Clause, value: Value, now: list[Item]) -> int:
    if clause.normal_cap is None:
        return 0
    own = [item for item in now if item.key[0] is not TRANSFERRED and item.key[1]]
    units = own if clause.unit == SCAN else {item.key[0] for item in own}
    return len(units) - (value.numerator - value.transferred)


def _claimed(clause: Clause, seen: Seen, limits: Limits) -> int:
    if clause.measure != "supervised":
        return 0
    start, unit = _window_start(clause, seen.as_of), unit_of(clause)
    claimed = [
        unit(fact)
        for chain in seen.of(clause)
        for fact, replaced in chain
        if replaced == NEVER
        and fact.credited
        and fact.supervision == DIRECT
        and fact.performed_on > start
        and fact.exam not in seen.confirmed
        and limits.leaves(fact)
    ]
    return len(claimed if clause.unit == SCAN else set(claimed))


# ---------------------------------------------------------------------------------------------
# The scans behind a number

COUNTED, OF_THE_REST, OVER_THE_CAP = "counted", "of_the_rest", "over_the_cap"


@dataclass(frozen=True, slots=True)
class Behind:
    """One thing behind a number: a scan, or an assessment, a dated record, a scan that waits
    (`fact` tells). part: counted; of_the_rest (in the denominator only); over_the_cap (a normal
    one beyond the cap). In exams, the scans of a counted exam that are credited are all `counted`:
    as many exams as the number says. What was attested elsewhere has a line of its own."""

    fact: Fact | Waiting | object
    part: str


def behind(
    clause: Clause, history: History, *, as_of: AsOf, plan: Plan | None = None
) -> list[Behind]:
    """What adds up to the clause's value at (D, D2, N), in the order performed.

    `plan`: the whole one, for a clause that leaves scans to others, comes after another or is
    judged in a best window.
    """
    seen, done = Seen(history, as_of), {}
    for gate in plan.gates if plan is not None else (Gate(1, (clause,)),):
        _judge_gate(gate, seen, done)
        if clause.ordinal in done:
            break
    return _behind(clause, done[clause.ordinal].now)


def _behind(clause: Clause, now: list[Item]) -> list[Behind]:
    if clause.has_looks:
        return _behind_looks(clause, now)
    if clause.measure in CURVES:
        return [Behind(item.fact, COUNTED if item.key[1] else OF_THE_REST) for item in now]
    now = sorted((item for item in now if item.key[0] is not TRANSFERRED), key=in_order)
    if clause.measure not in OF_CREDITED:
        return [
            Behind(item.fact, _part_of_reading(clause, item.key))
            for item in now
            if not isinstance(item.fact, Waiting) or clause.measure == "unread_share"
        ]
    if clause.unit == SCAN:
        kept = _earliest_normals(clause, [(i.fact.scan, i.fact, i.key[2]) for i in now])
        return [
            Behind(i.fact, OVER_THE_CAP if i.key[2] and i.fact.scan not in kept else COUNTED)
            for i in now
        ]
    others = {item.key[0] for item in now if item.key[2]}
    hits = [item for item in now if item.key[1]]
    if clause.measure == "negative":
        return [Behind(i.fact, COUNTED) for i in hits if i.key[0] not in others]
    units = {i.key[0]: (i.key[0], i.fact, i.key[0] not in others) for i in reversed(hits)}
    kept = _earliest_normals(clause, list(units.values()))
    return [
        Behind(
            i.fact,
            COUNTED if i.key[0] in others or i.key[0] in kept else OVER_THE_CAP,
        )
        for i in hits
    ]


def _behind_looks(clause: Clause, now: list[Item]) -> list[Behind]:
    """The scans of the last look, in the order of arrival."""
    tally = Looks(clause)
    for item in now:
        tally.change(item.key, 1)
    value = tally.value()
    size = value.seen if value.value is None else tally.marks[-1][0]
    ordered = sorted((item for item in now if item.key[1] is not None), key=lambda i: i.key[0])
    return [Behind(item.fact, _part_of_reading(clause, item.key[1])) for item in ordered[:size]]


def _part_of_reading(clause: Clause, key: Key) -> str:
    if clause.measure in ("read", "readers", "per_period", "assessed", "document", "procedure"):
        return COUNTED
    if clause.measure == "quality":
        return COUNTED if key[0] >= clause.bar else OF_THE_REST
    if clause.measure in SPECIFIC:
        return COUNTED if key[1] in ("a", "d") else OF_THE_REST
    return COUNTED if key[1] else OF_THE_REST


def _earliest_normals(clause: Clause, units: list[tuple[object, Fact, bool]]) -> set[object]:
    """The normal ones under the cap: the earliest by (performed_on, exam)."""
    normal = [(name, fact) for name, fact, is_normal in units if is_normal]
    if clause.normal_cap is None:
        return {name for name, _fact in normal}
    normal.sort(key=lambda one: (one[1].performed_on, str(one[1].exam), str(one[0])))
    return {name for name, _fact in normal[: clause.normal_cap]}
