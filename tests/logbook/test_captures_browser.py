"""Sending a capture and hiding what identifies, in a real browser on a phone's screen."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.test import Client
from django.utils import timezone
from pydicom import examples

from logbook import processing
from tests.factories import a_programme, a_trainee, drafted_exam
from tests.logbook.intake import samples

pytestmark = pytest.mark.journey
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def exam(transactional_db):
    programme = a_programme(code="em")
    return drafted_exam(a_trainee(programme, "Ines Haldor"), programme, when=timezone.now())


@pytest.fixture
def visit(web, browser, exam):
    """`visit(path, **context)`: a page of the exam's trainee; complaints of the browser fail."""
    opened, complaints = [], []

    def go(path, **options):
        context = browser.new_context(viewport=PHONE, **options)
        opened.append(context)
        signed_in = Client()
        signed_in.force_login(exam.trainee)
        cookie = signed_in.cookies["session"].value
        context.add_cookies([{"name": "session", "value": cookie, "url": web}])
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
        page.goto(f"{web}/p/em/{path}")
        return page

    go.complaints = complaints
    yield go
    for context in opened:
        context.close()
    assert complaints == []


def work():
    processing.process_waiting(clock=timezone.now)


def describe(page, file):
    page.set_input_files("[name=file]", file)
    page.select_option("[name=zone]", "R1")
    page.fill("[name=depth_cm]", "4.5")


def rows(page):
    numbers = page.locator("[data-mask-row]").evaluate_all(
        "rows => rows.map(row => [...row.querySelectorAll('input')].map(one => one.value))"
    )
    return [[float(side) for side in row] for row in numbers if all(row)]


def accessible(page):
    found = Axe().run(page).response["violations"]
    return [(one["id"], [node["target"] for node in one["nodes"]]) for one in found]


def no_wider_than_its_screen(page):
    return page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def tap(page, across, down):
    picture = page.locator("[data-mask-picture]")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    page.mouse.click(box["x"] + box["width"] * across, box["y"] + box["height"] * down)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_cine_is_sent_masked_by_two_taps_and_kept(visit, exam, scheme):
    page = visit(f"exams/{exam.pk}/captures/add/", color_scheme=scheme, has_touch=True)
    assert accessible(page) == []
    assert no_wider_than_its_screen(page)
    describe(page, examples.get_path("ybr_color"))
    page.click("text=Send >> nth=-1")
    page.wait_for_url("**/captures/")
    assert exam.captures.get().state == "received"
    work()
    page.click("a:has-text('Look at what is hidden')", timeout=15_000)
    page.wait_for_selector("[data-mask-tools]:not([hidden])")
    suggested = rows(page)
    tap(page, 0.55, 0.4)
    tap(page, 0.75, 0.6)
    drawn = rows(page)
    assert drawn[:-1] == suggested
    assert [round(side) for side in drawn[-1]] == [55, 40, 75, 60]
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    assert [round(side) for side in rows(page)[-1]] == [56, 40, 76, 61]
    assert accessible(page) == []
    assert no_wider_than_its_screen(page)
    page.click("button[value=confirm]")
    page.wait_for_url("**/captures/")
    work()
    page.reload()
    assert accessible(page) == []
    assert page.locator("img.capture-picture").evaluate("one => one.naturalWidth") == 320
    capture = exam.captures.get()
    assert (capture.state, capture.frames) == ("ready", 30)
    assert "[5600,4000,7600,6100]" in re.sub(r"\s", "", capture.upload.mask)


def test_undo_and_taking_away_by_keys(visit, exam):
    page = visit(f"exams/{exam.pk}/captures/add/")
    describe(page, {"name": "a.png", "mimeType": "image/png", "buffer": samples.picture()})
    page.click("text=Send >> nth=-1")
    page.wait_for_url("**/captures/")
    work()
    page.click("a:has-text('Look at what is hidden')", timeout=15_000)
    page.wait_for_selector("[data-mask-tools]:not([hidden])")
    before = rows(page)
    page.focus("[data-mask-picture]")
    page.keyboard.press("Enter")
    page.keyboard.press("Delete")
    assert rows(page) == before[1:]
    page.click("[data-mask-do=undo]")
    assert rows(page) == before
    page.focus("[data-mask-picture]")
    page.keyboard.press("Space")
    assert rows(page) == [*before, [40, 40, 60, 60]]


def test_without_javascript_the_numbers_do_it(visit, exam):
    page = visit(f"exams/{exam.pk}/captures/add/", java_script_enabled=False)
    describe(page, {"name": "a.png", "mimeType": "image/png", "buffer": samples.picture()})
    page.click("text=Send >> nth=-1")
    page.wait_for_url("**/captures/")
    work()
    page.click("text=Look again")
    page.click("a:has-text('Look at what is hidden')")
    page.click("summary:has-text('Rectangles as numbers')")
    for side, value in (("x0", "20"), ("y0", "30"), ("x1", "40"), ("y1", "50")):
        page.fill(f"[name={side}-2]", value)
    page.click("text=Show these on the picture")
    assert page.locator("[data-mask-picture] rect").count() == 3
    page.click("text=Hide this and keep the capture")
    work()
    capture = exam.captures.get()
    assert capture.state == "ready"
    assert "[2000,3000,4000,5000]" in capture.upload.mask


def test_a_connection_that_breaks_is_tried_again_and_makes_one_capture(visit, exam):
    page = visit("exams/")
    broken = []

    def first_breaks(route):
        if route.request.method == "POST" and not broken:
            broken.append(route.request.url)
            route.abort("connectionreset")
        else:
            route.continue_()

    page.goto(page.url + f"{exam.pk}/captures/add/")
    page.route("**/captures/add/", first_breaks)
    describe(page, {"name": "a.png", "mimeType": "image/png", "buffer": samples.picture()})
    page.click("text=Send >> nth=-1")
    page.wait_for_url("**/captures/", timeout=15_000)
    assert len(broken) == 1
    assert len(visit.complaints) == 1
    assert "ERR_CONNECTION_RESET" in visit.complaints.pop()
    assert exam.captures.count() == 1
