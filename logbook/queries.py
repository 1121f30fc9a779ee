"""Reads that screens, actions and jobs share."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from django.db.models import Exists, OuterRef, Q, QuerySet

from accounts.models import Person, Programme
from logbook import drafts, lung
from logbook.models import (
    Application,
    Exam,
    ExamRevision,
    LogbookSettings,
    OwnValue,
    Scan,
    SupervisionConfirmation,
)
from logbook.value_lists import ValueList, exam_lists

if TYPE_CHECKING:
    from logbook.lung import Context, Findings, View


@dataclass(frozen=True)
class Logbook:
    """All that a programme chose for its logbook, read once a request."""

    programme: Programme
    settings: LogbookSettings
    applications: tuple[Application, ...]
    lists: Mapping[str, ValueList]

    @cached_property
    def parameters(self) -> lung.Parameters:
        return lung.Parameters(
            scheme=self.settings.scheme,
            b_lines_per_zone=self.settings.b_lines_per_zone,
            positive_zones_per_side=self.settings.positive_zones_per_side,
            both_sides=self.settings.both_sides,
            pleura_at_most_mm=self.settings.pleura_at_most_mm,
            deep_at_least_mm=self.settings.deep_at_least_mm,
            required=tuple((a.code, a.required_zones) for a in self.applications),
        )

    def application(self, code: str) -> Application | None:
        return next((a for a in self.applications if a.code == code), None)

    @property
    def offered(self) -> tuple[Application, ...]:
        return tuple(a for a in self.applications if not a.retired)


def logbook_of(programme: Programme) -> Logbook:
    """Settings that nobody has changed yet are the defaults of the model, unsaved."""
    chosen = LogbookSettings.objects.filter(programme=programme).first()
    own: dict[str, list[tuple[str, str]]] = {}
    for value in OwnValue.objects.filter(programme=programme, retired=False):
        own.setdefault(value.list_code, []).append((value.code, value.text))
    return Logbook(
        programme=programme,
        settings=chosen or LogbookSettings(programme=programme),
        applications=tuple(Application.objects.of(programme)),
        lists={code: values.with_own(own.get(code, ())) for code, values in exam_lists().items()},
    )


def supervisors_of(programme: Programme, *, on: dt.date) -> QuerySet[Person]:
    """Faculty who belong to the programme on that day, by name."""
    serving = Q(
        memberships__programme=programme,
        memberships__role="faculty",
        memberships__starts_on__lte=on,
    ) & (Q(memberships__ends_on=None) | Q(memberships__ends_on__gte=on))
    return Person.objects.filter(serving, is_active=True).distinct().order_by("name", "id")


def exams_of(person: Person, programme: Programme) -> QuerySet[Exam]:
    """One's own exams of a programme, newest first, with what a list of them shows."""
    return (
        Exam.objects.of_trainee(person)
        .filter(programme=programme)
        .select_related("revision")
        .prefetch_related("scans__application", "captures")
        .latest_first()
    )


def last_choices(person: Person, programme: Programme) -> dict[str, Any]:
    """What the next exam of the same person most likely repeats: what it asks, where, with whom.
    Never anything about the patient or the answer."""
    last = (
        ExamRevision.objects.filter(exam__trainee=person, programme=programme)
        .order_by("-submitted_at", "-id")
        .first()
    )
    if last is None:
        return {}
    asked = last.answers.filter(application__retired=False)
    return {
        "applications": list(asked.values_list("application__code", flat=True)),
        "setting": last.setting,
        "place": last.place,
        "operator": last.operator,
        "supervision": last.supervision,
        "supervisor": str(last.supervisor_id or ""),
        "supervisor_typed": last.supervisor_typed,
    }


def context_of(revision: ExamRevision) -> Context:
    return lung.Context(
        position=revision.position,
        breathing=revision.breathing,
        age_band=revision.age_band,
        chest_procedures=frozenset({revision.chest_procedure}),
    )


def draft_context(draft: Mapping) -> Context:
    return lung.Context(
        position=draft["position"],
        breathing=draft["breathing"],
        age_band=draft["age_band"],
        chest_procedures=frozenset({draft["chest_procedure"]} - {""}),
    )


def views_of(exam: Exam) -> list[View]:
    """The captures that can still show something, in their order."""
    return [c.view for c in exam.captures.present().exclude(state="refused")]


def findings_of(revision: ExamRevision) -> Findings:
    return {(f.zone, f.sign): f.value for f in revision.findings.all()}


def hints_for(exam: Exam, logbook: Logbook) -> list[lung.Hint]:
    """What may be pointed out before the submission of the exam's draft."""
    draft = drafts.read(exam.draft)
    answers = {}
    for code in draft["applications"]:
        try:
            answers[code] = drafts.answer_of(draft, code)
        except ValueError:
            continue
    asked = [a.code for a in logbook.applications if a.code in draft["applications"]]
    return lung.hints_before(
        asked,
        views_of(exam),
        drafts.findings_of(draft),
        draft_context(draft),
        logbook.parameters,
        answers,
    )


def disagreements_of(revision: ExamRevision) -> dict[str, tuple[str, ...]]:
    """Where the submitted answers and findings do not go together, by application code.

    Never before the submission: it would rewrite the answer that is measured.
    """
    findings, context, parameters = findings_of(revision), context_of(revision), revision.rules
    found = {}
    for scan in Scan.objects.filter(exam=revision.exam_id).select_related("application"):
        sides = lung.disagrees(scan.application.code, scan.first, findings, context, parameters)
        if sides:
            found[scan.application.code] = sides
    return found


def unconfirmed_for(person: Person, programme: Programme) -> QuerySet[Exam]:
    """Submitted exams that name this person as supervising and that they have not confirmed."""
    confirmed = SupervisionConfirmation.objects.filter(
        exam=OuterRef("pk"), by_person=person, supervision=OuterRef("revision__supervision")
    )
    return (
        Exam.objects.filter(~Exists(confirmed), programme=programme, revision__supervisor=person)
        .exclude(state="withdrawn")
        .select_related("revision", "trainee")
        .prefetch_related("scans__application")
        .order_by("-revision__performed_on", "revision__performed_at", "id")
    )


def may_see_answers(person: Person, exam: Exam, *, on: dt.date) -> bool:
    """Whether answers, findings, note and the trainee's name of this exam may be shown.

    Until every scan has been read or left the list they go to nobody who could still read it.
    """
    if exam.trainee_id == person.pk:
        return True
    unread = Scan.objects.filter(exam=exam, state__in=["submitted", "returned"])
    return not unread.readable_by(person, on=on).exists()
