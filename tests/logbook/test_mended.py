"""An exam that came back is mended by what it was asked for, and by nothing less."""

import datetime as dt

import pytest

from accounts.errors import Refused
from logbook.actions import exams
from logbook.models import Exam
from review.actions import holds, scans
from tests import factories as f

pytestmark = pytest.mark.django_db


@pytest.fixture
def returned():
    programme = f.a_programme()
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    exam = f.waiting_exam(ada, programme)
    holds.take(programme=programme, exam=exam, by=bo, at=f.NOW)
    scans.return_(
        exam=exam,
        scan_ids=[exam.scans.get().pk],
        zones=["R2"],
        by=bo,
        at=f.NOW,
    )
    exam.refresh_from_db()
    return exam


def sent_again(exam):
    """What the page does: the same fields, kept and submitted."""
    saved = exams.save_draft(
        exam_id=exam.pk,
        programme=exam.programme,
        draft=exams.present_draft(exam),
        version=exam.version,
        by=exam.trainee,
        at=f.NOW,
    ).exam
    return exams.submit(exam=saved, version=saved.version, by=exam.trainee, at=f.NOW)


def test_a_capture_that_was_asked_for_is_enough(returned):
    f.archived_capture(returned, zone="R2", when=f.NOW + dt.timedelta(minutes=1))
    sent_again(returned)
    again = Exam.objects.get(pk=returned.pk)
    assert (again.state, again.scans.get().state, again.revision.n) == ("complete", "submitted", 2)


def test_nothing_new_is_refused(returned):
    with pytest.raises(Refused):
        sent_again(returned)
