"""Issued reports, the keys that sign them, and what a programme prints on each."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import BackgroundJob, ProgrammeOwned, Remark
from credentialing.models.plans import PlanVersion

PERSON = settings.AUTH_USER_MODEL


class ReportSheet(ProgrammeOwned):
    """What a programme prints on its reports; version n. A change is the next version, and an
    order names the version, so that a report made again is the same."""

    mutability = "append_only"

    A4, LETTER = "a4", "letter"
    PAPERS = [(A4, _("A4")), (LETTER, _("Letter, 8.5 by 11 inches"))]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    n = models.PositiveSmallIntegerField()
    heading = models.CharField(max_length=600, blank=True, default="")
    contact = models.CharField(max_length=200, blank=True, default="")
    reviewed = models.CharField(max_length=600, blank=True, default="")
    paper = models.CharField(max_length=8, choices=PAPERS, default=A4)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    seq = models.PositiveBigIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme", "n"], name="report_sheet_numbered_once")
        ]

    def __str__(self) -> str:
        return f"sheet {self.n}"


class SigningKey(ProgrammeOwned):
    """A programme's key. The private part lies sealed under a key from the environment and is
    erased when the next one takes over; the certificate stays, so that what it signed can be
    checked for ever."""

    mutability = "append_only"
    may_change = frozenset({"retired_at", "retired_by", "retired_why", "retired_seq"})
    may_erase = frozenset({"sealed"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    n = models.PositiveSmallIntegerField()
    certificate = models.TextField(help_text=_("The certificate, PEM (RFC 7468)."))
    fingerprint = models.CharField(max_length=64)
    sealed = models.BinaryField(null=True)
    sealed_under = models.CharField(max_length=64)
    valid_until = models.DateTimeField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    seq = models.PositiveBigIntegerField()
    retired_at = models.DateTimeField(null=True)
    retired_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    retired_why = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")
    retired_seq = models.PositiveBigIntegerField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme", "n"], name="signing_key_numbered_once"),
            models.UniqueConstraint(
                fields=["programme"],
                condition=Q(retired_at=None),
                name="one_signing_key_in_use",
            ),
        ]

    def __str__(self) -> str:
        return f"key {self.n}"


class ReportQuerySet(models.QuerySet):
    def standing(self):
        """Neither revoked nor superseded."""
        return self.filter(revoked_at=None, superseded_at=None)


class Report(ProgrammeOwned):
    """An issued report: what it was made from, what it says of itself, and what became of it.

    The code is printed on the paper and kept here as its digest alone.
    """

    mutability = "append_only"
    may_change = frozenset(
        {
            "revoked_at", "revoked_by", "revoked_why", "revoked_seq",
            "superseded_at", "superseding", "superseded_seq",
        }
    )  # fmt: skip

    INSIDE, OUTSIDE = "inside", "outside"
    COPIES = [(INSIDE, _("inside copy")), (OUTSIDE, _("outside copy"))]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    person = models.ForeignKey(PERSON, models.PROTECT, related_name="reports")
    copy = models.CharField(max_length=8, choices=COPIES)
    order = models.TextField(help_text=_("The order that its content was made from, RFC 8785."))
    performed_by = models.DateField()
    read_by = models.DateField()
    position = models.PositiveBigIntegerField()
    version = models.ForeignKey(PlanVersion, models.PROTECT, null=True, related_name="+")
    recommends = models.BooleanField(null=True)
    sentence = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")
    said_by = models.CharField(max_length=200)
    said_on = models.DateField()
    code_digest = models.CharField(max_length=64, unique=True)
    content_digest = models.CharField(max_length=64)
    sha256 = models.CharField(max_length=64, unique=True)
    size = models.PositiveIntegerField()
    key = models.ForeignKey(SigningKey, models.PROTECT, related_name="reports")
    batch = models.ForeignKey(BackgroundJob, models.PROTECT, null=True, related_name="reports")
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(PERSON, models.PROTECT, related_name="+")
    seq = models.PositiveBigIntegerField()
    revoked_at = models.DateTimeField(null=True)
    revoked_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    revoked_why = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")
    revoked_seq = models.PositiveBigIntegerField(null=True)
    superseded_at = models.DateTimeField(null=True)
    superseding = models.ForeignKey("self", models.PROTECT, null=True, related_name="superseded")
    superseded_seq = models.PositiveBigIntegerField(null=True)

    objects = ReportQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["batch", "person"],
                condition=Q(batch__isnull=False),
                name="one_report_a_person_in_a_batch",
            ),
            models.CheckConstraint(
                condition=Q(copy="inside") | Q(recommends__isnull=False),
                name="an_outside_copy_says_what_the_director_recommends",
            ),
        ]
        indexes = [models.Index(fields=["programme", "-issued_at"], name="reports_newest")]

    def __str__(self) -> str:
        return f"report {self.pk}: {self.state}"

    @property
    def state(self) -> str:
        """issued, superseded or revoked; revoked weighs more."""
        if self.revoked_at:
            return "revoked"
        return "superseded" if self.superseded_at else "issued"

    @property
    def filename(self) -> str:
        """Without a person in it: files lie about in download folders."""
        return f"report-{self.copy}-{self.read_by.isoformat()}-{self.sha256[:8]}.pdf"


class ReportFile(ProgrammeOwned):
    """The signed bytes of a report, served as they are. In the database, not beside it: the row
    and its file are there together or not at all, and the table refuses any change."""

    mutability = "append_only"

    report = models.OneToOneField(Report, models.PROTECT, primary_key=True, related_name="file")
    data = models.BinaryField()

    def __str__(self) -> str:
        return f"file of {self.report_id}"
