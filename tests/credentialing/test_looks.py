"""A bound is judged at looks: where they lie, what they wait for, and what they keep."""

from __future__ import annotations

import datetime as dt

import pytest

from credentialing.measures import (
    MET,
    NOT_MET,
    NOT_YET_KNOWN,
    AsOf,
    Clause,
    Fact,
    Gate,
    History,
    Plan,
    Waiting,
    judge,
)
from credentialing.measures.plans import STEP

START = dt.date(2025, 1, 1)
BOUND = Clause(1, "agreement", 0.80, application="effusion", bound=True, min_each=0)


def fact(n, agrees=True, *, on=None, read_after=1):
    day = on or START + dt.timedelta(days=n)
    return Fact(
        f"exam-{n:03}", f"scan-{n:03}", "effusion", 1, day, None, day,
        day + dt.timedelta(days=read_after), n + 1, agrees=agrees,
        trainee_answer="R+ L-" if agrees else "R- L-", first_answer="R+ L-",
        first_call="positive",
    )  # fmt: skip


def standing(facts, *, clause=BOUND, waiting=(), on=None):
    last = on or max(f.signed_on for f in facts)
    history = History(tuple(facts), waiting=tuple(waiting), first_received_on=START)
    return judge(Plan((Gate(1, (clause,)),)), history, as_of=AsOf(last, last, 10**6)).clauses[0]


def run(*misses, of):
    return [fact(n, n not in misses) for n in range(of)]


# Computed: the fewest that pass a lower bound of 0.80 are 24 of 25, and 31 of 33; of 0.90 they
# are 50 of 50 (and 52 of 53), 69 with two misses.
@pytest.mark.parametrize(
    ("bar", "misses", "of", "state"),
    [
        (0.80, 1, 25, MET),
        (0.80, 2, 25, NOT_MET),
        (0.90, 0, 25, NOT_MET),
        (0.90, 0, 50, MET),
        (0.90, 1, 50, NOT_MET),
        (0.90, 2, 75, MET),
        (0.90, 3, 75, NOT_MET),
    ],
)
def test_the_fewest_that_pass_at_a_look(bar, misses, of, state):
    from dataclasses import replace

    clause = replace(BOUND, bar=bar)
    assert standing(run(*range(misses), of=of), clause=clause).state == state


def test_between_looks_the_last_one_is_kept():
    # 24 of 25 pass; the next 24 all miss, and are not looked at yet.
    facts = [*run(0, of=25), *(fact(n, False) for n in range(25, 49))]
    kept = standing(facts)
    assert (kept.state, kept.value.numerator, kept.value.denominator, kept.value.seen) == (
        MET, 24, 25, 49,
    )  # fmt: skip
    looked = standing([*facts, fact(49, False)])
    assert (looked.state, looked.value.denominator) == (NOT_MET, 2 * STEP)


def test_nothing_is_known_before_the_first_look():
    one = standing(run(of=24))
    assert (one.state, one.value.value, one.value.seen) == (NOT_YET_KNOWN, None, 24)


def test_looks_wait_for_the_earliest_scan_that_is_not_read():
    """Whoever reads the easy ones first must not bring a look forward."""
    facts = [f for f in run(of=30) if f.scan != "scan-003"]
    waits = Waiting("exam-003", "scan-003", "effusion", fact(3).performed_on, fact(3).received_on)
    held = standing(facts, waiting=[waits])
    assert (held.state, held.value.seen, held.skipped) == (NOT_YET_KNOWN, 3, 0)
    # Sixty days it holds the others up; then it is passed over, and said.
    last = waits.received_on + dt.timedelta(days=60)
    assert standing(facts, waiting=[waits], on=last).value.seen == 3
    passed = standing(facts, waiting=[waits], on=last + dt.timedelta(days=1))
    assert (passed.value.seen, passed.state, passed.skipped) == (29, MET, 1)


def test_a_late_reading_goes_back_to_its_place():
    """Read late, the fourth scan is the fourth all the same: the look of 25 is another one."""
    facts = [fact(n, n != 24, read_after=70 if n == 3 else 1) for n in range(26)]
    misses = [f for f in facts if not f.agrees]
    assert len(misses) == 1
    before = standing(facts, on=fact(3).received_on + dt.timedelta(days=65))
    assert (before.value.numerator, before.value.denominator) == (24, 25)
    after = standing(facts, on=fact(3).received_on + dt.timedelta(days=70))
    assert (after.value.numerator, after.value.denominator) == (24, 25)
    assert after.dates.first_met_on == fact(3).received_on + dt.timedelta(days=61)


def test_a_window_or_a_group_has_no_looks():
    from dataclasses import replace

    facts = run(*range(1), of=26)
    assert standing(facts).value.denominator == 25
    group = standing(facts, clause=replace(BOUND, application=""))
    assert (group.value.denominator, group.clause.has_looks) == (26, False)
    window = standing(facts, clause=replace(BOUND, within_months=12))
    assert (window.value.denominator, window.clause.has_looks) == (26, False)
