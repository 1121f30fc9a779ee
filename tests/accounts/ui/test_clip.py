"""The clip player on a real film: loop, step by frame, speed, keys, and without its module."""

import re
from fractions import Fraction
from io import BytesIO
from pathlib import Path
from urllib.parse import urlsplit

import av
import numpy as np
import pytest
from django.contrib.staticfiles import finders
from django.template import Context, Template

FRAMES, RATE = 20, 10


@pytest.fixture(scope="module")
def film() -> bytes:
    return film_of(range(0, FRAMES * 100, 100))


def film_of(starts) -> bytes:
    """Frames that begin at these milliseconds, each twelve lighter than the one before."""
    out = BytesIO()
    with av.open(out, "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=RATE, options={"bf": "0"})
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        stream.codec_context.time_base = stream.time_base = Fraction(1, 1000)
        for number, start in enumerate(starts):
            grey = np.full((48, 64, 3), number * 12, dtype=np.uint8)
            frame = av.VideoFrame.from_ndarray(grey, format="rgb24")
            frame.pts, frame.time_base = start, Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return out.getvalue()


@pytest.fixture
def opened(browser, film, settings):
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    shown = {"film": film}
    contexts = []

    def html(starts):
        return Template(
            "{% extends 'ui/plain.html' %}{% load static ui %}"
            "{% block main %}<h1>Clip</h1>"
            f"{{% clip src='/film.mp4' label='R1, clip 1' frames={FRAMES} rate={RATE} "
            f"starts='{starts}' %}}"
            "{% endblock %}"
            "{% block scripts %}<script type='module' src=\"{% static 'ui/clip.js' %}\"></script>"
            "{% endblock %}"
        ).render(Context())

    def serve(route):
        path = urlsplit(route.request.url).path
        if path == "/":
            return route.fulfill(
                body=html(shown.get("starts", "")), content_type="text/html; charset=utf-8"
            )
        if path == "/film.mp4":
            wanted = re.match(r"bytes=(\d+)-(\d*)", route.request.headers.get("range", "bytes=0-"))
            film = shown["film"]
            start, end = int(wanted[1]), int(wanted[2] or len(film) - 1)
            return route.fulfill(
                status=206,
                body=film[start : end + 1],
                headers={
                    "Content-Type": "video/mp4",
                    "Accept-Ranges": "bytes",
                    "Content-Range": f"bytes {start}-{end}/{len(film)}",
                },
            )
        found = finders.find(path.removeprefix(settings.STATIC_URL))
        return route.fulfill(path=found) if found else route.fulfill(status=404, body="")

    def open_it(*, script: bool = True, **other):
        shown.update(other)
        context = browser.new_context(java_script_enabled=script)
        contexts.append(context)
        page = context.new_page()
        page.route("**/*", serve)
        page.goto("http://clip.test/")
        return page

    yield open_it
    for context in contexts:
        context.close()


def frame(page) -> str:
    return page.locator(".clip-frame").inner_text()


def ready(page):
    page.wait_for_function("document.querySelector('video').readyState >= 2")
    return page


def test_the_film_is_what_the_test_says(film):
    with av.open(BytesIO(film)) as container:
        assert sum(1 for _ in container.decode(video=0)) == FRAMES


def test_it_stands_still_until_it_is_asked(opened):
    page = ready(opened())
    assert page.evaluate("document.querySelector('video').paused")
    assert frame(page) == f"1/{FRAMES}"


def test_one_frame_on_and_one_back_shows_that_frame(opened):
    page = ready(opened())
    step_on = page.locator('[data-clip-do="on"]')
    for number in (1, 2, 3):
        step_on.click()
        shows(page, number)
    page.locator('[data-clip-do="back"]').click()
    shows(page, 2)


def test_frames_that_do_not_come_evenly_are_stepped_one_by_one(opened):
    """A burst, a long pause in the middle, a burst: the mean rate would jump over most of them."""
    starts = [*range(0, 400, 40), *range(1600, 2000, 40)]
    said = ",".join(map(str, starts))
    page = ready(opened(film=film_of(starts), starts=said))
    for number in range(1, FRAMES):
        page.locator('[data-clip-do="on"]').click()
        shows(page, number)
    page.locator(".clip-place").fill("9")
    shows(page, 9)


def shows(page, number: int) -> None:
    """Frame `number` from 0, by its words and by its picture: each is 12 lighter than the last.

    Waited for: a video has sought some time before the frame is there to be drawn.
    """
    page.wait_for_function(
        """([words, grey]) => {
          if (document.querySelector(".clip-frame").innerText !== words) return false;
          const video = document.querySelector("video");
          const canvas = Object.assign(document.createElement("canvas"), { width: 8, height: 8 });
          const pen = canvas.getContext("2d");
          pen.drawImage(video, 0, 0, 8, 8);
          return Math.abs(pen.getImageData(4, 4, 1, 1).data[0] - grey) < 6;
        }""",
        arg=[f"{number + 1}/{FRAMES}", number * 12],
        timeout=10_000,
    )


def test_it_does_not_step_off_either_end(opened):
    page = ready(opened())
    page.locator('[data-clip-do="back"]').click()
    page.wait_for_function("!document.querySelector('video').seeking")
    assert frame(page) == "1/20"
    page.locator(".clip-place").fill("19")
    page.wait_for_function("!document.querySelector('video').seeking")
    page.locator('[data-clip-do="on"]').click()
    page.wait_for_function("!document.querySelector('video').seeking")
    assert frame(page) == "20/20"


def test_it_plays_in_a_loop_and_pauses(opened):
    page = ready(opened())
    assert page.evaluate("document.querySelector('video').loop")
    toggle = page.locator('[data-clip-do="toggle"]')
    toggle.click()
    page.wait_for_function("document.querySelector('video').currentTime > 0.2")
    assert toggle.get_attribute("aria-pressed") == "true"
    toggle.click()
    assert page.evaluate("document.querySelector('video').paused")


def test_speed(opened):
    page = ready(opened())
    page.locator('[data-clip-speed="0.25"]').click()
    assert page.evaluate("document.querySelector('video').playbackRate") == 0.25
    pressed = page.locator('[data-clip-speed][aria-pressed="true"]')
    assert pressed.evaluate_all("els => els.map(e => e.dataset.clipSpeed)") == ["0.25"]


def test_arrow_keys_step_while_the_player_has_the_focus(opened):
    page = ready(opened())
    page.locator('[data-clip-do="toggle"]').focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("!document.querySelector('video').seeking")
    assert frame(page) == "2/20"


def test_without_the_module_the_browsers_own_controls_stay(opened):
    page = opened(script=False)
    assert page.locator("video").get_attribute("controls") == ""
    assert not page.locator(".clip-bar").is_visible()


def test_the_module_asks_for_nothing_else():
    source = Path(finders.find("ui/clip.js")).read_text("utf-8")
    assert re.findall(r"^import |fetch\(|import\(", source, flags=re.M) == []
