"""What else a reading may come to: an exam goes back and comes again; a call must be made."""

from __future__ import annotations

import pytest
from django.utils import timezone

from logbook.models import Exam
from review.models import Attestation, Discrepancy
from tests import factories as f
from tests.journeys import hands
from tests.journeys.conftest import DESK, PHONE

pytestmark = pytest.mark.journey
TELEPHONE = "extension 4410"


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="em", duty_telephone=TELEPHONE)


@pytest.fixture
def ines(programme):
    return f.a_trainee(programme, "Ines Haldor")


@pytest.fixture
def maren(programme):
    return f.a_reader(programme, "Maren Achterberg")


@pytest.fixture
def exam(programme, ines):
    return f.submitted_exam(ines, programme, when=timezone.now())


def open_at_desk(page, exam):
    page.goto("/p/em/reading/")
    page.click("button:has-text('Take the next exam')")
    page.wait_for_url(f"**/reading/{exam.pk}/")


def read(page, *, right, left):
    """Blind, from the department's archive, then revealed."""
    for name, value in (("right", right), ("left", left), ("quality", "4")):
        page.click(f'label.choice:has([name$="-{name}"][value="{value}"])')
    for box in page.locator("label.choice:has([name=archive])").all():
        box.click()
    page.click("[data-desk=blind] .action-bar .button-primary")
    page.wait_for_selector("[data-desk=revealed]")


def test_an_exam_goes_back_is_mended_and_comes_again(exam, ines, maren, screen):
    desk = screen(maren, **DESK)
    open_at_desk(desk, exam)
    desk.click("summary:has-text('Return to the trainee')")
    desk.check('[name="return-zones"][value="R2"]', force=True)
    desk.fill('[name="return-text"]', "Save the lower front of the right side, too.")
    desk.click("button:has-text('Return'):not([data-key])")
    desk.wait_for_url("**/reading/")
    exam.refresh_from_db()
    assert exam.state == "needs_you"

    phone = screen(ines, **PHONE)
    phone.goto("/p/em/exams/")
    phone.click(f"a:has-text('{exam.code}')")
    assert "Save the lower front of the right side, too." in phone.inner_text("main")
    assert "The answer stays the one that you first submitted." in phone.inner_text("main")
    phone.click("a:has-text('Mend and submit again')")
    assert phone.locator('[name^="answer-pneumothorax"]:enabled').count() == 0
    hands.add_captures(phone, [{"zone": "R2"}])
    assert hands.submit(phone) == exam.code
    exam.refresh_from_db()
    assert (exam.state, exam.revision.n, exam.captures.count()) == ("complete", 2, 3)
    assert exam.scans.get().first_answer == "R- L-"

    open_at_desk(desk, exam)
    read(desk, right="negative", left="negative")
    desk.click("[data-desk=revealed] .action-bar .button-primary")
    desk.wait_for_url(lambda url: str(exam.pk) not in url)
    signed = Attestation.objects.get()
    assert (signed.trainee_answer, signed.reader_answer) == ("R- L-", "R- L-")
    assert signed.revision.n == 2
    assert Exam.objects.count() == 1


def test_what_may_matter_now_is_a_call_not_a_tick(exam, ines, maren, screen):
    desk = screen(maren, **DESK)
    open_at_desk(desk, exam)
    assert desk.locator(".urgent").count() == 0
    read(desk, right="positive", left="negative")
    said = desk.inner_text(".urgent")
    for part in (TELEPHONE, exam.code, "Resuscitation", "A tick here is not notification."):
        assert part in said
    desk.select_option('[name$="-told"]', "duty_clinician")
    desk.fill('[name$="-told_note"]', "Spoke at once; a second look is under way.")
    desk.click("[data-desk=revealed] .action-bar .button-primary")
    desk.wait_for_url(lambda url: str(exam.pk) not in url)
    row = Discrepancy.objects.get()
    assert (row.told, row.told_by, row.telephone) == ("duty_clinician", maren, TELEPHONE)
    assert row.acknowledged_at is None

    phone = screen(ines, **PHONE)
    phone.goto("/p/em/home/")
    phone.click(f".notice a:has-text('{exam.code}')")
    assert "Maren Achterberg told the duty clinician" in phone.inner_text("main")
    phone.click("button:has-text('I have seen this')")
    phone.wait_for_selector("text=The trainee has said that they have seen this")
    row.refresh_from_db()
    assert row.acknowledged_at is not None
    phone.goto("/p/em/home/")
    assert phone.locator(f".notice a:has-text('{exam.code}')").count() == 0
