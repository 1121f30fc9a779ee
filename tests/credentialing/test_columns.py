"""Many at once say what one by one says, on every field."""

from __future__ import annotations

import datetime as dt

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from credentialing import measures
from credentialing.columns import judging
from credentialing.columns.cohort import says
from credentialing.columns.frame import NONE
from credentialing.columns.table import ALONE, COUNTED
from credentialing.measures import Gate, Plan, judge
from tests.credentialing.frames import frame_of
from tests.credentialing.histories import clauses, histories, moments, plans
from tests.support.examples import examples


def day(number) -> dt.date | None:
    return None if number == NONE else dt.date.fromordinal(int(number))


def known(number) -> int | None:
    return None if number == -1 else int(number)


def real(number) -> float | None:
    return None if np.isnan(number) else float(number)


def row_of(column: judging.Column, person: int) -> dict:
    """One person's cell as a stored row has it."""
    days = {
        name: day(getattr(column, name)[person])
        for name in ("first_met_on", "met_since", "lost_on", "reached_with", "reached_signed_on")
    }
    alone = {name: 0 if name in COUNTED else None for name in ALONE}
    return (
        days
        | alone
        | {
            "state": judging.STATES[column.state[person]],
            "lost_because": judging.CAUSES[column.lost_because[person]],
            "numerator": int(column.numerator[person]),
            "denominator": known(column.denominator[person]),
            "value": real(column.value[person]),
            "lower": real(column.lower[person]),
            "upper": real(column.upper[person]),
            "left": known(column.left[person]),
            **{
                name: int(getattr(column, name)[person])
                for name in ("waiting", "returned", "normal_over", "claimed")
            },
        }
    )


def said(row: measures.ClauseStanding) -> dict:
    return dict(says(row))


def compare(plan, people, as_of):
    signs = tuple({c.finding for c in plan.clauses if c.finding})
    judged = judging.judge(plan, frame_of(people, as_of, signs), as_of=as_of)
    assert not judged.odd.any()
    for person, history in enumerate(people):
        one = judge(plan, history, as_of=as_of)
        for clause, column in zip(one.clauses, judged.clauses, strict=True):
            assert row_of(column, person) == said(clause)
        whole = judged.whole
        assert (
            bool(whole.met[person]),
            day(whole.first_met_on[person]),
            day(whole.met_since[person]),
            day(whole.lost_on[person]),
            int(whole.waiting[person]),
            int(whole.returned[person]),
        ) == (
            one.met,
            one.dates.first_met_on,
            one.dates.met_since,
            one.dates.lost_on,
            one.waiting,
            one.returned,
        )


@examples(150)
@given(st.data())
def test_a_clause_of_everybody_is_the_clause_of_each(data):
    clause = data.draw(clauses())
    plan = Plan((Gate(1, (clause,)),))
    assume(judging.knows(plan))
    people = data.draw(st.lists(histories(), min_size=1, max_size=3))
    compare(plan, people, data.draw(moments(people[-1])))


@examples(60)
@given(st.data())
def test_a_plan_of_everybody_is_the_plan_of_each(data):
    plan = data.draw(plans())
    assume(judging.knows(plan))
    people = data.draw(st.lists(histories(attested=(1, 2, 3)), min_size=1, max_size=3))
    compare(plan, people, data.draw(moments(people[0])))


def plan_of(**clause):
    said = {"ordinal": 1, "measure": "credited", "bar": 3} | clause
    return Plan((Gate(1, (measures.Clause(**said),)),))


def test_a_plan_that_asks_for_more_is_judged_one_by_one():
    assert judging.knows(plan_of())
    assert judging.knows(plan_of(within_months=12, normal_cap=10))
    assert judging.knows(plan_of(measure="quality", bar=4))
    # A bound is judged at looks; `once` of what can fall asks again after each correction.
    assert not judging.knows(plan_of(measure="agreement", bar=0.8, bound=True))
    assert not judging.knows(plan_of(within_months=12, mode="once"))
    assert not judging.knows(plan_of(unit="patient"))


def test_everything_that_a_history_holds_is_read_or_said_to_be_for_others():
    """A field named here sends everybody to be judged one by one, which is right and slow: say in
    `judging.READ` that the columns need not read it, or read it."""
    assert judging.unread(measures.Fact, measures.History) == []
