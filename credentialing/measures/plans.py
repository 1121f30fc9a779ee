"""Plans as values: one number a clause, clauses in gates, gates in a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

AT_LEAST, AT_MOST = "at_least", "at_most"
ONCE, STILL = "once", "still"
SCAN, EXAM = "scan", "exam"
ALL, ANY = "all", "any"

# Counts of C, counts of R, shares of R, the median of R, and time.
OF_CREDITED = ("credited", "positive", "negative", "with_finding", "supervised", "adequate")
COUNTS = (*OF_CREDITED, "read")
SHARES = ("adequate_share", "agreement", "determinate")
MEDIANS = ("quality",)
MONTHS = ("elapsed_months",)
MEASURES = (*COUNTS, *SHARES, *MEDIANS, *MONTHS)

# Under these a value is not yet known.
MIN_N: Mapping[str, int] = {
    "adequate_share": 25,
    "agreement": 25,
    "determinate": 25,
    "quality": 25,
}
MIN_EACH: Mapping[str, int] = {"agreement": 5}


@dataclass(frozen=True, slots=True)
class Clause:
    """One local number.

    application, or group, or neither (everything) says which scans. unit: distinct exams count
    once where it is *exam* (counts only). normal_cap: at most so many normal ones add to
    `credited`. bound: the 95% Wilson bound must clear the bar, not the value. within_months: only
    scans performed in the trailing window. mode "" is the default of the measure; min_n and
    min_each None likewise. cut: the quality that is adequate.
    """

    ordinal: int
    measure: str
    bar: float
    direction: str = AT_LEAST
    application: str = ""
    group: str = ""
    unit: str = SCAN
    within_months: int | None = None
    mode: str = ""
    normal_cap: int | None = None
    finding: str = ""
    cut: int = 3
    bound: bool = False
    min_n: int | None = None
    min_each: int | None = None
    text: str = ""
    source: str = ""

    @property
    def judged(self) -> str:
        """once or still."""
        if self.direction == AT_MOST:
            return STILL
        if self.mode:
            return self.mode
        plain = self.measure in COUNTS and self.within_months is None
        return ONCE if plain or self.measure in MONTHS else STILL

    @property
    def least(self) -> int:
        """How many the value needs to be known at all; 0 where any number will do."""
        return MIN_N.get(self.measure, 0) if self.min_n is None else self.min_n

    @property
    def least_each(self) -> int:
        """Of them, how many positive and how many negative by the reading."""
        return MIN_EACH.get(self.measure, 0) if self.min_each is None else self.min_each

    def covers(self, application: str, groups: Mapping[str, str]) -> bool:
        if self.application:
            return application == self.application
        return not self.group or groups.get(application) == self.group

    def clears(self, value: float) -> bool:
        return value >= self.bar if self.direction == AT_LEAST else value <= self.bar


@dataclass(frozen=True, slots=True)
class Gate:
    """Clauses judged together: all of them, any of them, or at least so many of them."""

    ordinal: int
    clauses: tuple[Clause, ...]
    combine: str | int = ALL
    title: str = ""

    @property
    def needs(self) -> int:
        if self.combine == ALL:
            return len(self.clauses)
        return 1 if self.combine == ANY else int(self.combine)


@dataclass(frozen=True, slots=True)
class Plan:
    """Met where all its gates are."""

    gates: tuple[Gate, ...]
    code: str = ""
    name: str = ""

    @property
    def clauses(self) -> tuple[Clause, ...]:
        return tuple(clause for gate in self.gates for clause in gate.clauses)
