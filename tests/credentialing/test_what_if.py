"""What a draft would change is what publishing it changes."""

from __future__ import annotations

import datetime as dt
import random

import pytest

from credentialing import drafting, measures, publishing, what_if
from credentialing.actions import drafts, standing
from credentialing.models import PlanStanding, Standing
from tests import factories as f
from tests.credentialing.test_standing import a_random_history, assign, publish

pytestmark = pytest.mark.django_db


@pytest.fixture
def programme():
    return f.a_programme(code="northfield")


def a_random_plan(dice: random.Random, number: int) -> measures.Plan:
    """Anything that may be published, small enough that people differ."""
    while True:
        clauses = [a_random_clause(dice, n) for n in range(1, dice.randint(2, 5))]
        cut = dice.randint(0, len(clauses) - 1)
        parts = [part for part in (clauses[:cut], clauses[cut:]) if part]
        gates = tuple(
            measures.Gate(n, tuple(part), dice.choice(["all", "any"]))
            for n, part in enumerate(parts, start=1)
        )
        plan = measures.Plan(gates, f"plan-{number}", f"Plan {number}")
        reason = "Accuracy is only watched here."
        if not publishing.refusals(plan, override_reason=reason):
            return plan


def a_random_clause(dice: random.Random, n: int) -> measures.Clause:
    kind = dice.choice(["count", "count", "count", "share", "time", "median", "median"])
    where = dice.choice([{"application": "pneumothorax"}, {"application": "effusion"}, {}])
    if kind == "time":
        return measures.Clause(n, "elapsed_months", dice.randint(1, 3))
    if kind == "median":
        return measures.Clause(n, "quality", dice.randint(2, 4), min_n=dice.randint(1, 3), **where)
    if kind == "share":
        name = dice.choice(["agreement", "determinate", "adequate_share", "positive_agreement"])
        return measures.Clause(
            n, name, dice.choice([0.4, 0.7, 0.9]), min_n=1,
            min_each=0 if name == "agreement" else None,
            bound=name != "positive_agreement" and dice.random() < 0.4,
            step=dice.randint(1, 3), **where,
        )  # fmt: skip
    name = dice.choice(["credited", "credited", "positive", "negative", "read", "adequate"])
    return measures.Clause(
        n, name, dice.randint(1, 4),
        unit=dice.choice(["scan", "exam", "patient"]),
        within_months=dice.choice([None, None, 1, 2]),
        normal_cap=dice.choice([None, 1]) if name == "credited" else None,
        further=(n - 1,) if n > 1 and dice.random() < 0.2 else (),
        after=n - 1 if n > 1 and dice.random() < 0.2 else None,
        **where,
    )  # fmt: skip


def a_cohort(programme, dice):
    people = [f.a_trainee(programme), f.a_trainee(programme, "Tom Vale")]
    people.append(f.a_trainee(programme, "Eve Stone"))
    readers = [f.a_reader(programme), f.a_reader(programme, "Uma Reed")]
    assign(publish(programme), *people)
    for when in a_random_history(programme, people, readers, dice, 24):
        last = when
    return people, last + dt.timedelta(days=1)


def test_what_if_is_what_happens(programme, scale):
    dice = random.Random(7)
    _people, at = a_cohort(programme, dice)
    today = programme.local_date(at)
    for number in range(scale(200)):
        plan = a_random_plan(dice, number)
        terms = drafting.Terms(
            effective_on=today, moves="everyone", override_reason="Accuracy is only watched here."
        )
        draft = drafts.start(programme=programme, plan=plan, terms=terms, by=None, at=at)
        told = what_if.run(programme, plan, terms, at=at)
        version = drafts.publish(draft=draft, version=1, by=None, at=at)
        standing.recompute(programme=programme, at=at)
        for one in told.people:
            whole = PlanStanding.objects.get(membership=one.membership)
            rows = Standing.objects.filter(membership=one.membership, clause__version=version)
            unmet = rows.exclude(state=measures.MET).order_by("clause__ordinal")
            assert whole.version_id == version.pk
            assert one.after == what_if.Verdict(
                whole.met, tuple(unmet.values_list("clause__ordinal", flat=True))
            )
            # And the next draft begins from what this one came to.
        assert {one.membership.person.name for one in told.people} == {
            "Ada Fenn", "Tom Vale", "Eve Stone",
        }  # fmt: skip


def test_who_stays_is_judged_too_and_said(programme):
    dice = random.Random(1)
    _people, at = a_cohort(programme, dice)
    plan = measures.Plan((measures.Gate(1, (measures.Clause(1, "credited", 1),)),), "easy", "Easy")
    newcomers = drafting.Terms(effective_on=programme.local_date(at), moves="newcomers")
    told = what_if.run(programme, plan, newcomers, at=at)
    assert [one.moves for one in told.people] == [False, False, False]
    assert told.moving == []
    everyone = drafting.Terms(effective_on=programme.local_date(at), moves="everyone")
    again = what_if.run(programme, plan, everyone, at=at)
    assert [one.after for one in again.people] == [one.after for one in told.people]
    assert len(again.moving) == 3


def test_queries_do_not_grow_with_people(programme, django_assert_num_queries):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    _people, at = a_cohort(programme, random.Random(3))
    plan = measures.Plan((measures.Gate(1, (measures.Clause(1, "credited", 1),)),), "easy", "Easy")
    terms = drafting.Terms(moves="everyone")

    def cost():
        with CaptureQueriesContext(connection) as found:
            what_if.run(programme, plan, terms, at=at)
        return len(found)

    few = cost()
    for n in range(4):
        assign(publish(programme), f.a_trainee(programme, f"Trainee {n}"))
    assert cost() == few


def test_a_record_that_goes_on_as_it_was():
    """Ten scans in the last year come again in the next, and half of them in half of one."""
    start = dt.date(2025, 1, 1)
    facts = tuple(
        measures.Fact(
            f"exam-{k}", f"scan-{k}", "effusion", 1, start + dt.timedelta(days=30 * k), None,
            start + dt.timedelta(days=30 * k), start + dt.timedelta(days=30 * k + 1), k + 1,
        )
        for k in range(12)
    )  # fmt: skip
    history = measures.History(facts, first_received_on=start)
    today = measures.AsOf(dt.date(2025, 12, 31), dt.date(2025, 12, 31), 99)
    clause = measures.Clause(1, "credited", 24, application="effusion")
    plan = measures.Plan((measures.Gate(1, (clause,)),))

    def counted(until):
        later = what_if.continued(history, today, until)
        then = measures.AsOf(until, until, 10**9)
        return measures.judge(plan, later, as_of=then).clauses[0].value.numerator

    assert counted(dt.date(2026, 12, 31)) == 24
    assert counted(dt.date(2026, 6, 30)) == 12 + 7
    assert what_if.continued(history, measures.AsOf(start, start, 99), start) is None
