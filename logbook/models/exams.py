"""One bedside look at one patient, its revisions, and its scans."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Self

from django.conf import settings
from django.db import models
from django.db.models import Exists, F, OuterRef, Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, Privilege, ProgrammeOwned, Remark
from logbook import states
from logbook.answers import Answer
from logbook.lung import Parameters
from logbook.models.programmes import Application

if TYPE_CHECKING:
    from accounts.models import Person

PERSON = settings.AUTH_USER_MODEL


def _serving(person: Person, role: str, on: dt.date) -> models.QuerySet:
    """Programmes in which the person has that role on that day."""
    return (
        Membership.objects.filter(person=person, role=role, starts_on__lte=on)
        .filter(Q(ends_on=None) | Q(ends_on__gte=on))
        .values("programme_id")
    )


def _held_privileges(person: Person, on: dt.date, *, programme: str, application: str) -> Exists:
    """Whether the person holds a privilege for the row's application on that day."""
    return Exists(
        Privilege.objects.filter(
            person=person,
            programme=OuterRef(programme),
            application=OuterRef(application),
            from_on__lte=on,
        ).filter(Q(to_on=None) | Q(to_on__gte=on))
    )


class ExamQuerySet(models.QuerySet):
    def visible_to(self, person: Person, *, on: dt.date) -> Self:
        """Own exams, for ever; as faculty the programme's received exams for applications that
        one holds the privilege for; as director everything in the programme."""
        readable = Scan.objects.filter(exam=OuterRef("pk")).filter(
            _held_privileges(person, on, programme="programme_id", application="application__code")
        )
        return self.filter(
            Q(trainee=person)
            | Q(programme__in=_serving(person, "director", on))
            | Q(
                programme__in=_serving(person, "faculty", on),
                first_received_at__isnull=False,
            )
            & Exists(readable)
        )

    def of_trainee(self, person: Person) -> Self:
        return self.filter(trainee=person)

    def drafts(self) -> Self:
        return self.filter(state="draft")

    def received(self) -> Self:
        """Submitted at least once, withdrawn ones included."""
        return self.filter(first_received_at__isnull=False)

    def latest_first(self) -> Self:
        return self.order_by("-created_at", "-id")


class Exam(ProgrammeOwned):
    """``id`` is made by the client, ``version`` is its ETag: one up for each accepted write."""

    mutability = "mutable"
    STATES = [
        ("draft", _("draft")),
        ("received", _("received, captures on their way")),
        ("complete", _("waiting to be read")),
        ("needs_you", _("needs you")),
        ("withdrawn", _("withdrawn")),
    ]

    id = models.UUIDField(primary_key=True)
    trainee = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="exams")
    code = models.CharField(max_length=6)
    version = models.PositiveIntegerField(default=1)
    state = models.CharField(max_length=12, choices=STATES, default="draft")
    draft = models.TextField(
        null=True,
        blank=True,
        help_text="What is unsubmitted, as the canonical text of drafts.canonical; else null.",
    )
    created_at = models.DateTimeField()
    first_received_at = models.DateTimeField(null=True, blank=True)
    completed_at = models.DateTimeField(null=True, blank=True)
    revision = models.ForeignKey(
        "logbook.ExamRevision",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
    )

    objects = ExamQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "code"], name="exam_code_once_a_programme"
            ),
            models.CheckConstraint(
                condition=Q(state__in=states.EXAM.codes), name="exam_state_is_known"
            ),
            models.CheckConstraint(
                condition=Q(revision=None, first_received_at=None)
                | Q(revision__isnull=False, first_received_at__isnull=False),
                name="received_with_a_revision",
            ),
            models.CheckConstraint(
                condition=~Q(state="draft") | Q(draft__isnull=False, first_received_at=None),
                name="draft_has_a_draft",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["received", "complete", "needs_you"])
                | Q(revision__isnull=False),
                name="submitted_exam_has_a_revision",
            ),
            models.CheckConstraint(
                condition=~Q(state="complete") | Q(completed_at__isnull=False),
                name="complete_exam_says_since_when",
            ),
            models.CheckConstraint(condition=Q(version__gte=1), name="version_counts_from_one"),
        ]
        indexes = [
            models.Index(fields=["trainee", "-created_at"], name="exams_of_a_trainee"),
            models.Index(fields=["programme", "state", "first_received_at"], name="exams_waiting"),
            models.Index(
                fields=["trainee", "programme", "first_received_at"], name="exams_by_first_receipt"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def etag(self) -> str:
        return f'"{self.version}"'

    @property
    def is_being_edited(self) -> bool:
        return self.state != "withdrawn" and self.draft is not None


class ExamRevision(ProgrammeOwned):
    """What the trainee stated at one submission; never changed. ``parameters`` are the rules of
    reading then, ``draft_version`` the version that the submission named."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    exam = models.ForeignKey(Exam, on_delete=models.PROTECT, related_name="revisions")
    n = models.PositiveSmallIntegerField()
    draft_version = models.PositiveIntegerField()
    submitted_at = models.DateTimeField()
    setting = models.CharField(max_length=40)
    place = models.CharField(max_length=80, blank=True)
    performed_at = models.DateTimeField()
    performed_on = models.DateField()
    answered_at = models.DateTimeField()
    age_band = models.CharField(max_length=40)
    position = models.CharField(max_length=40)
    breathing = models.CharField(max_length=40)
    chest_procedure = models.CharField(max_length=40)
    indication = models.CharField(max_length=40)
    note = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    operator = models.CharField(max_length=40)
    supervision = models.CharField(max_length=40)
    supervisor = models.ForeignKey(
        PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    supervisor_typed = models.CharField(max_length=80, blank=True)
    knew_result = models.BooleanField()
    same_patient = models.ForeignKey(
        Exam, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    parameters = models.TextField(help_text="The canonical text of lung.Parameters.")

    class Meta:
        ordering = ["exam", "n"]
        constraints = [
            models.UniqueConstraint(fields=["exam", "n"], name="revision_number_once_an_exam"),
            models.UniqueConstraint(
                fields=["exam", "draft_version"],
                name="one_revision_a_submitted_version",
            ),
            models.CheckConstraint(
                condition=Q(performed_at__lte=F("submitted_at"))
                & Q(answered_at__lte=F("submitted_at")),
                name="performed_and_answered_before_submitted",
            ),
            models.CheckConstraint(
                condition=Q(supervisor=None) | Q(supervisor_typed=""),
                name="supervisor_is_a_person_or_typed",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.exam_id} revision {self.n}"

    @property
    def rules(self) -> Parameters:
        return Parameters.from_text(self.parameters)


class Finding(ProgrammeOwned):
    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="findings")
    zone = models.CharField(max_length=8)
    sign = models.CharField(max_length=40)
    value = models.CharField(max_length=40)

    class Meta:
        ordering = ["revision", "zone", "sign"]
        constraints = [
            models.UniqueConstraint(
                fields=["revision", "zone", "sign"],
                name="sign_once_a_zone_of_a_revision",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.zone} {self.sign}: {self.value}"


class RevisionAnswer(ProgrammeOwned):
    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="answers")
    application = models.ForeignKey(Application, on_delete=models.PROTECT, related_name="+")
    answer = models.CharField(max_length=20)
    confidence = models.CharField(max_length=40)

    class Meta:
        ordering = ["revision", "application__ordinal", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["revision", "application"],
                name="application_answered_once_a_revision",
            ),
            models.CheckConstraint(condition=~Q(answer=""), name="submitted_answer_is_not_open"),
        ]

    def __str__(self) -> str:
        return self.answer

    @property
    def parsed(self) -> Answer:
        return Answer.parse(self.answer)


class ScanQuerySet(models.QuerySet):
    def visible_to(self, person: Person, *, on: dt.date) -> Self:
        """As for exams; as faculty only the scans of applications one holds the privilege for."""
        return self.filter(
            Q(trainee=person)
            | Q(programme__in=_serving(person, "director", on))
            | Q(programme__in=_serving(person, "faculty", on))
            & _held_privileges(
                person, on, programme="programme_id", application="application__code"
            )
        )

    def waiting(self) -> Self:
        """On the reading list: submitted, and every capture of the exam is ready."""
        return self.filter(state="submitted", exam__state="complete")

    def readable_by(self, person: Person, *, on: dt.date) -> Self:
        """Scans of others that this person holds the privilege for, as faculty of that day."""
        return (
            self.filter(programme__in=_serving(person, "faculty", on))  # all visible to them
            .filter(
                _held_privileges(
                    person,
                    on,
                    programme="programme_id",
                    application="application__code",
                )
            )
            .exclude(trainee=person)
        )


class Scan(ProgrammeOwned):
    """One exam under one application: what is answered, attested and credited.

    ``first_*`` are frozen at the first submission; ``revision`` follows the newest one until the
    scan is attested. ``state`` has one door: ``logbook.actions.scans.move``.
    """

    mutability = "mutable"
    STATES = [
        ("submitted", _("waiting to be read")),
        ("attested", _("read and signed")),
        ("set_aside", _("set aside")),
        ("returned", _("returned to you")),
        ("withdrawn", _("withdrawn")),
        ("closed", _("closed")),
    ]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    exam = models.ForeignKey(Exam, on_delete=models.PROTECT, related_name="scans")
    application = models.ForeignKey(Application, on_delete=models.PROTECT, related_name="+")
    trainee = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=12, choices=STATES, default="submitted")
    moved_at = models.DateTimeField()
    # Positions in the ledger of the submission that first asked it, and of its last move.
    received_seq = models.BigIntegerField(default=0)
    moved_seq = models.BigIntegerField(default=0)
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="+")
    first_answer = models.CharField(max_length=20)
    first_confidence = models.CharField(max_length=40)
    first_answered_at = models.DateTimeField()
    performed_on = models.DateField()

    objects = ScanQuerySet.as_manager()

    class Meta:
        ordering = ["exam", "application__ordinal", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["exam", "application"], name="one_scan_an_exam_and_application"
            ),
            models.CheckConstraint(
                condition=Q(state__in=states.SCAN.codes), name="scan_state_is_known"
            ),
            models.CheckConstraint(condition=~Q(first_answer=""), name="scan_has_a_first_answer"),
        ]
        indexes = [
            models.Index(fields=["programme", "state", "application"], name="scans_waiting"),
            models.Index(
                fields=["trainee", "application", "performed_on"],
                name="scans_of_trainee",
            ),
            models.Index(
                fields=["trainee", "programme"],
                condition=Q(state__in=["submitted", "returned"]),
                name="scans_a_trainee_waits_for",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.exam_id} {self.application_id}"

    @property
    def first(self) -> Answer:
        return Answer.parse(self.first_answer)


class SupervisionConfirmation(ProgrammeOwned):
    """The named attending says that they were there. Without one a supervision stays claimed."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    exam = models.ForeignKey(Exam, on_delete=models.PROTECT, related_name="confirmations")
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="+")
    supervision = models.CharField(max_length=40)
    by_person = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    effective_on = models.DateField()
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    class Meta:
        ordering = ["seq", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["exam", "by_person", "supervision"],
                name="supervision_confirmed_once_by_a_person",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.exam_id} {self.supervision}"
