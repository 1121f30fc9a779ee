"""Reads that screens, actions and jobs share."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Q, QuerySet

from accounts.models import Membership, Person, Privilege, Programme
from logbook import duplicates, lung
from logbook.models import Capture, Exam, ExamRevision, Scan
from review import credit
from review.models import (
    Attestation,
    CreditException,
    CreditRule,
    Discrepancy,
    Hold,
    Reading,
    ReadingDraft,
)

# --- what a person could read ---------------------------------------------------------------------


def _current(on: dt.date, starts: str, ends: str) -> Q:
    return Q(**{f"{starts}__lte": on}) & (Q(**{ends: None}) | Q(**{f"{ends}__gte": on}))


def _another_reader(person: Person, on: dt.date) -> Exists:
    """Whether somebody else could read the outer scan who was not at that bedside."""
    bedside = ExamRevision.objects.filter(
        exam=OuterRef(OuterRef("exam_id")), supervisor=OuterRef("person_id")
    )
    faculty = Membership.objects.filter(
        _current(on, "starts_on", "ends_on"),
        programme=OuterRef("programme_id"),
        person=OuterRef("person_id"),
        role="faculty",
    )
    return Exists(
        Privilege.objects.filter(
            _current(on, "from_on", "to_on"),
            ~Exists(bedside),
            Exists(faculty),
            programme=OuterRef("programme_id"),
            application=OuterRef("application__code"),
            person__is_active=True,
        )
        .exclude(person=person)
        .exclude(person=OuterRef("trainee_id"))
    )


def readable_by(person: Person, programme: Programme, *, on: dt.date) -> QuerySet[Scan]:
    """Scans that this person may read: of applications with the privilege, never their own, and
    those of a bedside that they supervised only where nobody else can read them."""
    supervised = ExamRevision.objects.filter(exam=OuterRef("exam_id"), supervisor=person)
    return (
        Scan.objects.filter(programme=programme)
        .readable_by(person, on=on)
        .filter(~Exists(supervised) | ~_another_reader(person, on))
    )


def waiting_for(person: Person, programme: Programme, *, on: dt.date) -> QuerySet[Exam]:
    """The reading list: pneumothorax asked first, then oldest received.

    Nothing of the order comes from what the trainee answered.
    """
    mine = readable_by(person, programme, on=on).waiting().filter(exam=OuterRef("pk"))
    return (
        Exam.objects.filter(programme=programme, state="complete")
        .filter(Exists(mine))
        .annotate(asks_pneumothorax=Exists(mine.filter(application__code=lung.PNEUMOTHORAX)))
        .order_by("-asks_pneumothorax", "first_received_at", "id")
    )


def scans_to_read(exam: Exam, person: Person, *, on: dt.date) -> list[Scan]:
    """The unread scans of one exam that this person may read together, in their order."""
    return list(
        readable_by(person, exam.programme, on=on)
        .filter(exam=exam, state="submitted")
        .select_related("application", "revision__supervisor", "revision__note", "trainee")
        .order_by("application__ordinal", "id")
    )


def was_at_bedside(person: Person, exam: Exam) -> bool:
    """By any revision: taking a name off later does not take the person out of the room."""
    return ExamRevision.objects.filter(exam=exam, supervisor=person).exists()


def has_seen(person: Person, exam: Exam) -> bool:
    """Whether a reveal has shown this person something of the exam before."""
    return Reading.objects.filter(scan__exam=exam, reader=person).exists()


# --- holds and the desk ---------------------------------------------------------------------------


def held_by(person: Person, programme: Programme, *, at: dt.datetime) -> Hold | None:
    return (
        Hold.objects.live(at)
        .filter(programme=programme, reader=person)
        .select_related("exam")
        .order_by("-taken_at")
        .first()
    )


def live_hold(exam: Exam, *, at: dt.datetime) -> Hold | None:
    return Hold.objects.live(at).filter(exam=exam).select_related("reader").first()


def draft_of(exam: Exam, person: Person) -> ReadingDraft | None:
    return ReadingDraft.objects.filter(exam=exam, reader=person).first()


@dataclass(frozen=True)
class OnDesk:
    """One exam in front of one reader. ``readings`` are in the order of ``scans``, all of them or
    none: one reveal shows the exam as a whole."""

    exam: Exam
    scans: tuple[Scan, ...]
    readings: tuple[Reading, ...]
    captures: tuple[Capture, ...]
    draft: dict
    saved_at: dt.datetime | None = None

    @property
    def revealed(self) -> bool:
        return bool(self.scans) and len(self.readings) == len(self.scans)


def on_desk(exam: Exam, person: Person, *, on: dt.date) -> OnDesk:
    scans = scans_to_read(exam, person, on=on)
    given = {
        reading.scan_id: reading
        for reading in Reading.objects.filter(scan__in=scans, reader=person).select_related(
            "rubric_version"
        )
        if any(s.pk == reading.scan_id and s.revision_id == reading.revision_id for s in scans)
    }
    draft = draft_of(exam, person)
    return OnDesk(
        exam=exam,
        scans=tuple(scans),
        readings=tuple(given[s.pk] for s in scans if s.pk in given),
        captures=tuple(exam.captures.ready()),
        draft=draft.content if draft else {},
        saved_at=draft.saved_at if draft else None,
    )


# --- credit ---------------------------------------------------------------------------------------


def imaged_zones(captures: Sequence[Capture], archive_read: Sequence[int]) -> frozenset[str]:
    """Zones that a reader has seen: stored captures, and archive ones that were ticked as read."""
    return frozenset(
        c.zone for c in captures if c.kind != "archive" or c.ordinal in set(archive_read)
    )


def is_credited_elsewhere(scan: Scan, exam: Exam) -> bool:
    """Whether another exam, anybody's, holds a file of this one and is credited for the same."""
    return (
        Attestation.objects.current()
        .filter(
            exam__in=duplicates.exams_with_the_same_file(exam),
            application=scan.application_id,
            credited=True,
        )
        .exists()
    )


def facts_for_credit(
    scan: Scan,
    *,
    exam: Exam,
    quality: int | None,
    imaged: frozenset[str],
    credited_elsewhere: bool = False,
) -> credit.Facts:
    """One positive zone is enough for a positive answer: the trainee's own, right or wrong, since
    whoever says *positive* may stop imaging there, and credit does not ask who was right."""
    revision = scan.revision
    return credit.Facts(
        setting=revision.setting,
        operator=revision.operator,
        quality=quality,
        missing_zones=lung.missing_zones(
            scan.application.code, imaged, revision.rules, answer=scan.first
        ),
        performed_at=revision.performed_at,
        answered_at=scan.first_answered_at,
        received_at=exam.first_received_at,
        credited_elsewhere=credited_elsewhere,
    )


def waived_for(scan: Scan) -> tuple[CreditException | None, frozenset[str]]:
    exception = CreditException.objects.filter(scan=scan).first()
    return exception, exception.reasons if exception else frozenset()


def first_reading_of(scan: Scan) -> Reading | None:
    return Reading.objects.filter(scan=scan).in_order().first()


def rule_versions(programme: Programme) -> QuerySet[CreditRule]:
    return CreditRule.objects.filter(programme=programme).select_related("by_person").order_by("-n")


# --- attestations ---------------------------------------------------------------------------------


def signed_by(person: Person, programme: Programme) -> QuerySet[Attestation]:
    """A reader's own signed readings, newest first."""
    return (
        Attestation.objects.filter(programme=programme, reader=person)
        .select_related("exam", "application", "trainee", "discrepancy")
        .order_by("-signed_at", "-seq")
    )


def current_of(exam: Exam) -> dict:
    """The current attestation of each scan of an exam, by scan."""
    return {
        attestation.scan_id: attestation
        for attestation in Attestation.objects.current()
        .filter(exam=exam)
        .select_related(
            "reader",
            "application",
            "feedback",
            "override_reason",
            "correction_reason",
            "rubric_version",
            "discrepancy__told_by",
            "discrepancy__told_remark",
            "credit_rule",
        )
        .order_by("application__ordinal")
    }


def untold_by(person: Person, programme: Programme) -> QuerySet[Discrepancy]:
    """Urgent disagreements of this reader about which nobody has been told yet."""
    return Discrepancy.objects.filter(
        programme=programme, attestation__reader=person, told=""
    ).select_related("attestation__exam", "attestation__application")


def to_acknowledge(person: Person, programme: Programme) -> QuerySet[Discrepancy]:
    """Urgent disagreements that this trainee has not said to have seen."""
    return Discrepancy.objects.filter(
        programme=programme, trainee=person, acknowledged_at=None
    ).select_related("attestation__exam", "attestation__application")


@dataclass(frozen=True)
class Overrides:
    """How often a reader's credit differed from the rule's: ``overridden`` of ``signed``."""

    signed: int
    overridden: int


def overrides_of(attestations: QuerySet[Attestation]) -> Overrides:
    found = attestations.current()
    return Overrides(found.count(), found.exclude(override_reason=None).count())


def discrepancies_of(exam: Exam) -> dict:
    """The urgent disagreements of an exam by scan; the newest where a correction made another."""
    found = (
        Discrepancy.objects.filter(attestation__exam=exam)
        .select_related("attestation", "told_by", "told_remark")
        .order_by("attestation__ordinal")
    )
    return {row.attestation.scan_id: row for row in found}
