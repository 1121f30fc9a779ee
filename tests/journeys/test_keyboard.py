"""Without a mouse: what the director does, from the skip link on. Focus is seen at every stop."""

from __future__ import annotations

import pytest
from django.utils import timezone

from accounts.actions import people
from credentialing.actions import reports, standing
from credentialing.models import PlanVersion, Report
from tests import factories as f
from tests.journeys.conftest import DESK
from tests.journeys.hands import Keyboard

pytestmark = pytest.mark.journey


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="em")


@pytest.fixture
def dora(programme):
    return f.a_director(programme, "Dora Quist")


@pytest.fixture
def hand(dora, screen):
    return Keyboard(screen(dora, **DESK))


def test_the_way_to_the_content_is_the_first_stop(programme, hand):
    hand.page.goto("/p/em/cohort/")
    hand.press("Tab")
    assert hand.page.evaluate("document.activeElement.className") == "skip"
    hand.press("Enter")
    assert hand.page.evaluate("document.activeElement.id") == "main"
    hand.press("Tab")
    assert hand.page.evaluate("document.activeElement.closest('main') !== null")


def test_a_plan_is_written_and_published(programme, hand):
    page = hand.page
    page.goto("/p/em/plans/")
    hand.tab_to("[name=origin]")
    hand.write("Lung")  # a list is chosen from by its first letters
    hand.tab_to("form .button-primary")
    hand.enter("**/plans/drafts/**")
    hand.tab_to("#clause-3 > details > summary")
    hand.press("Enter")
    hand.tab_to("[name=c3-bar]")
    hand.press("ControlOrMeta+a")
    hand.write("7")
    hand.tab_to("button[value='clause-up:3']")
    hand.enter("**#clause-2")  # open, and the next stop is in it
    assert "at least 7 " in page.inner_text("#clause-2 > p")
    hand.tab_to("[name=t-effective_on]")
    today = programme.local_date(timezone.now())
    hand.write(today.strftime("%m%d%Y"))  # the browser's own language orders them
    hand.tab_to("button[value='what-if']")
    hand.enter("**/what-if/")
    hand.tab_to("main a[href*='/drafts/']")
    hand.enter("**/plans/drafts/*/")
    hand.tab_to("form[action$='/publish/'] button")
    hand.enter(lambda url: "/drafts/" not in url)
    made = PlanVersion.objects.latest("seq")
    assert (made.effective_on, made.as_plan().clauses[1].bar) == (today, 7)


def test_one_report_is_issued_and_then_a_cohort(programme, dora, hand, worker):
    reader = f.a_reader(programme, "Maren Achterberg")
    now = timezone.now()
    for name in ("Ines Haldor", "Jorun Vale"):
        trainee = f.a_trainee(programme, name)
        people.describe(
            programme=programme, person=trainee, name=name, legal_name=f"{name} Legally",
            staff_number="771", by=dora, at=now,
        )  # fmt: skip
        f.signed_exam(reader, f.waiting_exam(trainee, programme), {"pneumothorax": "R- L-"})
    standing.recompute(programme=programme, at=now)
    reports.make_key(programme=programme, by=dora, at=now)
    page = hand.page
    page.goto("/p/em/reports/")
    hand.tab_to("main a[href$='/reports/issue/']")
    hand.enter("**/reports/issue/")
    hand.tab_to("[name=who], [name=trainee]")
    hand.write("Jorun")
    hand.tab_to("[name=recommends]")
    hand.press("Space")
    hand.tab_to("form .button-primary")
    hand.press("Enter")
    page.wait_for_selector("text=It stands.")
    assert Report.objects.get().person.name == "Jorun Vale"

    page.goto("/p/em/reports/")
    hand.tab_to("main a[href$='/reports/batch/']")
    hand.enter("**/reports/batch/")
    hand.tab_to("main a[href*='preset=inside']")
    hand.enter("**preset=inside")
    hand.tab_to("form .button-primary")
    hand.press("Enter")
    page.wait_for_selector("a:has-text('Download all as one ZIP')", timeout=60_000)
    assert Report.objects.count() == 3
