"""The director writes a plan on the screen, sees whom it would change, and publishes it."""

from __future__ import annotations

import pytest
from django.utils import timezone

from credentialing.actions import standing
from credentialing.models import PlanVersion
from tests import factories as f
from tests.journeys.conftest import DESK, PHONE
from tests.journeys.hands import open_numbers
from tests.journeys.looks import looked_at

pytestmark = pytest.mark.journey


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="em")


@pytest.fixture
def dora(programme):
    return f.a_director(programme, "Dora Quist")


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_a_plan_is_written_tried_and_published(programme, dora, screen, size):
    now = timezone.now()
    ines, maren = f.a_trainee(programme, "Ines Haldor"), f.a_reader(programme, "Maren Achterberg")
    f.a_trainee(programme, "Jorun Vale")
    f.signed_exam(maren, f.waiting_exam(ines, programme, when=now), when=now)
    standing.recompute(programme=programme, at=now)
    page = screen(dora, **size)
    page.goto("/p/em/plans/")
    page.select_option("[name=origin]", "template:lung-start")
    page.click("button:has-text('Start a draft')")
    page.wait_for_url("**/plans/drafts/**")
    assert "at least 25 exams, credited" in page.inner_text("main")
    page.click("summary:has-text('Change number 1')")
    page.fill("[name=c1-bar]", "1")
    page.click("button[value='clause-add:2']")
    page.wait_for_selector("#clause-6")
    assert "at least 1 exam, credited" in page.inner_text("#clause-1")
    page.click("#clause-6 button[value='clause-up:6']")  # what was added or moved stays open
    page.wait_for_url("**#clause-5")
    looked_at(page)
    page.click("#clause-5 button[value='clause-remove:5']")
    page.wait_for_selector("#clause-6", state="detached")
    for number in (5, 4, 3, 2):
        page.click(f"summary:has-text('Change number {number}')")
        page.click(f"button[value='clause-remove:{number}']")
        page.wait_for_selector(f"#clause-{number}", state="detached")
    looked_at(page)  # a part that asks nothing
    page.click("summary:has-text('Change this part') >> nth=1")
    page.click("button[value='gate-remove:2']")
    page.wait_for_selector("button[value='gate-remove:2']", state="detached")
    page.fill("[name=t-effective_on]", programme.local_date(now).isoformat())
    page.click("label:has([name=t-moves][value=everyone])")
    page.click("button[value='what-if']")
    page.wait_for_url("**/what-if/")
    assert changed(page) == {"Ines Haldor": "not met, would be met"}
    page.click("summary:has-text('1 person whom it does not change')")
    assert "Jorun Vale" in page.inner_text("main")
    looked_at(page)
    page.go_back()
    page.reload()
    page.click("button:has-text('Publish this version')")
    page.wait_for_url(f"**/plans/{PlanVersion.objects.latest('seq').pk}/")
    assert "Published, and never changed." in page.inner_text("main")
    looked_at(page)
    page.click("a:has-text('version 1')")
    page.wait_for_url("**/beside/**")
    assert "at least 1 exam" in page.inner_text("tbody")
    looked_at(page)

    standing.recompute(programme=programme, at=timezone.now())  # as the worker does
    page.goto("/p/em/cohort/")
    open_numbers(page)
    looked_at(page)
    said = {name: page.locator(".cohort-person", has_text=name).locator(".ruler-state")
            for name in ("Ines Haldor", "Jorun Vale")}  # fmt: skip
    assert said["Ines Haldor"].inner_text().strip().startswith("met")
    assert said["Jorun Vale"].inner_text().strip() == "1 to go"


def changed(page) -> dict[str, str]:
    """Who is shown to change -> what happens to them now."""
    rows = page.locator("main section > .table-frame tbody tr")
    return {
        row.locator("th a").inner_text(): row.locator("td").first.inner_text() for row in rows.all()
    }
