"""The standing as rows: it follows the ledger, and no way of getting there gives other numbers."""

from __future__ import annotations

import dataclasses
import datetime as dt
import random

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.actions import programmes
from credentialing import measures, queries, tasks, words
from credentialing.actions import plans, standing
from credentialing.columns.cohort import Cohort, cohorts
from credentialing.columns.table import PRESENT
from credentialing.models import (
    LedgerCursor,
    PlanStanding,
    PlanVersion,
    Run,
    Standing,
    StandingChange,
)
from logbook.actions import exams
from review.actions import attestations
from review.actions.scans import set_aside
from review.models import Attestation
from tests import factories as f
from tests.credentialing.reference import Reference

pytestmark = pytest.mark.django_db

TEN = measures.Clause(1, "credited", 10, group="lung", unit=measures.EXAM)
PLAN = measures.Plan(
    code="local",
    name="Local numbers",
    gates=(
        measures.Gate(
            1,
            (
                measures.Clause(1, "credited", 3, group="lung", unit=measures.EXAM),
                measures.Clause(2, "credited", 2, application="pneumothorax"),
                measures.Clause(3, "positive", 1, application="effusion"),
                measures.Clause(4, "credited", 2, group="lung", within_months=2),
                measures.Clause(5, "agreement", 0.5, group="lung", min_n=2, min_each=0),
                measures.Clause(6, "quality", 4, group="lung", min_n=2),
                measures.Clause(7, "credited", 2, group="lung", normal_cap=1),
                measures.Clause(8, "elapsed_months", 1),
            ),
        ),
    ),
)


def publish(programme, plan=PLAN, *, when=None):
    return plans.publish(
        programme=programme,
        plan=plan,
        effective_on=f.START,
        override_reason="Agreement is only watched here.",
        by=None,
        at=when or f.at(0),
    )


def assign(version, *people, when=None):
    return plans.assign(
        version=version,
        memberships=[p.memberships.get(programme=version.programme) for p in people],
        effective_on=f.START,
        by=None,
        at=when or f.at(0, 1),
    )


@pytest.fixture
def programme():
    return f.a_programme(code="northfield")


def rows(programme, *columns):
    names = columns or Standing.SAYS
    return sorted(
        map(
            str,
            Standing.objects.filter(programme=programme).values_list(
                "membership_id", "clause__version_id", "clause__ordinal", *names
            ),
        )
    )


def test_a_signature_moves_the_number(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    assign(publish(programme), ada)
    exam = f.waiting_exam(ada, programme)
    standing.follow(programme=programme, at=f.NOW)
    membership = ada.memberships.get()
    before = queries.standing_of(membership)[1][0]
    assert (before.numerator, before.waiting, before.left) == (0, 1, 3)
    f.signed_exam(bo, exam)
    standing.follow(programme=programme, at=f.NOW)
    after = queries.standing_of(membership)[1][0]
    assert (after.numerator, after.waiting, after.left) == (1, 0, 2)


def test_a_version_that_came_later_would_have_been_met(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    one = measures.Plan(
        code="one", name="One", gates=(measures.Gate(1, (measures.Clause(1, "credited", 1),)),)
    )
    f.signed_exam(bo, f.waiting_exam(ada, programme, when=f.at(20)), when=f.at(20, 15))
    version = plans.publish(
        programme=programme, plan=one, effective_on=f.at(40).date(), by=None, at=f.at(40)
    )
    membership = ada.memberships.get()
    plans.assign(
        version=version, memberships=[membership], effective_on=f.at(40).date(), by=None,
        at=f.at(40),
    )  # fmt: skip
    standing.recompute(programme=programme, at=f.NOW)
    whole, _rows = queries.standing_of(membership)
    assert whole.met_since == f.at(20).date()
    assert f"would have been met on {words.day(whole.met_since)}" in words.whole(whole, 1, 1)


def test_the_cursor_pays_once(programme):
    ada = f.a_trainee(programme)
    assign(publish(programme), ada)
    assert standing.follow(programme=programme, at=f.NOW).people >= 1
    assert standing.follow(programme=programme, at=f.NOW) is None
    cursor = LedgerCursor.objects.get(chain=programme.chain)
    from accounts import ledger

    assert cursor.seq == ledger.head_of(programme.chain)


def test_a_change_of_state_is_kept(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    one = measures.Plan(
        code="one", name="One", gates=(measures.Gate(1, (measures.Clause(1, "credited", 1),)),)
    )
    assign(publish(programme, one), ada)
    standing.recompute(programme=programme, at=f.at(1))
    f.signed_exam(bo, f.waiting_exam(ada, programme))
    standing.follow(programme=programme, at=f.NOW)
    said = StandingChange.objects.filter(clause__version__code="one").order_by("recorded_at")
    assert [(c.before, c.after) for c in said] == [("", "not_met"), ("not_met", "met")]


def test_the_same_plan_twice_is_one_version(programme):
    first = publish(programme)
    assert publish(programme, when=f.at(2)) == first
    other = measures.Plan(code="local", name="Local numbers", gates=(measures.Gate(1, (TEN,)),))
    assert publish(programme, other, when=f.at(3)).n == 2
    assert PlanVersion.objects.filter(code="local").count() == 2


def test_an_assignment_counts_from_its_day(programme):
    ada = f.a_trainee(programme)
    version = publish(programme)
    plans.assign(
        version=version,
        memberships=ada.memberships.all(),
        effective_on=f.at(100).date(),
        by=None,
        at=f.at(1),
    )
    judged = {j.version_id for j in queries.judged_in(programme, on=f.at(99).date())}
    assert version.pk not in judged
    judged = {j.version_id for j in queries.judged_in(programme, on=f.at(100).date())}
    assert judged == {version.pk}


def test_the_whole_night_finds_nothing_different_and_runs_once_a_day(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    assign(publish(programme), ada)
    f.signed_exam(bo, f.waiting_exam(ada, programme), {"pneumothorax": "R+ L-"})
    standing.follow(programme=programme, at=f.NOW)
    run = standing.run_full(programme, at=f.NOW + dt.timedelta(days=1))
    assert (run.people, run.differing, run.failed) == (1, 0, "")
    assert standing.run_full(programme, at=f.NOW + dt.timedelta(days=1, hours=1)) is None
    assert Run.objects.count() == 1


def test_the_whole_night_reports_a_row_that_is_not_what_it_should_be(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    assign(publish(programme), ada)
    f.signed_exam(bo, f.waiting_exam(ada, programme))
    standing.follow(programme=programme, at=f.NOW)
    Standing.objects.filter(clause__ordinal=1).update(numerator=24)
    run = standing.run_full(programme, at=f.NOW + dt.timedelta(days=1))
    assert run.differing == 1
    row = Standing.objects.get(clause__ordinal=1, clause__version__code="local")
    assert row.numerator == 1


def test_a_failure_leaves_nobody_new_and_says_so(programme, monkeypatch):
    """The second of two chunks fails: the first is not kept either."""
    monkeypatch.setattr(standing, "CHUNK", 1)
    ada, tom, bo = f.a_trainee(programme), f.a_trainee(programme, "Tom Vale"), f.a_reader(programme)
    assign(publish(programme), ada, tom)
    standing.follow(programme=programme, at=f.NOW)
    before = set(PlanStanding.objects.values_list("pk", "d", "n"))
    for person in (ada, tom):
        f.signed_exam(bo, f.waiting_exam(person, programme))
    judge, last = Cohort.judge, max(ada.pk, tom.pk)

    def fails_last(cohort, judged, *args):
        if judged[0].person_id == last:
            raise ZeroDivisionError("invented")
        return judge(cohort, judged, *args)

    monkeypatch.setattr(Cohort, "judge", fails_last)
    tomorrow = f.NOW + dt.timedelta(days=1)
    run = standing.run_full(programme, at=tomorrow)
    assert run.failed == "ZeroDivisionError: invented"
    assert set(PlanStanding.objects.values_list("pk", "d", "n")) == before
    assert not queries.counted_today(programme, at=tomorrow)


@pytest.mark.parametrize(
    ("zone", "night"),
    [
        ("Europe/Berlin", dt.date(2024, 3, 31)),  # an hour is taken away
        ("Europe/Berlin", dt.date(2024, 10, 27)),  # and given back
        ("Pacific/Auckland", dt.date(2024, 4, 7)),
        ("America/St_Johns", dt.date(2024, 3, 10)),
        ("Africa/Cairo", dt.date(2024, 4, 26)),  # midnight itself does not exist
        ("America/Havana", dt.date(2024, 11, 3)),  # midnight comes twice
    ],
)
def test_one_run_a_local_day_whatever_the_clock_does(zone, night):
    """Ticks every ten minutes over three days; the runs are the first ticks of their days."""
    programme = programmes.create(
        institution="northfield", institution_name="Northfield Teaching Hospital", code="north",
        name="North", time_zone=zone, by=None,
        at=dt.datetime.combine(night - dt.timedelta(days=9), dt.time(12), dt.UTC),
    )  # fmt: skip
    begins = dt.datetime.combine(night - dt.timedelta(days=2), dt.time(12, 7), dt.UTC)
    ticks = [begins + dt.timedelta(minutes=10 * n) for n in range(3 * 144)]
    ran = [tick for tick in ticks if standing.run_full(programme, at=tick) is not None]
    assert (
        ran == list({programme.local_date(tick): tick for tick in reversed(ticks)}.values())[::-1]
    )
    days = [programme.local_date(tick) for tick in ran]
    assert days == [days[0] + dt.timedelta(days=n) for n in range(len(days))]
    assert night in days


def test_a_night_that_died_is_said_and_begun_again(programme, monkeypatch):
    ada = f.a_trainee(programme)
    assign(publish(programme), ada)

    class Killed(BaseException):
        """As a worker goes that is killed: nothing after it runs."""

    def dies(**_more):
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(standing, "recompute", dies)
        with pytest.raises(Killed):
            standing.run_full(programme, at=f.NOW)
    soon = f.NOW + dt.timedelta(minutes=30)
    assert standing.run_full(programme, at=soon) is None
    assert not queries.counted_today(programme, at=soon)
    later = f.NOW + dt.timedelta(hours=1)
    assert standing.run_full(programme, at=later).people == 1
    assert standing.run_full(programme, at=later + dt.timedelta(hours=2)) is None
    told = Run.objects.order_by("started_at").values_list("failed", flat=True)
    assert list(told) == ["It did not finish, and was begun again.", ""]
    assert queries.counted_today(programme, at=later)


def test_what_does_not_follow_is_told_once_and_stops_nobody_else(programme, monkeypatch):
    other = f.a_programme(code="westfield")
    for one in (programme, other):
        assign(publish(one), f.a_trainee(one))
    judge = Cohort.judge

    def fails_here(self, *args, **more):
        if self.programme == programme:
            raise ZeroDivisionError("invented")
        return judge(self, *args, **more)

    with monkeypatch.context() as patched:
        patched.setattr(Cohort, "judge", fails_here)
        assert tasks.sweep() == 1
        assert tasks.sweep() == 0
    assert not PlanStanding.objects.filter(programme=programme).exists()
    assert PlanStanding.objects.filter(programme=other).count() == 1
    assert queries.latest_run(programme).failed == "ZeroDivisionError: invented"
    assert Run.objects.count() == 1
    assert tasks.sweep() == 1
    assert PlanStanding.objects.filter(programme=programme).count() == 1


def test_queries_do_not_grow_with_people(programme):
    bo, version = f.a_reader(programme), publish(programme)

    def cost(people):
        for n in range(people):
            person = f.a_trainee(programme, f"Trainee {n}")
            assign(version, person)
            f.signed_exam(bo, f.waiting_exam(person, programme))
        standing.recompute(programme=programme, at=f.NOW)
        with CaptureQueriesContext(connection) as few:
            standing.recompute(programme=programme, at=f.NOW)
        return len(few)

    # As many rows as one statement of SQLite takes.
    assert cost(1) == cost(3)


ANSWERS = ("R- L-", "R+ L-", "R- L+", "R? L-", "limited")


def a_random_history(programme, people, readers, dice: random.Random, steps: int):
    """Real actions in a random order; yields after each with the time of it."""
    waiting, signed = [], []
    for step in range(steps):
        when = f.at(dt.date(2026, 1, 20) + dt.timedelta(days=step * dice.choice([0, 3, 9])), 9)
        act = dice.random()
        if act < 0.45 or not (waiting or signed):
            asks = dice.sample(["pneumothorax", "effusion"], dice.choice([1, 2]))
            person = dice.choice(people)
            waiting.append(f.waiting_exam(person, programme, when=when, asks=tuple(asks)))
        elif act < 0.8 and waiting:
            exam = waiting.pop(dice.randrange(len(waiting)))
            said = {a: dice.choice(ANSWERS) for a in ("pneumothorax", "effusion")}
            signed += f.signed_exam(
                dice.choice(readers), exam, said, quality=dice.randint(2, 5), when=when
            )
        elif act < 0.9 and signed:
            old = Attestation.objects.get(pk=signed.pop(dice.randrange(len(signed))).pk)
            signed.append(
                attestations.supersede(
                    attestation=old,
                    reason="Looked again.",
                    credited=not old.credited if not old.credit_reasons else None,
                    override_reason="Half of it was the supervisor.",
                    by=old.reader,
                    at=when,
                )
            )
        elif waiting:
            exam = waiting.pop()
            exams.withdraw(exam=exam, by=exam.trainee, at=when)
        yield when


@pytest.mark.parametrize("seed", range(4))
def test_incremental_is_full_is_the_slow_reference(programme, seed):
    dice = random.Random(seed)
    people = [f.a_trainee(programme), f.a_trainee(programme, "Tom Vale")]
    readers = [f.a_reader(programme), f.a_reader(programme, "Uma Reed")]
    version = publish(programme)
    assign(version, *people)
    for when in a_random_history(programme, people, readers, dice, 14):
        if dice.random() < 0.5:
            standing.follow(programme=programme, at=when)
    standing.follow(programme=programme, at=when)
    # Each row is what the definitions say as of its own moment, however it came about.
    plan = version.as_plan()
    for person, history in queries.histories(programme, [p.pk for p in people]):
        whole, rows_of_person = queries.standing_of(person_membership(people, person))
        for row in rows_of_person:
            clause = next(c for c in plan.clauses if c.ordinal == row.clause.ordinal)
            compare(Reference(plan, history, whole.as_of), clause, row)
    # From what was followed, and from nothing, the night writes the same.
    standing.recompute(programme=programme, at=when)
    followed = rows(programme)
    PlanStanding.objects.all().delete()
    Standing.objects.all().delete()
    standing.recompute(programme=programme, at=when)
    assert rows(programme) == followed


@pytest.mark.parametrize("seed", range(4, 6))
def test_tables_read_in_columns_say_what_histories_say(programme, seed, monkeypatch):
    """The same people at several cuts, in columns and one by one: no field differs."""
    dice = random.Random(seed)
    people = [f.a_trainee(programme), f.a_trainee(programme, "Tom Vale")]
    readers = [f.a_reader(programme), f.a_reader(programme, "Uma Reed")]
    more = (
        measures.Clause(9, "supervised", 1, group="lung", unit=measures.EXAM),
        measures.Clause(10, "negative", 1, unit=measures.EXAM, within_months=1),
        measures.Clause(11, "determinate", 0.5, min_n=1),
        measures.Clause(12, "credited", 3, direction=measures.AT_MOST, normal_cap=0),
    )
    plan = dataclasses.replace(PLAN, gates=(*PLAN.gates, measures.Gate(2, more, measures.ANY)))
    version = publish(programme, plan)
    assign(version, *people)
    cuts = []
    for when in a_random_history(programme, people, readers, dice, 14):
        cuts.append(queries.now(programme, when))
    last = cuts[-1]
    judged = queries.judged_in(programme, on=last.d, seq=last.n)
    ((cohort, everybody),) = [c for c in cohorts(programme, judged) if c[0].version == version]
    assert cohort.in_columns
    for cut in (*cuts[::4], last):
        in_columns = cohort.judge(everybody, cut)
        monkeypatch.setitem(vars(cohort), "in_columns", False)
        one_by_one = cohort.judge(everybody, cut)
        monkeypatch.delitem(vars(cohort), "in_columns")
        # What waited in the past is for `measures` to say; of the present `lives` ask both.
        assert not in_columns.differs(one_by_one, leaving_out=PRESENT).any()
        for name in ("met", "first_met_on", "met_since", "lost_on"):
            assert in_columns.whole[name].tolist() == one_by_one.whole[name].tolist()


def person_membership(people, pk):
    return next(p for p in people if p.pk == pk).memberships.get()


def compare(reference, clause, row):
    from tests.credentialing.test_measures import expected

    wanted = expected(reference.clause(clause))
    got = {name: getattr(row, name) for name in wanted if hasattr(row, name)}
    assert got
    assert got == {name: wanted[name] for name in got}


def test_a_past_moment_never_changes(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    version = publish(programme)
    assign(version, ada)
    f.signed_exam(bo, f.waiting_exam(ada, programme))
    then = queries.now(programme, f.NOW)
    plan = version.as_plan()
    before = measures.judge(plan, queries.history_of(programme, ada.pk), as_of=then)
    later = f.NOW + dt.timedelta(days=40)
    f.signed_exam(bo, f.waiting_exam(ada, programme, when=later), when=later)
    first = Attestation.objects.order_by("seq").first()
    attestations.supersede(
        attestation=first,
        reason="Looked again.",
        credited=False,
        override_reason="The supervisor held the probe.",
        by=bo,
        at=later,
    )
    after = measures.judge(plan, queries.history_of(programme, ada.pk), as_of=then)
    assert [(c.state, c.value, c.dates) for c in after.clauses] == [
        (c.state, c.value, c.dates) for c in before.clauses
    ]


def test_set_aside_waits_no_longer(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    assign(publish(programme), ada)
    exam = f.waiting_exam(ada, programme)
    from review.actions import holds

    holds.take(programme=programme, exam=exam, by=bo, at=f.NOW)
    set_aside(exam=exam, scan_ids=[exam.scans.get().pk], reason="test_entry", by=bo, at=f.NOW)
    standing.follow(programme=programme, at=f.NOW)
    whole, _rows = queries.standing_of(ada.memberships.get())
    assert (whole.waiting, whole.returned) == (0, 0)
