"""However a standing came about, it is the same: over random lives of a programme, made of real
actions, on both engines.

Signatures, supersessions by oneself and by others, returns, scans set aside, withdrawn or closed,
confirmations, plan versions with dates of their own, leave, transfers, courses, remediation,
revocations and changes of the time zone, around a leap day and around the nights on which the
clock changes.
"""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings

from credentialing import queries
from credentialing.actions import standing
from credentialing.columns.cohort import Cohort
from credentialing.models import LedgerCursor, PlanStanding, Standing
from tests.credentialing.lives import ZONES, Life, Place, lives
from tests.credentialing.reference import Reference

pytestmark = [pytest.mark.django_db, pytest.mark.scale]
LIVES = 1000


@pytest.mark.parametrize("zone", ZONES)
def test_every_way_to_a_standing_ends_at_the_same_rows(zone, scale, monkeypatch):
    place = Place(zone)

    @settings(
        max_examples=max(5, scale(LIVES // len(ZONES))),
        suppress_health_check=list(HealthCheck),
    )
    @given(lives)
    def live(drawn):
        hour, seed, steps = drawn
        with transaction.atomic():
            life = Life(place, hour, seed)
            life.live(steps)
            check(life, monkeypatch)
            transaction.set_rollback(True)

    live()


def check(life: Life, monkeypatch) -> None:
    life.follow()
    each_row_is_what_the_definitions_say(life)
    what_was_said_of_the_past_is_said_again(life)
    life.at += dt.timedelta(days=1)
    life.night()
    at_night = rows(life)
    assert standing.recompute(programme=life.programme, at=life.at).changed == 0
    assert rows(life) == at_night
    for job in (overtaken, from_nothing, one_by_one, in_small_chunks, heard_again):
        with monkeypatch.context() as patched:
            job(life, patched)
        assert rows(life) == at_night, job.__name__


def rows(life: Life) -> list:
    clauses = Standing.objects.filter(programme=life.programme).values_list(
        "membership_id", "clause_id", *Standing.SAYS
    )
    wholes = PlanStanding.objects.filter(programme=life.programme).values_list(
        "membership_id", "version_id", "d", "d2", "n", "met", "first_met_on", "met_since",
        "lost_on", "waiting", "returned",
    )  # fmt: skip
    judged = set(wholes.values_list("membership_id", "version__gates__clauses"))
    return [*sorted(row for row in clauses if row[:2] in judged), *sorted(wholes)]


def each_row_is_what_the_definitions_say(life: Life) -> None:
    """As of the moment at which its person was looked at last, however that came about."""
    # One of them: a day-by-day account of everybody would take most of the time.
    one = life.dice.choice(life.memberships)
    of_person = {one.person_id: one}
    for person, history in queries.histories(life.programme, list(of_person)):
        whole, clauses = queries.standing_of(of_person[person])
        plan = life.versions[whole.version_id].as_plan()
        slow = Reference(plan, history, whole.as_of)
        answers = [slow.gate(gate) for gate in plan.gates]
        wanted = [one for answer in answers for one in answer["clauses"]]
        for clause, row, answer in zip(plan.clauses, clauses, wanted, strict=True):
            assert row.clause.ordinal == clause.ordinal
            numerator, denominator, value, _lower, _upper = answer["value"]
            assert (row.numerator, row.denominator, row.value) == (numerator, denominator, value)
            names = ("first_met_on", "met_since", "lost_on", "reached_with")
            assert {n: getattr(row, n) for n in names} == {n: answer[n] for n in names}


def what_was_said_of_the_past_is_said_again(life: Life) -> None:
    for as_of, said in life.said.items():
        assert life.judged(as_of) == said, as_of


# --- other ways to the same rows ------------------------------------------------------------------


def forget(life: Life) -> None:
    Standing.objects.filter(programme=life.programme).delete()
    PlanStanding.objects.filter(programme=life.programme).delete()


def overtaken(life: Life, _patched) -> None:
    """A night of an hour ago that ends only now is overtaken by the next."""
    standing.recompute(programme=life.programme, at=life.at - dt.timedelta(days=1))
    standing.recompute(programme=life.programme, at=life.at)


def from_nothing(life: Life, _patched) -> None:
    forget(life)
    standing.recompute(programme=life.programme, at=life.at)


def one_by_one(life: Life, patched) -> None:
    patched.setattr(Cohort, "in_columns", False)
    from_nothing(life, patched)


def in_small_chunks(life: Life, patched) -> None:
    patched.setattr(standing, "CHUNK", 1)
    forget(life)
    for one in reversed(life.people):
        standing.recompute(programme=life.programme, people=[one.pk], at=life.at)


def heard_again(life: Life, patched) -> None:
    """The cursor was lost: everything in the ledger is news once more."""
    patched.setattr(standing, "ENTRIES", 20)
    forget(life)
    LedgerCursor.objects.filter(programme=life.programme).update(seq=0)
    while standing.follow(programme=life.programme, at=life.at) is not None:
        pass
