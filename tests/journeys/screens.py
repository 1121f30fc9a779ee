"""The main screens over the invented programme: where each is, who sees it, how it is reached."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from django.db.models import F
from django.utils import timezone

from accounts.models import Membership, Person, Programme
from credentialing import drafting
from credentialing.actions import batches as asking
from credentialing.actions import drafts, plans, standing
from credentialing.models import PlanVersion, Report, Run
from credentialing.reports import batches, build
from credentialing.reports.orders import PDF, Batch, Entry, Order
from fixtures_demo import people
from logbook.models import Exam
from review.models import Assessment, Attestation
from tests import factories as f
from tests.journeys.hands import code_on
from tests.journeys.looks import SCHEMES

PROGRAMME = "emergency"
ORIGIN = "https://lung.example"
ROSTER = """Name;E-mail;Level;From
Ottoline Reyes-Marsh;ottoline.reyes@harrowmere.example;year 1;2026-08-01
Bertil Okonkwo;bertil.okonkwo@harrowmere.example;year 1;1.8.2026
Ysolde Vantreight;ysolde.vantreight@harrowmere.example;year 2;08/01/2026
"""


@dataclass(frozen=True)
class Screen:
    """One screen: its file's name, its line in the index, whose it is, and its address.
    `then` acts on the page once it is there. `sizes`: where it is looked at."""

    name: str
    says: str
    who: str | None
    path: str
    then: Callable[[Any], None] | None = None
    sizes: tuple[str, ...] = ("phone", "desk")

    @property
    def pictures(self) -> list[str]:
        return [f"{self.name}-{size}-{scheme}" for size in self.sizes for scheme in SCHEMES]


def minor(name: str, says: str, who: str | None, path: str, then: Any = None) -> Screen:
    """A screen looked at where it is used most."""
    size = "phone" if who in ("trainee", "faculty") else "desk"
    return Screen(name, says, who, path, then, (size,))


class World:
    """Who and what the screens show, found in the invented programme or added to it."""

    def __init__(self, clip: Path) -> None:
        self.programme = Programme.objects.get(code=PROGRAMME)
        self.now = timezone.now()
        sign_ins = {role: key for role, key, _shows in people.SIGN_INS}
        persons = {who.key: who.email for who in people.everyone()}
        self.persons = {
            role: Person.objects.get(email=persons[sign_ins[role]]) for role in sign_ins
        }
        self.membership = Membership.objects.get(
            programme=self.programme, person=self.persons["trainee"], role="trainee"
        )
        self.to_mask = f.stripped_capture(self._draft(), clip.read_bytes(), when=self.now)
        self.version = PlanVersion.objects.get(programme=self.programme, code="lung-demonstration")
        self.other, self.plan = self._plans()
        self.batch = self._batch()
        self.run: Run = standing.run_full(self.programme, at=self.now)
        self.assessed = Assessment.objects.filter(trainee=self.persons["trainee"]).latest(
            "signed_at"
        )

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

    def _plans(self) -> tuple[PlanVersion, Any]:
        """Another version to lay beside the plan, in force next year; and a draft of a third."""
        plan, today = self.version.as_plan(), self.programme.local_date(self.now)
        said = {"programme": self.programme, "by": self.persons["director"], "at": self.now}
        other = plans.publish(
            **said,
            plan=harder(plan, 40),
            sources=self.version.sources,
            effective_on=today + dt.timedelta(days=200),
            approved_on=today,
        )
        terms = drafting.Terms(
            sources=self.version.sources,
            effective_on=today + dt.timedelta(days=30),
            approved_on=today,
            moves="everyone",
        )
        fewer = harder(replace(plan, gates=plan.gates[:2]), 12)
        draft = drafts.start(**said, plan=fewer, terms=terms, based_on=self.version)
        return other, draft

    def _batch(self) -> Any:
        """Two trainees' reports, issued together."""
        today = self.programme.local_date(self.now)
        order = Order(
            programme=str(self.programme.pk), trainee="", performed_by=today, read_by=today,
            position=build.position_on(self.programme, today), form=PDF,
        )  # fmt: skip
        trainees = [self.persons["trainee"], self.persons["trainee in two programmes"]]
        entries = tuple(Entry(str(one.pk), True, "Careful, and asks early.") for one in trainees)
        job = asking.ask(
            programme=self.programme,
            batch=Batch(order=order, origin=ORIGIN, copy="inside", entries=entries),
            by=self.persons["director"],
            at=self.now,
        )
        assert batches.run(job.pk, clock=lambda: self.now)
        return job

    def told(self) -> Attestation:
        """A signed scan of the trainee, with a sentence where one came with any."""
        signed = Attestation.objects.filter(
            programme=self.programme, trainee=self.persons["trainee"], superseded_on=None
        )
        return signed.order_by(F("feedback_id").desc(nulls_last=True), "-signed_at")[0]

    def screens(self) -> list[Screen]:
        here, she = f"/p/{PROGRAMME}", self.membership.pk
        masked, issued = self.to_mask, Report.objects.filter(person=self.persons["trainee"])[0]
        return [
            Screen("sign-in", "Signing in", None, "/sign-in/login/"),
            Screen("door", "The door: programmes and roles", "trainee in two programmes", "/"),
            Screen("home", "The trainee's home", "trainee", f"{here}/home/"),
            Screen("number", "The scans behind a number", "trainee", f"{here}/home/1/"),
            minor("seen", "What a trainee has seen, and what never", "trainee",
                  f"{here}/home/seen/"),
            Screen("record", "Recording an exam", "trainee", f"{here}/exams/new/"),
            Screen("exam-form", "An exam's form, filled in", "trainee",
                   f"{here}/exams/{masked.exam_id}/edit/", to_findings),
            Screen("mask", "What is hidden in a capture", "trainee",
                   f"{here}/captures/{masked.pk}/mask/", to_picture),
            Screen("exams", "My exams", "trainee", f"{here}/exams/"),
            Screen("feedback", "An exam with its feedback", "trainee",
                   f"{here}/feedback/{self.told().exam_id}/"),
            minor("assessment", "What was said at the bedside", "trainee",
                  f"{here}/bedside/{self.assessed.pk}/"),
            minor("own-reports", "Reports about me", "trainee", f"{here}/home/reports/"),
            Screen("plan", "The plan in force", "trainee", f"{here}/plan/"),
            Screen("reading-list", "The reading list", "faculty", f"{here}/reading/"),
            Screen("reading", "Reading blind", "faculty", f"{here}/reading/", take),
            Screen("reveal", "The trainee's answer, revealed", "faculty",
                   f"{here}/reading/", reveal),
            Screen("signed", "Signed readings", "faculty", f"{here}/reading/signed/"),
            minor("bedside", "Whom to watch at the bedside", "faculty", f"{here}/bedside/"),
            Screen("assess", "Beside the trainee, in five taps", "faculty",
                   f"{here}/bedside/new/{she}/"),
            minor("shifts", "Confirming a shift", "faculty", f"{here}/supervision/"),
            Screen("cohort", "The director's cohort", "director", f"{here}/cohort/"),
            Screen("trainee", "One trainee, for the director", "director",
                   f"{here}/cohort/{she}/"),
            minor("curve", "A learning curve", "director",
                  f"{here}/cohort/{she}/curve/pneumothorax/"),
            minor("kept", "What is kept beside the scans", "director",
                  f"{here}/cohort/{she}/record/"),
            minor("minutes", "A month in figures, for the minutes", "director",
                  f"{here}/cohort/month/"),
            minor("outlook", "How far the forecasts can be trusted", "director",
                  f"{here}/outlook/"),
            minor("run", "What a nightly count did", "director",
                  f"{here}/cohort/counts/{self.run.pk}/"),
            minor("plans", "Plans", "director", f"{here}/plans/"),
            Screen("plan-draft", "A plan in the making", "director",
                   f"{here}/plans/drafts/{self.plan.pk}/"),
            Screen("what-if", "Whom a draft would change", "director",
                   f"{here}/plans/drafts/{self.plan.pk}/what-if/"),
            minor("plan-version", "A published plan", "director",
                  f"{here}/plans/{self.version.pk}/"),
            minor("plans-beside", "Two plans side by side", "director",
                  f"{here}/plans/{self.version.pk}/beside/{self.other.pk}/"),
            Screen("reports", "Reports", "director", f"{here}/reports/"),
            minor("issue", "Issuing a report", "director",
                  f"{here}/reports/issue/?who={self.persons['trainee'].pk}"),
            minor("issued", "An issued report", "director",
                  f"{here}/reports/issued/{issued.pk}/"),
            minor("batch-new", "A cohort's reports: whom", "director",
                  f"{here}/reports/batch/?preset=inside"),
            minor("batch", "A cohort's reports, made", "director",
                  f"{here}/reports/batch/{self.batch.pk}/"),
            minor("keys", "The programme's signing keys", "director", f"{here}/reports/keys/"),
            minor("check", "Whoever holds a report checks it", None, "/check/", look_up(issued)),
            Screen("people", "People", "coordinator", f"{here}/people/"),
            Screen("person", "One person", "director", f"{here}/people/{she}/"),
            minor("roster", "A list of people, looked at before it is imported", "coordinator",
                  f"{here}/people/import/", look_at_list),
            minor("performed", "What the scanners counted", "coordinator", f"{here}/performed/"),
            Screen("settings", "Settings", "director", f"{here}/settings/"),
        ]  # fmt: skip


def harder(plan: Any, bar: int) -> Any:
    """The plan with another first number."""
    first, *gates = plan.gates
    clause, *clauses = first.clauses
    return replace(
        plan, gates=(replace(first, clauses=(replace(clause, bar=bar, text=""), *clauses)), *gates)
    )


def look_up(report: Report) -> Callable[[Any], None]:
    code = code_on(bytes(report.file.data))

    def then(page: Any) -> None:
        page.fill("#code", code)
        page.click("button:has-text('Look it up')")
        page.wait_for_selector("text=Issued, and it stands")

    return then


def look_at_list(page: Any) -> None:
    file = {"name": "people.csv", "mimeType": "text/csv", "buffer": ROSTER.encode()}
    page.set_input_files("[name=file]", file)
    page.click("button:has-text('Look at it')")
    page.wait_for_selector("text=nothing was imported")


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
