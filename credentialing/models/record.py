"""What stands in a trainee's record beside their scans.

Every row says from when it holds (`effective_on`) and when it was written down (`recorded_at`,
`seq`), and is never edited: a later row supersedes it, with the right values or, `revoked`, with
none. As of (D, D2, N) a row speaks where it holds and was recorded by then and no row that
supersedes it was.
"""

from __future__ import annotations

import datetime as dt
from typing import Self

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, ProgrammeOwned, Remark
from credentialing.models.plans import PERSON
from logbook.models import Application

CREDITED, ASSESSED, DOCUMENT = "credited", "assessed", "document"


class RecordQuerySet(models.QuerySet):
    def current(self) -> Self:
        return self.filter(superseded_on=None, revoked=False)

    def as_of(self, *, d: dt.date, d2: dt.date, seq: int) -> Self:
        """What holds on D as far as was recorded by D2 and position N."""
        return self.filter(
            Q(superseded_on=None) | Q(superseded_on__gt=d2) | Q(superseded_seq__gt=seq),
            revoked=False,
            effective_on__lte=d,
            recorded_on__lte=d2,
            seq__lte=seq,
        )


class Record(ProgrammeOwned):
    """One row of a trainee's record. `recorded_on` is the local date of `recorded_at`."""

    mutability = "append_only"
    may_change = frozenset({"superseded_on", "superseded_seq"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.ForeignKey(Membership, models.PROTECT, related_name="+")
    effective_on = models.DateField()
    recorded_on = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    seq = models.PositiveBigIntegerField()
    supersedes = models.OneToOneField("self", models.PROTECT, null=True, related_name="+")
    revoked = models.BooleanField(default=False)
    why = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")
    superseded_on = models.DateField(null=True)
    superseded_seq = models.PositiveBigIntegerField(null=True)

    objects = RecordQuerySet.as_manager()

    # The columns that a row of this kind says, and that its successor may say otherwise.
    SAYS: tuple[str, ...] = ()

    class Meta:
        abstract = True
        indexes = [
            models.Index(fields=["programme", "membership"], name="%(class)s_of_membership"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(revoked=False) | Q(supersedes__isnull=False),
                name="%(class)s_revokes_another",
            ),
            models.CheckConstraint(
                condition=Q(superseded_on=None, superseded_seq=None)
                | Q(
                    superseded_on__isnull=False,
                    superseded_seq__isnull=False,
                    superseded_seq__gt=F("seq"),
                ),
                name="%(class)s_superseded_later",
            ),
        ]

    def __str__(self) -> str:
        return f"{self._meta.model_name} {self.membership_id} {self.effective_on}"


class TransferCredit(Record):
    """Attested elsewhere: adds to `credited`, `assessed` or a document, never to the set R.

    `count` scans or assessments of one application (`application`; none for a document),
    performed from a day to a day; `level` is that of the assessments; `kind` is that of the
    document. `effective_on` is the day of the decision to grant it.
    """

    MEASURES = [
        (CREDITED, _("credited scans")),
        (ASSESSED, _("bedside assessments")),
        (DOCUMENT, _("a document")),
    ]
    SAYS = (
        "measure", "application", "count", "positive", "level", "kind", "code", "performed_from",
        "performed_to", "grantor", "document", "effective_on",
    )  # fmt: skip

    measure = models.CharField(max_length=10, choices=MEASURES)
    application = models.ForeignKey(Application, models.PROTECT, null=True, related_name="+")
    count = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])
    positive = models.PositiveSmallIntegerField(
        default=0, help_text=_("Of them positive, as the grantor says.")
    )
    level = models.PositiveSmallIntegerField(
        null=True, validators=[MinValueValidator(1), MaxValueValidator(5)]
    )
    kind = models.CharField(max_length=12, blank=True, default="")
    code = models.SlugField(max_length=40, blank=True, default="")
    performed_from = models.DateField()
    performed_to = models.DateField()
    grantor = models.CharField(max_length=120)
    document = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                condition=Q(measure=CREDITED, application__isnull=False, level=None, kind="")
                | Q(measure=ASSESSED, application__isnull=False, level__range=(1, 5), kind="")
                | Q(measure=DOCUMENT, application=None, level=None, count=1),
                name="transfer_names_what_its_measure_needs",
            ),
            models.CheckConstraint(
                condition=Q(performed_from__lte=F("performed_to"))
                & Q(count__gte=1)
                & Q(positive__lte=F("count")),
                name="transfer_counts_something_in_order",
            ),
        ]


class Document(Record):
    """A dated record: a course, a written test. `effective_on` is the day it was done."""

    KINDS = [
        ("course", _("course")),
        ("written_test", _("written test")),
        ("other", _("other document")),
    ]
    SAYS = ("kind", "code", "title", "effective_on", "valid_until")

    kind = models.CharField(max_length=12, choices=KINDS)
    code = models.SlugField(max_length=40, blank=True, default="")
    title = models.CharField(max_length=120)
    valid_until = models.DateField(null=True)

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                condition=Q(kind__in=["course", "written_test", "other"]),
                name="document_kind_is_known",
            ),
            models.CheckConstraint(
                condition=Q(valid_until=None) | Q(valid_until__gte=F("effective_on")),
                name="document_is_valid_from_its_day",
            ),
        ]


class ProcedureDone(Record):
    """A procedure under ultrasound, on `effective_on`: whether supervised, whether with
    complications. `code` names the procedure as the plan does."""

    SAYS = ("code", "effective_on", "supervised", "complications")

    code = models.SlugField(max_length=40)
    supervised = models.BooleanField()
    complications = models.BooleanField()


class Leave(Record):
    """Away from scanning, from a day to a day, both included. The reason is no diagnosis."""

    REASONS = [
        ("leave", _("leave")),
        ("elsewhere", _("rotation elsewhere")),
        ("research", _("research")),
        ("other", _("another reason")),
    ]
    SAYS = ("starts_on", "ends_on", "reason", "effective_on")

    starts_on = models.DateField()
    ends_on = models.DateField()
    reason = models.CharField(max_length=12, choices=REASONS)

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                condition=Q(ends_on__gte=F("starts_on"), starts_on=F("effective_on")),
                name="leave_ends_after_it_starts",
            ),
            models.CheckConstraint(
                condition=Q(reason__in=["leave", "elsewhere", "research", "other"]),
                name="leave_reason_is_known",
            ),
        ]


class Extension(Record):
    """Training lasts longer: until `ends_on` instead of `before_on`. The membership's own last
    day moves with it."""

    SAYS = ("before_on", "ends_on", "effective_on")

    before_on = models.DateField()
    ends_on = models.DateField()

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                condition=Q(ends_on__gt=F("before_on")), name="extension_is_longer"
            ),
        ]


class Remediation(Record):
    """A dated block with numbers of its own from its first day; nothing earlier is erased.
    None as application: all of them. Stands in no outside copy of a report."""

    SAYS = ("application", "begins_on", "ends_on", "effective_on")

    application = models.ForeignKey(Application, models.PROTECT, null=True, related_name="+")
    begins_on = models.DateField()
    ends_on = models.DateField(null=True)

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                condition=Q(begins_on=F("effective_on"))
                & (Q(ends_on=None) | Q(ends_on__gte=F("begins_on"))),
                name="remediation_ends_after_it_begins",
            ),
        ]


class Completion(Record):
    """How a membership as a trainee ended; its own last day is `effective_on`."""

    OUTCOMES = [
        ("graduated", _("completed training")),
        ("moved", _("moved to another programme")),
        ("left", _("left")),
    ]
    SAYS = ("outcome", "effective_on", "before_on")

    outcome = models.CharField(max_length=10, choices=OUTCOMES)
    before_on = models.DateField(null=True, help_text=_("The last day as it stood before."))

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                condition=Q(outcome__in=["graduated", "moved", "left"]),
                name="completion_outcome_is_known",
            ),
        ]


RECORDS: dict[str, type[Record]] = {
    "transfer": TransferCredit,
    "document": Document,
    "procedure": ProcedureDone,
    "leave": Leave,
    "extension": Extension,
    "remediation": Remediation,
    "completion": Completion,
}
