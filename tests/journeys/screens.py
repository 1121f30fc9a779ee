"""The main screens over the invented programme: where each is, who sees it, how it is reached."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.utils import timezone

from accounts.models import Membership, Person, Programme
from fixtures_demo import people
from logbook.models import Exam
from review.models import Attestation
from tests import factories as f

WEEKLY = 0.25  # of what the demonstration scans: enough to believe, quick to load
PROGRAMME = "emergency"


@dataclass(frozen=True)
class Screen:
    """One screen: its file's name, its line in the index, whose it is, and its address.
    `then` acts on the page once it is there."""

    name: str
    says: str
    who: str | None
    path: str
    then: Callable[[Any], None] | None = None


class World:
    """Who and what the screens show, found in the loaded demonstration."""

    def __init__(self, clip: Path) -> None:
        self.programme = Programme.objects.get(code=PROGRAMME)
        self.now = timezone.now()
        sign_ins = {role: key for role, key, _shows in people.SIGN_INS}
        persons = {who.key: who.email for who in people.everyone()}
        self.persons = {
            role: Person.objects.get(email=persons[sign_ins[role]]) for role in sign_ins
        }
        self.to_mask = f.stripped_capture(self._draft(), clip.read_bytes(), when=self.now)

    def _draft(self) -> Exam:
        """What the trainee is recording just now."""
        supervisor = Membership.objects.filter(
            programme=self.programme, role="faculty", ends_on=None
        ).exclude(person=self.persons["faculty"])[0]
        return f.drafted_exam(
            self.persons["trainee"],
            self.programme,
            supervisor=supervisor.person,
            when=self.now,
            asks=("pneumothorax", "interstitial"),
            place=self._place(),
            findings={
                "R1": {"sliding": "present", "a_lines": "present"},
                "L1": {"sliding": "absent"},
                "R3": {"b_lines": "2"},
            },
        )

    def _place(self) -> str:
        newest = Exam.objects.filter(programme=self.programme).exclude(revision=None).last()
        return newest.revision.place

    def told(self) -> Attestation:
        """The trainee's newest signed scan that came with a sentence."""
        signed = Attestation.objects.filter(
            programme=self.programme, trainee=self.persons["trainee"], superseded_on=None
        )
        return signed.exclude(feedback=None).order_by("-signed_at")[0]

    def screens(self) -> list[Screen]:
        here = f"/p/{PROGRAMME}"
        membership = Membership.objects.get(
            programme=self.programme, person=self.persons["trainee"], role="trainee"
        )
        masked = self.to_mask
        return [
            Screen("sign-in", "Signing in", None, "/sign-in/login/"),
            Screen("door", "The door: programmes and roles", "trainee in two programmes", "/"),
            Screen("home", "The trainee's home", "trainee", f"{here}/home/"),
            Screen("number", "The scans behind a number", "trainee", f"{here}/home/1/"),
            Screen("record", "Recording an exam", "trainee", f"{here}/exams/new/"),
            Screen("exam-form", "An exam's form, filled in", "trainee",
                   f"{here}/exams/{masked.exam_id}/edit/", to_findings),
            Screen("mask", "What is hidden in a capture", "trainee",
                   f"{here}/captures/{masked.pk}/mask/", to_picture),
            Screen("exams", "My exams", "trainee", f"{here}/exams/"),
            Screen("feedback", "An exam with its feedback", "trainee",
                   f"{here}/feedback/{self.told().exam_id}/"),
            Screen("reading-list", "The reading list", "faculty", f"{here}/reading/"),
            Screen("reading", "Reading blind", "faculty", f"{here}/reading/", take),
            Screen("reveal", "The trainee's answer, revealed", "faculty",
                   f"{here}/reading/", reveal),
            Screen("signed", "Signed readings", "faculty", f"{here}/reading/signed/"),
            Screen("cohort", "The director's cohort", "director", f"{here}/cohort/"),
            Screen("trainee", "One trainee, for the director", "director",
                   f"{here}/cohort/{membership.pk}/"),
            Screen("people", "People", "coordinator", f"{here}/people/"),
            Screen("person", "One person", "director", f"{here}/people/{membership.pk}/"),
            Screen("settings", "Settings", "director", f"{here}/settings/"),
            Screen("plan", "The plan in force", "trainee", f"{here}/plan/"),
            Screen("reports", "Reports", "director", f"{here}/reports/"),
        ]  # fmt: skip


def to_findings(page: Any) -> None:
    page.locator("#h-findings").evaluate("one => one.scrollIntoView()")


def to_picture(page: Any) -> None:
    page.wait_for_function("document.querySelector('[data-mask-picture] img').complete")


def take(page: Any) -> None:
    page.click("button:has-text('Take the next exam'), td a:has-text('Go on')")
    page.wait_for_selector("[data-desk]")


def reveal(page: Any) -> None:
    take(page)
    if page.locator("[data-desk=blind]").count():
        for name in page.locator("[data-scan] input[type=radio][value=negative], "
                                 "[data-scan] input[type=radio][value=none]").all():  # fmt: skip
            name.check(force=True)
        for name in page.locator('[data-scan] input[name$="-quality"][value="4"]').all():
            name.check(force=True)
        for name in page.locator('[name$="archive"]').all():
            name.check(force=True)
        page.click("[data-desk=blind] .action-bar .button-primary")
        page.wait_for_selector("[data-desk=revealed]")
    if page.viewport_size["width"] < 700:  # at a desk it stands beside the images
        page.locator("[data-desk]").evaluate("one => one.scrollIntoView()")


def still(page: Any) -> None:
    """Nothing moves and everything has come: two runs show the same."""
    page.evaluate(
        """async () => {
            const within = (promise) =>
                Promise.race([promise, new Promise((done) => setTimeout(done, 4000))]);
            const once = (el, event) =>
                new Promise((done) => el.addEventListener(event, done, { once: true }));
            for (const image of document.images) {
                image.loading = "eager";
                if (!image.complete) await within(once(image, "load"));
            }
            for (const video of document.querySelectorAll("video")) {
                if (!video.checkVisibility()) continue;
                if (video.readyState < 2) await within(once(video, "loadeddata"));
                video.pause();
                const there = once(video, "seeked");
                video.currentTime = 0.5;
                await within(there);
            }
            await document.fonts.ready;
        }"""
    )
