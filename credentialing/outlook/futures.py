"""Whole futures: streams of whole exams, each judged by `credentialing.measures`.

A future is drawn in this order: a rate from its posterior, the chance that an exam comes to count,
how many exams there will be, on which exposed days, and what each one is: one of the trainee's
own with chance n / (n + 20), else one of the programme's of that stage. Exams that wait to be read
come to count with the same chance, each like one that asked the same. Chances of single clauses
are never multiplied: a future that reaches all numbers at once is counted as one that does.

What an exam adds to a clause is asked of the clause's own tally, once for each exam of the stock;
where that adds up (counts, shares, medians on the last day) the futures are sums. What hangs on
order or days (looks, a curve, one clause after another, a best window, *once* in a trailing
window) goes through `measures.judge`, one whole history a future. The tests hold both to be equal.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from credentialing import measures
from credentialing.measures import AsOf, Clause, Fact, Gate, History, Plan
from credentialing.measures.plans import AT_LEAST, COUNTS, EXAM, MEDIANS, STILL
from credentialing.measures.tallies import keyer, tally_of
from credentialing.months import minus_months
from credentialing.outlook.forecast import STEADY, Counts, Forecast
from credentialing.outlook.rates import Gamma

FUTURES = 2000
OWN = 20
VARIANTS = 64
DAY = dt.timedelta(days=1)
LATER = 10**15  # a ledger position after everything

# Numbers that no exam to come moves; what is missing of them is not a matter of pace.
NOT_FORECAST = ("assessed", "document", "procedure", "sensitivity", "specificity")
# Shares of R that hang on their numerator and denominator alone.
PLAIN_SHARES = ("adequate_share", "agreement", "determinate")


def seed(*parts: Hashable) -> np.random.Generator:
    """Random numbers keyed by what the forecast is of: the same question, the same answer."""
    said = "|".join(str(part) for part in parts).encode()
    return np.random.default_rng(int.from_bytes(hashlib.sha256(said).digest(), "big"))


@dataclass(frozen=True, slots=True)
class WaitingExam:
    """An exam that was submitted and is not read: what it asks."""

    performed_on: dt.date
    applications: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: where will this history be on `end` (its last day)?

    now: D. days: exposure in days of each day from the one after D; at most up to `end`.
    own, pool: exams that came to count (something of them was credited), each as its current
    facts; pool: the programme's of that stage. uncredited: read exams of which nothing was
    credited, and among exams that did not count their share: they feed the accuracy all the same.
    waiting: exams that wait.
    """

    plan: Plan
    history: History
    now: AsOf
    end: dt.date
    days: np.ndarray
    rate: Gamma
    phi: float
    counts: Counts
    own: tuple[tuple[Fact, ...], ...]
    pool: tuple[tuple[Fact, ...], ...]
    waiting: tuple[WaitingExam, ...] = ()
    uncredited: tuple[tuple[Fact, ...], ...] = ()
    uncredited_share: float = 0.0

    @property
    def as_of(self) -> AsOf:
        return AsOf(self.end, self.end, LATER)

    @property
    def own_share(self) -> float:
        """How much of the exams to come are like the trainee's own."""
        if not self.pool:
            return 1.0
        return len(self.own) / (len(self.own) + OWN)


@dataclass(frozen=True, slots=True)
class Fan:
    """How a plain count goes on: on each day the 10th, 50th and 90th of a hundred futures."""

    days: tuple[dt.date, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """clauses: ordinal -> chance, for those that a forecast can say something about. joint: that
    the plan is met on the last day, numbers that are not forecast left out. left_out: their
    ordinals, where they are not met now. coming: exams read in each future."""

    clauses: Mapping[int, float]
    joint: float
    left_out: tuple[int, ...]
    coming: np.ndarray
    fans: Mapping[int, Fan] = field(default_factory=dict)


def tell(question: Question, dice: np.random.Generator, *, n: int = FUTURES) -> Told:
    """Draw `n` futures and judge each.

    Time: exams of all futures x clauses, in numpy; for a gate that hangs on order or days `n`
    whole judgements. Memory: a few numbers an exam.
    """
    stock = _Stock(question)
    plan, frozen = question.plan, _frozen(question)
    futures = _draw(question, stock, dice, n)
    met: dict[int, np.ndarray] = {}
    whole = np.ones(n, dtype=bool)
    for gate in plan.gates:
        holds = _judge(gate, question, stock, futures, frozen)
        held = np.zeros(n, dtype=int)
        for clause, one in zip(gate.clauses, holds, strict=True):
            met[clause.ordinal] = one
            # What is not forecast and missing is taken as met, and said.
            held += one | (clause.ordinal in frozen)
        whole &= held >= gate.needs
    return Told(
        {c.ordinal: float(met[c.ordinal].mean()) for c in plan.clauses if c.ordinal not in frozen},
        float(whole.mean()),
        tuple(ordinal for ordinal, held in sorted(frozen.items()) if not held),
        np.bincount(futures.of, minlength=n),
        {c.ordinal: _fan(c, question, stock, futures) for c in plan.clauses if is_plain(c)},
    )


def _frozen(question: Question) -> dict[int, bool]:
    """Clauses that no exam moves: whether they are met now."""
    if not any(c.measure in NOT_FORECAST for c in question.plan.clauses):
        return {}
    standing = measures.judge(question.plan, question.history, as_of=question.now)
    return {
        row.clause.ordinal: row.met
        for row in standing.clauses
        if row.clause.measure in NOT_FORECAST
    }


# --- drawing --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Futures:
    """Exams of all futures, by future and then by day: of which future, like which exam of the
    stock, performed on which day (its ordinal)."""

    n: int
    of: np.ndarray
    like: np.ndarray
    on: np.ndarray

    def each(self) -> Iterable[tuple[np.ndarray, np.ndarray]]:
        """(like, on) of each future."""
        edges = np.searchsorted(self.of, np.arange(self.n + 1))
        for at in range(self.n):
            these = slice(edges[at], edges[at + 1])
            yield self.like[these], self.on[these]


class _Stock:
    """Every exam that a future may be made of, by number: the trainee's own, the programme's,
    those of which nothing was credited, and what waiting exams may turn out to be."""

    def __init__(self, question: Question) -> None:
        self.exams: list[tuple[Fact, ...]] = [
            *question.own,
            *question.pool,
            *question.uncredited,
        ]
        self.own, self.pool = len(question.own), len(question.pool)
        self.uncredited = len(question.uncredited)
        self.own_share = question.own_share if self.own else 0.0
        self.asks = [frozenset(f.application for f in exam) for exam in self.exams]

    @property
    def empty(self) -> bool:
        return not self.own + self.pool

    def like(self, one: WaitingExam) -> tuple[list[int], list[int]]:
        """Exams that asked what this one asks: the trainee's own, and the programme's. Where
        nobody's did, some put together from single scans."""
        asked = frozenset(one.applications)
        found = [at for at in range(self.own + self.pool) if self.asks[at] == asked]
        if not found:
            return [], self._put_together(one)
        return [at for at in found if at < self.own], [at for at in found if at >= self.own]

    def _put_together(self, one: WaitingExam) -> list[int]:
        made = []
        by_application = {
            application: [
                fact
                for exam in self.exams[: self.own + self.pool]
                for fact in exam
                if fact.application == application
            ]
            for application in one.applications
        }
        for k in range(VARIANTS):
            facts = tuple(
                some[k * (2 * at + 1) % len(some)]
                for at, some in enumerate(by_application.values())
                if some
            )
            self.exams.append(facts)
            self.asks.append(frozenset())
            made.append(len(self.exams) - 1)
        return made

    def share_of(self, mine: Sequence[int], theirs: Sequence[int], application: str) -> float:
        """The share of exams drawn from these two that credit the application."""

        def share(some: Sequence[int]) -> float:
            return sum(_credits(self.exams[at], application) for at in some) / len(some)

        if not mine or not theirs:
            return share(mine or theirs) if mine or theirs else 0.0
        return self.own_share * share(mine) + (1 - self.own_share) * share(theirs)


def _credits(exam: Sequence[Fact], application: str) -> bool:
    return any(fact.credited and fact.application == application for fact in exam)


def _draw(question: Question, stock: _Stock, dice: np.random.Generator, n: int) -> Futures:
    exposure = question.days / 7.0
    weeks = float(exposure.sum())
    rates = dice.gamma(question.rate.a, 1 / question.rate.b, n)
    counting = np.ones(n)
    if not question.counts.certain:
        counting = dice.beta(1 + question.counts.yes, 1 + question.counts.no, n)
    if question.phi > STEADY:
        size = np.maximum(rates * weeks / (question.phi - 1), 1e-12)
        exams = dice.negative_binomial(size, 1 / question.phi)
    else:
        exams = dice.poisson(rates * weeks)
    kept = dice.binomial(exams, counting)
    others = dice.binomial(exams - kept, question.uncredited_share)
    if stock.empty:
        kept[:] = 0
    if not stock.uncredited:
        others[:] = 0
    which = np.arange(n)
    of, like, on = [], [], []
    for one in question.waiting:
        mine, theirs = stock.like(one)
        if not mine and not theirs:
            continue
        read = which[dice.random(n) < counting]
        of.append(read)
        like.append(_pick(mine, theirs, stock.own_share, dice, len(read)))
        on.append(np.full(len(read), one.performed_on.toordinal()))
    total, extra = int(kept.sum()), int(others.sum())
    of += [np.repeat(which, kept), np.repeat(which, others)]
    own = np.arange(stock.own)
    pool = np.arange(stock.own, stock.own + stock.pool)
    like.append(_pick(own, pool, stock.own_share, dice, total))
    like.append(stock.own + stock.pool + dice.integers(0, max(stock.uncredited, 1), extra))
    if total + extra:
        first = question.now.d.toordinal() + 1
        on.append(first + dice.choice(len(exposure), size=total + extra, p=exposure / weeks))
    whose, days = np.concatenate(of), np.concatenate([*on, np.zeros(0, dtype=int)])
    order = np.lexsort((days, whose))
    return Futures(n, whose[order], np.concatenate(like)[order], days[order])


def _pick(mine, theirs, share: float, dice: np.random.Generator, n: int) -> np.ndarray:
    """`n` of the two lists, from the first with that chance; from the other where one is empty."""
    if not len(mine) or not len(theirs):
        share = 1.0 if len(mine) else 0.0
    first = dice.random(n) < share
    a = np.asarray(mine if len(mine) else [0])[dice.integers(0, max(len(mine), 1), n)]
    b = np.asarray(theirs if len(theirs) else [0])[dice.integers(0, max(len(theirs), 1), n)]
    return np.where(first, a, b).astype(int)


# --- judging --------------------------------------------------------------------------------------


def _judge(
    gate: Gate, question: Question, stock: _Stock, futures: Futures, frozen: Mapping[int, bool]
) -> list[np.ndarray]:
    """Which clauses of the gate hold on the last day, future by future."""
    linked = any(map(_linked, question.plan.clauses))
    if linked or bool(getattr(gate, "window", "")) or not all(map(adds_up, gate.clauses)):
        return _judged_whole(gate, question, stock, futures, whole_plan=linked)
    found = []
    for clause in gate.clauses:
        if clause.ordinal in frozen:
            found.append(np.full(futures.n, frozen[clause.ordinal]))
        elif clause.measure == "elapsed_months":
            alone = Plan((Gate(1, (clause,)),))
            known = measures.judge(alone, question.history, as_of=question.as_of).met
            found.append(np.full(futures.n, known))
        elif clause.measure in COUNTS:
            found.append(_counted(clause, question, stock, futures))
        elif clause.measure in MEDIANS:
            found.append(_median(clause, question, stock, futures))
        else:
            found.append(_shared(clause, question, stock, futures))
    return found


def _linked(clause: Clause) -> bool:
    """Whether other clauses say which scans it may use."""
    return getattr(clause, "after", None) is not None or bool(getattr(clause, "further", ()))


def adds_up(clause: Clause) -> bool:
    """Whether the clause holds on the last day if its tally does then, of scans alone, and its
    tally is a sum over exams."""
    if clause.measure in NOT_FORECAST or clause.measure == "elapsed_months":
        return True
    if getattr(clause, "since", "") or clause.measure == "supervised":
        return False
    if clause.unit not in (measures.SCAN, EXAM):
        return False
    if clause.measure in COUNTS:
        grows = clause.direction == AT_LEAST and clause.within_months is None
        grows = grows and (clause.measure != "negative" or clause.unit != EXAM)
        return grows or clause.judged == STILL
    if clause.bound or clause.judged != STILL:
        return False
    return clause.measure in (*PLAIN_SHARES, *MEDIANS)


def _sums(
    clause: Clause,
    question: Question,
    stock: _Stock,
    futures: Futures,
    numbers: Callable[[Clause, Iterable[Fact]], Sequence[int]],
) -> np.ndarray:
    """`numbers` of everything that counts on the last day: one row a future."""
    groups, months = question.history.groups, clause.within_months
    starts = dt.date.min if months is None else minus_months(question.end, months)

    def mine(facts: Iterable[Fact]) -> list[Fact]:
        return [fact for fact in facts if clause.covers(fact.application, groups)]

    base = numbers(
        clause,
        mine(
            fact
            for fact in question.history.facts
            if fact.known(question.now)
            and fact.replaced(question.now) is None
            and fact.performed_on > starts
        ),
    )
    adds = np.array([numbers(clause, mine(exam)) for exam in stock.exams], dtype=float)
    adds = adds.reshape(len(stock.exams), len(base))
    inside = futures.on > starts.toordinal()
    of, like = futures.of[inside], futures.like[inside]
    return np.stack(
        [
            base[k] + np.bincount(of, weights=adds[like, k], minlength=futures.n)
            for k in range(len(base))
        ],
        axis=1,
    )


def _counted(clause: Clause, question: Question, stock: _Stock, futures: Futures) -> np.ndarray:
    """Everything that is not normal, and normal ones up to the cap."""
    if clause.normal_cap is None:
        total = _sums(clause, question, stock, futures, _uncapped)[:, 0]
    else:
        sums = _sums(clause, question, stock, futures, _capped)
        total = sums[:, 0] + np.minimum(sums[:, 1], clause.normal_cap)
    total = total + _moved(clause, question)
    return total >= clause.bar if clause.direction == AT_LEAST else total <= clause.bar


def _value(clause: Clause, facts: Iterable[Fact]):
    """What the clause's own tally says of these scans, however few they are."""
    key_of, tally = keyer(clause), tally_of(clause)
    for fact in facts:
        if (key := key_of(fact)) is not None:
            tally.change(key, 1)
    return tally.value()


def _uncapped(clause: Clause, facts: Iterable[Fact]) -> tuple[int]:
    return (_value(clause, facts).numerator,)


def _capped(clause: Clause, facts: Iterable[Fact]) -> tuple[int, int]:
    facts = list(facts)
    others = _value(replace(clause, normal_cap=0), facts).numerator
    # A cap that nothing reaches, and not None: normal ones are told apart only under a cap.
    return others, _value(replace(clause, normal_cap=10**9), facts).numerator - others


def _of_share(clause: Clause, facts: Iterable[Fact]) -> tuple[int, int, int, int]:
    value = _value(clause, facts)
    return value.numerator, value.denominator or 0, value.positives, value.negatives


def _shared(clause: Clause, question: Question, stock: _Stock, futures: Futures) -> np.ndarray:
    sums = _sums(clause, question, stock, futures, _of_share)
    hits, n, positives, negatives = sums.T
    known = (
        (n >= max(1, clause.least))
        & (positives >= clause.least_each)
        & (negatives >= clause.least_each)
    )
    share = hits / np.maximum(n, 1)
    clears = share >= clause.bar if clause.direction == AT_LEAST else share <= clause.bar
    return known & clears


def _of_median(clause: Clause, facts: Iterable[Fact]) -> list[int]:
    """How many marks of at least 2, 3, 4, 5, and of any kind."""
    facts = list(facts)
    any_at_all = _value(clause, facts).denominator or 0
    above = [_value(replace(clause, bar=mark), facts).numerator for mark in (2, 3, 4, 5)]
    return [any_at_all, *above]


def _median(clause: Clause, question: Question, stock: _Stock, futures: Futures) -> np.ndarray:
    """The lower median of n marks is at least m where more than half of them are, or half of an
    even number and one: where fewer than (n + 1) // 2 lie below m."""
    sums = _sums(clause, question, stock, futures, _of_median)
    n = sums[:, 0]
    below = n[:, None] - sums[:, 1:]
    median = 1 + (below <= ((n - 1) // 2)[:, None]).sum(axis=1)
    known = n >= max(1, clause.least)
    clears = median >= clause.bar if clause.direction == AT_LEAST else median <= clause.bar
    return known & clears


def _moved(clause: Clause, question: Question) -> int:
    """What of the number was attested elsewhere; no exam to come changes it."""
    if clause.measure != "credited" or not getattr(question.history, "transfers", ()):
        return 0
    alone = Plan((Gate(1, (clause,)),))
    [row] = measures.judge(alone, question.history, as_of=question.as_of).clauses
    return int(getattr(row.value, "transferred", 0))


def _judged_whole(
    gate: Gate, question: Question, stock: _Stock, futures: Futures, *, whole_plan: bool
) -> list[np.ndarray]:
    """A gate that hangs on order or days: the whole history with each future in it is judged."""
    plan = question.plan if whole_plan else replace(question.plan, gates=(gate,))
    found = np.zeros((len(gate.clauses), futures.n), dtype=bool)
    for at, (like, on) in enumerate(futures.each()):
        history = history_with(question, stock, like, on)
        standing = measures.judge(plan, history, as_of=question.as_of)
        met = {row.clause.ordinal: row.met for row in standing.clauses}
        found[:, at] = [met[clause.ordinal] for clause in gate.clauses]
    return list(found)


def history_with(question: Question, stock: _Stock, like: np.ndarray, on: np.ndarray) -> History:
    """The history as it would be on the last day: every exam of the future read by then."""
    facts = [fact for fact in question.history.facts if fact.known(question.now)]
    first = question.now.d2 + DAY
    for name, (exam, ordinal) in enumerate(zip(like, on, strict=True)):
        performed = dt.date.fromordinal(int(ordinal))
        for at, fact in enumerate(stock.exams[exam]):
            facts.append(
                replace(
                    fact,
                    exam=_Named(name),
                    scan=_Named(name, at),
                    ordinal=1,
                    performed_on=performed,
                    performed_at=dt.datetime.combine(performed, dt.time(12), dt.UTC),
                    received_on=performed,
                    signed_on=min(max(first, performed), question.end),
                    seq=question.now.n + 1,
                    superseded_on=None,
                    superseded_seq=None,
                )
            )
    return replace(question.history, facts=tuple(facts), waiting=(), ended=())


@dataclass(frozen=True, slots=True, order=True)
class _Named:
    """The name of an exam or a scan that does not exist yet; sorts after every UUID."""

    exam: int
    scan: int = 0

    def __str__(self) -> str:
        return f"~{self.exam:06d}.{self.scan}"


# --- how a count goes on --------------------------------------------------------------------------

POINTS = 13


def is_plain(clause: Clause) -> bool:
    """A count of credited scans or exams that only grows: the closed form gives it, too."""
    return (
        clause.measure == "credited"
        and clause.direction == AT_LEAST
        and clause.within_months is None
        and clause.normal_cap is None
        and adds_up(clause)
        and not _linked(clause)
    )


def _fan(clause: Clause, question: Question, stock: _Stock, futures: Futures) -> Fan:
    alone = Plan((Gate(1, (clause,)),))
    [row] = measures.judge(alone, question.history, as_of=question.now).clauses
    groups = question.history.groups
    adds = np.array(
        [
            _value(clause, (f for f in exam if clause.covers(f.application, groups))).numerator
            for exam in stock.exams
        ]
        or [0]
    )
    span = (question.end - question.now.d).days
    days = sorted({round(span * k / (POINTS - 1)) for k in range(POINTS)})
    starts = question.now.d.toordinal()
    weights = adds[futures.like] if len(futures.like) else np.zeros(0)
    rows = [
        row.value.numerator
        + np.bincount(
            futures.of[by := futures.on <= starts + day], weights=weights[by], minlength=futures.n
        )
        for day in days
    ]
    # What waits counts from the first day on which it could be read.
    low, middle, high = np.quantile(np.array(rows), [0.1, 0.5, 0.9], axis=1)
    return Fan(
        tuple(question.now.d + dt.timedelta(days=day) for day in days),
        tuple(map(float, low)),
        tuple(map(float, middle)),
        tuple(map(float, high)),
    )


def closed_form(question: Question, clause: Clause) -> Forecast | None:
    """The forecast of a plain count of one application, exactly as the futures draw it; None for
    any other clause."""
    if not (is_plain(clause) and clause.application):
        return None
    stock = _Stock(question)
    own = list(range(stock.own))
    pool = list(range(stock.own, stock.own + stock.pool))
    return Forecast(
        rate=question.rate,
        weeks=float(question.days.sum()) / 7.0,
        phi=question.phi,
        part=stock.share_of(own, pool, clause.application),
        waiting=tuple(
            stock.share_of(*stock.like(one), clause.application) for one in question.waiting
        ),
        counts=question.counts,
    )
