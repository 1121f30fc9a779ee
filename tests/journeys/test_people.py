"""Watching somebody scan, importing a list, looking at the cohort: on a phone and at a desk."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from accounts.models import Membership
from credentialing.actions import standing
from review.models import Assessment
from tests import factories as f
from tests.journeys.conftest import DESK, PHONE
from tests.journeys.hands import choose, open_numbers
from tests.journeys.looks import NARROW, looked_at

pytestmark = pytest.mark.journey
SMALL = {**PHONE, "viewport": NARROW}
LIST = (
    "Name;E-mail;Level;From\r\n"
    "Zoë Hart;zoe@northfield.example;Year 1;1.8.2026\r\n"
    "Mia Voss;mia@northfield.example;Year 2;{second}\r\n"
)


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="northfield")


@pytest.mark.parametrize("context", [PHONE, {**SMALL, "java_script_enabled": False}])
def test_an_assessment_in_five_taps_beside_the_trainee(programme, screen, context):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    page = screen(bo, **context)
    page.goto("/p/northfield/bedside/")
    page.click(f"main a:has-text('{ada.name}')")
    scripted = context.get("java_script_enabled", True)  # axe is a script
    if scripted:
        looked_at(page)
    choose(page, "application", "effusion")
    choose(page, "level", "3")
    page.fill("[name=sentence]", "Look for the spine above the diaphragm.")
    page.click(".action-bar .button-primary")
    assert "Show it to Ada Fenn" in page.inner_text("body")
    row = Assessment.objects.get()
    assert (row.level, row.application.code, row.chosen) == (3, "effusion", {})

    hers = screen(ada, **context)
    hers.goto("/p/northfield/bedside/")
    hers.click("main li a")
    assert "Look for the spine above the diaphragm." in hers.inner_text("main")
    assert "Level 3 of 5: close by" in hers.inner_text("main")
    if scripted:
        looked_at(hers)


def test_a_list_is_mended_looked_at_and_imported(programme, screen, tmp_path):
    page = screen(f.a_coordinator(programme), **DESK)
    page.goto("/p/northfield/people/")
    page.click("main a:has-text('Import a list')")
    before = Membership.objects.count()

    def choose_file(second: str) -> None:
        file = tmp_path / "people.csv"
        file.write_bytes(LIST.format(second=second).encode("cp1252"))
        page.set_input_files("[name=file]", file)
        page.click("button:has-text('Look at it')")

    choose_file("08/01/2026")
    said = page.inner_text("main")
    assert "1 thing is wrong: nothing was imported" in said
    assert "Write the day as 2026-08-01 or 1.8.2026." in said
    choose_file("1.8.2026")
    looked_at(page)
    assert Membership.objects.count() == before
    page.click("button:has-text('Import these 2 lines')")
    assert "Zoë Hart" in page.inner_text("main")
    assert Membership.objects.count() == before + 2


def test_the_director_finds_who_is_behind_and_what_it_rests_on(programme, screen):
    now = timezone.now()
    today = now.date()
    old = f.a_trainee(programme, "Old Hand", ends_on=today + dt.timedelta(days=40))
    f.a_trainee(
        programme, "New Start", starts_on=today - dt.timedelta(days=4),
        ends_on=today + dt.timedelta(days=900),
    )  # fmt: skip
    exam = f.waiting_exam(old, programme, when=now)
    f.signed_exam(f.a_reader(programme), exam, when=now)
    standing.recompute(programme=programme, at=now)
    dora = f.a_director(programme)
    for context in (DESK, SMALL):
        page = screen(dora, **context)
        page.goto("/p/northfield/cohort/")
        assert who(page) == ["Old Hand", "New Start"]
        looked_at(page)
        page.click(".views a:has-text('behind their time')")
        assert who(page) == ["Old Hand"]
        kept = page.url  # as a bookmark keeps it
        page.goto("/p/northfield/people/")
        page.goto(kept)
        assert who(page) == ["Old Hand"]
        open_numbers(page)
        assert first_number(page) == "1 of 25"
        page.click(".cohort-who a")
        assert "What was seen, and what never" in page.inner_text("main")
        assert first_number(page) == "1 of 25 exams"
        page.click(".ruler-value a >> nth=0")
        assert first_number(page) == "1 of 25 exams"
        assert "Counted: 1 scan of 1 exam" in page.inner_text("main")
        page.click(f"td a, th a:has-text('{exam.code}')")
        assert exam.code in page.inner_text("h1")
        page.wait_for_load_state("networkidle")
    # The exam's pictures are rows without objects in the store.
    assert [said for said in screen.complaints if "404" not in said] == []
    screen.complaints.clear()


def who(page) -> list[str]:
    page.wait_for_load_state()  # a list is read as far as it has come
    return page.locator(".cohort-who a").all_inner_texts()


def first_number(page) -> str:
    return page.locator(".ruler-value").first.inner_text().split("\n")[0].split(",")[0]
