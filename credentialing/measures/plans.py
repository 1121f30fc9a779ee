"""Plans as values: one number a clause, clauses in gates, gates in a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

AT_LEAST, AT_MOST = "at_least", "at_most"
ONCE, STILL = "once", "still"
SCAN, EXAM, PATIENT = "scan", "exam", "patient"
ALL, ANY = "all", "any"
BEST = "best"
APART, AS_POSITIVE, AS_NEGATIVE = "apart", "positive", "negative"
YEAR, MONTH, WEEK = "year", "month", "week"
DONE, SUPERVISED, COMPLICATIONS = "done", "supervised", "complications"
COURSE, WRITTEN_TEST, OTHER = "course", "written_test", "other"
INITIAL, MAINTENANCE, FOCUSED = "initial", "maintenance", "focused_review"

KINDS = (INITIAL, MAINTENANCE, FOCUSED)

# Counts of C and of R.
OF_CREDITED = ("credited", "positive", "negative", "with_finding", "supervised", "adequate")
COUNTS = (*OF_CREDITED, "read")
# Counts of something else: assessments, dated records, procedures, readers, scans a period.
OTHER_COUNTS = ("assessed", "document", "procedure", "readers", "per_period")
# Shares: of R, of results of a reference, and of everything that was submitted.
OF_ANSWERS = ("agreement", "determinate", "positive_agreement", "negative_agreement")
REFERENCED = ("sensitivity", "specificity")
CENSUS = ("clinical_share", "unread_share")  # nothing is sampled, so there is no range
SHARES = ("adequate_share", *OF_ANSWERS, *REFERENCED, *CENSUS)
MEDIANS = ("quality",)
MONTHS = ("elapsed_months",)
CURVES = ("curve",)
MEASURES = (*COUNTS, *OTHER_COUNTS, *SHARES, *MEDIANS, *MONTHS, *CURVES)
WHOLE = (*COUNTS, *OTHER_COUNTS)
# What is attested elsewhere adds to these, and to no figure of accuracy.
TRANSFERABLE = ("credited", "assessed", "document")
# Bounds of these are judged at looks.
LOOKED_AT = ("adequate_share", *OF_ANSWERS)
OF_ACCURACY = (*OF_ANSWERS, *REFERENCED, "curve")

# Under these a value is not yet known; of the specific agreements the readings of their own kind.
MIN_N: Mapping[str, int] = {
    "adequate_share": 25,
    "agreement": 25,
    "determinate": 25,
    "quality": 25,
    "positive_agreement": 10,
    "negative_agreement": 10,
    "sensitivity": 10,
    "specificity": 10,
}
MIN_EACH: Mapping[str, int] = {"agreement": 5}
STEP = 25


@dataclass(frozen=True, slots=True)
class Clause:
    """One local number.

    application, or group, or neither (everything) says which scans. unit: distinct exams, or
    distinct patients, count once (counts only). normal_cap: at most so many normal ones add to
    `credited`. bound: the 95% Wilson bound must clear the bar, not the value; with one application
    and no window it is judged at looks, every `step` scans. within_months: only scans performed in
    the trailing window. mode "" is the default of the measure; min_n and min_each None likewise.
    cut: the quality that is adequate. focal: what a focal pattern counts as.

    further: ordinals of clauses whose scans this one may not use. after: the ordinal of a clause;
    only scans performed after its `reached_with`. since: a day (ISO), or "course",
    "written_test", "other", "remediation": only scans performed from it on.

    level, summative: of `assessed`. kind: of `document` (course, written_test, other; with a code
    as in "course:basic") and the code of `procedure`, whose `which` is done, supervised or
    complications. period, periods: at least `bar` in each of the last so many. max_share: of
    `readers`, the largest share that one may have. adequate_rate, inadequate_rate, limit: of
    `curve`. transfer_share: how much of the bar may have been attested elsewhere.
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
    focal: str = APART
    step: int = STEP
    further: tuple[int, ...] = ()
    after: int | None = None
    since: str = ""
    level: int = 4
    summative: bool = False
    kind: str = ""
    which: str = DONE
    period: str = YEAR
    periods: int = 1
    max_share: float | None = None
    adequate_rate: float = 0.10
    inadequate_rate: float = 0.25
    limit: float = 4.40
    transfer_share: float = 0.5

    @property
    def judged(self) -> str:
        """once or still."""
        if self.direction == AT_MOST:
            return STILL
        if self.mode:
            return self.mode
        if self.measure in MONTHS:
            return ONCE
        plain = self.measure in (*COUNTS, "assessed", "procedure", "readers")
        return ONCE if plain and self.within_months is None and self.max_share is None else STILL

    @property
    def least(self) -> int:
        """How many the value needs to be known at all; 0 where any number will do."""
        return MIN_N.get(self.measure, 0) if self.min_n is None else self.min_n

    @property
    def least_each(self) -> int:
        """Of them, how many positive and how many negative by the reading."""
        return MIN_EACH.get(self.measure, 0) if self.min_each is None else self.min_each

    @property
    def has_looks(self) -> bool:
        """Whether its bound is protected against being looked at again and again."""
        return (
            self.bound
            and self.measure in LOOKED_AT
            and bool(self.application)
            and self.within_months is None
        )

    @property
    def allowance(self) -> int | None:
        """How much of it may have been attested elsewhere; None for as much as there is."""
        if self.measure == "document":
            return None
        if self.measure not in TRANSFERABLE:
            return 0
        return int(self.transfer_share * self.bar + 1e-9)

    def covers(self, application: str, groups: Mapping[str, str]) -> bool:
        if self.application:
            return application == self.application
        return not self.group or groups.get(application) == self.group

    def clears(self, value: float) -> bool:
        return value >= self.bar if self.direction == AT_LEAST else value <= self.bar


@dataclass(frozen=True, slots=True)
class Gate:
    """Clauses judged together: all of them, any of them, or at least so many of them.

    window "best": all its clauses in one and the same window of `within_months`, which ends on
    the day of a credited scan that one of them counts; the one that meets most of them.
    """

    ordinal: int
    clauses: tuple[Clause, ...]
    combine: str | int = ALL
    title: str = ""
    window: str = ""
    within_months: int | None = None

    @property
    def needs(self) -> int:
        if self.combine == ALL:
            return len(self.clauses)
        return 1 if self.combine == ANY else int(self.combine)


@dataclass(frozen=True, slots=True)
class Plan:
    """Met where all its gates are. kind: initial, maintenance or focused_review."""

    gates: tuple[Gate, ...]
    code: str = ""
    name: str = ""
    kind: str = INITIAL

    @property
    def clauses(self) -> tuple[Clause, ...]:
        return tuple(clause for gate in self.gates for clause in gate.clauses)

    @property
    def transfer_share(self) -> float:
        """One for the whole plan, kept by each of its clauses."""
        return next((clause.transfer_share for clause in self.clauses), 0.5)
