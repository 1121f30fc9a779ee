"""Who finds which exams and scans: the matrix of design, with data that could leak in each cell."""

import datetime as dt

import pytest

from accounts.actions import people
from logbook.models import Exam, Scan
from logbook.queries import may_see_answers
from tests.factories import (
    NOW,
    START,
    a_coordinator,
    a_director,
    a_member,
    a_programme,
    a_reader,
    a_trainee,
    drafted_exam,
    outside,
    submitted_exam,
)

TODAY = NOW.date()


@pytest.fixture
def house(programme, ines, bram):
    """Two trainees, a draft, two submitted exams; a second programme with one exam of its own."""
    other = a_programme(code="icu")
    stranger = a_trainee(other, "Sol Marek")
    return {
        "draft": drafted_exam(ines, programme),
        "effusion": submitted_exam(ines, programme, asks=("effusion",), zones=("LB",)),
        "both": submitted_exam(bram, programme, asks=("pneumothorax", "effusion"), zones=("LB",)),
        "elsewhere": submitted_exam(stranger, other),
    }


def seen_by(person, house, on=TODAY):
    visible = set(Exam.objects.visible_to(person, on=on))
    return {name for name, exam in house.items() if exam in visible}


def scans_of(person, on=TODAY):
    found = Scan.objects.visible_to(person, on=on)
    return sorted((s.exam.trainee.name, s.application.code) for s in found)


def test_a_trainee_sees_their_own(house, ines, bram):
    assert seen_by(ines, house) == {"draft", "effusion"}
    assert seen_by(bram, house) == {"both"}


def test_faculty_see_received_exams_of_their_privileges(house, programme):
    reader = a_reader(programme, "Maren Achterberg", ("pneumothorax",))
    assert seen_by(reader, house) == {"both"}
    assert scans_of(reader) == [("Bram Oduya", "pneumothorax")]


def test_faculty_without_a_privilege_see_nothing(house, programme):
    assert seen_by(a_member(programme, "faculty", "Per Anders"), house) == set()


def test_a_privilege_without_faculty_shows_nothing(house, programme):
    reader = a_reader(programme, "Maren Achterberg", ("effusion",))
    membership = reader.memberships.get()
    people.end(membership=membership, ends_on=TODAY - dt.timedelta(days=1), by=None, at=NOW)
    assert seen_by(reader, house) == set()
    assert scans_of(reader) == []


@pytest.mark.parametrize(
    ("day", "seen"),
    [(-1, set()), (0, {"effusion", "both"}), (10, {"effusion", "both"}), (11, set())],
)
def test_a_privilege_holds_from_a_day_to_a_day(house, programme, day, seen):
    reader = a_reader(programme, "Maren Achterberg", ())
    privilege = people.grant(
        programme=programme, person=reader, application="effusion", from_on=TODAY, by=None, at=NOW
    )
    people.end_privilege(privilege=privilege, to_on=TODAY + dt.timedelta(days=10), by=None, at=NOW)
    assert seen_by(reader, house, on=TODAY + dt.timedelta(days=day)) == seen


def test_a_director_sees_everything_in_the_programme_alone(house, programme):
    assert seen_by(a_director(programme), house) == {"draft", "effusion", "both"}


def test_a_coordinator_sees_no_exam(house, programme):
    assert seen_by(a_coordinator(programme), house) == set()


def test_whoever_left_keeps_their_own(house, programme, ines):
    people.end(
        membership=ines.memberships.get(), ends_on=TODAY - dt.timedelta(days=1), by=None, at=NOW
    )
    assert seen_by(ines, house) == {"draft", "effusion"}


def test_a_learner_in_two_programmes_sees_their_own_in_both(house, bram):
    icu = house["elsewhere"].programme
    outside(bram, icu)
    mine = submitted_exam(bram, icu)
    assert set(Exam.objects.visible_to(bram, on=TODAY)) == {house["both"], mine}


def test_nobody_reads_their_own(programme):
    """A faculty member who learns too sees their own exam, and could never be its reader."""
    reader = a_reader(programme, "Maren Achterberg", ("pneumothorax",))
    people.add(
        programme=programme, email=reader.email, name=reader.name, role="trainee",
        starts_on=START, by=None, at=NOW, invite=False,
    )  # fmt: skip
    submitted_exam(reader, programme)
    assert scans_of(reader) == [("Maren Achterberg", "pneumothorax")]
    assert not Scan.objects.readable_by(reader, on=TODAY).exists()


def test_answers_are_shut_to_whoever_could_still_read(house, programme, ines, tove):
    exam = house["both"]
    reader = a_reader(programme, "Maren Achterberg", ("effusion",))
    assert not may_see_answers(reader, exam, on=TODAY)
    assert may_see_answers(tove, exam, on=TODAY)  # a director who is not faculty
    assert may_see_answers(exam.trainee, exam, on=TODAY)
    people.add(
        programme=programme, email=tove.email, name=tove.name, role="faculty",
        starts_on=START, by=None, at=NOW, invite=False,
    )  # fmt: skip
    assert may_see_answers(tove, exam, on=TODAY)  # faculty without a privilege could not read it
    people.grant(
        programme=programme, person=tove, application="effusion", from_on=START, by=None, at=NOW
    )
    assert not may_see_answers(tove, exam, on=TODAY)
    exam.scans.filter(application__code="effusion").update(state="attested")
    assert may_see_answers(tove, exam, on=TODAY)
