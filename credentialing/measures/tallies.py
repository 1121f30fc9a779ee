"""Running whole numbers of one clause: a scan comes in, a scan goes out, what does it say now?

Every tally takes the `key` of an item (see `keyer`): the part of an attestation that the clause
uses. Two attestations of a scan with the same key are the same to the clause.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass

from credentialing.bounds import effective_n, wilson
from credentialing.measures.facts import DIRECT, FOCAL, NEGATIVE, POSITIVE, Fact
from credentialing.measures.plans import (
    AT_LEAST,
    EXAM,
    MEDIANS,
    OF_CREDITED,
    SHARES,
    Clause,
)

Key = tuple[Hashable, ...]


@dataclass(frozen=True, slots=True)
class Value:
    """numerator of denominator (None for a count); value None is not yet known, never zero.

    effective: what the denominator is worth in the bound, where exams are asked several things.
    positives, negatives: of the denominator, by the reading.
    """

    numerator: int
    denominator: int | None = None
    value: float | None = None
    lower: float | None = None
    upper: float | None = None
    effective: float | None = None
    positives: int = 0
    negatives: int = 0


def meets(clause: Clause, value: Value) -> bool:
    if value.value is None:
        return False
    if clause.bound:
        judged = value.lower if clause.direction == AT_LEAST else value.upper
        return judged is not None and clause.clears(judged)
    return clause.clears(value.value)


# ---------------------------------------------------------------------------------------------
# What of an attestation counts


def _hits(clause: Clause) -> Callable[[Fact], bool]:
    """Whether a credited scan counts for a measure of C."""
    finding, cut = clause.finding, clause.cut
    return {
        "credited": lambda fact: True,
        "positive": lambda fact: fact.reader_call == POSITIVE,
        "negative": lambda fact: fact.reader_call == NEGATIVE,
        "with_finding": lambda fact: finding in fact.findings,
        "supervised": lambda fact: fact.supervision == DIRECT,
        "adequate": lambda fact: fact.quality is not None and fact.quality >= cut,
    }[clause.measure]


def keyer(clause: Clause) -> Callable[[Fact], Key | None]:
    """Gives the part of an attestation that this clause uses; None where it uses nothing of it."""
    if clause.measure in OF_CREDITED:
        return _key_of_exam(clause) if clause.unit == EXAM else _key_of_scan(clause)
    cut = clause.cut
    readings: dict[str, Callable[[Fact], Key | None]] = {
        "read": lambda f: (f.exam, True, False),
        "quality": lambda f: None if f.first_quality is None else (f.first_quality,),
        "adequate_share": lambda f: (
            f.exam,
            f.first_quality is not None and f.first_quality >= cut,
            "",
        ),
        "agreement": lambda f: (f.exam, f.agrees, f.first_call) if f.pair else None,
        "determinate": lambda f: (f.exam, f.determinate, f.first_call) if f.pair else None,
    }
    key = readings[clause.measure]
    return lambda fact: key(fact) if fact.in_read else None


def _key_of_scan(clause: Clause) -> Callable[[Fact], Key | None]:
    hit, capped = _hits(clause), clause.normal_cap is not None

    def key(fact: Fact) -> Key | None:
        if not (fact.credited and hit(fact)):
            return None
        return (fact.exam, True, capped and fact.reader_call == NEGATIVE)

    return key


def _key_of_exam(clause: Clause) -> Callable[[Fact], Key | None]:
    # Whether an exam is normal hangs on its scans that were not credited, too.
    normal = clause.measure == "negative"
    uses_normal = normal or clause.normal_cap is not None
    hit = (lambda fact: True) if normal else _hits(clause)

    def key(fact: Fact) -> Key | None:
        counts = fact.credited and hit(fact)
        other = uses_normal and fact.reader_call != NEGATIVE
        return (fact.exam, counts, other) if counts or other else None

    return key


# ---------------------------------------------------------------------------------------------
# Tallies


class Count:
    """Scans; with a cap the normal ones add up to it and no further."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.cap = clause.normal_cap
        self.normal = self.other = 0

    def change(self, key: Key, by: int) -> None:
        if key[2]:
            self.normal += by
        else:
            self.other += by

    def holds(self) -> bool:
        return self.clause.clears(self._total())

    def value(self) -> Value:
        total = self._total()
        return Value(total, value=total)

    def _total(self) -> int:
        return self.other + (self.normal if self.cap is None else min(self.cap, self.normal))


class ExamCount:
    """Distinct exams. One is normal unless a scan of it, credited or not, is read otherwise."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.cap = clause.normal_cap
        self.only_normal = clause.measure == "negative"
        self.exams: dict[Hashable, list[int]] = {}
        self.normal = self.other = 0

    def change(self, key: Key, by: int) -> None:
        exam, hit, other = key
        hits_others = self.exams.setdefault(exam, [0, 0])
        self._count(hits_others, -1)
        hits_others[0] += by if hit else 0
        hits_others[1] += by if other else 0
        self._count(hits_others, 1)

    def _count(self, hits_others: list[int], by: int) -> None:
        hits, others = hits_others
        if hits and others:
            self.other += by
        elif hits:
            self.normal += by

    def holds(self) -> bool:
        return self.clause.clears(self._total())

    def value(self) -> Value:
        total = self._total()
        return Value(total, value=total)

    def _total(self) -> int:
        if self.only_normal:
            return self.normal
        return self.other + (self.normal if self.cap is None else min(self.cap, self.normal))


class Share:
    """Hits of all. Clustered by exam where a clause covers several applications."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.hits = self.n = self.positives = self.negatives = self.focal = 0
        self.exams: dict[Hashable, list[int]] | None = None if clause.application else {}
        self.clusters = self.xx = self.xm = self.mm = 0

    def change(self, key: Key, by: int) -> None:
        exam, hit, call = key
        self.n += by
        self.hits += by if hit else 0
        if call == POSITIVE:
            self.positives += by
        elif call == NEGATIVE:
            self.negatives += by
        elif call == FOCAL:
            self.focal += by
        if self.exams is not None:
            self._cluster(self.exams.setdefault(exam, [0, 0]), hit, by)

    def _cluster(self, sums: list[int], hit: Hashable, by: int) -> None:
        x, m = sums
        self.xx -= x * x
        self.xm -= x * m
        self.mm -= m * m
        self.clusters -= m > 0
        x, m = x + (by if hit else 0), m + by
        sums[:] = x, m
        self.xx += x * x
        self.xm += x * m
        self.mm += m * m
        self.clusters += m > 0

    def known(self) -> bool:
        clause = self.clause
        return (
            self.n >= max(1, clause.least)
            and self.positives >= clause.least_each
            and self.negatives >= clause.least_each
        )

    def holds(self) -> bool:
        if not self.known():
            return False
        return (
            meets(self.clause, self.value())
            if self.clause.bound
            else self.clause.clears(self.hits / self.n)
        )

    def value(self) -> Value:
        hits, n = self.hits, self.n
        effective = float(n)
        if self.exams is not None:
            effective = effective_n(n, hits, self.clusters, self.xx, self.xm, self.mm)
        lower = upper = None
        if n and effective:
            lower, upper = wilson(min(hits / n * effective, effective), effective)
        return Value(
            hits,
            n,
            hits / n if self.known() else None,
            lower,
            upper,
            effective if n else None,
            self.positives,
            self.negatives,
        )


class Median:
    """The lower median of marks 1-5. No mean of an ordinal anywhere."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.marks = [0] * 6
        self.n = 0

    def change(self, key: Key, by: int) -> None:
        self.marks[key[0]] += by
        self.n += by

    def holds(self) -> bool:
        return meets(self.clause, self.value())

    def value(self) -> Value:
        at_bar = sum(self.marks[max(1, -int(-self.clause.bar // 1)) :])
        if self.n < max(1, self.clause.least):
            return Value(at_bar, self.n)
        rank, passed = (self.n - 1) // 2, 0
        for mark in range(1, 6):
            passed += self.marks[mark]
            if passed > rank:
                return Value(at_bar, self.n, mark)
        raise AssertionError("a median lies among its marks")


def tally_of(clause: Clause) -> Count | ExamCount | Share | Median:
    if clause.measure in SHARES:
        return Share(clause)
    if clause.measure in MEDIANS:
        return Median(clause)
    return ExamCount(clause) if clause.unit == EXAM else Count(clause)


Tally = Count | ExamCount | Share | Median
