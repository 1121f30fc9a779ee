"""Months on the engine that this leg runs on, against a table of cases.

The rule is that of python-dateutil's `relativedelta` (its documentation: a day that the month does
not have becomes the month's last), with which `tests/credentialing/test_months.py` compares the
arithmetic itself. What is tried here is the way through the tables: rows that were signed, read
back by the engine, judged at once and one by one.
"""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection

from credentialing import measures, queries
from credentialing.actions import plans
from credentialing.columns.cohort import cohorts
from tests import factories as f

pytestmark = pytest.mark.django_db
D = dt.date

# performed on, months, the last day whose trailing window still holds it
INSIDE = [
    (D(2024, 1, 31), 1, D(2024, 2, 29)),
    (D(2023, 1, 31), 1, D(2023, 2, 28)),
    (D(2024, 3, 31), 1, D(2024, 4, 30)),
    (D(2024, 2, 29), 12, D(2025, 2, 28)),
    (D(2024, 2, 28), 12, D(2025, 2, 27)),
    (D(2023, 2, 28), 12, D(2024, 2, 27)),
    (D(2024, 8, 31), 6, D(2025, 2, 28)),
    (D(2024, 12, 15), 6, D(2025, 6, 14)),
]
# first received on, months, the first day on which so many have gone by
GONE_BY = [
    (D(2024, 1, 31), 1, D(2024, 2, 29)),
    (D(2023, 1, 31), 1, D(2023, 2, 28)),
    (D(2024, 2, 29), 12, D(2025, 2, 28)),
    (D(2024, 8, 31), 6, D(2025, 2, 28)),
    (D(2024, 12, 15), 6, D(2025, 6, 15)),
]
EARLY, LATER = D(2023, 1, 1), D(2025, 9, 1)


def plan_of(measure: str) -> measures.Plan:
    clauses = tuple(
        measures.Clause(n, "credited", 1, within_months=months)
        if measure == "credited"
        else measures.Clause(n, measure, months)
        for n, months in enumerate((1, 6, 12), start=1)
    )
    return measures.Plan((measures.Gate(1, clauses),), f"months-{measure}", "Months")


@pytest.fixture
def scanned():
    """A programme in which somebody scanned on each of these days, and nothing else."""
    programme = f.a_programme(code="northfield", when=f.at(EARLY))
    reader = f.a_reader(programme, starts_on=EARLY, when=f.at(EARLY))
    people = {}
    for day in sorted({day for day, _months, _on in (*INSIDE, *GONE_BY)}):
        people[day] = f.a_trainee(programme, f"Of {day}", starts_on=EARLY, when=f.at(EARLY))
        f.signed_exam(
            reader, f.waiting_exam(people[day], programme, when=f.at(day, 15)), when=f.at(day, 16)
        )
    return programme, people


def judged(programme, people, version, on, monkeypatch, *, in_columns):
    """day scanned -> state of each of the three clauses at the end of a day."""
    as_of = measures.AsOf(on, on, queries.now(programme, f.at(D(2026, 1, 1))).n)
    those = [one for one in queries.judged_in(programme, on=on) if one.version_id == version.pk]
    ((cohort, everybody),) = cohorts(programme, those)
    assert cohort.in_columns
    with monkeypatch.context() as patched:
        patched.setitem(vars(cohort), "in_columns", in_columns)
        table = cohort.judge(everybody, as_of)
    rows = {one.person_id: at for at, one in enumerate(everybody)}
    return {day: table.clauses["state"][rows[who.pk]].tolist() for day, who in people.items()}


@pytest.mark.parametrize("in_columns", [True, False])
@pytest.mark.parametrize(
    ("measure", "cases", "before", "after"),
    [("credited", INSIDE, 2, 0), ("elapsed_months", GONE_BY, 0, 2)],
)
def test_a_day_in_a_window_and_the_day_after(
    scanned, monkeypatch, measure, cases, before, after, in_columns
):
    programme, people = scanned
    version = plans.publish(
        programme=programme, plan=plan_of(measure), effective_on=EARLY, by=None, at=f.at(LATER)
    )
    plans.assign(
        version=version,
        memberships=[one.memberships.get() for one in people.values()],
        effective_on=EARLY,
        by=None,
        at=f.at(LATER),
    )
    for performed, months, on in cases:
        clause = (1, 6, 12).index(months)
        # The window's last day, or the day before so many months have gone by.
        last = on if measure == "credited" else on - dt.timedelta(days=1)
        said = [
            judged(programme, people, version, day, monkeypatch, in_columns=in_columns)
            for day in (last, last + dt.timedelta(days=1))
        ]
        assert [one[performed][clause] for one in said] == [before, after], (performed, months)


def test_why_no_engine_is_asked_for_months():
    """They give different days, and one of them a day that the other month does not have."""
    month_before = {
        "postgresql": "SELECT (DATE '2024-03-31' - INTERVAL '1 month')::date::text",
        "sqlite": "SELECT date('2024-03-31', '-1 month')",
    }
    with connection.cursor() as cursor:
        cursor.execute(month_before[connection.vendor])
        (day,) = cursor.fetchone()
    assert day == {"postgresql": "2024-02-29", "sqlite": "2024-03-02"}[connection.vendor]
