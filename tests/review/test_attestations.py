"""Signing, correcting, returning, setting aside: what is frozen, and what is refused."""

import contextlib
import dataclasses
import datetime as dt
import json
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection

from accounts import ledger
from accounts.actions import people
from accounts.errors import Conflict, Forbidden, Refused
from logbook.actions import exams
from logbook.answers import Answer
from review import queries
from review.actions import attestations, holds, programmes, readings, scans
from review.actions.readings import Incomplete
from review.models import Attestation, Discrepancy, Hold, Reading, ReturnRequest, SetAside
from review.signals import attested
from tests.factories import (
    NOW,
    a_director,
    a_reader,
    a_trainee,
    exam_draft,
    marks,
    revealed_exam,
    signed_exam,
    stored_clip,
    waiting_exam,
)

LATER = NOW + dt.timedelta(hours=1)


def entries(programme, action):
    return [e for e in ledger.read(programme.chain) if e.action == action]


def submit_again(exam, trainee, programme, when, **fields):
    exam.refresh_from_db()
    exams.save_draft(
        exam_id=exam.pk,
        programme=programme,
        draft=exam_draft(when=NOW, **fields),
        version=exam.version,
        by=trainee,
        at=when,
    )
    exam.refresh_from_db()
    exams.submit(exam=exam, version=exam.version, by=trainee, at=when)
    exam.refresh_from_db()


def test_everything_that_is_counted_is_frozen(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    (a,) = signed_exam(reader, exam, {"pneumothorax": "R- L-"}, feedback="Well held.")
    a = Attestation.objects.get(pk=a.pk)
    scan = exam.scans.get()
    assert scan.state == "attested"
    assert (a.trainee, a.reader, a.exam, a.scan) == (trainee, reader, exam, scan)
    assert (a.performed_on, a.received_on, a.signed_on) == (
        scan.performed_on,
        NOW.date(),
        NOW.date(),
    )
    assert (a.setting, a.operator, a.supervision) == ("clinical", "all", "direct")
    assert (a.trainee_answer, a.trainee_call, a.reader_answer, a.reader_call) == (
        "R- L-",
        "negative",
        "R- L-",
        "negative",
    )
    assert (a.quality, a.first_quality, a.credited, a.credit_reasons) == (4, 4, True, "")
    assert (a.blind, a.independent, a.in_read, a.not_in_read_because) == (True, True, True, "")
    assert (a.pair, a.agrees, a.determinate) == (True, True, True)
    assert [c["sha256"] for c in json.loads(a.capture_hashes)] == [
        c.master_sha256 for c in exam.captures.all()
    ]
    statement = json.loads(a.statement)
    assert statement["feedback"]["digest"] == a.feedback.digest
    assert "Well held." not in a.statement
    assert [e.seq for e in entries(programme, "attestation.signed")] == [a.seq]


def test_each_scan_has_its_own_attestation_and_entry(programme, trainee, reader):
    exam = waiting_exam(trainee, programme, asks=("pneumothorax", "effusion"))
    made = signed_exam(reader, exam, {"effusion": "R+ L-"})
    assert [a.application.code for a in made] == ["pneumothorax", "effusion"]
    assert [e.seq for e in entries(programme, "attestation.signed")] == [a.seq for a in made]
    assert made[1].seq == made[0].seq + 1
    assert not Hold.objects.exists()
    assert queries.draft_of(exam, reader) is None


def test_the_nudge_goes_out_after_the_commit(
    programme, trainee, reader, django_capture_on_commit_callbacks
):
    heard = []

    def listen(sender, **news):
        heard.append((news["programme_id"], news["trainee_ids"], news["seq"]))

    attested.connect(listen)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            (a,) = signed_exam(reader, waiting_exam(trainee, programme))
            assert heard == []
    finally:
        attested.disconnect(listen)
    assert heard == [(programme.pk, {trainee.pk}, a.seq)]


def test_nothing_is_signed_before_the_reveal(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    holds.take(programme=programme, exam=exam, by=reader, at=NOW)
    with pytest.raises(Refused, match="before you sign"):
        attestations.sign(
            exam=exam, signatures=[attestations.Signature(exam.scans.get().pk)], by=reader, at=NOW
        )


def test_the_reveal_freezes_answer_quality_and_findings(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    (reading,) = revealed_exam(
        reader, exam, {"pneumothorax": "R- L-"}, findings=[["R1", "sliding", "present"]]
    )
    assert [str(f) for f in reading.findings.all()] == ["R1 sliding: present"]
    for change in ({"right": "positive"}, {"quality": 5}, {"findings": []}, {"limited": True}):
        with pytest.raises(Refused, match="can no longer be changed"):
            readings.save(exam=exam, scans={str(reading.scan_id): change}, by=reader, at=NOW)
    assert len(readings.reveal(exam=exam, by=reader, at=LATER)) == 1
    assert len(entries(programme, "reading.revealed")) == 1
    assert Reading.objects.get().quality == 4


@pytest.mark.parametrize(
    ("said", "field"),
    [
        (marks("R+ L-", quality=None), "quality"),
        ({**marks(), "left": ""}, "answer"),
        ({**marks("limited"), "right": "negative"}, "answer"),
        (marks(findings=[["R1", "sliding", "sparkling"]]), "findings"),
        (marks(findings=[["R9", "sliding", "present"]]), "findings"),
    ],
)
def test_an_open_answer_reveals_nothing(programme, trainee, reader, said, field):
    exam = waiting_exam(trainee, programme)
    holds.take(programme=programme, exam=exam, by=reader, at=NOW)
    scan = exam.scans.get()
    readings.save(exam=exam, scans={str(scan.pk): said}, by=reader, at=NOW)
    with pytest.raises(Incomplete) as refused:
        readings.reveal(exam=exam, by=reader, at=NOW)
    assert list(refused.value.faults) == [f"{scan.pk}-{field}"]
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    ("fields", "quality", "reasons"),
    [
        ({"setting": "simulator"}, 4, "setting"),
        ({"operator": "shared"}, 4, "operator"),
        ({}, 2, "quality"),
        ({"zones": ("R1",)}, 4, "zones"),
        (
            {"performed_at": (NOW - dt.timedelta(days=15)).isoformat()},
            4,
            "answered_late received_late",
        ),
    ],
)
def test_the_rule_pre_fills_credit(programme, trainee, reader, fields, quality, reasons):
    (a,) = signed_exam(reader, waiting_exam(trainee, programme, **fields), quality=quality)
    assert (a.credited, a.credit_reasons) == (False, reasons)


def test_one_scan_credits_one_operator(programme, trainee, reader):
    """Two people at one bedside send the same file, each as their own scan."""
    bram = a_trainee(programme, "Bram Oduya")
    mine = waiting_exam(trainee, programme)
    theirs, unlike = (
        waiting_exam(bram, programme, asks=("pneumothorax", "effusion")) for _ in range(2)
    )
    for exam, mac in ((mine, "a" * 64), (theirs, "a" * 64), (unlike, "b" * 64)):
        exam.captures.filter(zone="R1").update(arrival_mac=mac)
    (first,) = signed_exam(reader, mine)
    assert first.credited
    later = {a.application.code: a for a in signed_exam(reader, theirs)}
    assert (later["pneumothorax"].credited, later["pneumothorax"].credit_reasons) == (
        False, "same_file",
    )  # fmt: skip
    assert later["effusion"].credited  # of this one nobody was credited before
    assert all(a.credited for a in signed_exam(reader, unlike))


@pytest.mark.django_db(transaction=True)
def test_two_readers_who_sign_at_once_credit_one_operator(
    programme, trainee, reader, second_reader, monkeypatch
):
    """Each looks for the other's credit as late as it can; on both engines one has to wait."""
    desks = []
    for who, by in ((trainee, reader), (a_trainee(programme, "Bram Oduya"), second_reader)):
        exam = waiting_exam(who, programme)
        exam.captures.filter(zone="R1").update(arrival_mac="a" * 64)
        revealed_exam(by, exam)
        desks.append((exam, by, attestations.Signature(exam.scans.get().pk)))
    both, look = threading.Barrier(2), queries.is_credited_elsewhere

    def look_together(scan, exam):
        found = look(scan, exam)
        with contextlib.suppress(threading.BrokenBarrierError):
            both.wait(timeout=1)  # in vain where only one is let in
        return found

    def sign(desk):
        exam, by, signature = desk
        try:
            (made,) = attestations.sign(exam=exam, signatures=[signature], by=by, at=NOW)
            return made.credited, made.credit_reasons
        finally:
            connection.close()

    monkeypatch.setattr(queries, "is_credited_elsewhere", look_together)
    with ThreadPoolExecutor(2) as pool:
        signed = sorted(pool.map(sign, desks))
    assert signed == [(False, "same_file"), (True, "")]


def test_a_reader_may_credit_the_second_operator_with_a_reason(programme, trainee, reader):
    mine, theirs = (
        waiting_exam(who, programme) for who in (trainee, a_trainee(programme, "Bram Oduya"))
    )
    for exam in (mine, theirs):
        exam.captures.filter(zone="R1").update(arrival_mac="a" * 64)
    signed_exam(reader, mine)
    revealed_exam(reader, theirs)
    signature = attestations.Signature(theirs.scans.get().pk, credited=True)
    with pytest.raises(Incomplete):
        attestations.sign(exam=theirs, signatures=[signature], by=reader, at=NOW)
    because = dataclasses.replace(signature, override_reason="They changed places half-way.")
    (a,) = attestations.sign(exam=theirs, signatures=[because], by=reader, at=NOW)
    assert (a.credited, a.credit_reasons) == (True, "same_file")
    # The first stays as it was signed when it is corrected for something else.
    (before,) = Attestation.objects.current().filter(exam=mine)
    assert before.credited


def test_a_wrong_answer_is_credited_and_a_positive_one_needs_one_zone(programme, trainee, reader):
    answers = {"pneumothorax": {"right": "positive", "left": "negative", "confidence": "sure"}}
    exam = waiting_exam(trainee, programme, zones=("R1",), answers=answers)
    (a,) = signed_exam(reader, exam, {"pneumothorax": "R- L-"})
    assert (a.credited, a.agrees, a.pair) == (True, False, True)


def test_archive_captures_count_where_the_reader_ticked_them(programme, trainee, reader):
    from tests.factories import submitted_exam

    for ticked, reasons in (([], "zones"), ([1, 2], "")):
        exam = submitted_exam(trainee, programme)
        holds.take(programme=programme, exam=exam, by=reader, at=NOW)
        scan = exam.scans.get()
        readings.save(
            exam=exam, scans={str(scan.pk): marks()}, archive_read=ticked, by=reader, at=NOW
        )
        readings.reveal(exam=exam, by=reader, at=NOW)
        (a,) = attestations.sign(
            exam=exam, signatures=[attestations.Signature(scan.pk)], by=reader, at=NOW
        )
        assert a.credit_reasons == reasons
        assert [c["read"] for c in json.loads(a.capture_hashes)] == [bool(ticked)] * 2


@pytest.mark.parametrize(
    ("fields", "because"),
    [
        ({"knew_result": "yes"}, "knew"),
        ({"performed_at": (NOW - dt.timedelta(days=15)).isoformat()}, "late"),
    ],
)
def test_what_is_out_of_the_read_set_says_why(programme, trainee, reader, fields, because):
    (a,) = signed_exam(reader, waiting_exam(trainee, programme, **fields))
    assert (a.in_read, a.not_in_read_because) == (False, because)


def test_the_bedside_supervisor_is_neither_blind_nor_independent(programme, trainee, reader):
    (a,) = signed_exam(reader, waiting_exam(trainee, programme, supervisor=reader))
    assert (a.blind, a.independent, a.not_in_read_because) == (False, False, "not_blind")


def test_a_late_scan_with_an_exception_gives_volume_only(programme, trainee, reader):
    director = a_director(programme)
    exam = waiting_exam(trainee, programme, performed_at=(NOW - dt.timedelta(days=15)).isoformat())
    programmes.make_exception(
        scan=exam.scans.get(),
        waives=["answered_late", "received_late"],
        reason="Posted abroad without a network.",
        by=director,
        at=NOW,
    )
    (a,) = signed_exam(reader, exam)
    assert (a.credited, a.in_read, a.not_in_read_because) == (True, False, "late")


# --- corrections ----------------------------------------------------------------------------------


def test_the_signer_corrects_credit_and_keeps_the_reading(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    (first,) = signed_exam(reader, exam)
    second = attestations.supersede(
        attestation=first,
        reason="Taken with the teacher's hand on the probe.",
        credited=False,
        override_reason="Shared scan.",
        by=reader,
        at=LATER,
    )
    first.refresh_from_db()
    assert (first.superseded_on, first.superseded_seq) == (LATER.date(), second.seq)
    assert (second.ordinal, second.supersedes, second.reading) == (2, first, first.reading)
    assert (second.credited, second.in_read, second.agrees) == (False, True, True)
    assert list(Attestation.objects.current()) == [second]
    with pytest.raises(Conflict, match="corrected already"):
        attestations.supersede(attestation=first, reason="Again.", by=reader, at=LATER)


def test_as_of_a_position_only_what_was_signed_then_stands(programme, trainee, reader):
    (first,) = signed_exam(reader, waiting_exam(trainee, programme))
    tomorrow = NOW + dt.timedelta(days=1)
    second = attestations.supersede(attestation=first, reason="Typo.", by=reader, at=tomorrow)
    today, next_day = NOW.date(), tomorrow.date()

    def at(signed, seq):
        return list(Attestation.objects.as_of(performed=next_day, signed=signed, seq=seq))

    assert at(today, first.seq - 1) == []
    assert at(today, first.seq) == [first]
    assert at(today, second.seq) == [first]
    assert at(next_day, second.seq) == [second]
    assert at(next_day, second.seq - 1) == [first]


def test_another_reader_gives_their_own_and_the_scan_leaves_accuracy(
    programme, trainee, reader, second_reader
):
    (first,) = signed_exam(reader, waiting_exam(trainee, programme))
    own = attestations.OwnReading(Answer.parse("R- L+"), 3)
    correct = {"attestation": first, "reason": "A lung point on the left.", "at": LATER}
    with pytest.raises(Incomplete):
        attestations.supersede(**correct, by=second_reader)
    with pytest.raises(Incomplete):
        attestations.supersede(**correct, own=own, by=reader)
    second = attestations.supersede(**correct, own=own, by=second_reader)
    assert (second.reader, second.reader_answer, second.quality) == (second_reader, "R- L+", 3)
    assert (second.first_reader_answer, second.first_quality) == ("R- L-", 4)
    assert (second.blind, second.in_read, second.not_in_read_because) == (
        False,
        False,
        "corrected",
    )
    assert Discrepancy.objects.get().attestation == second  # a positive came to light
    third = attestations.supersede(attestation=second, reason="Looked again.", by=reader, at=LATER)
    assert (third.reading, third.not_in_read_because) == (first.reading, "corrected")


def test_a_director_as_such_corrects_nothing(programme, trainee, reader):
    (first,) = signed_exam(reader, waiting_exam(trainee, programme))
    own = attestations.OwnReading(Answer.parse("R- L-"), 3)
    pleura = a_reader(programme, "Femi Oduya", may_read=("effusion",))
    for nobody in (a_director(programme), pleura, trainee):
        with pytest.raises(Forbidden):
            attestations.supersede(
                attestation=first, reason="I disagree.", own=own, by=nobody, at=LATER
            )
    assert Attestation.objects.count() == 1


def test_a_privilege_that_ended_no_longer_signs(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    given = revealed_exam(reader, exam)
    for privilege in reader.privileges.all():
        people.end_privilege(
            privilege=privilege, to_on=NOW.date() - dt.timedelta(days=1), by=None, at=NOW
        )
    with pytest.raises(Refused):
        attestations.sign(
            exam=exam,
            signatures=[attestations.Signature(given[0].scan_id)],
            by=reader,
            at=LATER,
        )
    assert not Attestation.objects.exists()


# --- not signing ----------------------------------------------------------------------------------


def test_a_return_asks_and_the_answer_stays(programme, trainee, reader):
    exam = waiting_exam(trainee, programme, zones=("R1",))
    revealed_exam(reader, exam, quality=2)
    scan = exam.scans.get()
    with pytest.raises(Refused, match="Say which zones"):
        scans.return_(exam=exam, scan_ids=[scan.pk], by=reader, at=NOW)
    scans.return_(exam=exam, scan_ids=[scan.pk], zones=["L1", "L2"], by=reader, at=NOW)
    scan.refresh_from_db()
    exam.refresh_from_db()
    assert (scan.state, exam.state, ReturnRequest.objects.get().zones) == (
        "returned",
        "needs_you",
        "L1 L2",
    )
    assert not Hold.objects.exists()

    stored_clip(exam, zone="L1", when=LATER)
    submit_again(exam, trainee, programme, LATER, place="Ward 2")
    (again,) = signed_exam(reader, exam, quality=5, when=LATER)
    # The second look is not blind; accuracy keeps the first one and its quality.
    assert (again.quality, again.first_quality, again.blind) == (5, 2, False)
    assert (again.in_read, again.credited, again.revision.n) == (True, True, 2)


def test_something_urgent_is_not_sent_back(programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    (reading,) = revealed_exam(reader, exam, {"pneumothorax": "R+ L-"})
    with pytest.raises(Refused, match="Sign it and telephone"):
        scans.return_(exam=exam, scan_ids=[reading.scan_id], zones=["L1"], by=reader, at=NOW)


def test_setting_aside_has_a_reason_and_a_name(programme, trainee, reader):
    exam = waiting_exam(trainee, programme, asks=("pneumothorax", "effusion"))
    holds.take(programme=programme, exam=exam, by=reader, at=NOW)
    first = exam.scans.first()
    with pytest.raises(Refused, match="Choose why"):
        scans.set_aside(exam=exam, scan_ids=[first.pk], reason="dull", by=reader, at=NOW)
    scans.set_aside(exam=exam, scan_ids=[first.pk], reason="duplicate", by=reader, at=NOW)
    row = SetAside.objects.get()
    assert (row.scan, row.reason, row.by_person) == (first, "duplicate", reader)
    assert Hold.objects.filter(exam=exam).exists()  # the other scan still waits
    assert [s.application.code for s in queries.scans_to_read(exam, reader, on=NOW.date())] == [
        "effusion"
    ]


def test_the_readers_own_tick_is_urgent_in_any_application(programme, trainee, reader):
    exam = waiting_exam(trainee, programme, asks=("effusion",), zones=("RB", "LB"))
    signed_exam(reader, exam, {"effusion": "R+ L-"}, urgent=True, told="treating_clinician")
    row = Discrepancy.objects.get()
    assert (row.because, row.told, row.told_by, row.attestation.credited) == (
        "reader",
        "treating_clinician",
        reader,
        True,
    )
