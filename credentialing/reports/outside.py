"""What leaves the programme: totals, months and what a medical staff office asks for. Pure.

Built from the inside content by naming what may go out, never by taking things away: what is not
written here stays inside. No list of scans, no day of an exam, no answer, no accuracy by
over-read, no curve, no outlook, no discrepancy, no remediation.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from credentialing.reports.content import Clause, Trainee

# Clauses that count work done. Everything that judges readings stays inside.
MEASURES = frozenset(
    {
        "credited", "positive", "negative", "with_finding", "supervised", "assessed",
        "elapsed_months", "document", "procedure", "readers", "per_period",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Done:
    """One credited scan, as far as it goes out."""

    exam: object
    application: str  # its name
    performed_on: str  # ISO; only its month leaves
    place: str  # its name
    age_band: str  # its name
    positive: bool
    reader: object


def told(person: Trainee, done: Iterable[Done]) -> dict[str, Any]:
    """What the outside copy says of a person's work. Months are ISO, YYYY-MM."""
    scans = list(done)
    months = sorted(month(one.performed_on) for one in scans)
    return {
        "legal_name": person["legal_name"] or person["name"],
        "staff_number": person["staff_number"],
        "profession": person["profession"],
        "level": person["level"],
        "starts_on": person["starts_on"],
        "ends_on": person["ends_on"],
        "plan": person["plan"],
        "state": person["state"],
        "met_month": month(person["met_on"]) if person["met_on"] else None,
        "clauses": [_clause(one) for one in person["clauses"] if one["measure"] in MEASURES],
        "clauses_inside": sum(one["measure"] not in MEASURES for one in person["clauses"]),
        "credited_scans": person["credited_scans"],
        "credited_exams": person["credited_exams"],
        "waiting_unread": person["waiting_unread"],
        "first_month": months[0] if months else None,
        "last_month": months[-1] if months else None,
        "applications": _applications(scans),
        "places": _exams_by(scans, "place"),
        "age_bands": _exams_by(scans, "age_band"),
        "readers": len({one.reader for one in scans}),
    }


def month(day: str) -> str:
    return day[:7]


def _clause(one: Clause) -> dict[str, Any]:
    return {
        key: one[key]  # type: ignore[literal-required]
        for key in ("text", "application", "unit", "direction", "bar", "value", "state")
    }


def _applications(scans: list[Done]) -> list[dict[str, Any]]:
    credited = Counter(one.application for one in scans)
    positive = Counter(one.application for one in scans if one.positive)
    return [
        {"name": name, "scans": credited[name], "positive": positive[name]}
        for name in sorted(credited)
    ]


def _exams_by(scans: list[Done], attribute: str) -> list[list[Any]]:
    """[name, exams] by how many, then by name; one exam counts once."""
    exams: Mapping[str, set[object]] = {}
    for one in scans:
        exams.setdefault(getattr(one, attribute), set()).add(one.exam)  # type: ignore[attr-defined]
    return sorted(([name, len(some)] for name, some in exams.items()), key=lambda r: (-r[1], r[0]))
