"""Exposure, priors, futures and back-tests: what they take in, and that one engine says it all."""

from __future__ import annotations

import datetime as dt
import math
import random
import uuid

import numpy as np
import pytest

from credentialing import measures
from credentialing.measures import AsOf, Clause, Fact, Gate, History, Plan
from credentialing.outlook import futures
from credentialing.outlook.forecast import CERTAIN, Counts
from credentialing.outlook.futures import Question, WaitingExam, closed_form, seed, tell
from credentialing.outlook.rates import (
    Away,
    Gamma,
    Past,
    Track,
    blocks_of,
    dispersion,
    exposed_weeks,
    fit,
    pace,
    prior_of,
    rotation_factors,
)
from credentialing.outlook.rounding import rounded
from credentialing.outlook.testing import NO_BETTER, SHOWN, TOO_FEW, Case, report

MONDAY = dt.date(2026, 1, 5)


def day(n):
    return MONDAY + dt.timedelta(days=n)


# --- exposure -------------------------------------------------------------------------------------


def test_exposure_is_days_present():
    assert exposed_weeks(day(0), day(28)) == 4
    assert exposed_weeks(day(0), day(28), [Away(day(7), day(13))]) == 3
    assert exposed_weeks(day(0), day(28), [Away(day(-3), day(0)), Away(day(27), day(40))]) == 26 / 7
    assert exposed_weeks(day(9), day(3)) == 0


def test_a_rotation_is_worth_its_factor_and_leave_inside_it_nothing():
    away = [Away(day(0), day(13), "elsewhere"), Away(day(7), day(13))]
    assert exposed_weeks(day(0), day(28), away, {"elsewhere": 0.5}) == 2.5
    assert exposed_weeks(day(0), day(28), away, {}) == 3


def tracks_with_rotation(people, weeks):
    found = []
    for who in range(people):
        away = (Away(day(0), day(7 * weeks - 1), "elsewhere"),)
        days = [day(7 * k) for k in range(weeks)]  # one a week there
        days += [day(7 * (weeks + k // 4)) for k in range(4 * weeks)]  # four a week at home
        found.append(Track(who, day(0), day(14 * weeks), tuple(days), away))
    return found


def test_a_rotation_has_a_factor_where_enough_support_it():
    assert rotation_factors(tracks_with_rotation(5, 8)) == {"elsewhere": 0.25}
    assert rotation_factors(tracks_with_rotation(4, 20)) == {}
    assert rotation_factors(tracks_with_rotation(5, 7)) == {}


def test_blocks_leave_out_what_has_no_exposure_and_what_is_short():
    days = (day(1), day(2), day(30), day(60))
    track = Track("ada", day(0), day(90), days, (Away(day(28), day(55)),))
    assert blocks_of(track) == [(2, 4.0), (1, 4.0)]
    assert dispersion([track, Track("tom", day(0), day(90), ())]) == 1.0


def test_dispersion_by_hand():
    # Blocks of 1, 7 and 4 at a pooled rate of one a week: (9 + 9 + 0) / 4 over 3 - 1.
    days = tuple(day(28 * b + k) for b, y in enumerate((1, 7, 4)) for k in range(y))
    assert dispersion([Track("ada", day(0), day(84), days)]) == 18 / 4 / 2


# --- prior ----------------------------------------------------------------------------------------


def past(n, *, weeks=20.0, count=40):
    return [Past(k, count + k % 5, weeks) for k in range(n)]


def test_who_is_asked_for_a_prior():
    assert prior_of(past(7), past(7), past(7)) is None
    assert prior_of(past(8)).pooled == ""
    assert prior_of(past(7), past(9)).pooled == "stages"
    assert prior_of(past(7), past(7), past(9)).pooled == "applications"
    assert (fit(past(19)).a, fit(past(19)).trainees) == (2.0, 19)
    # Less varied than chance alone would have them: the shape ends at 50.
    assert fit(past(20)).a == pytest.approx(50, rel=1e-3)


def test_weeks_too_few_do_not_count():
    assert fit([*past(7), Past(99, 3, 11.9)]) is None


def test_pace_is_always_known():
    assert pace(24, 12, 10, 5) == pace(24, 12, 10, 5)
    found = pace(24, 12, 10, 5)
    assert (found.so_far, found.needed, found.weeks_left) == (2.0, 2.0, 5)
    assert pace(0, 0, 10, 0).so_far is None
    assert pace(24, 12, 0, 5).needed is None


# --- futures --------------------------------------------------------------------------------------

APPS = ("pneumothorax", "effusion", "interstitial")
NOW, END = day(180), day(365)


def some_exams(n, *, seeded, first=0, length=170):
    dice, found = random.Random(seeded), []
    for k in range(n):
        exam, on = uuid.UUID(int=seeded * 10_000 + k), day(first + dice.randrange(length))
        facts = []
        for app in dice.sample(APPS, dice.choice([1, 1, 2])):
            call = dice.choice(["positive", "negative", "negative", "focal"])
            facts.append(
                Fact(
                    exam=exam,
                    scan=uuid.uuid5(exam, app),
                    application=app,
                    ordinal=1,
                    performed_on=on,
                    performed_at=dt.datetime.combine(on, dt.time(9), dt.UTC),
                    received_on=on,
                    signed_on=on + dt.timedelta(days=3),
                    seq=1,
                    credited=dice.random() < 0.9,
                    quality=3,
                    first_quality=dice.choice([2, 3, 3, 4, 5]),
                    reader_call=call,
                    first_call=call,
                    agrees=dice.random() < 0.85,
                )
            )
        found.append(tuple(facts))
    return found


def a_question(clauses, *, phi=1.8, counts=None, waiting=(), n=40, gates=None, **more):
    own, pool = some_exams(n, seeded=1), some_exams(80, seeded=2)

    def counted(exams):
        return tuple(exam for exam in exams if any(fact.credited for fact in exam))

    return Question(
        plan=Plan(gates or (Gate(1, tuple(clauses)),)),
        history=History(
            facts=tuple(fact for exam in own for fact in exam),
            groups=dict.fromkeys(APPS, "lung"),
            first_received_on=day(0),
        ),
        now=AsOf(NOW, NOW, 100),
        end=END,
        days=np.ones((END - NOW).days - 14),
        rate=Gamma(12, 8),
        phi=phi,
        counts=counts or Counts(20, 4),
        own=counted(own),
        pool=counted(pool),
        waiting=waiting,
        uncredited=tuple(e for e in own if not any(f.credited for f in e)),
        uncredited_share=0.5,
        **more,
    )


EVERY_KIND = [
    Clause(1, "credited", 30, application="pneumothorax"),
    Clause(2, "credited", 60, unit="exam", normal_cap=25),
    Clause(3, "credited", 45, normal_cap=0, group="lung"),
    Clause(4, "positive", 8, application="effusion"),
    Clause(5, "negative", 40, unit="exam"),
    Clause(6, "agreement", 0.85),
    Clause(7, "adequate_share", 0.8, application="interstitial"),
    Clause(8, "quality", 4, application="effusion"),
    Clause(9, "credited", 25, unit="exam", within_months=6),
    Clause(10, "read", 70, direction="at_most"),
    Clause(11, "determinate", 0.9, min_n=5),
    Clause(12, "elapsed_months", 11),
    Clause(13, "elapsed_months", 12),
    Clause(14, "quality", 3, direction="at_most"),
    Clause(15, "adequate", 30, group="lung"),
]
WAITING = (
    WaitingExam(day(178), ("pneumothorax",)),
    WaitingExam(day(179), ("effusion", "interstitial")),
    WaitingExam(day(100), ("pneumothorax", "effusion", "interstitial")),
)


def test_sums_say_what_the_judge_says(monkeypatch):
    """Every future judged as sums, and again as a whole history: the same clauses, one by one."""
    gates = (
        Gate(1, tuple(EVERY_KIND[:6])),
        Gate(2, tuple(EVERY_KIND[6:11]), combine=2),
        Gate(3, tuple(EVERY_KIND[11:]), combine="any"),
    )
    question = a_question((), gates=gates, waiting=WAITING)
    fast = tell(question, seed("ada", 1), n=120)
    monkeypatch.setattr(futures, "adds_up", lambda clause: False)
    slow = tell(question, seed("ada", 1), n=120)
    assert fast.clauses == slow.clauses
    assert fast.joint == slow.joint
    assert len({round(chance, 2) for chance in fast.clauses.values()}) > 6


def test_the_same_question_has_the_same_answer():
    question = a_question(EVERY_KIND[:2])
    once, again = (tell(question, seed("ada", "2026-03-01"), n=50) for _ in range(2))
    other = tell(question, seed("tom", "2026-03-01"), n=50)
    assert np.array_equal(once.coming, again.coming)
    assert not np.array_equal(once.coming, other.coming)


@pytest.mark.parametrize("phi", [1.0, 2.5])
@pytest.mark.parametrize("counts", [CERTAIN, Counts(9, 3)], ids=["certain", "some do not count"])
@pytest.mark.parametrize("waiting", [(), WAITING], ids=["none wait", "some wait"])
def test_a_plain_count_equals_the_closed_form(phi, counts, waiting):
    """Within four standard errors of 2,000 futures."""
    clauses = [
        Clause(n, "credited", bar, application="effusion") for n, bar in enumerate((24, 32, 40))
    ]
    question = a_question(clauses, phi=phi, counts=counts, waiting=waiting)
    told = tell(question, seed("closed", phi, len(waiting)), n=2000)
    have = sum(f.credited and f.application == "effusion" for f in question.history.facts)
    for clause in clauses:
        exact = closed_form(question, clause).at_least(int(clause.bar) - have)
        error = max(math.sqrt(exact * (1 - exact) / 2000), 1 / 2000)
        assert abs(told.clauses[clause.ordinal] - exact) <= 4 * error


def test_a_joint_chance_is_no_product():
    """Numbers that hang on one person's pace are reached together or not at all."""
    clauses = [Clause(n, "credited", bar, unit="exam") for n, bar in enumerate((66, 66, 67, 67))]
    told = tell(a_question(clauses), seed("joint"), n=2000)
    product = math.prod(told.clauses.values())
    assert told.joint == min(told.clauses.values())
    assert product < told.joint - 0.1


def test_nothing_to_come_leaves_what_is():
    question = a_question(EVERY_KIND, n=40)
    question = futures.replace(question, days=np.zeros(0), waiting=())
    told = tell(question, seed("none"), n=20)
    standing = measures.judge(question.plan, question.history, as_of=question.as_of)
    assert told.clauses == {row.clause.ordinal: float(row.met) for row in standing.clauses}


def test_nobody_to_be_like_reaches_nothing_more():
    question = futures.replace(a_question(EVERY_KIND[:1]), own=(), pool=(), uncredited=())
    assert tell(question, seed("none"), n=20).clauses == {1: 0.0}


def test_a_fan_begins_at_today_and_ends_at_the_last_day():
    question = a_question([Clause(1, "credited", 60, unit="exam")])
    [fan] = tell(question, seed("fan"), n=200).fans.values()
    have = measures.judge(question.plan, question.history, as_of=question.now).clauses[0]
    assert (fan.days[0], fan.days[-1]) == (NOW, END)
    assert fan.low[0] == fan.high[0] == have.value.numerator
    assert all(lo <= mid <= hi for lo, mid, hi in zip(fan.low, fan.middle, fan.high, strict=True))
    assert list(fan.middle) == sorted(fan.middle)


# --- the back-test --------------------------------------------------------------------------------


def cases(people, *, chance, pace=lambda reached: 0.5, every=2):
    return [
        Case(who, months, chance(who % every == 0), pace(who % every == 0), who % every == 0)
        for who in range(people)
        for months in (9, 6, 3)
    ]


def test_too_few_to_test():
    assert report(cases(19, chance=lambda r: 0.9 if r else 0.1)).verdict == TOO_FEW
    # Twenty, of whom four did.
    assert report(cases(20, chance=lambda r: 0.5, every=5)).verdict == TOO_FEW
    assert report(cases(25, chance=lambda r: 0.9 if r else 0.1, every=5)).verdict == SHOWN


def test_scores_by_hand():
    found = report(cases(40, chance=lambda r: 0.9 if r else 0.1))
    assert found.brier == pytest.approx(0.01)
    assert (found.low, found.high) == (pytest.approx(0.01), pytest.approx(0.01))
    assert found.against_base == pytest.approx(1 - 0.01 / 0.25)
    assert found.against_pace == pytest.approx(1 - 0.01 / 0.25)
    assert (found.cases, found.people, found.reached) == (120, 40, 20)


def test_no_better_than_that_the_pace_goes_on():
    right = {True: 1.0, False: 0.0}
    found = report(cases(40, chance=lambda r: 0.9 if r else 0.1, pace=right.get))
    assert (found.verdict, found.against_pace) == (NO_BETTER, None)
    found = report(cases(40, chance=lambda r: 0.5, pace=lambda r: 0.6 if r else 0.4))
    assert found.verdict == NO_BETTER
    assert found.against_pace < 0


def test_the_range_is_the_trainees_not_the_forecasts():
    """Three forecasts of one trainee are one thing to learn from."""
    dice = random.Random(3)
    varied = [
        Case(who, m, chance, 0.5, who % 2 == 0)
        for who in range(40)
        for chance in [dice.random()]
        for m in (9, 6, 3)
    ]
    once = report(varied)
    thrice = report([Case(c.who, c.months, c.chance, 0.5, c.reached) for c in varied * 3])
    assert once.high - once.low == pytest.approx(thrice.high - thrice.low, rel=1e-9)


def test_calibration_groups_are_never_small():
    found = report(cases(40, chance=lambda r: 0.9 if r else 0.1)).groups
    assert len(found) == 4
    assert all(group.cases >= 20 and group.people >= 10 for group in found)
    assert len(report(cases(20, chance=lambda r: 0.9 if r else 0.1)).groups) == 2
    assert sum(group.reached for group in found) == 60


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.0, 0), (0.049, 0), (0.05, 5), (0.074, 5), (0.076, 10), (0.5, 50), (0.95, 95), (0.951, 100)],
)
def test_a_chance_is_said_to_the_nearest_five(chance, said):
    assert rounded(chance) == said
