"""Which scans make a curve, in which order, and what corrections and directors do to it."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credentialing.learning_curve import (
    ALARM,
    CONTINUE,
    DRIFT,
    NEW_READINGS,
    SIGNAL,
    START_AGAIN,
    STARTED_AGAIN,
    SUPERSEDED,
    Decision,
    Limits,
    curve_of,
    stages_of,
    vanished_of,
)
from credentialing.measures import AsOf, Fact, Waiting

START = dt.date(2026, 1, 5)
# Three agreements signal, two disagreements alarm.
QUICK = Limits(0.2, 0.5, h=1.4, drift_h=1.5)
EVER = 10**9


def day(n: int) -> dt.date:
    return START + dt.timedelta(days=n)


def moment(n: int, hour: int = 9) -> dt.datetime:
    return dt.datetime.combine(day(n), dt.time(hour), dt.UTC)


def scan(n: int, agrees: bool = True, *, signed: int | None = None, name: int = 0, **more) -> Fact:
    exam = uuid.UUID(int=n * 100 + name)
    return Fact(
        exam=exam,
        scan=exam,
        application="pneumothorax",
        ordinal=1,
        performed_on=day(n),
        performed_at=moment(n),
        received_on=day(n),
        signed_on=day(n if signed is None else signed),
        seq=1,
        agrees=agrees,
        **more,
    )


def waits(n: int, *, ended: int | None = None) -> Waiting:
    exam = uuid.UUID(int=n * 100 + 50)
    ended_on = None if ended is None else day(ended)
    return Waiting(
        exam, exam, "pneumothorax", day(n), day(n), performed_at=moment(n), ended_on=ended_on
    )


def on(n: int, d: int | None = None) -> AsOf:
    return AsOf(day(n if d is None else d), day(n), EVER)


def curve(facts, waiting=(), *, as_of=None, decisions=(), limits=QUICK):
    return curve_of(facts, waiting, as_of=as_of or on(300), limits=limits, decisions=decisions)


def stages(facts, waiting=(), *, as_of=None, decisions=(), limits=QUICK):
    found = stages_of(facts, waiting, as_of=as_of or on(300), limits=limits, decisions=decisions)
    return [
        ((s.on - START).days, s.signal is not None, s.alarm is not None, s.cause) for s in found
    ]


def marks(found):
    return "".join({"": ".", SIGNAL: "S", ALARM: "A"}[p.event] for p in found.points)


def test_agreement_without_a_break_signals():
    assert QUICK.shortest_run == 3
    found = curve([scan(n) for n in range(3)])
    assert found.met
    assert marks(found) == "..S"
    assert found.signal.fact.received_on == day(2)
    assert stages([scan(n) for n in range(3)]) == [(2, True, False, "")]


def test_a_disagreement_takes_back_more_than_an_agreement_gives():
    found = curve([scan(0), scan(1, False), scan(2), scan(3), scan(4)])
    # 0.47, then 0 and not -0.45: the sum never owes anything.
    assert [round(p.score, 2) for p in found.points] == [0.47, 0.0, 0.47, 0.94, 1.41]
    assert found.where.successes == 3


def test_the_order_is_that_of_receipt_not_of_reading():
    # The reader signs the agreements first and the early disagreement last.
    facts = [scan(0), scan(1), scan(2, False, signed=30), scan(3, signed=4), scan(4)]
    assert marks(curve(facts)) == "....."
    assert not curve(facts, as_of=on(29)).met


def test_the_curve_is_cut_before_the_earliest_scan_that_waits():
    facts = [scan(0), scan(1), scan(3), scan(4)]
    held = curve(facts, [waits(2)], as_of=on(10))
    assert (len(held.points), held.behind, held.waiting, held.met) == (2, 2, 1, False)
    assert held.cut_on == day(2)
    # A scan of the same application that is read later waits until then, as of the days before.
    later = [*facts, scan(2, signed=9)]
    assert [curve(later, as_of=on(n)).met for n in (8, 9)] == [False, True]
    assert stages(later) == [(9, True, False, "")]


def test_a_wait_of_more_than_60_days_is_passed_over_and_counted():
    facts = [scan(0), scan(1), scan(3), scan(4)]
    assert not curve(facts, [waits(2)], as_of=on(62)).met
    found = curve(facts, [waits(2)], as_of=on(63))
    assert (found.met, found.skipped, found.waiting, found.behind) == (True, 1, 0, 0)
    assert stages(facts, [waits(2)]) == [(63, True, False, "")]


def test_waits_are_counted_to_d_whenever_it_is_read():
    """D2 may lie after D: a wait does not grow old after D."""
    facts = [scan(0), scan(1), scan(3), scan(4)]
    assert not curve(facts, [waits(2)], as_of=on(200, d=40)).met


def test_a_scan_set_aside_held_the_curve_up_until_then():
    facts = [scan(0), scan(1), scan(3)]
    assert [curve(facts, [waits(2, ended=9)], as_of=on(n)).met for n in (8, 9)] == [False, True]
    assert stages(facts, [waits(2, ended=9)]) == [(9, True, False, "")]


def test_readings_that_decide_nothing_are_skipped_and_scans_outside_r_too():
    facts = [scan(0), scan(1, pair=False), scan(2, in_read=False), scan(3), scan(4)]
    found = curve(facts)
    assert (marks(found), found.not_compared) == ("..S", 1)


def corrected(n: int, *, on: int, **more) -> list[Fact]:
    """An agreement, superseded on a day by an attestation that says otherwise."""
    first = scan(n, superseded_on=day(on), superseded_seq=2)
    second = scan(n, signed=on, **more)
    return [first, _again(second)]


def _again(fact: Fact) -> Fact:
    return replace(fact, ordinal=2, seq=2)


def test_a_signal_that_a_correction_takes_away_is_told_with_both_dates():
    facts = [scan(0), *corrected(1, on=20, in_read=False), scan(2)]
    assert stages(facts) == [(2, True, False, ""), (20, False, False, SUPERSEDED)]
    [gone] = vanished_of(stages_of(facts, [], as_of=on(300), limits=QUICK))
    assert (gone.scan.exam, gone.from_on, gone.gone_on) == (scan(2).exam, day(2), day(20))
    assert not curve(facts).met


def test_a_reading_that_comes_after_60_days_may_take_a_signal_away():
    facts = [scan(0), scan(1), scan(2, False, signed=80), scan(3)]
    assert stages(facts) == [(63, True, False, ""), (80, False, False, NEW_READINGS)]


def test_drift_begins_with_the_scan_after_the_signal_and_loses_the_clause():
    facts = [scan(n) for n in range(4)] + [scan(4, False), scan(5, False), scan(6)]
    found = curve(facts)
    assert marks(found) == "..S..A."
    assert (found.met, found.alarm.fact.received_on) == (False, day(5))
    assert stages(facts) == [(2, True, False, ""), (5, True, True, DRIFT)]


@pytest.fixture
def drifted():
    return [scan(n) for n in range(3)] + [scan(3, False), scan(4, False)]


def test_continue_begins_the_watch_at_zero(drifted):
    go_on = [Decision(CONTINUE, day(10), 5)]
    found = curve([*drifted, scan(12, False), scan(13, False)], decisions=go_on)
    assert marks(found) == "..S.A.A"
    assert found.points[5].starts == CONTINUE
    assert stages([*drifted, scan(12), scan(13, False)], decisions=go_on) == [
        (2, True, False, ""),
        (4, True, True, DRIFT),
        (10, True, False, ""),
    ]


def test_start_again_zeroes_the_curve_too(drifted):
    again = [Decision(START_AGAIN, day(10), 5)]
    facts = [*drifted, scan(12), scan(13), scan(14)]
    assert marks(curve(facts, decisions=again)) == "..S.A..S"
    assert stages(facts, decisions=again) == [
        (2, True, False, ""),
        (4, True, True, DRIFT),
        (10, False, False, STARTED_AGAIN),
        (14, True, False, ""),
    ]
    # Before it was recorded it does nothing, and what was received by its day stays before it.
    assert curve(facts, decisions=again, as_of=on(9)).alarm is not None
    held = [*drifted, scan(10, signed=11), scan(12), scan(13)]
    assert not curve(held, decisions=again).met
    assert vanished_of(stages_of(facts, [], as_of=on(300), limits=QUICK, decisions=again)) == []


def test_starting_again_without_an_alarm_takes_the_signal_away():
    again = [Decision(START_AGAIN, day(10), 5)]
    assert stages([scan(n) for n in range(3)], decisions=again) == [
        (2, True, False, ""),
        (10, False, False, STARTED_AGAIN),
    ]


def test_a_decision_after_the_ledger_position_is_not_looked_at(drifted):
    go_on = [Decision(CONTINUE, day(10), 5)]
    assert curve(drifted, decisions=go_on, as_of=AsOf(day(20), day(20), 5)).met
    assert not curve(drifted, decisions=go_on, as_of=AsOf(day(20), day(20), 4)).met


# --- the fast path against the plain one ----------------------------------------------------------


@st.composite
def stories(draw):
    facts, waiting = [], []
    for n in range(draw(st.integers(0, 14))):
        received = draw(st.integers(0, 90))
        read = draw(st.one_of(st.none(), st.integers(0, 90)))
        exam = uuid.UUID(int=n)
        if read is None:
            ended = draw(st.one_of(st.none(), st.integers(1, 40)))
            waiting.append(
                Waiting(
                    exam,
                    exam,
                    "pneumothorax",
                    day(received),
                    day(received),
                    performed_at=moment(received, draw(st.integers(0, 3))),
                    ended_on=None if ended is None else day(received + ended),
                )
            )
            continue
        said = {
            "agrees": draw(st.sampled_from([True, True, False])),
            "in_read": draw(st.sampled_from([True, True, True, False])),
            "pair": draw(st.sampled_from([True, True, True, False])),
        }
        fact = Fact(
            exam=exam,
            scan=exam,
            application="pneumothorax",
            ordinal=1,
            performed_on=day(received),
            performed_at=moment(received, draw(st.integers(0, 3))),
            received_on=day(received),
            signed_on=day(received + read),
            seq=1,
            **said,
        )
        if draw(st.integers(0, 3)) == 0:
            when = day(received + read + draw(st.integers(0, 30)))
            said["in_read"] = draw(st.booleans())
            facts.append(replace(fact, superseded_on=when, superseded_seq=2))
            fact = replace(fact, ordinal=2, signed_on=when, seq=2, **said)
        facts.append(fact)
    decisions = [
        Decision(draw(st.sampled_from([CONTINUE, START_AGAIN])), day(n), 3)
        for n in draw(st.lists(st.integers(0, 120), max_size=2))
    ]
    d2 = draw(st.integers(60, 220))
    return facts, waiting, decisions, AsOf(day(d2 - draw(st.integers(0, 60))), day(d2), EVER)


@given(stories())
def test_every_evening_is_what_the_plain_curve_says(story):
    facts, waiting, decisions, as_of = story
    found = stages_of(facts, waiting, as_of=as_of, limits=QUICK, decisions=decisions)
    told, at = {}, None
    steps = {stage.on: stage for stage in found}
    for n in range((as_of.d2 - START).days + 1):
        evening = day(n)
        at = steps.get(evening, at)
        told[n] = (at and at.signal and at.signal.exam, at and at.alarm and at.alarm.exam)
        plain = curve_of(
            facts,
            waiting,
            as_of=AsOf(min(evening, as_of.d), evening, EVER),
            limits=QUICK,
            decisions=decisions,
        )
        assert told[n] == (
            plain.signal and plain.signal.fact.exam,
            plain.alarm and plain.alarm.fact.exam,
        ), n
