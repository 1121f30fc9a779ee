"""Published training rules, each written as a plan, against records that just meet and just miss.

The figures are those of the sources named; the records are invented.
"""

from __future__ import annotations

import datetime as dt

import pytest

from credentialing import planfile
from credentialing.measures import AsOf, Confirmation, Fact, History, judge
from credentialing.months import plus_months

START = dt.date(2024, 2, 29)
LUNG = {"pneumothorax": "lung", "consolidation": "lung", "effusion": "lung", "cardiac": "heart"}


def record(
    days, *, application="effusion", calls=("positive",), supervised=0, first=0, read_after=1
):
    """One exam and scan on each day, read the day after; of them the first so many supervised."""
    facts, confirmations = [], []
    for number, day in enumerate(days, start=first):
        call = calls[number % len(calls)]
        direct = number - first < supervised
        facts.append(
            Fact(
                f"exam-{number:03}",
                f"scan-{number:03}",
                application,
                1,
                day,
                None,
                day,
                day + dt.timedelta(days=read_after),
                2 * number + 2,
                supervision="direct" if direct else "oversight",
                reader_call=call,
                first_call=call,
                quality=4,
                first_quality=4,
            )
        )
        if direct:
            confirmations.append(Confirmation(f"exam-{number:03}", "direct", day, 2 * number + 1))
    return facts, confirmations


def met(template, *records, on):
    facts = [fact for one in records for fact in one[0]]
    confirmations = [c for one in records for c in one[1]]
    history = History(
        tuple(facts),
        tuple(confirmations),
        (),
        LUNG,
        min((f.received_on for f in facts), default=None),
    )
    plan = planfile.parse(planfile.template(template)).plan
    standing = judge(plan, history, as_of=AsOf(on, on, 10**6))
    return standing.met, [clause.value.numerator for clause in standing.clauses]


def daily(n, start=START):
    return [start + dt.timedelta(days=k) for k in range(n)]


LATER = START + dt.timedelta(days=400)


# ACEP policy as applied by Stanford Emergency Medicine, "Ultrasound Credentialing" page: 25-50
# quality-assured scans for each application, 150-300 in all.
@pytest.mark.parametrize(
    ("lung", "others", "expected"),
    [(25, 125, True), (24, 126, False), (25, 124, False)],
)
def test_25_lung_exams_and_150_in_all(lung, others, expected):
    records = record(daily(lung)), record(daily(others), application="cardiac", first=lung)
    assert met("emergency-policy", *records, on=LATER) == (expected, [lung, lung + others])


# Stanton AE et al. BMJ Open Respir Res 2020;7:e000552, table 2: primary operator.
@pytest.mark.parametrize(
    ("n", "supervised", "fluid", "normal", "expected"),
    [
        (60, 10, 10, 5, True),
        (59, 10, 10, 5, False),
        (60, 9, 10, 5, False),
        (60, 10, 9, 5, False),
        (60, 10, 10, 4, False),
    ],
)
def test_primary_operator(n, supervised, fluid, normal, expected):
    fluids = record(daily(fluid), supervised=supervised)
    normals = record(
        daily(normal), calls=("negative",), first=fluid, supervised=max(0, supervised - fluid)
    )
    rest = record(
        daily(n - fluid - normal),
        application="consolidation",
        calls=("positive", "indeterminate"),
        first=fluid + normal,
        supervised=max(0, supervised - fluid - normal),
    )
    result, numbers = met("thoracic-primary", fluids, normals, rest, on=LATER)
    assert (result, numbers) == (expected, [n, supervised, fluid, normal])


# Royal College of Radiologists, table reprinted at rcpjournals.org: 20 normal, 20 effusion, and at
# least 20 exams a year.
@pytest.mark.parametrize(
    ("normal", "fluid", "expected"), [(20, 20, True), (19, 20, False), (20, 19, False)]
)
def test_focused_practice(normal, fluid, expected):
    records = (
        record(daily(normal), calls=("negative",)),
        record(daily(fluid), first=normal),
    )
    result, numbers = met("radiology-current", *records, on=START + dt.timedelta(days=60))
    assert (result, numbers[:2]) == (expected, [normal, fluid])


def test_20_a_year_lapse_a_year_after_the_21st_latest_scan():
    records = record(daily(20), calls=("negative",)), record(daily(20), first=20)
    # 40 exams on 20 days; the window (D - 12 months, D] loses two a day from the first on.
    # 29 February 2024 is inside (28 February 2024, 28 February 2025] and not a day longer.
    last = START + dt.timedelta(days=9)
    on = plus_months(last, 12)
    assert met("radiology-current", *records, on=on - dt.timedelta(days=1))[1][2] == 22
    assert met("radiology-current", *records, on=on) == (True, [20, 20, 20])
    assert met("radiology-current", *records, on=on + dt.timedelta(days=1)) == (
        False,
        [20, 20, 18],
    )
    assert met("radiology-current", *records, on=dt.date(2025, 2, 28))[1][2] == 40
    assert met("radiology-current", *records, on=dt.date(2025, 3, 1))[1][2] == 36


# UK Intensive Care Society, pages of its focused programme: first to last within 12 months; a
# module of 50 scans, 20 supervised, no more than 10 normal.
@pytest.mark.parametrize(
    ("abnormal", "normal", "supervised", "expected"),
    [
        (40, 10, 20, True),
        (40, 30, 20, True),  # normal ones beyond ten are kept and add nothing
        (39, 30, 20, False),
        (40, 10, 19, False),
    ],
)
def test_a_module_counts_ten_normal_ones(abnormal, normal, supervised, expected):
    records = (
        record(daily(abnormal), supervised=supervised),
        record(daily(normal), calls=("negative",), first=abnormal),
    )
    numbers = [abnormal + min(10, normal), supervised]
    assert met("intensive-care-modules", *records, on=START + dt.timedelta(days=100)) == (
        expected,
        numbers,
    )


def test_a_module_lies_within_twelve_months():
    """From 29 February 2024 the last day of the twelve months is 28 February 2025."""
    early, last = record(daily(25), supervised=20), dt.date(2025, 2, 28)
    between = daily(24, START + dt.timedelta(days=30))
    on = dt.date(2025, 3, 10)
    for day, expected in ((last, True), (last + dt.timedelta(days=1), False)):
        rest = record([*between, day], first=25, read_after=0)
        assert met("intensive-care-modules", early, rest, on=on)[0] == expected
