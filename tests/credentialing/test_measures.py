"""Standings against a slow reference, and the scans behind each number."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credentialing.measures import COUNTED, AsOf, Gate, Plan, Waiting, behind, judge
from tests.credentialing.histories import (
    best_plans,
    clauses,
    clauses_that_look_back,
    histories,
    linked_plans,
    moments,
    plans,
    wider_clauses,
)
from tests.credentialing.reference import Reference
from tests.support.examples import examples

SAID = ("first_met_on", "met_since", "lost_on", "lost_because", "reached_with")


def said(standing) -> dict:
    return {name: getattr(standing.dates, name) for name in SAID}


def expected(answer: dict, *, reached: bool = True) -> dict:
    return {name: answer[name] for name in SAID if reached or name != "reached_with"}


@examples(100)
@given(st.data())
def test_a_clause_says_what_the_definitions_say(data):
    clause, history = data.draw(clauses()), data.draw(histories())
    compare(clause, history, data.draw(moments(history)))


@examples(80)
@given(st.data())
def test_a_clause_that_looks_back_is_asked_again_after_every_correction(data):
    clause = data.draw(clauses_that_look_back())
    history = data.draw(histories(most_exams=5, attested=(1, 2, 3)))
    compare(clause, history, data.draw(moments(history)))


@examples(100)
@given(st.data())
def test_a_clause_of_any_kind_says_what_the_definitions_say(data):
    clause, history = data.draw(wider_clauses()), data.draw(histories(wider=True))
    compare(clause, history, data.draw(moments(history)), cause=False)


@examples(60)
@given(st.data())
def test_clauses_that_hang_together_say_what_the_definitions_say(data):
    plan = data.draw(st.one_of(linked_plans(), best_plans()))
    history = data.draw(histories(wider=True))
    as_of = data.draw(moments(history))
    standing = judge(plan, history, as_of=as_of)
    answer = Reference(plan, history, as_of).gate(plan.gates[0])
    for one, wanted in zip(standing.clauses, answer["clauses"], strict=True):
        same(one, wanted, cause=False)
    gate = standing.gates[0]
    assert gate.met == answer["met"]
    assert gate.dates.first_met_on == answer["first_met_on"]
    if plan.gates[0].window:
        assert {one.window_ends_on for one in standing.clauses} == {answer["ends_on"]}


def compare(clause, history, as_of, cause=True):
    standing = judge(Plan((Gate(1, (clause,)),)), history, as_of=as_of).clauses[0]
    same(standing, Reference(None, history, as_of).clause(clause), cause=cause)


def same(standing, answer, *, cause):
    names = [name for name in SAID if cause or name != "lost_because"]
    assert {name: said(standing)[name] for name in names} == {name: answer[name] for name in names}
    assert standing.met == answer["met"]
    value = standing.value
    numerator, denominator, worth, lower, upper = answer["value"]
    assert (value.numerator, value.denominator, value.value) == (numerator, denominator, worth)
    assert value.lower == (None if lower is None else pytest.approx(lower, abs=1e-6))
    assert value.upper == (None if upper is None else pytest.approx(upper, abs=1e-6))


@examples(80)
@given(st.data())
def test_gates_and_plans_say_what_their_clauses_say_together(data):
    plan, history = data.draw(plans()), data.draw(histories())
    as_of = data.draw(moments(history))
    standing = judge(plan, history, as_of=as_of)
    answer = Reference(plan, history, as_of).whole()

    def days(dates):
        return dates.first_met_on, dates.met_since, dates.lost_on

    def wanted(part):
        return part["first_met_on"], part["met_since"], part["lost_on"]

    assert (standing.met, days(standing.dates)) == (answer["met"], wanted(answer))
    assert [(g.met, days(g.dates)) for g in standing.gates] == [
        (g["met"], wanted(g)) for g in answer["gates"]
    ]


@examples(80)
@given(st.data())
def test_the_scans_behind_a_number_add_up_to_it(data):
    clause, history = data.draw(clauses()), data.draw(histories())
    as_of = data.draw(moments(history))
    value = judge(Plan((Gate(1, (clause,)),)), history, as_of=as_of).clauses[0].value
    rows = behind(clause, history, as_of=as_of)
    if clause.measure == "elapsed_months":
        assert rows == []
        return
    counted = [row.fact for row in rows if row.part == COUNTED]
    units = {f.exam if clause.unit == "exam" else f.scan for f in counted}
    assert len(units) == value.numerator
    if value.denominator is not None:
        assert len(rows) == value.denominator
    assert [r.fact.performed_on for r in rows] == sorted(r.fact.performed_on for r in rows)


@examples(40)
@given(st.data())
def test_the_order_of_the_rows_does_not_matter_and_later_ones_are_not_read(data):
    plan, history = data.draw(plans()), data.draw(histories())
    as_of = data.draw(moments(history))
    shuffled = list(history.facts)
    random.Random(data.draw(st.integers(0, 99))).shuffle(shuffled)
    # What happened after (D2, N) has not happened yet.
    known = [
        f
        if f.superseded_on is None or (f.superseded_on <= as_of.d2 and f.superseded_seq <= as_of.n)
        else _current(f)
        for f in shuffled
        if f.signed_on <= as_of.d2 and f.seq <= as_of.n
    ]
    # A scan that was read only later waits then.
    read = {f.scan for f in known}
    first = {f.scan: f for f in sorted(shuffled, key=lambda f: -f.ordinal)}
    still = tuple(
        Waiting(f.exam, f.scan, f.application, f.performed_on, f.received_on)
        for f in first.values()
        if f.scan not in read
    )
    then = replace(history, facts=tuple(known), waiting=(*history.waiting, *still))
    assert judge(plan, then, as_of=as_of) == judge(plan, history, as_of=as_of)


def _current(fact):
    values = {name: getattr(fact, name) for name in type(fact).__slots__}
    return type(fact)(**{**values, "superseded_on": None, "superseded_seq": None})


def test_read_before_performed_is_not_a_moment():
    import datetime as dt

    with pytest.raises(ValueError, match="is before"):
        AsOf(dt.date(2024, 3, 2), dt.date(2024, 3, 1), 0)
