"""Sending a capture and hiding what identifies, in a real browser on a phone's screen."""

import io
import re

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image, ImageDraw
from pydicom import examples

from logbook import keeping, processing
from logbook.actions import exams
from review.actions import holds
from tests.factories import (
    a_programme,
    a_reader,
    a_trainee,
    drafted_exam,
    kept_capture,
    revealed_exam,
)
from tests.logbook.intake import samples

pytestmark = pytest.mark.journey
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def programme(transactional_db):
    return a_programme(code="em")


@pytest.fixture
def exam(programme):
    return drafted_exam(a_trainee(programme, "Ines Haldor"), programme, when=timezone.now())


@pytest.fixture
def visit(transactional_db, web, browser, exam):
    """`visit(path, **context)`: a page as the exam's trainee sees it, or `by`; complaints of the
    browser fail."""
    opened, complaints = [], []

    def go(path, *, by=None, viewport=PHONE, **options):
        context = browser.new_context(viewport=viewport, **options)
        opened.append(context)
        signed_in = Client()
        signed_in.force_login(by or exam.trainee)
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
    page.locator("[data-mask-picture] rect >> nth=2").wait_for()
    assert page.locator("[data-mask-picture] rect").count() == 3
    page.click("text=Hide this and keep the capture")
    work()
    capture = exam.captures.get()
    assert capture.state == "ready"
    assert "[2000,3000,4000,5000]" in capture.upload.mask


@pytest.fixture
def looking_for_letters(settings):
    pytest.importorskip("rapidocr")
    settings.LETTERS = True
    keeping.letters.cache_clear()
    yield
    keeping.letters().close()
    keeping.letters.cache_clear()


def a_scan_with_a_name():
    """An image with a banner above it, and a name written into it."""
    screen = Image.new("L", (640, 480))
    screen.paste(Image.fromarray(samples.pattern(400, 360)), (120, 90))
    pen = ImageDraw.Draw(screen)
    pen.text((20, 20), "NORTHFIELD GENERAL", fill=255, font_size=24)
    pen.rectangle((150, 150, 420, 200), fill=0)
    pen.text((160, 160), "FENN ADA 1984", fill=255, font_size=28)
    return samples.picture(np.asarray(screen))


def test_letters_that_are_found_are_covered_or_answered(visit, exam, looking_for_letters):
    page = visit(f"exams/{exam.pk}/captures/add/")
    describe(page, {"name": "a.png", "mimeType": "image/png", "buffer": a_scan_with_a_name()})
    page.click("text=Send >> nth=-1")
    page.wait_for_url("**/captures/")
    work()
    page.click("a:has-text('Look at what is hidden')", timeout=15_000)
    page.wait_for_selector("[data-mask-tools]:not([hidden])")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert accessible(page) == []
    assert no_wider_than_its_screen(page)
    # The name inside the image is under a rectangle; without that it has to be answered.
    named = [one for one in rows(page) if one[0] <= 26 and one[1] <= 34 and one[2] >= 60]
    assert len(named) == 1
    page.focus("[data-mask-picture]")
    while rows(page):
        page.keyboard.press("Enter")
        page.keyboard.press("Delete")
    page.click("button[value=confirm]")
    page.wait_for_selector("text=Letters were found that are not covered")
    assert exam.captures.get().state == "confirm_mask"
    visit.complaints.clear()  # the browser notes that the answer was 422
    page.check("[name=text_answered]")
    page.click("button[value=confirm]")
    page.wait_for_url("**/captures/")
    work()
    assert exam.captures.get().state == "ready"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_reader_covers_takes_out_and_puts_back_by_keys(visit, exam, programme, scheme):
    reader = a_reader(programme)
    for zone in ("R1", "L1"):
        kept_capture(exam, samples.clip(), zone=zone, when=timezone.now())
    exams.submit(exam=exam, version=exam.version, by=exam.trainee, at=timezone.now())
    holds.take(programme=programme, exam=exam, by=reader, at=timezone.now())
    desk = {"width": 1280, "height": 900}
    page = visit(f"reading/{exam.pk}/", by=reader, viewport=desk, color_scheme=scheme)
    page.keyboard.press("]")
    assert page.locator(".desk-capture.is-shown").get_attribute("id") == "capture-2"
    page.keyboard.press("o")
    page.wait_for_selector("h1:has-text('Cover more')")  # nobody looks for letters here
    page.keyboard.press("Enter")
    page.wait_for_selector("text=The picture before it is shown to nobody")
    assert page.locator(".desk-capture.is-shown").get_attribute("id") == "capture-3"
    assert exam.captures.get(ordinal=3).covers.ordinal == 2
    assert accessible(page) == []
    page.keyboard.press("g")
    page.wait_for_selector("text=Put back as it was")
    assert page.locator(".desk-capture.is-shown").get_attribute("id") == "capture-2"
    page.keyboard.press("z")
    page.wait_for_selector("text=Taken out: nobody sees it")
    assert [one.ordinal for one in exam.captures.ready()] == [1]
    page.keyboard.press("g")
    page.wait_for_selector("text=Put back as it was")
    assert [one.ordinal for one in exam.captures.ready()] == [1, 2]
    page.set_viewport_size({"width": 320, "height": 700})
    assert no_wider_than_its_screen(page)


def test_a_reader_is_told_of_the_same_file_and_of_a_look_alike_after_the_reveal(
    visit, exam, programme
):
    """A photograph sent again by another trainee: once as it was, once smaller and compressed."""
    other = drafted_exam(a_trainee(programme, "Bram Oduya"), programme, when=timezone.now())
    scan = Image.open(io.BytesIO(a_scan_with_a_name()))
    again = samples.picture(np.asarray(scan.resize((480, 360))), "JPEG", quality=80)
    for whose, content, zone in (
        (exam, examples.get_path("ybr_color").read_bytes(), "L1"),
        (exam, a_scan_with_a_name(), "R1"),
        (other, examples.get_path("ybr_color").read_bytes(), "L1"),
        (other, again, "R1"),
    ):
        kept_capture(whose, content, zone=zone, when=timezone.now())
    exams.submit(exam=exam, version=exam.version, by=exam.trainee, at=timezone.now())
    reader = a_reader(programme)
    holds.take(programme=programme, exam=exam, by=reader, at=timezone.now())
    page = visit(f"reading/{exam.pk}/", by=reader)
    other.refresh_from_db()
    assert other.code not in page.content()
    revealed_exam(reader, exam, when=timezone.now())
    page.reload()
    said = page.locator("section:has(h2:has-text('Seen before?')) li")
    assert [" ".join(text.split()) for text in said.all_inner_texts()] == [
        f"L1 the same file stands in exam {other.code}",
        f"R1 looks much like a picture in exam {other.code}",
    ]
    assert accessible(page) == []
    assert no_wider_than_its_screen(page)


@pytest.mark.parametrize(("codec", "kind"), [("h264", "video/mp4"), ("vp9", "video/webm")])
def test_a_kept_clip_plays_loops_and_steps(visit, exam, settings, codec, kind):
    """Both kinds of master in the browser itself: it starts, each place can be gone to, it ends."""
    settings.CLIP_CODEC = codec
    keeping.runner.cache_clear()
    times = [0, 40, 60, 200, 240, 280, 500, 540]
    content = samples.clip(frames=8, times=times, ticks=1000)
    capture = kept_capture(exam, content, when=timezone.now())
    keeping.runner().close()
    keeping.runner.cache_clear()
    assert capture.state == "ready"
    page = visit("")
    play = reverse("logbook:capture_play", args=["em", capture.pk])
    seen = page.evaluate(WATCH, play)
    assert seen["type"] == kind
    assert (seen["width"], seen["height"]) == (160, 120)
    assert seen["seconds"] == pytest.approx(0.58, abs=0.06)
    assert seen["ended"] is True
    # The eight frames are told apart by the blocks that say their number.
    assert seen["numbers"] == list(range(8))


WATCH = """async (address) => {
  const answer = await fetch(address);
  const video = document.createElement("video");
  video.muted = true;
  video.src = address;
  document.body.append(video);
  const once = (what) => new Promise((done, failed) => {
    video.addEventListener(what, done, { once: true });
    video.addEventListener("error", () => failed(video.error.message), { once: true });
  });
  await once("loadeddata");
  const canvas = document.createElement("canvas");
  canvas.width = video.videoWidth;
  canvas.height = video.videoHeight;
  const pen = canvas.getContext("2d", { willReadFrequently: true });
  const numbers = [];
  const drawn = () => {
    pen.drawImage(video, 0, 0);
    let number = 0;
    for (let bit = 0; bit < 8; bit++) {
      const x = Math.round(canvas.width * (bit + 0.5) / 8);
      const [grey] = pen.getImageData(x, canvas.height / 2, 1, 1).data;
      if (grey > 125) number |= 1 << bit;
    }
    return number;
  };
  for (const [wanted, at] of [10, 50, 130, 220, 260, 390, 520, 560].entries()) {
    const there = once("seeked");
    video.currentTime = at / 1000;
    await there;
    // A video has sought some time before the frame is there to be drawn.
    for (let waited = 0; waited < 40 && drawn() !== wanted; waited++) {
      await new Promise((done) => setTimeout(done, 50));
    }
    numbers.push(drawn());
  }
  video.currentTime = 0;
  const over = once("ended");
  await video.play();
  await over;
  return {
    type: answer.headers.get("Content-Type"), width: video.videoWidth, height: video.videoHeight,
    seconds: video.duration, ended: video.ended, numbers,
  };
}"""
