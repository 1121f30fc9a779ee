"""The learning curve: scan by scan, how long until agreement can no longer be luck. Pure.

    curve_of(facts, waits, as_of=..., limits=...) -> Curve    what stands at (D, D2, N)
    stages_of(facts, waits, as_of=..., limits=...) -> [Stage]  and on every day before
    chance_of_signal(limits, rate, by) -> float                exact, by enumeration

Two cumulative sums of log-likelihood ratios over the same scans. The first begins at *inadequate*
and signals when agreement is as frequent as an adequate person's (Biau DJ, Williams SM, Schlup MM,
Nizard RS, Porcher R. Br J Surg 2008;95:925-9; Biau DJ, Porcher R. Stat Med 2010, doi
10.1002/sim.3947). No signal never means inadequate. After it the second one watches for drift.

A score is worked out from whole-number counts since its last zero, never as a running float, so
that the same scans give the same bits whatever the path to them.
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_left
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from credentialing.measures.facts import AsOf, Fact, Waiting

DAY = dt.timedelta(days=1)
NEVER = dt.date.max
# A wait longer than this no longer holds the curve up; it is skipped, counted and said.
LONGEST_WAIT = dt.timedelta(days=60)
# Limits that signal for an inadequate person by this many scans with more than this chance are
# too easy: half to all of the inadequate pass the thresholds that are often copied.
BY, CHANCE = 100, 0.05
GRID = 20  # steps of h a unit: 0.05

CONTINUE, START_AGAIN = "continue", "start_again"
SIGNAL, ALARM = "signal", "alarm"
DRIFT, SUPERSEDED, NEW_READINGS, STARTED_AGAIN = (
    "drift",
    "superseded",
    "new_readings",
    "started_again",
)


# --- the sums -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Limits:
    """adequate, inadequate: rates of disagreement, 0 < adequate < inadequate < 1. h: the score
    that signals; drift_h: the score of the second sum that alarms."""

    adequate: float = 0.10
    inadequate: float = 0.25
    h: float = 4.40
    drift_h: float = 4.50

    def __post_init__(self) -> None:
        if not 0 < self.adequate < self.inadequate < 1:
            raise ValueError(f"not 0 < {self.adequate} < {self.inadequate} < 1")
        if self.h <= 0 or self.drift_h <= 0:
            raise ValueError("a limit lies above zero")

    @property
    def success(self) -> float:
        """What one agreement adds."""
        return math.log((1 - self.adequate) / (1 - self.inadequate))

    @property
    def failure(self) -> float:
        """What one disagreement adds; negative."""
        return math.log(self.adequate / self.inadequate)

    @property
    def shortest_run(self) -> int:
        """The fewest scans that can signal: agreements without a break."""
        return math.ceil(self.h / self.success - TINY)


DEFAULT = Limits()
# Scores nearer than this are the same: counts times logarithms, a few hundred at most.
TINY = 1e-9


@dataclass(frozen=True, slots=True)
class _Sum:
    """`ups` and `downs` since the last zero; `up` > 0 > `down` are their weights."""

    up: float
    down: float
    h: float

    def score(self, ups: int, downs: int) -> float:
        return ups * self.up + downs * self.down

    def after(self, ups: int, downs: int) -> tuple[int, int, bool]:
        """The counts with one more in them, and whether the limit is reached."""
        score = self.score(ups, downs)
        if score <= TINY:
            return 0, 0, False
        return ups, downs, score >= self.h - TINY


def _learning(limits: Limits) -> _Sum:
    return _Sum(limits.success, limits.failure, limits.h)


def _drifting(limits: Limits) -> _Sum:
    return _Sum(-limits.failure, -limits.success, limits.drift_h)


@dataclass(frozen=True, slots=True)
class Where:
    """Where the two sums stand after a scan. successes, failures: of the first, since its last
    zero; drift_*: of the second. signal, alarm: position in the order of the scan that raised it,
    None while there is none."""

    successes: int = 0
    failures: int = 0
    signal: int | None = None
    drift_failures: int = 0
    drift_successes: int = 0
    alarm: int | None = None

    @property
    def met(self) -> bool:
        return self.signal is not None and self.alarm is None


class _Walk:
    """Both sums over one sequence of scans and decisions."""

    def __init__(self, limits: Limits) -> None:
        self.learning, self.drifting = _learning(limits), _drifting(limits)

    def scan(self, at: Where, position: int, success: bool) -> Where:
        if at.signal is None:
            s, f, signal = self.learning.after(at.successes + success, at.failures + (not success))
            return Where(s, f, position if signal else None)
        if at.alarm is not None:
            return at
        f, s, alarm = self.drifting.after(
            at.drift_failures + (not success), at.drift_successes + success
        )
        return Where(at.successes, at.failures, at.signal, f, s, position if alarm else None)

    def decided(self, at: Where, what: str) -> Where:
        if what == START_AGAIN:
            return Where()
        return Where(at.successes, at.failures, at.signal) if at.alarm is not None else at


# --- exact error rates ----------------------------------------------------------------------------


@lru_cache(maxsize=512)
def _reached(one: _Sum, chance_up: float, by: int) -> tuple[float, ...]:
    """P(the limit is reached by scan n), n = 0..by: the Markov chain over the counts since zero.

    Time and memory: the number of pairs of counts that can occur, about h/up x by, times `by`.
    """
    alive: dict[tuple[int, int], float] = {(0, 0): 1.0}
    reached, found = 0.0, [0.0]
    for _ in range(by):
        after: dict[tuple[int, int], float] = {}
        for (ups, downs), chance in alive.items():
            for more_ups, more_downs, share in (
                (1, 0, chance * chance_up),
                (0, 1, chance * (1 - chance_up)),
            ):
                u, d, signal = one.after(ups + more_ups, downs + more_downs)
                if signal:
                    reached += share
                else:
                    after[u, d] = after.get((u, d), 0.0) + share
        alive = after
        found.append(reached)
    return tuple(found)


def chance_of_signal(limits: Limits, rate: float, by: int) -> float:
    """The chance that somebody whose true rate of disagreement is `rate` has a signal within `by`
    scans. Exact."""
    return _reached(_learning(limits), 1 - rate, by)[by]


def chance_of_alarm(limits: Limits, rate: float, by: int) -> float:
    """The chance of an alarm within `by` scans after a signal, `rate` being the true rate of
    disagreement from then on. Exact."""
    return _reached(_drifting(limits), rate, by)[by]


def smallest_h(
    adequate: float, inadequate: float, *, by: int = BY, chance: float = CHANCE
) -> float:
    """The smallest h on a grid of 0.05 with P(signal by `by` | inadequate) <= chance."""
    low, high = 1, GRID
    while _too_easy(Limits(adequate, inadequate, high / GRID), by, chance):
        low, high = high + 1, high * 2
    while low < high:
        middle = (low + high) // 2
        if _too_easy(Limits(adequate, inadequate, middle / GRID), by, chance):
            low = middle + 1
        else:
            high = middle
    return low / GRID


def _too_easy(limits: Limits, by: int, chance: float) -> bool:
    return chance_of_signal(limits, limits.inadequate, by) > chance


def passes_the_inadequate(limits: Limits) -> float | None:
    """The chance that an inadequate person has a signal by scan 100, where it is more than 0.05:
    a warning to print beside the limits. None where it is not."""
    found = chance_of_signal(limits, limits.inadequate, BY)
    return found if found > CHANCE else None


# --- order and cut --------------------------------------------------------------------------------

Key = tuple[dt.date, float, str]


def order_of(one: Any) -> Key:
    """The order of the curve for a fact or a waiting scan: day first received, time performed,
    exam. Not the order of reading: who reads the easy ones first must not move a curve."""
    moment = one.performed_at.timestamp() if one.performed_at is not None else 0.0
    return (one.received_on, moment, str(one.exam))


@dataclass(frozen=True, slots=True)
class Decision:
    """What the director recorded about an alarm. It stands in the order behind the scans that
    were received up to its day, and touches the ones after them."""

    what: str
    on: dt.date
    seq: int
    application: str = ""
    id: Hashable = None

    def known(self, as_of: AsOf) -> bool:
        return self.on <= as_of.d2 and self.seq <= as_of.n


@dataclass(frozen=True, slots=True)
class _Wait:
    key: Key
    begins: dt.date
    ends: dt.date  # the first day on which it does not wait

    def holds_up(self, day: dt.date, d: dt.date) -> bool:
        """Waiting on the evening of `day`, and not for too long; ages are counted to D at most."""
        return self.begins <= day < self.ends and min(day, d) - self.begins <= LONGEST_WAIT


def _waits(facts: Iterable[Fact], waits: Iterable[Waiting], as_of: AsOf) -> list[_Wait]:
    """Each scan from the day it was received until it was read, or left the list otherwise."""
    found = []
    for fact in facts:
        if fact.ordinal != 1 or not fact.received(as_of):
            continue
        read = fact.signed_on if fact.known(as_of) else NEVER
        if fact.received_on < read:
            found.append(_Wait(order_of(fact), fact.received_on, read))
    for one in waits:
        if not one.received(as_of):
            continue
        gone = one.ended(as_of) or NEVER
        if one.received_on < gone:
            found.append(_Wait(order_of(one), one.received_on, gone))
    return found


def _change_days(fact: Fact, as_of: AsOf) -> tuple[dt.date, dt.date]:
    """(first day current, first day not current any more)."""
    return max(fact.signed_on, fact.performed_on), fact.replaced(as_of) or NEVER


def _usable(fact: Fact) -> bool:
    """A pair of R: its first reading was independent and determinate."""
    return fact.in_read and fact.pair


# --- what stands now ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Point:
    """One scan of the curve. score: of the sum that runs there (the first until its signal, the
    second after it); event: "", `signal` or `alarm`. watched: the second sum runs."""

    fact: Any
    success: bool
    score: float
    watched: bool
    event: str = ""
    starts: str = ""  # a decision that stands before this scan


@dataclass(frozen=True, slots=True)
class Curve:
    """The curve at (D, D2, N). waiting: scans received and unread that hold it up or stand behind
    the cut; behind: read scans that the cut leaves out for now; skipped: waits of more than 60
    days that it passes over. not_compared: readings that decided nothing, skipped."""

    limits: Limits
    points: tuple[Point, ...]
    where: Where
    waiting: int
    behind: int
    skipped: int
    not_compared: int
    cut_on: dt.date | None = None  # the scan that holds it up was received on this day

    @property
    def signal(self) -> Point | None:
        return None if self.where.signal is None else self.points[self.where.signal]

    @property
    def alarm(self) -> Point | None:
        return None if self.where.alarm is None else self.points[self.where.alarm]

    @property
    def met(self) -> bool:
        return self.where.met


def used_of(
    facts: Iterable[Fact], waits: Iterable[Waiting], *, as_of: AsOf
) -> tuple[list[Fact], _Cut]:
    """The pairs of R current at (D, D2, N) in the order of the curve, cut before the earliest scan
    that still waits; and what the cut did. For one application: the caller chooses."""
    facts, waits = list(facts), list(waits)
    current = [f for f in facts if f.known(as_of) and f.replaced(as_of) is None and f.in_read]
    pairs = sorted((f for f in current if f.pair), key=order_of)
    pending = [w for w in _waits(facts, waits, as_of) if w.begins <= as_of.d2 < w.ends]
    holding = [w for w in pending if w.holds_up(as_of.d2, as_of.d)]
    first = min(holding, key=lambda wait: wait.key, default=None)
    used = pairs if first is None else [f for f in pairs if order_of(f) < first.key]
    return used, _Cut(
        waiting=len(holding),
        behind=len(pairs) - len(used),
        skipped=len(pending) - len(holding),
        not_compared=len(current) - len(pairs),
        on=first.begins if first else None,
    )


@dataclass(frozen=True, slots=True)
class _Cut:
    waiting: int
    behind: int
    skipped: int
    not_compared: int
    on: dt.date | None


def curve_of(
    facts: Iterable[Fact],
    waits: Iterable[Waiting],
    *,
    as_of: AsOf,
    limits: Limits = DEFAULT,
    decisions: Iterable[Decision] = (),
) -> Curve:
    """The curve of one trainee and application as of (D, D2, N). Linear, plus a sort."""
    used, cut = used_of(facts, waits, as_of=as_of)
    known = _in_order(decisions, as_of)
    walk, at, turn = _Walk(limits), Where(), 0
    points: list[Point] = []
    for position, fact in enumerate(used):
        starts = ""
        while turn < len(known) and known[turn].on < fact.received_on:
            before, at = at, walk.decided(at, known[turn].what)
            starts = known[turn].what if at != before else starts
            turn += 1
        before, at = at, walk.scan(at, position, fact.agrees)
        points.append(_point(walk, fact, before, at, starts))
    for decision in known[turn:]:
        at = walk.decided(at, decision.what)
    return Curve(
        limits, tuple(points), at, cut.waiting, cut.behind, cut.skipped, cut.not_compared, cut.on
    )


def _in_order(decisions: Iterable[Decision], as_of: AsOf) -> list[Decision]:
    return sorted((d for d in decisions if d.known(as_of)), key=lambda d: (d.on, d.seq))


def _point(walk: _Walk, fact: Fact, before: Where, at: Where, starts: str) -> Point:
    if before.signal is None:
        score = walk.learning.score(at.successes, at.failures)
        event = SIGNAL if at.signal is not None else ""
        return Point(fact, fact.agrees, score, False, event, starts)
    score = walk.drifting.score(at.drift_failures, at.drift_successes)
    event = ALARM if at.alarm is not None and before.alarm is None else ""
    return Point(fact, fact.agrees, score, True, event, starts)


# --- on every day before --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stage:
    """From the evening of `on` until the next stage. signal, alarm: the scans that raised them.
    cause: why the clause stopped holding here or the signal went, where one did: `drift`,
    `superseded`, `new_readings` or `started_again`."""

    on: dt.date
    signal: Any = None
    alarm: Any = None
    cause: str = ""

    @property
    def met(self) -> bool:
        return self.signal is not None and self.alarm is None


@dataclass(slots=True)
class _Sequence:
    """The scans in their order with the sums after each; remade from the first one that changed."""

    walk: _Walk
    keys: list[Key] = field(default_factory=list)
    facts: list[Any] = field(default_factory=list)
    after: list[Where] = field(
        default_factory=list
    )  # shorter than `keys` where it has to be remade

    def put(self, fact: Any) -> None:
        key = order_of(fact)
        at = bisect_left(self.keys, key)
        self.keys.insert(at, key)
        self.facts.insert(at, fact)
        del self.after[at:]

    def take(self, fact: Any) -> None:
        at = bisect_left(self.keys, order_of(fact))
        del self.keys[at], self.facts[at]
        del self.after[at:]

    def upto(self, cut: Key | None, decisions: Sequence[Decision]) -> Where:
        """Where the sums stand before the cut, with these decisions."""
        end = len(self.keys) if cut is None else bisect_left(self.keys, cut)
        for position in range(len(self.after), end):
            received = self.keys[position][0]
            at = self.after[position - 1] if position else Where()
            last = self.keys[position - 1][0] if position else dt.date.min
            for one in decisions:
                if last <= one.on < received:
                    at = self.walk.decided(at, one.what)
            self.after.append(self.walk.scan(at, position, self.facts[position].agrees))
        at = self.after[end - 1] if end else Where()
        last = self.keys[end - 1][0] if end else dt.date.min
        for one in decisions:
            if one.on >= last:
                at = self.walk.decided(at, one.what)
        return at


def stages_of(
    facts: Iterable[Fact],
    waits: Iterable[Waiting],
    *,
    as_of: AsOf,
    limits: Limits = DEFAULT,
    decisions: Iterable[Decision] = (),
) -> list[Stage]:
    """What stood on the evening of each day up to D2, where it changed; the last one stands now.

    The first stage is the first signal; nothing is said before it. A day costs what changed on
    it: scans are appended mostly, and only a correction or a late reading remakes what follows it.
    """
    facts, known = list(facts), _in_order(decisions, as_of)
    waiting = sorted(_waits(facts, waits, as_of), key=lambda wait: wait.key)
    comes: dict[dt.date, list[Any]] = {}
    goes: dict[dt.date, list[Any]] = {}
    days = {one.on for one in known}
    for fact in facts:
        if not fact.known(as_of) or not _usable(fact):
            continue
        since, until = _change_days(fact, as_of)
        if since < until:
            comes.setdefault(since, []).append(fact)
            if until != NEVER:
                goes.setdefault(until, []).append(fact)
    days |= comes.keys() | goes.keys()
    for wait in waiting:
        days |= {wait.begins, wait.ends, wait.begins + LONGEST_WAIT + DAY}
    sequence, applied = _Sequence(_Walk(limits)), 0
    stages: list[Stage] = []
    pending = _Pending(waiting)
    for day in sorted(day for day in days if day <= as_of.d2):
        for fact in goes.get(day, ()):
            sequence.take(fact)
        for fact in comes.get(day, ()):
            sequence.put(fact)
        if applied < len(known) and known[applied].on <= day:
            # A decision touches what was received after its day; the sums until there stand.
            first = bisect_left(sequence.keys, (known[applied].on + DAY, 0.0, ""))
            del sequence.after[first:]
        while applied < len(known) and known[applied].on <= day:
            applied += 1
        at = sequence.upto(pending.earliest(day, as_of.d), known[:applied])
        stage = Stage(
            day,
            None if at.signal is None else sequence.facts[at.signal],
            None if at.alarm is None else sequence.facts[at.alarm],
        )
        _note(stages, stage, corrected=day in goes, decided=any(d.on == day for d in known))
    return stages


def _note(stages: list[Stage], stage: Stage, *, corrected: bool, decided: bool) -> None:
    before = stages[-1] if stages else None
    if before is None and stage.signal is None:
        return
    if before is not None and _same(before, stage):
        return
    cause = ""
    gone = before is not None and before.signal is not None and stage.signal is None
    if gone or (before is not None and before.met and not stage.met):
        if stage.alarm is not None:
            cause = DRIFT
        elif corrected:
            cause = SUPERSEDED
        else:
            cause = STARTED_AGAIN if decided else NEW_READINGS
    stages.append(Stage(stage.on, stage.signal, stage.alarm, cause))


def _same(one: Stage, other: Stage) -> bool:
    def scan(fact: Any) -> Hashable:
        return None if fact is None else fact.scan

    return scan(one.signal) == scan(other.signal) and scan(one.alarm) == scan(other.alarm)


class _Pending:
    """The earliest scan that holds the curve up on a day; the days come in order."""

    def __init__(self, waits: Sequence[_Wait]) -> None:
        self.waits, self.done = waits, 0

    def earliest(self, day: dt.date, d: dt.date) -> Key | None:
        # In the order of the key, so of the day received: who is done with at the front stays so.
        while self.done < len(self.waits) and self._over(self.waits[self.done], day, d):
            self.done += 1
        for at in range(self.done, len(self.waits)):
            wait = self.waits[at]
            if wait.begins > day:
                return None
            if wait.holds_up(day, d):
                return wait.key
        return None

    @staticmethod
    def _over(wait: _Wait, day: dt.date, d: dt.date) -> bool:
        return wait.ends <= day or (wait.begins <= day and not wait.holds_up(day, d))


@dataclass(frozen=True, slots=True)
class Vanished:
    """A signal that stood and no longer does: the scan that had raised it, and both days."""

    scan: Any
    from_on: dt.date
    gone_on: dt.date


def vanished_of(stages: Sequence[Stage]) -> list[Vanished]:
    """Signals that disappeared: taken away by a correction, or by readings that came late."""
    found: list[Vanished] = []
    since: Stage | None = None
    for stage in stages:
        if since is not None and stage.signal is None and stage.cause != STARTED_AGAIN:
            found.append(Vanished(since.signal, since.on, stage.on))
        if stage.signal is None:
            since = None
        elif since is None:
            since = stage
    return found
