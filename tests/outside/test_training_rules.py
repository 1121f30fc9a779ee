"""Published training rules, each written as a plan, against records that just meet and just miss.

The figures are those of the sources named; the records are invented.
"""

from __future__ import annotations

import datetime as dt

import pytest

from credentialing import planfile
from credentialing.measures import (
    AsOf,
    Assessment,
    Confirmation,
    Document,
    Fact,
    History,
    Procedure,
    Waiting,
    judge,
)
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


def course(on=START):
    return Document("course", "course", 1, "", on, on, 1, kind="course")


def assessed(number, *, level, summative=False, on=START):
    name = f"assessment-{number}"
    return Assessment(
        name, name, 1, "effusion", on, on, 1, level=level, summative=summative, assessor="bo"
    )


def procedures(n):
    return [Procedure(f"procedure-{k}", f"procedure-{k}", 1, "", START, START, 1) for k in range(n)]


def met(template, *records, on, beside=(), waiting=()):
    """`beside`: what is on record beside the scans."""

    def of(kind):
        return tuple(one for one in beside if isinstance(one, kind))

    facts = [fact for one in records for fact in one[0]]
    confirmations = [c for one in records for c in one[1]]
    history = History(
        tuple(facts),
        tuple(confirmations),
        tuple(waiting),
        LUNG,
        min((f.received_on for f in facts), default=None),
        assessments=of(Assessment),
        documents=of(Document),
        procedures=of(Procedure),
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


# Stanton AE et al. BMJ Open Respir Res 2020;7:e000552, table 2: primary operator. 10 directly
# observed, 50 further of which 10 with fluid and 5 normal, a course, two assessments of which the
# summative one at entrustment level 4.
SIGNED_OFF = [course(), assessed(1, level=3), assessed(2, level=4, summative=True)]


@pytest.mark.parametrize(
    ("observed", "further", "fluid", "normal", "expected"),
    [
        (10, 50, 10, 5, True),
        (9, 51, 10, 5, False),  # 60 in all, and one too few observed
        (10, 49, 10, 5, False),
        (10, 50, 9, 5, False),
        (10, 50, 10, 4, False),
    ],
)
def test_primary_operator(observed, further, fluid, normal, expected):
    records = thoracic(observed, further, fluid, normal)
    result, numbers = met("thoracic-primary", *records, on=LATER, beside=SIGNED_OFF)
    if observed == 9:
        # Nothing is further until 10 were observed: the nine are theirs.
        assert numbers[:2] == [9, 51]
    assert (result, numbers[2:4]) == (expected, [fluid, normal])
    assert numbers[4:] == [1, 2, 1]


def thoracic(observed, further, fluid, normal):
    """The observed ones first; they have fluid, which the further ones may not borrow."""
    return (
        record(daily(observed), supervised=observed),
        record(daily(fluid, LATER_START), first=observed),
        record(daily(normal, LATER_START), calls=("negative",), first=observed + fluid),
        record(
            daily(further - fluid - normal, LATER_START),
            application="consolidation",
            calls=("indeterminate",),
            first=observed + fluid + normal,
        ),
    )


LATER_START = START + dt.timedelta(days=90)


@pytest.mark.parametrize(
    ("beside", "expected"),
    [
        (SIGNED_OFF, True),
        (SIGNED_OFF[1:], False),
        ([course(), assessed(2, level=4, summative=True)], False),
        ([course(), assessed(1, level=3), assessed(2, level=3, summative=True)], False),
        ([course(), assessed(1, level=4), assessed(2, level=4)], False),
    ],
)
def test_primary_operator_has_a_course_and_is_signed_off_at_level_4(beside, expected):
    assert met("thoracic-primary", *thoracic(10, 50, 10, 5), on=LATER, beside=beside)[0] is expected


# The same, table 2: whoever supervises others has 100 further scans over at least two years as an
# operator at level 4.
@pytest.mark.parametrize(
    ("n", "on", "expected"),
    [
        (100, dt.date(2026, 2, 28), True),  # two years from 29 February 2024
        (100, dt.date(2026, 2, 27), False),
        (99, dt.date(2026, 2, 28), False),
    ],
)
def test_supervising_takes_100_scans_and_two_years_after_level_4(n, on, expected):
    before = record(daily(30, START - dt.timedelta(days=60)))
    after = record(daily(n, START + dt.timedelta(days=1)), first=30)
    signed_off = [assessed(1, level=4, summative=True)]
    result, numbers = met("thoracic-supervising", before, after, on=on, beside=signed_off)
    assert (result, numbers[:2]) == (expected, [1, n])


# Royal College of Radiologists, table reprinted at rcpjournals.org: 20 normal, 20 effusion, 20
# procedures, and at least 20 exams a year.
@pytest.mark.parametrize(
    ("normal", "fluid", "done", "expected"),
    [(20, 20, 20, True), (19, 20, 20, False), (20, 19, 20, False), (20, 20, 19, False)],
)
def test_focused_practice(normal, fluid, done, expected):
    records = (
        record(daily(normal), calls=("negative",)),
        record(daily(fluid), first=normal),
    )
    result, numbers = met(
        "radiology-current", *records, on=START + dt.timedelta(days=60), beside=procedures(done)
    )
    assert (result, numbers[:3]) == (expected, [normal, fluid, done])


def test_20_a_year_lapse_a_year_after_the_21st_latest_scan():
    records = record(daily(20), calls=("negative",)), record(daily(20), first=20)
    # 40 exams on 20 days; the window (D - 12 months, D] loses two a day from the first on.
    # 29 February 2024 is inside (28 February 2024, 28 February 2025] and not a day longer.
    last = START + dt.timedelta(days=9)
    on = plus_months(last, 12)

    def current(day):
        return met("radiology-current", *records, on=day, beside=procedures(20))

    assert current(on - dt.timedelta(days=1))[1][3] == 22
    assert current(on) == (True, [20, 20, 20, 20])
    assert current(on + dt.timedelta(days=1)) == (False, [20, 20, 20, 18])
    assert current(dt.date(2025, 2, 28))[1][3] == 40
    assert current(dt.date(2025, 3, 1))[1][3] == 36


# The same table, second level: a year at the first level and a further 100 scans.
@pytest.mark.parametrize(
    ("n", "on", "expected"),
    [
        (165, dt.date(2025, 5, 3), True),  # a year from the 65th scan, 3 May 2024
        (165, dt.date(2025, 5, 2), False),
        (164, dt.date(2025, 5, 3), False),
    ],
)
def test_the_second_level(n, on, expected):
    result, numbers = met("radiology-second-level", record(daily(n)), on=on)
    months = 12 if on == dt.date(2025, 5, 3) else 11
    assert (result, numbers) == (expected, [n, months, n - 65])


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
    result, shown = met(
        "intensive-care-modules", *records, on=START + dt.timedelta(days=100), beside=[course()]
    )
    assert (result, shown[:2]) == (expected, numbers)


def test_every_scan_of_a_module_is_reviewed_and_there_was_a_course():
    full = record(daily(50), supervised=20)
    on = START + dt.timedelta(days=100)
    unread = Waiting("late", "late", "effusion", on, on)
    assert met("intensive-care-modules", full, on=on, beside=[course()])[0]
    assert not met("intensive-care-modules", full, on=on)[0]
    waits = met("intensive-care-modules", full, on=on, beside=[course()], waiting=[unread])
    assert waits == (False, [50, 20, 1, 1])


def test_all_of_a_module_lies_in_one_and_the_same_year():
    """20 supervised in one year and 50 in another are no module."""
    early = record(daily(20), supervised=20)
    late = record(daily(50, START + dt.timedelta(days=400)), first=20)
    on = START + dt.timedelta(days=460)
    # Both years meet one number; the one with more scans is shown.
    shown = met("intensive-care-modules", early, late, on=on, beside=[course()])
    assert shown == (False, [50, 0, 0, 1])


def test_a_module_lies_within_twelve_months():
    """From 29 February 2024 the last day of the twelve months is 28 February 2025."""
    early, last, early_day = record(daily(25), supervised=20), dt.date(2025, 2, 28), START
    between = daily(24, START + dt.timedelta(days=30))
    on = dt.date(2025, 3, 10)
    for day, expected in ((last, True), (last + dt.timedelta(days=1), False)):
        rest = record([*between, day], first=25, read_after=0)
        result = met("intensive-care-modules", early, rest, on=on, beside=[course(early_day)])
        assert result[0] == expected
