"""What a thumb on a phone and two hands on a keyboard do, page by page."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

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
        for _ in range(at_most):
            if self.page.evaluate("one => !!document.activeElement?.matches(one)", selector):
                return
            self.press("Tab")
        raise AssertionError(f"{selector} was not reached with {at_most} presses of Tab")

    def sign_in(self, person: Any) -> None:
        self.page.goto("/")
        self.tab_to("[name=login]")
        self.write(person.email)
        self.tab_to("[name=password]")
        self.write(f.PASSWORD)
        self.press("Enter")
        self.page.wait_for_url("**/p/**")
