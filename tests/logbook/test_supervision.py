"""The attending's word for a whole shift, and what it does not cover."""

import datetime as dt

import pytest

from accounts import ledger
from accounts.errors import Refused
from logbook import presenting
from logbook.actions import exams, supervision
from logbook.models import SupervisionConfirmation
from logbook.queries import logbook_of, unconfirmed_for
from tests.factories import NOW, a_reader, drafted_exam, exam_draft, submitted_exam

LATER = NOW + dt.timedelta(hours=3)


def confirm(programme, person, *shift):
    return supervision.confirm_shift(
        programme=programme, exams=[exam.pk for exam in shift], by=person, at=LATER
    )


def test_a_shift_is_one_entry_and_a_row_for_each_exam(programme, ines, bram, maren):
    shift = [submitted_exam(t, programme, supervisor=maren) for t in (ines, bram)]
    made = confirm(programme, maren, *shift)
    entry = ledger.read(programme.chain)[-1]
    assert (entry.action, entry.subject) == ("supervision.confirmed", f"person:{maren.pk}")
    assert entry.body == {
        "exams": {str(exam.pk): "direct" for exam in shift},
        "trainees": sorted([str(ines.pk), str(bram.pk)]),
    }
    assert {(row.exam_id, row.seq, row.recorded_at, row.supervision) for row in made} == {
        (exam.pk, entry.seq, entry.at, "direct") for exam in shift
    }
    assert not unconfirmed_for(maren, programme).exists()


def test_confirming_again_writes_nothing(programme, ines, maren):
    exam = submitted_exam(ines, programme, supervisor=maren)
    confirm(programme, maren, exam)
    before = ledger.head_of(programme.chain)
    assert confirm(programme, maren, exam) == []
    assert ledger.head_of(programme.chain) == before


def test_nobody_confirms_for_another(programme, ines, maren):
    exam = submitted_exam(ines, programme, supervisor=maren)
    draft = drafted_exam(ines, programme, supervisor=maren)
    other = a_reader(programme, "Per Anders", ())
    for person, of in ((other, exam), (maren, draft)):
        with pytest.raises(Refused):
            confirm(programme, person, of)
    assert not SupervisionConfirmation.objects.exists()


def test_one_wrong_exam_refuses_the_whole_shift(programme, ines, maren):
    mine = submitted_exam(ines, programme, supervisor=maren)
    typed = submitted_exam(ines, programme)
    with pytest.raises(Refused):
        confirm(programme, maren, mine, typed)
    assert not SupervisionConfirmation.objects.exists()


def test_another_kind_of_supervision_needs_another_word(programme, ines, maren):
    exam = submitted_exam(ines, programme, supervisor=maren)
    confirm(programme, maren, exam)
    exams.save_draft(
        exam_id=exam.pk,
        programme=programme,
        draft=exam_draft(supervisor=maren, supervision="indirect"),
        version=2,
        by=ines,
        at=LATER,
    )
    exams.submit(exam=exam, version=3, by=ines, at=LATER)
    assert list(unconfirmed_for(maren, programme)) == [exam]
    confirm(programme, maren, exam)
    assert [row.supervision for row in exam.confirmations.all()] == ["direct", "indirect"]


def test_a_withdrawn_exam_asks_for_no_word(programme, ines, maren):
    exam = submitted_exam(ines, programme, supervisor=maren)
    exams.withdraw(exam=exam, by=ines, at=LATER)
    assert not unconfirmed_for(maren, programme).exists()


def at(day, hour):
    return NOW.replace(hour=hour) + dt.timedelta(days=day)


def shifts_of(person, programme):
    found = presenting.shifts(unconfirmed_for(person, programme), logbook_of(programme))
    return [(s["day"], s["until"], [row["exam"] for row in s["rows"]]) for s in found]


def test_a_night_over_midnight_is_one_shift_and_the_next_evening_another(programme, ines, maren):
    times = [at(1, 22), at(2, 1), at(2, 5), at(2, 20)]
    late, after, morning, evening = (
        submitted_exam(
            ines, programme, supervisor=maren, when=when + dt.timedelta(hours=2),
            performed_at=when.isoformat(),
        )
        for when in times
    )  # fmt: skip
    first = NOW.date() + dt.timedelta(days=1)
    second = first + dt.timedelta(days=1)
    assert shifts_of(maren, programme) == [
        (second, None, [evening]),
        (first, second, [late, after, morning]),
    ]


def test_exams_around_the_clock_are_no_endless_shift(programme, ines, maren):
    for hours in range(0, 40, 5):
        when = NOW + dt.timedelta(hours=hours)
        submitted_exam(
            ines, programme, supervisor=maren, when=when + dt.timedelta(hours=1),
            performed_at=when.isoformat(),
        )  # fmt: skip
    assert [len(exams) for _first, _last, exams in shifts_of(maren, programme)] == [4, 4]
