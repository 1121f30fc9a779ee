"""What is signed, by which rule it was credited, and what had to be telephoned."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Self

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Programme, ProgrammeOwned, Remark
from logbook.answers import CALLS, Answer
from logbook.models import Application, Exam, ExamRevision, Scan
from review import credit
from review.models.readings import PERSON, Reading, RubricVersion

if TYPE_CHECKING:
    from accounts.models import Person

NOT_IN_READ = ("late", "not_blind", "not_independent", "knew", "corrected")


class CreditRuleQuerySet(models.QuerySet):
    def in_force(self, programme: Programme) -> CreditRule | None:
        return self.filter(programme=programme).order_by("-n").first()


class CreditRule(ProgrammeOwned):
    """What a scan must have to be credited; a change makes the next version."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    n = models.PositiveSmallIntegerField()
    text = models.TextField()
    by_person = models.ForeignKey(
        PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    objects = CreditRuleQuerySet.as_manager()

    class Meta:
        ordering = ["programme", "n"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "n"], name="credit_rule_numbered_once"),
        ]

    def __str__(self) -> str:
        return str(_("credit rule %(n)s") % {"n": self.n})

    @property
    def rule(self) -> credit.Rule:
        return credit.Rule.from_text(self.text)


class CreditException(ProgrammeOwned):
    """The director waives named reasons for one scan. Gives volume, never accuracy."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    scan = models.OneToOneField(Scan, on_delete=models.PROTECT, related_name="exception")
    waives = models.CharField(max_length=120)  # codes of credit.REASONS, separated by spaces
    reason = models.ForeignKey(Remark, on_delete=models.PROTECT, related_name="+")
    by_person = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    effective_on = models.DateField()
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(waives=""), name="exception_waives_something"),
        ]

    def __str__(self) -> str:
        return f"{self.scan_id}: {self.waives}"

    @property
    def reasons(self) -> frozenset[str]:
        return frozenset(self.waives.split())


class AttestationQuerySet(models.QuerySet):
    def current(self) -> Self:
        return self.filter(superseded_on=None)

    def as_of(self, *, performed: dt.date, signed: dt.date, seq: int) -> Self:
        """Current as of (D, D2, N): performed by D, signed and not superseded by D2, within N."""
        return self.filter(
            Q(superseded_on=None) | Q(superseded_on__gt=signed) | Q(superseded_seq__gt=seq),
            performed_on__lte=performed,
            signed_on__lte=signed,
            seq__lte=seq,
        )

    def visible_to(self, person: Person, *, on: dt.date) -> Self:
        """Of one's own scans, of those one signed, and of those one may see in the logbook."""
        return self.filter(
            Q(trainee=person)
            | Q(reader=person)
            | Q(scan__in=Scan.objects.visible_to(person, on=on))
        )


class Attestation(ProgrammeOwned):
    """The signed statement of one faculty member about one scan at one revision.

    Everything that is ever counted is frozen here, so that a standing reads this one table. The
    only change is to be superseded: two columns, once, from null to a value.

    ``reader_answer`` and ``quality`` are of the reading in this attestation and feed the volumes;
    ``first_*`` are of the first reading of the scan, whoever gave it and at whatever revision,
    and feed accuracy, as do ``pair``, ``agrees`` and ``determinate``. They differ only after a
    return or a correction. ``credit_reasons`` is what the rule holds against credit; empty means
    that the rule credits.
    """

    mutability = "append_only"
    may_change = frozenset({"superseded_on", "superseded_seq"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    scan = models.ForeignKey(Scan, on_delete=models.PROTECT, related_name="attestations")
    ordinal = models.PositiveSmallIntegerField(default=1)
    supersedes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="superseded_by"
    )
    trainee = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    exam = models.ForeignKey(Exam, on_delete=models.PROTECT, related_name="attestations")
    application = models.ForeignKey(Application, on_delete=models.PROTECT, related_name="+")
    performed_on = models.DateField()
    performed_at = models.DateTimeField()
    received_on = models.DateField()
    signed_on = models.DateField()
    signed_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()
    superseded_on = models.DateField(null=True, blank=True)
    superseded_seq = models.PositiveBigIntegerField(null=True, blank=True)

    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="+")
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="attestations")
    first_reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="+")
    reader = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    rubric_version = models.ForeignKey(RubricVersion, on_delete=models.PROTECT, related_name="+")
    credit_rule = models.ForeignKey(CreditRule, on_delete=models.PROTECT, related_name="+")
    exception = models.ForeignKey(
        CreditException, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    setting = models.CharField(max_length=40)
    operator = models.CharField(max_length=40)
    supervision = models.CharField(max_length=40)
    trainee_answer = models.CharField(max_length=20)
    trainee_confidence = models.CharField(max_length=40)
    trainee_call = models.CharField(max_length=16)
    reader_answer = models.CharField(max_length=20)
    reader_call = models.CharField(max_length=16)
    quality = models.PositiveSmallIntegerField(null=True, blank=True)
    first_reader_answer = models.CharField(max_length=20)
    first_reader_call = models.CharField(max_length=16)
    first_quality = models.PositiveSmallIntegerField(null=True, blank=True)
    items = models.TextField(default="{}")

    credited = models.BooleanField()
    credit_reasons = models.CharField(max_length=120, blank=True)
    override_reason = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    feedback = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    correction_reason = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    blind = models.BooleanField()
    independent = models.BooleanField()
    in_read = models.BooleanField()
    not_in_read_because = models.CharField(max_length=16, blank=True)
    pair = models.BooleanField()
    agrees = models.BooleanField()
    determinate = models.BooleanField()

    capture_hashes = models.TextField()
    statement = models.TextField()

    objects = AttestationQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["scan", "ordinal"], name="attestation_numbered_once"),
            models.UniqueConstraint(
                fields=["scan"],
                condition=Q(superseded_on=None),
                name="one_current_attestation_a_scan",
            ),
            models.CheckConstraint(
                condition=Q(ordinal=1, supersedes=None)
                | Q(ordinal__gt=1, supersedes__isnull=False),
                name="first_attestation_supersedes_nothing",
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | Q(correction_reason__isnull=False),
                name="correction_says_why",
            ),
            models.CheckConstraint(
                condition=~Q(reader=F("trainee")), name="nobody_attests_their_own_scan"
            ),
            models.CheckConstraint(
                condition=Q(superseded_on=None, superseded_seq=None)
                | Q(
                    superseded_on__isnull=False,
                    superseded_seq__isnull=False,  # a comparison with null would let it pass
                    superseded_seq__gt=F("seq"),
                ),
                name="superseded_later_and_in_both_columns",
            ),
            models.CheckConstraint(
                condition=(Q(quality=None) | Q(quality__range=(1, 5)))
                & (Q(first_quality=None) | Q(first_quality__range=(1, 5))),
                name="attested_quality_is_one_to_five",
            ),
            models.CheckConstraint(
                condition=Q(trainee_call__in=CALLS)
                & Q(reader_call__in=CALLS)
                & Q(first_reader_call__in=CALLS),
                name="attested_calls_are_known",
            ),
            models.CheckConstraint(
                condition=Q(credited=True, credit_reasons="")
                | (Q(credited=False) & ~Q(credit_reasons=""))
                | Q(override_reason__isnull=False),
                name="override_of_the_rule_says_why",
            ),
            models.CheckConstraint(
                condition=Q(in_read=True, not_in_read_because="")
                | Q(in_read=False, not_in_read_because__in=NOT_IN_READ),
                name="out_of_the_read_set_says_why",
            ),
            models.CheckConstraint(
                condition=Q(independent=False) | Q(blind=True),
                name="independent_attestation_is_blind",
            ),
            models.CheckConstraint(
                condition=(Q(determinate=False) | Q(pair=True))
                & (Q(agrees=False) | Q(determinate=True)),
                name="agreement_is_among_committed_pairs",
            ),
            models.CheckConstraint(
                condition=Q(performed_at__lte=F("signed_at")), name="performed_before_signed"
            ),
        ]
        indexes = [
            # A standing walks along it in the order performed and never opens the wide row: the
            # columns that are counted follow those that order.
            models.Index(
                fields=[
                    "programme",
                    "trainee",
                    "performed_on",
                    "performed_at",
                    "exam",
                    "scan",
                    "ordinal",
                    "application",
                    "signed_on",
                    "seq",
                    "superseded_on",
                    "superseded_seq",
                    "credited",
                    "in_read",
                    "quality",
                    "reader_call",
                    "first_reader_call",
                    "first_quality",
                    "pair",
                    "agrees",
                    "determinate",
                    "supervision",
                ],
                name="attestations_as_counted",
            ),
            models.Index(
                fields=["programme", "reader", "-signed_at"], name="attestations_of_a_reader"
            ),
            models.Index(fields=["programme", "seq"], name="attestations_by_position"),
        ]

    def __str__(self) -> str:
        return f"{self.scan_id} {self.ordinal}"

    @property
    def trainee_said(self) -> Answer:
        return Answer.parse(self.trainee_answer)

    @property
    def reader_said(self) -> Answer:
        return Answer.parse(self.reader_answer)

    @property
    def reasons(self) -> tuple[str, ...]:
        return tuple(self.credit_reasons.split())


class Discrepancy(ProgrammeOwned):
    """An urgent disagreement: who was told, and that the trainee has seen it.

    A row is not notification: somebody telephones. Disagreements that are not urgent are in the
    attestation and have no row here.
    """

    mutability = "mutable"
    BECAUSE = [
        ("pneumothorax", _("the answers on pneumothorax differ")),
        ("reader", _("the reader saw something that may matter now")),
    ]
    TOLD = [
        ("duty_clinician", _("the duty clinician")),
        ("treating_clinician", _("the treating clinician")),
        ("bedside_supervisor", _("the supervisor at the bedside")),
        ("other", _("another clinician of the team")),
    ]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    attestation = models.OneToOneField(
        Attestation, on_delete=models.PROTECT, related_name="discrepancy"
    )
    trainee = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    because = models.CharField(max_length=16, choices=BECAUSE)
    found_at = models.DateTimeField()
    telephone = models.CharField(max_length=40)  # as shown to the reader then
    told = models.CharField(max_length=20, choices=TOLD, blank=True)
    told_remark = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    told_at = models.DateTimeField(null=True, blank=True)
    told_by = models.ForeignKey(
        PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    acknowledged_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-found_at", "id"]
        verbose_name_plural = "discrepancies"
        constraints = [
            models.CheckConstraint(
                condition=Q(told="", told_at=None, told_by=None)
                | (~Q(told="") & Q(told_at__isnull=False, told_by__isnull=False)),
                name="told_says_whom_when_and_by_whom",
            ),
        ]
        indexes = [
            models.Index(
                fields=["trainee"],
                condition=Q(acknowledged_at=None),
                name="discrepancies_to_see",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.attestation_id}: {self.because}"
