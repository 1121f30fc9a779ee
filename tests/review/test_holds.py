import datetime as dt
import threading

import pytest
from django.db import IntegrityError, connection, transaction

from accounts.errors import Refused
from review import queries
from review.actions import holds, readings
from review.models import Hold
from review.rules import HeldByAnother
from tests.factories import (
    NOW,
    a_programme,
    a_reader,
    a_trainee,
    drafted_exam,
    marks,
    signed_exam,
    stored_clip,
    waiting_exam,
)

TWENTY = dt.timedelta(minutes=20)


def take(programme, by, when=NOW, **more):
    return holds.take(programme=programme, by=by, at=when, **more)


def test_pneumothorax_is_read_first_then_the_oldest(programme, trainee, reader):
    early = waiting_exam(trainee, programme, when=NOW, asks=("effusion",))
    middle = waiting_exam(trainee, programme, when=NOW + TWENTY, asks=("consolidation",))
    lung = waiting_exam(
        trainee, programme, when=NOW + 2 * TWENTY, asks=("effusion", "pneumothorax")
    )
    later = NOW + 3 * TWENTY
    on = programme.local_date(later)
    assert list(queries.waiting_for(reader, programme, on=on)) == [lung, early, middle]
    assert take(programme, reader, later).exam == lung


def test_the_order_does_not_move_with_what_the_trainee_answered(programme, trainee, reader):
    def answered(call, when):
        answers = {"pneumothorax": {"right": call, "left": call, "confidence": "sure"}}
        return waiting_exam(trainee, programme, when=when, answers=answers)

    negative = answered("negative", NOW)
    positive = answered("positive", NOW + TWENTY)
    on = programme.local_date(NOW)
    assert list(queries.waiting_for(reader, programme, on=on)) == [negative, positive]


def test_a_reader_gets_only_what_they_hold_the_privilege_for(programme, trainee):
    pleura = a_reader(programme, "Femi Oduya", may_read=("pneumothorax",))
    waiting_exam(trainee, programme, asks=("effusion",))
    assert take(programme, pleura) is None
    both = waiting_exam(trainee, programme, when=NOW + TWENTY, asks=("effusion", "pneumothorax"))
    later = NOW + 2 * TWENTY
    assert take(programme, pleura, later).exam == both
    desk = queries.on_desk(both, pleura, on=programme.local_date(later))
    assert [scan.application.code for scan in desk.scans] == ["pneumothorax"]


def test_nobody_reads_their_own_scan(programme):
    learner = a_reader(programme, "Gil Roth")
    own = waiting_exam(learner, programme)
    assert take(programme, learner) is None
    with pytest.raises(Refused, match="nothing in this exam that you may read"):
        take(programme, learner, exam=own)


def test_the_bedside_supervisor_reads_only_where_nobody_else_can(programme, trainee, reader):
    supervised = waiting_exam(trainee, programme, supervisor=reader)
    assert take(programme, reader).exam == supervised  # nobody else is there
    holds.release(exam=supervised, by=reader, at=NOW)
    other = a_reader(programme, "Edda Marsh")
    assert take(programme, reader) is None
    assert take(programme, other).exam == supervised


def test_an_exam_with_captures_on_their_way_is_not_on_the_list(programme, trainee, reader):
    from logbook.actions import exams

    exam = drafted_exam(trainee, programme)
    stored_clip(exam)
    capture = stored_clip(exam, zone="L1")
    capture.state = "received"
    capture.save()
    exams.submit(exam=exam, version=exam.version, by=trainee, at=NOW)
    assert take(programme, reader) is None


def test_without_a_duty_telephone_there_is_no_reading_list(db):
    programme = a_programme(duty_telephone="")
    waiting_exam(a_trainee(programme), programme)
    with pytest.raises(Refused, match="No duty telephone is set"):
        take(programme, a_reader(programme))
    assert not Hold.objects.exists()


def test_a_held_exam_goes_to_nobody_else_and_the_next_one_does(
    programme, trainee, reader, second_reader
):
    first = waiting_exam(trainee, programme)
    second = waiting_exam(trainee, programme, when=NOW + TWENTY)
    later = NOW + TWENTY
    assert take(programme, reader, later).exam == first
    assert take(programme, second_reader, later).exam == second
    with pytest.raises(HeldByAnother, match="Bo Lindqvist has this exam now"):
        take(programme, second_reader, later, exam=first)
    assert take(programme, reader, later).exam == first  # what one holds comes first


def test_a_hold_lasts_twenty_minutes_from_the_last_action(
    programme, trainee, reader, second_reader
):
    exam = waiting_exam(trainee, programme)
    assert take(programme, reader).expires_at == NOW + TWENTY
    scan = exam.scans.get()
    later = NOW + dt.timedelta(minutes=15)
    readings.save(exam=exam, scans={str(scan.pk): marks()}, by=reader, at=later)
    assert Hold.objects.get().expires_at == later + TWENTY
    assert take(programme, second_reader, later + TWENTY - dt.timedelta(seconds=1)) is None
    assert take(programme, second_reader, later + TWENTY).exam == exam


def test_expiry_keeps_the_draft_and_says_so(programme, trainee, reader, second_reader):
    exam = waiting_exam(trainee, programme)
    take(programme, reader)
    scan = exam.scans.get()
    readings.save(exam=exam, scans={str(scan.pk): marks("R+ L-")}, by=reader, at=NOW)
    late = NOW + TWENTY
    take(programme, second_reader, late)
    with pytest.raises(HeldByAnother, match="what you had marked is kept"):
        readings.save(exam=exam, scans={str(scan.pk): marks("R- L-")}, by=reader, at=late)
    assert queries.draft_of(exam, reader).content["scans"][str(scan.pk)]["right"] == "positive"
    holds.release(exam=exam, by=second_reader, at=late)
    assert take(programme, reader, late).exam == exam
    desk = queries.on_desk(exam, reader, on=programme.local_date(late))
    assert desk.draft["scans"][str(scan.pk)]["right"] == "positive"


def test_a_lapsed_hold_is_taken_again_by_its_own_reader(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    take(programme, reader)
    scan = exam.scans.get()
    late = NOW + 3 * TWENTY
    readings.save(exam=exam, scans={str(scan.pk): marks()}, by=reader, at=late)
    assert Hold.objects.get().expires_at == late + TWENTY


def test_a_held_exam_is_not_edited_and_a_revealed_one_not_withdrawn(programme, trainee, reader):
    from logbook.actions import exams
    from tests.factories import exam_draft, revealed_exam

    exam = waiting_exam(trainee, programme)
    take(programme, reader)

    def edit(when):
        exam.refresh_from_db()
        draft = exam_draft(place="Ward 4")
        exams.save_draft(
            exam_id=exam.pk, programme=programme, draft=draft, version=exam.version,
            by=trainee, at=when,
        )  # fmt: skip

    with pytest.raises(Refused, match="being read right now"):
        edit(NOW)
    with pytest.raises(Refused, match="being read right now"):
        exams.withdraw(exam=exam, by=trainee, at=NOW)
    revealed_exam(reader, exam)
    later = NOW + 2 * TWENTY
    edit(later)
    with pytest.raises(Refused, match="can no longer be withdrawn"):
        exams.withdraw(exam=exam, by=trainee, at=later)


def test_two_holds_of_one_exam_are_impossible_in_the_database(
    programme, trainee, reader, second_reader
):
    exam = waiting_exam(trainee, programme)
    take(programme, reader)
    with pytest.raises(IntegrityError), transaction.atomic():
        Hold.objects.create(
            exam=exam, programme=programme, reader=second_reader, taken_at=NOW,
            expires_at=NOW + TWENTY,
        )  # fmt: skip


@pytest.mark.django_db(transaction=True)
def test_readers_racing_for_the_list_never_get_the_same_exam():
    """8 readers take and sign 5 exams each at once, over real connections."""
    programme = a_programme()
    trainee = a_trainee(programme)
    readers = [a_reader(programme, f"Reader Number {n}") for n in range(8)]
    exams = [
        waiting_exam(trainee, programme, when=NOW + dt.timedelta(minutes=n)) for n in range(40)
    ]
    later = NOW + dt.timedelta(hours=2)
    barrier = threading.Barrier(len(readers))
    taken: list = []
    failed: list = []

    def read(person):
        try:
            barrier.wait()
            while (hold := holds.take(programme=programme, by=person, at=later)) is not None:
                taken.append(hold.exam_id)
                signed_exam(person, hold.exam, when=later)
        except Exception as problem:
            failed.append(problem)
        finally:
            connection.close()

    threads = [threading.Thread(target=read, args=(person,)) for person in readers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert sorted(map(str, taken)) == sorted(str(exam.pk) for exam in exams)
    assert not Hold.objects.exists()


def test_whoever_opens_a_second_exam_by_hand_gives_the_first_back(
    programme, trainee, reader, second_reader
):
    first = waiting_exam(trainee, programme)
    second = waiting_exam(trainee, programme, when=NOW + TWENTY)
    take(programme, reader)
    scan = first.scans.get()
    readings.save(exam=first, scans={str(scan.pk): marks()}, by=reader, at=NOW)
    take(programme, reader, NOW, exam=second)
    assert [hold.exam for hold in Hold.objects.all()] == [second]
    assert queries.draft_of(first, reader) is not None
    assert take(programme, second_reader, NOW).exam == first
