"""What each row adds to a clause, whether counts meet it, and the value that they come to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from credentialing.bounds import Z
from credentialing.columns.frame import NEGATIVE, NEVER, POSITIVE, Flags, Numbers
from credentialing.columns.runs import Story, lane, word
from credentialing.columns.views import View
from credentialing.measures.plans import AT_LEAST, EXAM, MEDIANS, SHARES, Clause


@dataclass(frozen=True)
class Tally:
    """words: what each row of the view adds. holds: whether a word of counts meets the clause."""

    uses: Flags  # rows of which the clause uses anything
    words: Numbers
    holds: Callable[[Numbers], Flags]


def _hits(clause: Clause, view: View) -> Flags:
    measure = clause.measure
    if measure == "positive":
        return view.credited & (view.call == POSITIVE)
    if measure == "negative":
        return view.credited & (view.call == NEGATIVE)
    if measure == "with_finding":
        return view.credited & view.chunk.frame.facts.signs[clause.finding][view.rows]
    if measure == "supervised":
        return view.credited & view.direct
    if measure == "adequate":
        return view.credited & (view.quality != 0) & (view.quality >= clause.cut)
    return view.credited


def _clears(clause: Clause) -> Callable[[Numbers], Flags]:
    bar = clause.bar
    if clause.direction == AT_LEAST:
        return lambda value: value >= bar
    return lambda value: value <= bar


def _count_total(clause: Clause, words: Numbers) -> Numbers:
    """lanes: normal ones, others."""
    normal = lane(words, 0)
    if clause.unit == EXAM and clause.measure == "negative":
        return normal
    if clause.normal_cap is not None:
        normal = np.minimum(normal, clause.normal_cap)
    return normal + lane(words, 1)


def tally_of(clause: Clause, view: View) -> Tally:
    clears = _clears(clause)
    if clause.measure in SHARES:
        return _share(clause, view)
    if clause.measure in MEDIANS:
        return _median(clause, view)
    if clause.measure == "read":
        uses, normal = view.in_read, np.zeros(len(view.rows), bool)
    elif clause.unit == EXAM:
        hit = view.credited if clause.measure == "negative" else _hits(clause, view)
        asks = clause.measure == "negative" or clause.normal_cap is not None
        other = (view.call != NEGATIVE) if asks else np.zeros(len(hit), bool)
        # lanes of a row: counts, speaks against normal; ExamStory makes exams of them
        return Tally(
            hit | other, word(hit, other), lambda words: clears(_count_total(clause, words))
        )
    else:
        uses = _hits(clause, view)
        capped = clause.normal_cap is not None
        normal = uses & (view.call == NEGATIVE) if capped else np.zeros(len(uses), bool)
    return Tally(
        uses,
        word(uses & normal, uses & ~normal),
        lambda words: clears(_count_total(clause, words)),
    )


def _share(clause: Clause, view: View) -> Tally:
    """lanes: all, hits, positive, negative."""
    clears = _clears(clause)
    if clause.measure == "adequate_share":
        uses = view.in_read
        hit = uses & (view.first_quality != 0) & (view.first_quality >= clause.cut)
        words = word(uses, hit)
    else:
        uses = view.in_read & view.pair
        hit = uses & (view.agrees if clause.measure == "agreement" else view.determinate)
        words = word(
            uses, hit, uses & (view.first_call == POSITIVE), uses & (view.first_call == NEGATIVE)
        )

    def holds(words: Numbers) -> Flags:
        n = lane(words, 0)
        return _known(clause, n, words) & clears(lane(words, 1) / np.maximum(n, 1))

    return Tally(uses, words, holds)


def _known(clause: Clause, n: Numbers, words: Numbers) -> Flags:
    known = n >= max(1, clause.least)
    if clause.least_each > 0:
        known &= lane(words, 2) >= clause.least_each
        known &= lane(words, 3) >= clause.least_each
    return known


def _median(clause: Clause, view: View) -> Tally:
    """lanes: all, those under the bar (`at_most`: those not over it). The lower median is at or
    above a mark exactly where those under it are at most (n - 1) // 2."""
    mark = view.first_quality
    uses = view.in_read & (mark != 0)
    bar = clause.bar
    at_least = clause.direction == AT_LEAST
    below = uses & (mark < bar if at_least else mark <= bar)

    def holds(words: Numbers) -> Flags:
        n = lane(words, 0)
        few = lane(words, 1) <= (n - 1) >> 1
        return (n >= max(1, clause.least)) & (few if at_least else ~few)

    return Tally(uses, word(uses, below), holds)


def exams_of(view: View, tally: Tally, story: Story) -> tuple[Story, Numbers, Numbers]:
    """Events of rows as events of exams: one comes, goes, or turns from normal to not. Their
    words, and the row behind each."""
    both = np.concatenate([tally.uses, [False], tally.uses])
    real = np.flatnonzero(both[story.place])
    place = story.place[real]
    change = np.concatenate([tally.words, [0], -tally.words])[place]
    rows = np.where(place > story.rows, place - story.rows - 1, place)
    steps = _exam_steps(view.exam[rows], change)
    changed = np.flatnonzero(steps)
    return story.some(real[changed]), steps[changed], rows[changed]


def _exam_steps(exam: Numbers, change: Numbers) -> Numbers:
    """What each event, in the order of time, changes in the count of exams. lanes of `change`:
    counting scans, scans that speak against normal; of a step: normal exams, others."""
    if not len(exam):
        return change
    order = np.argsort(exam, kind="stable")
    exam = exam[order]
    total = np.cumsum(change[order])
    starts = np.flatnonzero(np.diff(exam, prepend=-1))
    base = np.concatenate([[0], total[starts[1:] - 1]])
    total -= np.repeat(base, np.diff(starts, append=len(exam)))
    hit, other = lane(total, 0) > 0, lane(total, 1) > 0
    state = word(hit & ~other, hit & other)
    state[1:] -= np.where(exam[1:] == exam[:-1], state[:-1], 0)
    steps = np.empty(len(exam), np.int64)
    steps[order] = state
    return steps


# --- values -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Value:
    numerator: Numbers
    denominator: Numbers | None
    value: Numbers
    lower: Numbers | None
    upper: Numbers | None
    over: Numbers


def value_of(clause: Clause, view: View, tally: Tally, words: Numbers) -> Value:
    nobody = np.zeros(len(words), np.int64)
    if clause.measure in MEDIANS:
        return _value_of_median(clause, view, tally, len(words))
    if clause.measure not in SHARES:
        total = _count_total(clause, words)
        over = nobody
        if clause.normal_cap is not None:
            over = lane(words, 0) + lane(words, 1) - total
        return Value(total, None, total.astype(float), None, None, over)
    n, hits = lane(words, 0), lane(words, 1)
    effective = n.astype(float)
    if not clause.application:
        effective = _effective(view, _current(clause, view, tally), tally, n, hits)
    share = hits / np.maximum(n, 1)
    lower, upper = _wilson(np.minimum(share * effective, effective), effective)
    no_range = (n == 0) | (effective == 0)
    lower[no_range] = upper[no_range] = np.nan
    value = np.where(_known(clause, n, words), share, np.nan)
    return Value(hits, n, value, lower, upper, nobody)


def _current(clause: Clause, view: View, tally: Tally) -> Numbers:
    """The rows that count at the cut."""
    now = tally.uses & view.kept
    if clause.within_months is not None:
        now = now & (view.leaves(clause.within_months) == NEVER)
    return np.flatnonzero(now)


def _value_of_median(clause: Clause, view: View, tally: Tally, people: int) -> Value:
    rows = _current(clause, view, tally)
    place = view.person[rows].astype(np.int64) * 6 + view.first_quality[rows]
    marks = np.bincount(place, minlength=people * 6).reshape(people, 6)
    n = marks.sum(axis=1)
    at_bar = marks[:, max(1, -int(-clause.bar // 1)) :].sum(axis=1)
    median = 1.0 + (np.cumsum(marks[:, 1:5], axis=1) <= ((n - 1) // 2)[:, None]).sum(axis=1)
    known = n >= max(1, clause.least)
    nobody = np.zeros(people, np.int64)
    return Value(at_bar, n, np.where(known, median, np.nan), None, None, nobody)


def _effective(view: View, rows: Numbers, tally: Tally, n: Numbers, hits: Numbers) -> Numbers:
    """`bounds.effective_n` of everybody, in the same order of operations."""
    exams, place = np.unique(view.exam[rows], return_inverse=True)
    m = np.bincount(place, minlength=len(exams)).astype(float)
    x = np.bincount(place, weights=lane(tally.words[rows], 1), minlength=len(exams))
    whose = np.zeros(len(exams), np.int64)
    whose[place] = view.person[rows]
    clusters, xx, xm, mm = (
        np.bincount(whose, weights=w, minlength=len(n))
        for w in (np.ones(len(exams)), x * x, x * m, m * m)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        share = hits / n
        spread = xx - 2 * share * xm + share * share * mm
        variance = clusters / (clusters - 1) * spread / (n * n)
        effect = variance / (share * (1 - share) / n)
        shrunk = n / np.maximum(1.0, effect)
    plain = (hits == 0) | (hits == n) | (clusters < 2)
    return np.where(n == 0, 0.0, np.where(plain, clusters, shrunk))


def _wilson(successes: Numbers, n: Numbers) -> tuple[Numbers, Numbers]:
    """`bounds.wilson` of everybody, in the same order of operations; nothing said where n is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = successes / n
        denominator = 1 + Z * Z / n
        middle = (share + Z * Z / (2 * n)) / denominator
        half = Z * np.sqrt(share * (1 - share) / n + Z * Z / (4 * n * n)) / denominator
    lower = np.where(successes == 0, 0.0, np.maximum(0.0, middle - half))
    upper = np.where(successes == n, 1.0, np.minimum(1.0, middle + half))
    return lower, upper
