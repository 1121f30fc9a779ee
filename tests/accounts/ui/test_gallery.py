"""The page of all components: as sent, and as a browser lays it out."""

import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.staticfiles import finders
from django.http import Http404
from django.test import RequestFactory

from accounts.ui.views import gallery


@pytest.fixture
def html(settings, rf: RequestFactory) -> str:
    settings.LOOK_GALLERY = True
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    return gallery(rf.get("/look/")).content.decode()


def test_closed_unless_a_setting_opens_it(settings, rf):
    settings.LOOK_GALLERY = False
    with pytest.raises(Http404):
        gallery(rf.get("/look/"))


def test_nothing_inline(html):
    """What `default-src 'self'` would refuse."""
    assert re.findall(r"\sstyle\s*=", html) == []
    assert re.findall(r"\son[a-z]+\s*=", html) == []
    assert re.findall(r"<style|javascript:|data:", html) == []
    assert [tag for tag in re.findall(r"<script[^>]*>", html) if "src=" not in tag] == []


def test_nothing_from_elsewhere(html):
    addresses = re.findall(r'(?:src|href)="([^"]+)"', html)
    assert {a for a in addresses if not a.startswith(("/", "#", "tel:"))} == set()


def test_every_id_once(html):
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert sorted(set(ids)) == sorted(ids)


def test_every_symbol_that_is_used_is_drawn(html):
    drawn = set(re.findall(r'<symbol id="([^"]+)"', html))
    assert set(re.findall(r'<use href="#([^"]+)"', html)) - drawn == set()


def test_every_class_in_the_page_is_known_to_the_stylesheet(html):
    sheet = Path(finders.find("ui/look.css")).read_text("utf-8")
    known = set(re.findall(r"\.([a-z][\w-]*)", sheet))
    used = {c for value in re.findall(r'class="([^"]*)"', html) for c in value.split()}
    # Names for the reader of the markup; only their counterparts are drawn differently.
    plain = {
        "answer-negative",
        "answer-none",
        "answer-limited",
        "state-1",
        "is-empty",
        "is-open",
        "is-unknown",
        "notice-note",
        "chest-read",
        "chest-links",
        "chest-choose",
        "choices-list",
        "chest-drawings",
        "ruler-closed",
        "empty-face",
    }
    assert used - known - plain == set()


# In a browser


@pytest.fixture
def opened(browser, html, settings):
    """Open the gallery in a new context; nothing leaves the process."""
    contexts = []

    def serve(route):
        path = urlsplit(route.request.url).path
        if path == "/look/":
            return route.fulfill(body=html, content_type="text/html; charset=utf-8")
        found = path.startswith(settings.STATIC_URL) and finders.find(
            path[len(settings.STATIC_URL) :]
        )
        return route.fulfill(path=found) if found else route.fulfill(status=404, body="")

    def open_it(width: int, *, script: bool = True, room: bool = False, **options):
        context = browser.new_context(
            viewport={"width": width, "height": 740 if width < 600 else 900},
            reduced_motion="reduce",
            java_script_enabled=script,
            bypass_csp=False,
            **options,
        )
        contexts.append(context)
        page = context.new_page()
        page.faults = []
        page.on("pageerror", lambda error: page.faults.append(str(error)))
        page.route("**/*", serve)
        page.goto("http://look.test/look/")
        if room:
            page.evaluate("document.body.className = 'room'")
        return page

    yield open_it
    for context in contexts:
        context.close()


THEMES = [
    pytest.param({"color_scheme": "light"}, id="light"),
    pytest.param({"color_scheme": "dark"}, id="dark"),
    pytest.param({"color_scheme": "light", "room": True}, id="room"),
    pytest.param({"forced_colors": "active"}, id="forced"),
]


@pytest.mark.parametrize("width", [320, 1280])
@pytest.mark.parametrize("theme", THEMES)
def test_axe_finds_nothing(opened, width, theme):
    page = opened(width, **theme)
    found = Axe().run(page)
    assert [(v["id"], v["nodes"][0]["html"]) for v in found.response["violations"]] == []
    assert page.faults == []


@pytest.mark.parametrize("width", [320, 360, 640, 768, 1024, 1280])
def test_nothing_is_wider_than_the_screen(opened, width):
    page = opened(width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_text_twice_as_large_loses_nothing(opened):
    """WCAG 2.2, 1.4.4 and 1.4.10: the text at 200% on a window 640 wide, as on one 320 wide."""
    page = opened(640)
    page.add_style_tag(content="html { font-size: 200% }")
    assert page.evaluate("document.documentElement.scrollWidth") <= 640


TARGETS = """() => {
  const inSentence = (el) => el.tagName === "A" && el.closest("p, li, small")
    && !el.matches(".button, .bar-nav a, .menu-list a");
  const isPrimary = (el) => el.matches(".button-primary, .choice input, .zone:not(.is-small)");
  return [...document.querySelectorAll("a, button, summary, input, select, textarea")]
    .map((el) => [el, (el.closest("label.choice") || el).getBoundingClientRect()])
    .filter(([el, box]) => box.width && box.height)
    .filter(([el]) => !el.matches(".skip, .ruler-value a, .trace a") && !inSentence(el))
    .map(([el, { width, height }]) =>
      ({ what: el.outerHTML.slice(0, 90), width, height, primary: isPrimary(el) }));
}"""


def test_targets_are_large_enough(opened):
    """WCAG 2.2, 2.5.8: 24 by 24; our own rule: 48 for what the thumb does. Links in a sentence
    are exempt there and here, and those of a trace: the table beside it has each of them."""
    page = opened(320, has_touch=True, is_mobile=True)
    targets = page.evaluate(TARGETS)
    assert len(targets) > 60
    assert [t for t in targets if min(t["width"], t["height"]) < 24] == []
    assert [t for t in targets if t["primary"] and min(t["width"], t["height"]) < 47.9] == []


def test_three_short_choices_stand_side_by_side_on_the_smallest_phone(opened):
    page = opened(320, has_touch=True, is_mobile=True)
    keys = page.locator("#id_blank-right .choice")
    tops = keys.evaluate_all("els => els.map((el) => el.getBoundingClientRect().top)")
    assert len(tops) == 3
    assert len(set(tops)) == 1


def test_a_pressed_key_is_told_by_its_frame_and_weight(opened):
    page = opened(320, has_touch=True, is_mobile=True)
    key = page.locator("#id_blank-right .choice").nth(1)
    looks = "el => [getComputedStyle(el).fontWeight, getComputedStyle(el).boxShadow !== 'none']"
    assert key.evaluate(looks) == ["400", False]
    key.tap()
    assert key.evaluate(looks) == ["700", True]


def test_a_tap_on_the_drawing_ticks_the_box(opened):
    page = opened(360, has_touch=True)
    box = page.locator("#pick-L2")
    assert not box.is_checked()
    page.locator('.chest-choose a[data-zone="L2"]').tap()
    assert box.is_checked()
    assert "is-checked" in page.locator('.chest-choose a[data-zone="L2"]').get_attribute("class")
    page.locator('.chest-choose a[data-zone="L2"]').tap()
    assert not box.is_checked()


def test_without_javascript_the_same_tap_leads_to_the_box(opened):
    page = opened(360, script=False, has_touch=True)
    page.locator('.chest-choose a[data-zone="L2"]').tap()
    assert urlsplit(page.url).fragment == "pick-L2"


def test_the_list_of_keys_comes_from_the_page(opened):
    page = opened(1280)
    page.locator("h1").click()
    page.keyboard.press("?")
    dialog = page.locator("dialog.keys")
    keys, meanings = dialog.locator("dt").all_inner_texts(), dialog.locator("dd").all_inner_texts()
    assert dict(zip(keys, meanings, strict=True)) == {
        "s": "Sign",
        "1": "Confidence: sure",
        "2": "Confidence: fairly",
        "3": "Confidence: unsure",
    }
    page.keyboard.press("Escape")
    assert dialog.count() == 0


def test_a_key_chooses(opened):
    page = opened(1280)
    page.locator("h1").click()
    page.keyboard.press("2")
    assert page.locator("input[name=blank-confidence]:checked").get_attribute("value") == "f"


def test_keys_rest_inside_a_text_field(opened):
    page = opened(1280)
    page.evaluate(
        "() => { window.signed = 0;"
        " document.querySelector('[data-key=s]').addEventListener('click', () => signed++); }"
    )
    page.locator("h1").click()
    page.keyboard.press("s")
    page.locator("#id_blank-note").focus()
    page.keyboard.type("s")
    assert page.evaluate("window.signed") == 1


def test_on_paper_the_tools_are_gone_and_the_rulers_are_there(opened):
    page = opened(1280)
    page.emulate_media(media="print")
    assert not page.locator(".bar-nav").is_visible()
    assert page.locator(".action-bar").evaluate_all("els => els.every(e => !e.offsetParent)")
    assert page.locator(".ruler-drawing").first.is_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
