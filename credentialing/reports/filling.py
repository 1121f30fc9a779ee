"""From judged numbers to the rows of a content. Pure."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from credentialing import measures
from credentialing.bounds import wilson
from credentialing.measures.plans import MEDIANS, MONTHS, SHARES
from credentialing.reports.content import Accuracy, Clause
from logbook.answers import DIFFUSE, NEGATIVE, NONE, PATTERN, POSITIVE, Answer, compare

ADEQUATE = 3
DIGITS = 6  # of a share or a bound; the counts behind it are exact

ALWAYS_NEGATIVE = {True: Answer(pattern=NONE), False: Answer(right=NEGATIVE, left=NEGATIVE)}
ALWAYS_POSITIVE = {True: Answer(pattern=DIFFUSE), False: Answer(right=POSITIVE, left=POSITIVE)}


@dataclass(frozen=True, slots=True)
class FirstReading:
    """A scan of the set R: the first answer, and the first reading with its quality."""

    application: str
    trainee_call: str
    reader_answer: str
    reader_call: str
    quality: int | None
    pair: bool
    agrees: bool
    determinate: bool


def clause_rows(standing: measures.Standing) -> list[Clause]:
    """Every clause of a judged plan as the content has it, in the plan's order."""
    return [_clause(one, gate.gate.title) for gate in standing.gates for one in gate.clauses]


def _clause(one: measures.ClauseStanding, gate: str) -> Clause:
    clause, value, dates = one.clause, one.value, one.dates
    return {
        "ordinal": clause.ordinal,
        "gate": gate,
        "text": clause.text or clause.measure,
        "measure": clause.measure,
        "application": clause.application,
        "unit": unit_of(clause),
        "direction": clause.direction,
        "bar": _whole(clause.bar),
        "numerator": value.numerator,
        "denominator": value.denominator,
        "value": None if value.value is None else _whole(value.value),
        "min_n": clause.least or None,
        "lower": _rounded(value.lower),
        "upper": _rounded(value.upper),
        "mode": clause.judged,
        "state": one.state,
        "first_met_on": iso(dates.first_met_on),
        "met_since": iso(dates.met_since),
        "lost_on": iso(dates.lost_on),
        "lost_because": dates.lost_because,
        "reached_with": iso(dates.reached_with),
        "reached_signed_on": iso(dates.reached_signed_on),
        "source": clause.source,
    }


def unit_of(clause: measures.Clause) -> str:
    if clause.measure in SHARES:
        return "share"
    if clause.measure in MEDIANS:
        return "level"
    return "month" if clause.measure in MONTHS else clause.unit


def accuracy_rows(
    readings: Iterable[FirstReading], applications: Mapping[str, tuple[str, str]]
) -> list[Accuracy]:
    """One row for each application that has a reading; `applications`: code -> (name, kind)."""
    by_code: dict[str, list[FirstReading]] = {}
    for one in readings:
        by_code.setdefault(one.application, []).append(one)
    return [
        _accuracy(code, name, by_code[code], is_pattern=kind == PATTERN)
        for code, (name, kind) in applications.items()
        if code in by_code
    ]


def _accuracy(code: str, name: str, read: list[FirstReading], *, is_pattern: bool) -> Accuracy:
    pairs = [one for one in read if one.pair]
    agree = sum(one.agrees for one in pairs)
    lower, upper = wilson(agree, len(pairs)) if pairs else (None, None)
    marks = Counter(one.quality for one in read)
    table = Counter((one.trainee_call, one.reader_call) for one in read)
    return {
        "application": code,
        "name": name,
        "read": len(read),
        "pairs": len(pairs),
        "agree": agree,
        "lower": _rounded(lower),
        "upper": _rounded(upper),
        "determinate": sum(one.determinate for one in pairs),
        "positive": sum(one.reader_call == POSITIVE for one in pairs),
        "always_negative": _would_match(pairs, ALWAYS_NEGATIVE[is_pattern]),
        "always_positive": _would_match(pairs, ALWAYS_POSITIVE[is_pattern]),
        "adequate": sum(n for mark, n in marks.items() if mark is not None and mark >= ADEQUATE),
        "quality": [marks[mark] for mark in range(1, 6)],
        "table": sorted((*calls, n) for calls, n in table.items()),
    }


def _would_match(pairs: list[FirstReading], always: Answer) -> int:
    return sum(compare(always, Answer.parse(one.reader_answer)).agrees for one in pairs)


def iso(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None


def _rounded(share: float | None) -> float | None:
    return None if share is None else round(share, DIGITS)


def _whole(number: float) -> int | float:
    """A count as a whole number, a share with its digits: 25, not 25.0."""
    return int(number) if number == int(number) else round(number, DIGITS)
