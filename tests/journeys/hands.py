"""What a thumb on a phone and two hands on a keyboard do, page by page."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping
from typing import Any

import pypdf

from tests import factories as f

ABOUT = {
    "setting": "clinical",
    "breathing": "spontaneous",
    "knew_result": "no",
    "operator": "all",
    "supervision": "direct",
}
OF_THE_PATIENT = {
    "age_band": "18-64",
    "position": "semi_recumbent",
    "chest_procedure": "none",
    "indication": "breathlessness",
}


def sign_in(page: Any, person: Any) -> None:
    """From the door: address, password, Enter."""
    page.goto("/")
    page.fill("[name=login]", person.email)
    page.fill("[name=password]", f.PASSWORD)
    page.press("[name=password]", "Enter")
    page.wait_for_url("**/p/**")


def choose(page: Any, name: str, value: str) -> None:
    """One choice of a row of choices: a tap on its words."""
    page.click(f'label.choice:has([name="{name}"][value="{value}"])')


def describe(page: Any, *, answers: Mapping[str, Mapping[str, str]], supervisor: str) -> None:
    """Fills a new exam's form but for its captures. `answers`: application -> part -> value."""
    for code in answers:
        choose(page, "applications", code)
    page.fill("[name=place]", "Resuscitation")
    for name, value in OF_THE_PATIENT.items():
        page.select_option(f"[name={name}]", value)
    for name, value in ABOUT.items():
        choose(page, name, value)
    page.select_option("[name=supervisor]", label=supervisor)
    for code, parts in answers.items():
        for part, value in parts.items():
            choose(page, f"answer-{code}-{part}", value)


def send(page: Any, zone: str, *, file: Any = None, probe: str = "", depth: str = "") -> None:
    """One capture from the page that asks for it; without `file` it is in the archive."""
    if file is None:
        choose(page, "kept", "archive")
    else:
        page.set_input_files("[name=file]", file)
    page.select_option("[name=zone]", zone)
    if probe:
        page.select_option("[name=probe]", probe)
    page.fill("[name=depth_cm]", depth)
    page.click(".action-bar .button-primary")
    page.wait_for_url("**/captures/")


def add_captures(page: Any, captures: Iterable[Mapping[str, Any]]) -> None:
    """Every capture, one after the other, from "Save and add captures"."""
    page.click("button[value=capture]")
    for number, capture in enumerate(captures):
        if number:
            page.click(".action-bar a.button-primary")
        send(page, **capture)


def confirm_masks(page: Any, count: int) -> None:
    """Looks at each capture as it becomes ready to be looked at, and keeps it."""
    captures = page.url
    for _ in range(count):
        until_shown(page, captures, "a:has-text('Look at what is hidden')").click()
        page.wait_for_url("**/mask/", wait_until="load")  # until the picture is seen
        page.click("button[value=confirm]")
        page.wait_for_url("**/captures/")
    hidden = "ol.captures > li:has(form)"
    for _ in range(60):
        said = page.locator(hidden).all_inner_texts()
        if len(said) == count and all("ready" in one for one in said):
            return
        page.wait_for_timeout(500)
        page.goto(captures)
    raise AssertionError(f"not every capture became ready: {said}")


def until_shown(page: Any, url: str, selector: str, *, looks: int = 60) -> Any:
    """Looks again, as somebody without a script must, until it is there."""
    for _ in range(looks):
        if page.locator(selector).count():
            return page.locator(selector).first
        page.wait_for_timeout(500)
        page.goto(url)
    raise AssertionError(f"{selector} was not shown at {url}: {page.inner_text('main')[:800]}")


def submit(page: Any) -> str:
    """From the captures back to the exam, and submits it, hints or none. Returns its code."""
    page.click(".action-bar a:has-text('Back to the exam')")
    if not re.search(r"/edit/$", page.url):
        page.click('.action-bar a[href$="/edit/"]')
    page.click("button[value=submit]")
    if page.url.endswith("/submit/"):
        page.click(".action-bar button.button-primary")
    return page.inner_text(".code-large")


def open_numbers(page: Any) -> None:
    """Everybody's numbers in the cohort: folded on a phone, there at once at a desk."""
    for summary in page.query_selector_all(".cohort-numbers > summary"):
        if summary.is_visible():
            summary.click()


def code_on(report: bytes) -> str:
    """The code printed on a signed report, as somebody reads it off the paper."""
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(report)).pages)
    return re.search(r"Code\s+((?:[A-Z2-7]{5} ){4}[A-Z2-7]{6})", text)[1].replace(" ", "")


# What has the focus, where no outline or not all of its middle is seen (WCAG 2.4.7, 2.4.11); and
# whether it is what is looked for.
FOCUS = """(selector) => {
    const el = document.activeElement;
    // In a part of its own, as the calendar of a date, it is the browser that shows it.
    if (!el || !el.matches(":focus") || el.id === "main") return ["", false];
    const shown = el.closest("label") ?? el;
    const outlined = [el, shown].some((one) => {
        const style = getComputedStyle(one);
        return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0;
    });
    const box = shown.getBoundingClientRect();
    const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    const seen = top && (shown.contains(top) || top.contains(shown));
    return [outlined && seen ? "" : shown.outerHTML.slice(0, 200), el.matches(selector)];
}"""


class Keyboard:
    """Somebody whose mouse is broken. Counts what is pressed."""

    def __init__(self, page: Any) -> None:
        self.page, self.presses = page, 0

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.presses += 1

    def write(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.presses += len(text)

    def tab_to(self, selector: str, *, at_most: int = 80) -> None:
        """Presses Tab until it has the focus, which is seen at every stop on the way."""
        for _ in range(at_most):
            hidden, there = self.page.evaluate(FOCUS, selector)
            assert not hidden, f"focus is not seen: {hidden}"
            if there:
                return
            self.press("Tab")
        raise AssertionError(f"{selector} was not reached with {at_most} presses of Tab")

    def enter(self, url: Any) -> None:
        """Follows the link or button that has the focus to an address like `url`."""
        self.press("Enter")
        self.page.wait_for_url(url)

    def sign_in(self, person: Any) -> None:
        self.page.goto("/")
        self.tab_to("[name=login]")
        self.write(person.email)
        self.tab_to("[name=password]")
        self.write(f.PASSWORD)
        self.press("Enter")
        self.page.wait_for_url("**/p/**")
