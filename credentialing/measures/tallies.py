"""Running whole numbers of one clause: a scan comes in, a scan goes out, what does it say now?

Every tally takes the `key` of an item (see `keyer`): the part of an attestation that the clause
uses. Two attestations of a scan with the same key are the same to the clause.
"""

from __future__ import annotations

import copy
from bisect import bisect_left, insort
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from typing import Any

from credentialing.bounds import effective_n, wilson
from credentialing.measures.facts import CLINICAL, DIRECT, FOCAL, NEGATIVE, POSITIVE, Fact
from credentialing.measures.plans import (
    APART,
    AS_POSITIVE,
    AT_LEAST,
    CENSUS,
    MEDIANS,
    OF_CREDITED,
    PATIENT,
    REFERENCED,
    SCAN,
    SHARES,
    Clause,
)
from logbook.answers import on_side, two_by_two

Key = tuple[Any, ...]
# The first part of a key of what was attested elsewhere; the second is how many.
TRANSFERRED = "attested elsewhere"


@dataclass(frozen=True, slots=True)
class Value:
    """numerator of denominator (None for a count); value None is not yet known, never zero.

    effective: what the denominator is worth in the bound, where exams are asked several things.
    positives, negatives: of the denominator, by the reading. For the specific agreements
    numerator and denominator are 2a and 2a + b + c, and table is (a, b, c, d).
    seen: scans in order so far, where the value is that of the last look. transferred: of the
    numerator, attested elsewhere. largest: of `readers`, the share of the one with most.
    """

    numerator: int
    denominator: int | None = None
    value: float | None = None
    lower: float | None = None
    upper: float | None = None
    effective: float | None = None
    positives: int = 0
    negatives: int = 0
    seen: int | None = None
    transferred: int = 0
    largest: float | None = None
    table: tuple[int, int, int, int] | None = None


def meets(clause: Clause, value: Value) -> bool:
    if value.value is None:
        return False
    if clause.bound:
        judged = value.lower if clause.direction == AT_LEAST else value.upper
        return judged is not None and clause.clears(judged)
    if value.largest is not None and clause.max_share is not None:
        return clause.clears(value.value) and value.largest <= clause.max_share
    return clause.clears(value.value)


# ---------------------------------------------------------------------------------------------
# What of an attestation counts


def hits(clause: Clause) -> Callable[[Fact], bool]:
    """Whether a credited scan counts for a measure of C."""
    finding, cut = clause.finding, clause.cut
    calls = (POSITIVE, FOCAL) if clause.focal == AS_POSITIVE else (POSITIVE,)
    return {
        "credited": lambda fact: True,
        "positive": lambda fact: fact.reader_call in calls,
        "negative": lambda fact: fact.reader_call == NEGATIVE,
        "with_finding": lambda fact: finding in fact.findings,
        "supervised": lambda fact: fact.supervision == DIRECT,
        "adequate": lambda fact: fact.quality is not None and fact.quality >= cut,
    }[clause.measure]


def called(clause: Clause) -> Callable[[str], str]:
    """A call as the clause takes it: focal may be counted as one of the two."""
    if clause.focal == APART:
        return lambda call: call
    focal = POSITIVE if clause.focal == AS_POSITIVE else NEGATIVE
    return lambda call: focal if call == FOCAL else call


def keyer(clause: Clause) -> Callable[[Fact], Key | None]:
    """Gives the part of an attestation that this clause uses; None where it uses nothing of it."""
    if clause.measure in OF_CREDITED or clause.measure == "per_period":
        measured = replace(clause, measure="credited") if clause.measure == "per_period" else clause
        return _key_of_scan(measured) if clause.unit == SCAN else _key_of_unit(measured)
    if clause.measure == "clinical_share":
        return lambda f: (f.exam, f.setting == CLINICAL, "") if f.credited else None
    if clause.measure == "unread_share":
        return lambda f: (f.exam, False, "")
    key = _of_reading(clause)
    return lambda fact: key(fact) if fact.in_read else None


def _of_reading(clause: Clause) -> Callable[[Fact], Key | None]:
    cut, call, unit = clause.cut, called(clause), unit_of(clause)
    readings: dict[str, Callable[[Fact], Key | None]] = {
        "read": lambda f: (unit(f), True, False),
        "readers": lambda f: (f.reader,),
        "quality": lambda f: None if f.first_quality is None else (f.first_quality,),
        "adequate_share": lambda f: (
            f.exam,
            f.first_quality is not None and f.first_quality >= cut,
            "",
        ),
        "agreement": lambda f: (f.exam, f.agrees, call(f.first_call)) if f.pair else None,
        "determinate": lambda f: (f.exam, f.determinate, call(f.first_call)) if f.pair else None,
        "positive_agreement": lambda f: _cell(f, call),
        "negative_agreement": lambda f: _cell(f, call),
        # Which sides a reference spoke of is for the items to say.
        "sensitivity": lambda f: (f.exam, f.trainee_answer),
        "specificity": lambda f: (f.exam, f.trainee_answer),
    }
    return readings[clause.measure]


def _cell(fact: Fact, call: Callable[[str], str]) -> Key | None:
    """(exam, cell of the table, what the reader said). A wrong side stands in b and in c."""
    if not (fact.pair and fact.determinate):
        return None
    found = two_by_two(fact.trainee_answer, fact.first_answer)
    if found is None:
        return None
    said, read = call(found.said), call(found.read)
    if FOCAL in (said, read):
        return None
    if said == read == POSITIVE:
        return (fact.exam, "bc" if found.wrong_side else "a", read)
    if said == read:
        return (fact.exam, "d", read)
    return (fact.exam, "b" if said == POSITIVE else "c", read)


def against_reference(clause: Clause, answer: str, side: str, reference: str) -> bool | None:
    """Whether the trainee was right where the reference speaks for this measure; else None. An
    answer that does not commit found nothing and ruled nothing out."""
    wanted = POSITIVE if clause.measure == "sensitivity" else NEGATIVE
    if reference != wanted:
        return None
    return bool(answer) and on_side(answer, side) == wanted


def unit_of(clause: Clause) -> Callable[[Fact], Hashable]:
    """What counts once: the exam, or the patient (exams that were linked)."""
    if clause.unit == PATIENT:
        return lambda fact: fact.exam if fact.patient is None else fact.patient
    return lambda fact: fact.exam


def _key_of_scan(clause: Clause) -> Callable[[Fact], Key | None]:
    hit, capped = hits(clause), clause.normal_cap is not None

    def key(fact: Fact) -> Key | None:
        if not (fact.credited and hit(fact)):
            return None
        return (fact.exam, True, capped and fact.reader_call == NEGATIVE)

    return key


def _key_of_unit(clause: Clause) -> Callable[[Fact], Key | None]:
    # Whether an exam is normal hangs on its scans that were not credited, too.
    normal = clause.measure == "negative"
    uses_normal = normal or clause.normal_cap is not None
    hit = (lambda fact: True) if normal else hits(clause)
    unit = unit_of(clause)

    def key(fact: Fact) -> Key | None:
        counts = fact.credited and hit(fact)
        other = uses_normal and fact.reader_call != NEGATIVE
        return (unit(fact), counts, other) if counts or other else None

    return key


# ---------------------------------------------------------------------------------------------
# Tallies


class _Counting:
    """Normal ones up to the cap, everything else, and what was attested elsewhere up to the
    allowance."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.cap, self.allowance = clause.normal_cap, clause.allowance
        self.only_normal = False
        self.normal = self.other = self.elsewhere = 0

    def holds(self) -> bool:
        return self.clause.clears(self._own() + self._moved())

    def value(self) -> Value:
        moved = self._moved()
        total = self._own() + moved
        return Value(total, value=total, transferred=moved)

    def _own(self) -> int:
        if self.only_normal:
            return self.normal
        return self.other + (self.normal if self.cap is None else min(self.cap, self.normal))

    def _moved(self) -> int:
        return self.elsewhere if self.allowance is None else min(self.allowance, self.elsewhere)


class Count(_Counting):
    """Scans, or whatever else is counted one by one."""

    def change(self, key: Key, by: int) -> None:
        if key[0] is TRANSFERRED:
            self.elsewhere += by * key[1]
        elif key[2]:
            self.normal += by
        else:
            self.other += by


class UnitCount(_Counting):
    """Distinct exams, or patients. One is normal unless a scan of it, credited or not, is read
    otherwise."""

    def __init__(self, clause: Clause) -> None:
        super().__init__(clause)
        self.only_normal = clause.measure == "negative"
        self.units: dict[Hashable, list[int]] = {}

    def change(self, key: Key, by: int) -> None:
        if key[0] is TRANSFERRED:
            self.elsewhere += by * key[1]
            return
        unit, hit, other = key
        hits_others = self.units.setdefault(unit, [0, 0])
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


class Periods:
    """The fewest in one of the last so many periods. Keys are (period, unit)."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.slots: list[dict[Hashable, int]] = [{} for _ in range(clause.periods)]

    def change(self, key: Key, by: int) -> None:
        slot, unit = self.slots[key[0]], key[1]
        n = slot.get(unit, 0) + by
        if n:
            slot[unit] = n
        else:
            del slot[unit]

    def holds(self) -> bool:
        return self.clause.clears(min(map(len, self.slots)))

    def value(self) -> Value:
        fewest = min(map(len, self.slots))
        return Value(fewest, value=fewest)


class Readers:
    """How many different people read, and how much the one with most."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.n: dict[Hashable, int] = {}

    def change(self, key: Key, by: int) -> None:
        n = self.n.get(key[0], 0) + by
        if n:
            self.n[key[0]] = n
        else:
            del self.n[key[0]]

    def holds(self) -> bool:
        return meets(self.clause, self.value())

    def value(self) -> Value:
        all_of_them = sum(self.n.values())
        largest = max(self.n.values()) / all_of_them if all_of_them else None
        return Value(len(self.n), value=len(self.n), largest=largest)


class Share:
    """Hits of all. Clustered by exam where one exam may have several of what is counted."""

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.hits = self.n = self.positives = self.negatives = 0
        alone = clause.application and clause.measure not in REFERENCED
        self.exams: dict[Hashable, list[int]] | None = None if alone else {}
        self.clusters = self.xx = self.xm = self.mm = 0

    def change(self, key: Key, by: int) -> None:
        exam, hit, call = key
        self._add(exam, by if hit else 0, by, call, by)

    def _add(self, exam: Hashable, hits: int, of: int, call: Hashable, by: int) -> None:
        self.n += of
        self.hits += hits
        if call == POSITIVE:
            self.positives += by
        elif call == NEGATIVE:
            self.negatives += by
        if self.exams is not None:
            self._cluster(self.exams.setdefault(exam, [0, 0]), hits, of)

    def _cluster(self, sums: list[int], hits: int, of: int) -> None:
        x, m = sums
        self.xx -= x * x
        self.xm -= x * m
        self.mm -= m * m
        self.clusters -= m > 0
        x, m = x + hits, m + of
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
        share = hits / n if self.known() else None
        if self.clause.measure in CENSUS:
            return Value(hits, n, share)
        effective, lower, upper = self._range()
        return Value(
            hits, n, share, lower, upper, effective, positives=self.positives,
            negatives=self.negatives,
        )  # fmt: skip

    def _range(self) -> tuple[float | None, float | None, float | None]:
        """What n is worth, and the ends of the 95% range."""
        hits, n = self.hits, self.n
        effective = float(n)
        if self.exams is not None:
            effective = effective_n(n, hits, self.clusters, self.xx, self.xm, self.mm)
        if not (n and effective):
            return (effective if n else None), None, None
        lower, upper = wilson(min(hits / n * effective, effective), effective)
        return effective, lower, upper


class Specific(Share):
    """Positive agreement 2a/(2a+b+c), or negative 2d/(2d+b+c).

    hits and n are a (or d) and a + b + c: j = hits/n is a share, and 2j/(1+j) grows with it, so
    its range is that of j, carried over.
    """

    def __init__(self, clause: Clause) -> None:
        super().__init__(clause)
        self.kind = "a" if clause.measure == "positive_agreement" else "d"
        self.cells = {"a": 0, "b": 0, "c": 0, "d": 0}

    def change(self, key: Key, by: int) -> None:
        exam, cells, call = key
        for cell in cells:
            self.cells[cell] += by
        of = by * len(cells) if cells in (self.kind, "b", "c", "bc") else 0
        self._add(exam, by if cells == self.kind else 0, of, call, by)

    def known(self) -> bool:
        own = self.positives if self.kind == "a" else self.negatives
        return self.n > 0 and own >= max(1, self.clause.least)

    def holds(self) -> bool:
        return self.known() and meets(self.clause, self.value())

    def value(self) -> Value:
        effective, lower, upper = self._range()
        over = 2 * self.hits, self.n + self.hits
        return Value(
            *over,
            over[0] / over[1] if self.known() else None,
            None if lower is None else 2 * lower / (1 + lower),
            None if upper is None else 2 * upper / (1 + upper),
            effective,
            self.positives,
            self.negatives,
            table=tuple(self.cells[cell] for cell in "abcd"),
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


class Looks:
    """A bound that is judged at looks: the first 25, 50, 75, ... in the order of the learning
    curve, cut before the earliest scan that still waits to be read. Between looks it keeps the
    last look's value.

    Keys are (order, key of the scan), or (order, None) for a scan that waits. What was worked out
    stays: a scan at the end costs one step, and a change further back goes back to the look
    before it.
    """

    def __init__(self, clause: Clause) -> None:
        self.clause = clause
        self.orders: list[Key] = []
        self.keys: dict[Key, Key] = {}
        self.waits: list[Key] = []
        self.so_far, self.done = _alone(clause), 0
        # At each multiple of the step: how many, and the tally there.
        self.marks: list[tuple[int, Share]] = []

    def change(self, key: Key, by: int) -> None:
        order, inner = key
        if inner is None:
            if by > 0:
                insort(self.waits, order)
            else:
                del self.waits[bisect_left(self.waits, order)]
            return
        at = bisect_left(self.orders, order)
        if by > 0:
            self.orders.insert(at, order)
            self.keys[order] = inner
        else:
            del self.orders[at], self.keys[order]
        self._back_to(at)

    def holds(self) -> bool:
        look = self._look()
        return look is not None and look.holds()

    def value(self) -> Value:
        look = self._look()
        if look is None:
            so_far = self.so_far.value()
            return replace(so_far, value=None, seen=self.done)
        return replace(look.value(), seen=self.done)

    def _look(self) -> Share | None:
        self._forward()
        last = self.marks[-1] if self.marks else None
        if last is None or last[0] < self.clause.least or not last[1].known():
            return None
        return last[1]

    def _forward(self) -> None:
        end = bisect_left(self.orders, self.waits[0]) if self.waits else len(self.orders)
        self._back_to(end)
        for order in self.orders[self.done : end]:
            self.so_far.change(self.keys[order], 1)
            self.done += 1
            if self.done % self.clause.step == 0:
                self.marks.append((self.done, _copied(self.so_far)))

    def _back_to(self, at: int) -> None:
        if at >= self.done:
            return
        while self.marks and self.marks[-1][0] > at:
            self.marks.pop()
        if self.marks:
            self.done, mark = self.marks[-1]
            self.so_far = _copied(mark)
        else:
            self.done, self.so_far = 0, _alone(self.clause)


def _alone(clause: Clause) -> Share:
    return Specific(clause) if clause.measure in SPECIFIC else Share(clause)


def _copied(share: Share) -> Share:
    # One application each, so there are no exams to copy.
    other = copy.copy(share)
    if isinstance(other, Specific):
        other.cells = dict(other.cells)
    return other


SPECIFIC = ("positive_agreement", "negative_agreement")


def tally_of(clause: Clause) -> Tally:
    if clause.has_looks:
        return Looks(clause)
    if clause.measure in SHARES:
        return _alone(clause)
    if clause.measure in MEDIANS:
        return Median(clause)
    if clause.measure == "per_period":
        return Periods(clause)
    if clause.measure == "readers":
        return Readers(clause)
    return Count(clause) if clause.unit == SCAN else UnitCount(clause)


Tally = Count | UnitCount | Periods | Readers | Share | Median | Looks
