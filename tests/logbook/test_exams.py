"""Recording an exam: drafts, submissions, edits, withdrawal, returns."""

import datetime as dt
import uuid

import pytest

from accounts import ledger
from accounts.errors import Refused
from logbook import doors
from logbook.actions import exams, scans
from logbook.codes import ALPHABET
from logbook.models import Exam, ExamRevision, Scan
from logbook.rules import Incomplete
from tests.factories import NOW, archived_capture, drafted_exam, exam_draft, submitted_exam

LATER = NOW + dt.timedelta(hours=1)


def entries(programme):
    return [(e.action, e.subject) for e in ledger.read(programme.chain)]


def save(exam, by, version, at=LATER, **fields):
    return exams.save_draft(
        exam_id=exam.pk,
        programme=exam.programme,
        draft=exam_draft(**fields),
        version=version,
        by=by,
        at=at,
    )


# --- drafts ---------------------------------------------------------------------------------------


def test_a_draft_has_a_code_and_writes_no_ledger(programme, ines):
    before = entries(programme)
    exam = drafted_exam(ines, programme)
    assert (exam.version, exam.state, exam.first_received_at) == (1, "draft", None)
    assert len(exam.code) == 6
    assert set(exam.code.replace("-", "", 1)) <= set(ALPHABET)
    assert entries(programme) == before


def test_an_equal_draft_writes_nothing(programme, ines):
    exam = drafted_exam(ines, programme)
    assert not save(exam, ines, version=1).wrote
    assert not save(exam, ines, version=7).wrote  # equal is equal, whatever version it names
    exam.refresh_from_db()
    assert exam.version == 1


def test_a_change_counts_the_version_up_and_a_stale_one_is_refused(programme, ines):
    exam = drafted_exam(ines, programme)
    assert save(exam, ines, version=1, place="Ward 4").exam.version == 2
    with pytest.raises(exams.Stale) as stale:
        save(exam, ines, version=1, place="Ward 5")
    assert stale.value.exam.version == 2


def test_creating_what_exists_differently_is_stale_and_elses_is_taken(programme, ines, bram):
    exam = drafted_exam(ines, programme)
    with pytest.raises(exams.Stale):
        save(exam, ines, version=None, place="Ward 4")
    with pytest.raises(exams.Taken):
        save(exam, bram, version=None)
    with pytest.raises(exams.Missing):
        save(exam, bram, version=1)
    with pytest.raises(exams.Missing):
        exams.save_draft(
            exam_id=uuid.uuid4(), programme=programme, draft={}, version=1, by=ines, at=NOW
        )


def test_text_that_identifies_a_patient_is_refused_and_not_stored(programme, ines):
    with pytest.raises(Refused) as refused:
        drafted_exam(ines, programme, note="MRN 48213377")
    assert (refused.value.code, refused.value.field) == ("identifier", "note")
    assert Exam.objects.count() == 0


def test_the_time_of_the_first_answer_is_kept_when_the_phone_sends_none(programme, ines):
    exam = drafted_exam(ines, programme, answered_at="")
    save(exam, ines, version=1, answered_at="", place="Ward 4")
    exam.refresh_from_db()
    draft = exams.present_draft(exam)
    assert draft["answered_at"] == NOW.astimezone(dt.UTC).isoformat(timespec="seconds")


# --- submission -----------------------------------------------------------------------------------


def test_a_submission_makes_revision_scans_and_one_entry(programme, ines, maren):
    exam = submitted_exam(
        ines, programme, supervisor=maren, asks=("pneumothorax", "effusion"), zones=("R1", "LB")
    )
    assert (exam.state, exam.draft, exam.version) == ("complete", None, 2)
    assert (exam.first_received_at, exam.completed_at) == (NOW, NOW)
    revision = exam.revision
    assert (revision.n, revision.draft_version, revision.supervisor) == (1, 1, maren)
    assert revision.performed_on == dt.date(2026, 3, 9)
    assert [
        (s.application.code, s.state, s.first_answer, s.first_confidence)
        for s in Scan.objects.filter(exam=exam)
    ] == [
        ("pneumothorax", "submitted", "R- L-", "sure"),
        ("effusion", "submitted", "R+ L-", "sure"),
    ]
    assert entries(programme)[-1] == ("exam.submitted", f"exam:{exam.pk}")
    assert entries(programme).count(("exam.submitted", f"exam:{exam.pk}")) == 1


def test_the_local_date_of_the_scan_is_the_programmes(programme, ines):
    """Half past eleven in the evening UTC is the next day in Berlin."""
    night = dt.datetime(2026, 3, 9, 23, 30, tzinfo=dt.UTC)
    exam = submitted_exam(
        ines, programme, when=night + dt.timedelta(hours=1), performed_at=night.isoformat()
    )
    assert exam.revision.performed_on == dt.date(2026, 3, 10)


def test_submitting_the_same_version_again_gives_the_same_revision(programme, ines):
    exam = submitted_exam(ines, programme)
    before = entries(programme)
    again = exams.submit(exam=exam, version=1, by=ines, at=LATER)
    assert again == exam.revision
    assert ExamRevision.objects.filter(exam=exam).count() == 1
    assert entries(programme) == before


def test_a_remark_lives_in_its_row_alone(programme, ines):
    exam = submitted_exam(ines, programme, note="Asked to look again by the ward.")
    note = exam.revision.note
    assert note.text == "Asked to look again by the ward."
    body = ledger.read(programme.chain)[-1].body
    assert body["note"] == {"remark": str(note.pk), "digest": note.digest}
    assert "look again" not in str(body)


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"applications": []}, "applications"),
        ({"setting": ""}, "setting"),
        ({"setting": "retired_setting"}, "setting"),
        ({"performed_at": ""}, "performed_at"),
        ({"performed_at": (NOW + dt.timedelta(days=1)).isoformat()}, "performed_at"),
        ({"performed_at": (NOW - dt.timedelta(days=400)).isoformat()}, "performed_at"),
        ({"age_band": ""}, "age_band"),
        ({"breathing": ""}, "breathing"),
        ({"knew_result": ""}, "knew_result"),
        ({"supervisor_typed": ""}, "supervisor"),
        ({"supervisor": str(uuid.uuid4()), "supervisor_typed": ""}, "supervisor"),
        ({"same_patient": str(uuid.uuid4())}, "same_patient"),
        ({"answers": {}}, "answer-pneumothorax"),
        ({"answers": {"pneumothorax": {"right": "negative"}}}, "answer-pneumothorax"),
        (
            {"answers": {"pneumothorax": {"pattern": "none", "confidence": "sure"}}},
            "answer-pneumothorax",
        ),
        (
            {"answers": {"pneumothorax": {"right": "negative", "left": "negative"}}},
            "answer-pneumothorax",
        ),
        ({"findings": {"R9": {"sliding": "present"}}}, "zone-R9"),
        ({"findings": {"R1": {"sliding": "perhaps"}}}, "zone-R1"),
    ],
)
def test_a_submission_is_refused_beside_its_field(programme, ines, fields, field):
    exam = drafted_exam(ines, programme, **fields)
    archived_capture(exam)
    with pytest.raises(Incomplete) as incomplete:
        exams.submit(exam=exam, version=1, by=ines, at=NOW)
    assert list(incomplete.value.faults) == [field]
    exam.refresh_from_db()
    assert (exam.state, exam.version) == ("draft", 1)


def test_an_exam_without_captures_is_refused(programme, ines):
    exam = drafted_exam(ines, programme)
    with pytest.raises(Incomplete) as incomplete:
        exams.submit(exam=exam, version=1, by=ines, at=NOW)
    assert list(incomplete.value.faults) == ["captures"]


def test_a_simulator_has_no_patient_to_describe(programme, ines):
    exam = submitted_exam(
        ines,
        programme,
        setting="simulator",
        **dict.fromkeys(["age_band", "position", "breathing", "chest_procedure", "indication"], ""),
    )
    assert exam.revision.age_band == ""


def test_a_fast_phone_is_forgiven_ten_minutes(programme, ines):
    exam = submitted_exam(
        ines,
        programme,
        performed_at=(NOW + dt.timedelta(minutes=5)).isoformat(),
        answered_at=(NOW + dt.timedelta(minutes=8)).isoformat(),
    )
    assert (exam.revision.performed_at, exam.revision.answered_at) == (NOW, NOW)


def test_the_rules_of_reading_are_frozen_on_the_revision(programme, ines, tove):
    from logbook.actions.programmes import change_settings

    exam = submitted_exam(ines, programme)
    change_settings(programme=programme, values={"b_lines_per_zone": 4}, by=tove, at=LATER)
    exam.revision.refresh_from_db()
    assert exam.revision.rules.b_lines_per_zone == 3
    assert submitted_exam(ines, programme, when=LATER).revision.rules.b_lines_per_zone == 4


# --- after the submission -------------------------------------------------------------------------


def test_an_edit_makes_a_second_revision_and_the_first_answer_stays(programme, ines):
    exam = submitted_exam(ines, programme)
    save(exam, ines, version=2, place="Ward 4")
    exams.submit(exam=exam, version=3, by=ines, at=LATER)
    exam.refresh_from_db()
    assert [r.place for r in exam.revisions.all()] == ["Resuscitation", "Ward 4"]
    scan = exam.scans.get()
    assert scan.revision == exam.revision
    assert (scan.first_answer, scan.first_answered_at) == ("R- L-", NOW - dt.timedelta(hours=1))


def test_the_first_answer_cannot_be_changed_or_dropped(programme, ines):
    exam = submitted_exam(ines, programme)
    other = {"pneumothorax": {"right": "positive", "left": "negative", "confidence": "sure"}}
    save(exam, ines, version=2, answers=other)
    with pytest.raises(Incomplete) as incomplete:
        exams.submit(exam=exam, version=3, by=ines, at=LATER)
    assert list(incomplete.value.faults) == ["answer-pneumothorax"]
    save(exam, ines, version=3, asks=("effusion",))
    with pytest.raises(Incomplete) as incomplete:
        exams.submit(exam=exam, version=4, by=ines, at=LATER)
    assert list(incomplete.value.faults) == ["applications"]


def test_what_is_first_asked_later_is_answered_later(programme, ines):
    exam = submitted_exam(ines, programme)
    save(exam, ines, version=2, asks=("pneumothorax", "effusion"))
    exams.submit(exam=exam, version=3, by=ines, at=LATER)
    assert {s.application.code: s.first_answered_at for s in exam.scans.all()} == {
        "pneumothorax": NOW - dt.timedelta(hours=1),
        "effusion": LATER,
    }


def test_a_dropped_edit_leaves_what_was_submitted(programme, ines):
    exam = submitted_exam(ines, programme)
    save(exam, ines, version=2, place="Ward 4")
    exams.drop_edit(exam=exam, version=3, by=ines, at=LATER)
    exam.refresh_from_db()
    assert (exam.draft, exam.version, exam.revision.place) == (None, 4, "Resuscitation")


def test_a_return_needs_the_trainee_and_a_submission_answers_it(programme, ines, maren):
    exam = submitted_exam(ines, programme)
    scans.move(
        scan=exam.scans.get(), to="returned", seq=1, by=maren, at=LATER, because="zones missing"
    )
    exam.refresh_from_db()
    assert (exam.state, exam.scans.get().state) == ("needs_you", "returned")
    archived_capture(exam, zone="R2")
    save(exam, ines, version=2, place="Ward 4")
    exams.submit(exam=exam, version=3, by=ines, at=LATER)
    exam.refresh_from_db()
    assert (exam.state, exam.scans.get().state) == ("complete", "submitted")


def test_a_return_that_nobody_answers_closes_after_its_days(programme, ines, maren):
    exam = submitted_exam(ines, programme)
    scans.move(
        scan=exam.scans.get(), to="returned", seq=1, by=maren, at=NOW, because="zones missing"
    )
    due = NOW + dt.timedelta(days=14)
    assert scans.close_overdue(programme=programme, by=None, at=due) == []
    late = due + dt.timedelta(seconds=1)
    assert [s.exam_id for s in scans.close_overdue(programme=programme, by=None, at=late)] == [
        exam.pk
    ]
    assert entries(programme)[-1] == ("scans.closed", f"programme:{programme.pk}")
    exam.refresh_from_db()
    assert (exam.state, exam.scans.get().state) == ("complete", "closed")
    with pytest.raises(Refused):
        save(exam, ines, version=2, place="Ward 4", at=late)


def test_an_attested_scan_has_left_every_door(programme, ines, maren):
    exam = submitted_exam(ines, programme)
    scans.move(scan=exam.scans.get(), to="attested", seq=1, by=maren, at=LATER, because="signed")
    with pytest.raises(Refused) as refused:
        scans.move(scan=exam.scans.get(), to="returned", seq=1, by=maren, at=LATER, because="zones")
    assert refused.value.code == "moved"
    for change in (
        lambda: save(exam, ines, version=2, place="Ward 4"),
        lambda: exams.withdraw(exam=exam, by=ines, at=LATER),
    ):
        with pytest.raises(Refused) as refused:
            change()
        assert refused.value.code == "read"


def test_a_withdrawal_keeps_the_rows_and_says_so(programme, ines):
    exam = submitted_exam(ines, programme)
    exams.withdraw(exam=exam, by=ines, at=LATER)
    exam.refresh_from_db()
    assert (exam.state, exam.scans.get().state) == ("withdrawn", "withdrawn")
    assert entries(programme)[-1] == ("exam.withdrawn", f"exam:{exam.pk}")
    with pytest.raises(Refused):
        save(exam, ines, version=3, place="Ward 4")


def test_a_given_up_draft_is_emptied(programme, ines):
    exam = drafted_exam(ines, programme, note="Something about the scan.")
    exams.withdraw(exam=exam, by=ines, at=LATER)
    exam.refresh_from_db()
    assert (exam.state, exam.draft) == ("withdrawn", None)


def test_nobody_else_submits_or_withdraws(programme, ines, bram):
    exam = drafted_exam(ines, programme)
    with pytest.raises(exams.Missing):
        exams.submit(exam=exam, version=1, by=bram, at=NOW)
    with pytest.raises(exams.Missing):
        exams.withdraw(exam=exam, by=bram, at=NOW)


@pytest.fixture
def shut_door():
    """What a floor above does while somebody reads."""

    def check(exam, at):
        raise Refused("Somebody is reading this exam now.", code="held")

    doors.before_edit(check)
    yield
    doors._edit.remove(check)


def test_a_shut_door_stops_edit_submission_and_withdrawal(programme, ines, shut_door):
    exam = drafted_exam(ines, programme)
    archived_capture(exam)
    for change in (
        lambda: save(exam, ines, version=1, place="Ward 4"),
        lambda: exams.submit(exam=exam, version=1, by=ines, at=NOW),
        lambda: exams.withdraw(exam=exam, by=ines, at=NOW),
    ):
        with pytest.raises(Refused) as refused:
            change()
        assert refused.value.code == "held"
    assert not save(exam, ines, version=1).wrote  # an equal body changes nothing and is let be


# --- captures and the exam's state ----------------------------------------------------------------


def test_an_exam_is_complete_when_every_capture_is_ready(programme, ines):
    exam = drafted_exam(ines, programme)
    archived_capture(exam)
    sending = exam.captures.create(
        programme=programme, ordinal=2, zone="L1", kind="clip", state="uploading", created_at=NOW
    )
    exams.submit(exam=exam, version=1, by=ines, at=NOW)
    exam.refresh_from_db()
    assert exam.state == "received"
    steps = [("received", "received"), ("confirm_mask", "needs_you"), ("ready", "complete")]
    for state, expected in steps:
        sending.state, sending.master_sha256 = state, "0" * 64
        sending.save()
        scans.settle(exam, at=LATER)
        assert exam.state == expected
    assert exam.completed_at == LATER


def test_a_refused_capture_needs_the_trainee(programme, ines):
    exam = drafted_exam(ines, programme)
    archived_capture(exam)
    exam.captures.create(
        programme=programme,
        ordinal=2,
        zone="L1",
        kind="clip",
        state="refused",
        refusal="This is not a clip.",
        created_at=NOW,
    )
    exams.submit(exam=exam, version=1, by=ines, at=NOW)
    exam.refresh_from_db()
    assert exam.state == "needs_you"
