"""The outlook as rows: once a day, for everybody who goes on, the same however often it is run."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.errors import Conflict, Forbidden, Refused
from accounts.models import Membership
from credentialing import learning_curve, measures, queries, tasks
from credentialing.actions import curves, outlook, record, standing
from credentialing.forecasts import gather, telling
from credentialing.models import BackTest, CurveDecision, Outlook, OutlookRun
from logbook.models import Application
from tests import factories as f
from tests.credentialing.test_standing import assign, publish

pytestmark = pytest.mark.django_db

PLAN = measures.Plan(
    code="local",
    name="Local numbers",
    gates=(
        measures.Gate(
            1,
            (
                measures.Clause(1, "credited", 6, application="pneumothorax"),
                measures.Clause(2, "credited", 5, group="lung", unit=measures.EXAM),
                measures.Clause(3, "elapsed_months", 2),
            ),
        ),
    ),
)
# Today is day 63, a Monday in March; training ends half a year later.
ENDS = f.START + dt.timedelta(days=240)


@pytest.fixture
def programme():
    return f.a_programme(code="northfield")


@pytest.fixture
def bo(programme):
    return f.a_reader(programme)


def scans(bo, ada, programme, days, answer="R- L-"):
    return [
        f.signed_exam(
            bo,
            f.waiting_exam(ada, programme, when=f.at(day)),
            {"pneumothorax": answer},
            when=f.at(day, 15),
        )[0]
        for day in days
    ]


@pytest.fixture
def ada(programme, bo):
    person = f.a_trainee(programme, ends_on=ENDS)
    assign(publish(programme, PLAN), person)
    scans(bo, person, programme, range(3, 60, 14))
    f.waiting_exam(person, programme, when=f.at(61))
    standing.recompute(programme=programme, at=f.NOW)
    return person


def membership_of(person):
    return Membership.objects.get(person=person)


def told_of(person):
    return Outlook.objects.get(membership=membership_of(person))


def test_too_early_is_said_with_the_pace(programme, ada):
    """No past trainees, and 5 weeks of her own: no chance, but what can always be known."""
    outlook.run(programme, at=f.at(36))
    row = told_of(ada)
    assert (row.why, row.joint) == (Outlook.TOO_EARLY, None)
    assert row.told["clauses"]["1"]["chance"] is None
    assert row.told["exams"] == 3
    assert row.told["clauses"]["1"]["so_far"] == pytest.approx(3 / (37 / 7), abs=1e-3)


def test_after_eight_own_weeks_there_is_a_chance(programme, ada):
    outlook.run(programme, at=f.NOW)
    row = told_of(ada)
    assert (row.why, row.ends_on, row.version.name) == ("", ENDS, "Local numbers")
    first, exams, months = (row.told["clauses"][n] for n in "123")
    assert (row.told["exams"], row.told["waiting"], first["left"]) == (6, 1, 1)
    assert first["chance"] > 0.9
    assert exams["met"] is True
    assert exams["chance"] == 1.0
    assert (months["met"], months["chance"]) == (True, 1.0)
    assert row.joint == first["chance"]
    assert first["fan"]["days"][-1] == ENDS.isoformat()


def test_leave_until_the_end_leaves_what_waits(programme, ada):
    starts = f.START + dt.timedelta(days=63)
    says = {"starts_on": starts, "ends_on": ENDS, "reason": "leave"}
    record.add(kind="leave", membership=membership_of(ada), says=says, why="", by=None, at=f.NOW)
    outlook.run(programme, at=f.NOW)
    told = told_of(ada).told
    assert told["weeks_left"] == 0
    # The one that waits may come to count; nothing else will be scanned.
    assert 0.7 < told["clauses"]["1"]["chance"] < 0.95


def test_no_end_of_training(programme, bo):
    tom = f.a_trainee(programme, "Tom Vale")
    assign(publish(programme, PLAN), tom)
    scans(bo, tom, programme, range(3, 60, 14))
    outlook.run(programme, at=f.NOW)
    assert told_of(tom).why == Outlook.NO_END


def test_whoever_has_left_has_none(programme, ada):
    outlook.run(programme, at=f.at(300))
    assert not Outlook.objects.exists()


def test_twice_a_day_is_once_and_the_next_day_is_another(programme, ada):
    first = outlook.run(programme, at=f.NOW)
    assert (first.people, first.failed) == (1, "")
    assert outlook.run(programme, at=f.at(63, 18)) is None
    before = told_of(ada).text
    OutlookRun.objects.update(day=None)
    outlook.run(programme, at=f.at(63, 19))
    assert told_of(ada).text == before
    assert outlook.run(programme, at=f.at(64)).day == f.START + dt.timedelta(days=64)
    assert Outlook.objects.count() == 1


def test_a_run_that_died_is_taken_over_and_one_that_is_heard_of_is_not(programme, ada):
    minutes = [f.NOW + dt.timedelta(minutes=n) for n in range(40)]
    claimed = outlook.claim(programme=programme, at=minutes[0])
    assert outlook.run(programme, at=minutes[14]) is None
    outlook.progress(run=claimed, people=20, at=minutes[14])
    assert outlook.run(programme, at=minutes[28]) is None
    assert outlook.run(programme, at=minutes[29]).people == 1


def test_somebody_who_cannot_be_forecast_is_said_and_the_others_are_written(
    programme, bo, ada, monkeypatch
):
    tom = f.a_trainee(programme, "Tom Vale", ends_on=ENDS)
    assign(publish(programme, PLAN), tom)
    real = telling.outlook_of

    def fails_for_tom(material, member, *rest):
        if member.person_id == tom.pk:
            raise ZeroDivisionError("weeks")
        return real(material, member, *rest)

    monkeypatch.setattr(telling, "outlook_of", fails_for_tom)
    run = outlook.run(programme, at=f.NOW)
    assert (run.people, run.failed) == (1, "ZeroDivisionError: weeks")
    assert told_of(ada).why == ""


def test_the_task_waits_for_the_full_run(programme, ada, time_machine):
    time_machine.move_to(f.NOW, tick=False)
    assert tasks.outlooks() == 0
    standing.run_full(programme, at=f.NOW)
    assert (tasks.outlooks(), tasks.outlooks()) == (1, 0)
    assert told_of(ada).d == f.NOW.date()


def test_queries_do_not_grow_with_the_trainees(programme, bo, ada):
    def counted():
        with CaptureQueriesContext(connection) as context:
            material = gather.material_of(programme, on=f.NOW.date())
            as_of = queries.now(programme, f.NOW)
            for member in material.members.values():
                telling.outlook_of(material, member, PLAN, as_of, "local")
        return len(context)

    one = counted()
    for name in ("Tom Vale", "Ida Roth"):
        other = f.a_trainee(programme, name, ends_on=ENDS)
        scans(bo, other, programme, (10, 20))
    assert counted() == one


def test_a_back_test_needs_past_trainees(programme, ada):
    outlook.run(programme, at=f.NOW)
    test = BackTest.objects.get()
    assert (test.verdict, test.told["people"], test.told["brier"]) == ("too_few", 0, None)
    computed = test.computed_at
    outlook.run(programme, at=f.at(64))
    assert BackTest.objects.get().computed_at == computed
    outlook.run(programme, at=f.at(63 + 28))
    assert BackTest.objects.get().computed_at == f.at(63 + 28)


def test_a_past_trainee_is_asked_as_of_those_days(programme, ada):
    """As they would have been told 6 and 3 months before the end; 9 lie before the start."""
    on = ENDS + dt.timedelta(days=90)
    material = gather.material_of(programme, on=on)
    asked = {membership_of(ada).pk: (PLAN, "local")}
    _report, cases = telling.back_test(material, asked, on=on)
    assert [case.months for case in cases] == [6, 3]
    assert {case.reached for case in cases} == {False}


def test_whether_trainees_see_theirs_is_on_the_ledger(programme, ada):
    dora = f.a_director(programme)
    outlook.show_to_trainees(programme=programme, shown=True, by=dora, at=f.NOW)
    assert OutlookRun.objects.get().shown_to_trainees is True


# --- a curve's alarm ------------------------------------------------------------------------------

QUICK = learning_curve.Limits(0.2, 0.5, h=1.4, drift_h=1.5)


@pytest.fixture
def drifted(programme, bo, ada, monkeypatch):
    """Five agreements and then two wrong answers: a signal, and an alarm after it."""
    monkeypatch.setattr(
        "credentialing.curves.reading.limits_of", lambda version, application: QUICK
    )
    wrong = scans(bo, ada, programme, (62, 64), answer="R+ L-")
    return wrong[-1].exam_id


def decide(programme, ada, by, exam, *, what="continue", why="Looked at the scans.", when=70):
    return curves.decide(
        membership=membership_of(ada),
        application=Application.objects.get(programme=programme, code="pneumothorax"),
        what=what,
        why=why,
        alarm_exam=exam,
        by=by,
        at=f.at(when),
    )


def curve_on(programme, ada, day):
    from credentialing.curves import reading

    history = queries.history_of(programme, ada.pk, asks=frozenset())
    as_of = queries.now(programme, f.at(day))
    return reading.curve_for(history, "pneumothorax", as_of=as_of, limits=QUICK)


def test_a_decision_clears_the_alarm_and_stands_in_the_record(programme, bo, ada, drifted):
    # The exam of day 61 was never read; it no longer holds the curve up.
    day = 61 + 61
    assert curve_on(programme, ada, day).alarm.fact.exam == drifted
    dora = f.a_director(programme)
    row = decide(programme, ada, dora, drifted, when=day)
    assert (row.what, row.on) == ("continue", f.at(day).date())
    assert curve_on(programme, ada, day).met
    [known] = queries.history_of(programme, ada.pk, asks=frozenset()).decisions
    assert (known.what, known.application, known.seq) == ("continue", "pneumothorax", row.seq)
    with pytest.raises(Conflict):
        decide(programme, ada, dora, drifted, when=day)


def test_a_decision_is_the_directors_with_a_reason_about_an_alarm_that_stands(
    programme, bo, ada, drifted
):
    dora, cai = f.a_director(programme), f.a_coordinator(programme)
    with pytest.raises(Forbidden):
        decide(programme, ada, cai, drifted, when=122)
    with pytest.raises(Refused):
        decide(programme, ada, dora, drifted, why=" ", when=122)
    with pytest.raises(Refused):
        decide(programme, ada, dora, drifted, what="forget", when=122)
    with pytest.raises(Conflict):
        decide(programme, ada, dora, membership_of(ada).pk, when=122)
    assert not CurveDecision.objects.exists()
