"""What faculty sign after watching somebody scan."""

from __future__ import annotations

import datetime as dt
import json
from typing import TYPE_CHECKING, Self

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, ProgrammeOwned, Remark, Role
from logbook.models import Application
from review.models.readings import PERSON, RubricVersion

if TYPE_CHECKING:
    from accounts.models import Person

LEVELS = (1, 2, 3, 4, 5)


class AssessmentQuerySet(models.QuerySet):
    def current(self) -> Self:
        return self.filter(superseded_on=None, taken_back=False)

    def as_of(self, *, performed: dt.date, signed: dt.date, seq: int) -> Self:
        """Current as of (D, D2, N): performed by D, signed and not superseded by D2, within N."""
        return self.filter(
            Q(superseded_on=None) | Q(superseded_on__gt=signed) | Q(superseded_seq__gt=seq),
            taken_back=False,
            performed_on__lte=performed,
            signed_on__lte=signed,
            seq__lte=seq,
        )

    def visible_to(self, person: Person, *, on: dt.date) -> Self:
        """Of oneself, for ever; those one signed; as director the programme's."""
        directs = Membership.objects.on(on).filter(person=person, role=Role.DIRECTOR)
        return self.filter(
            Q(trainee=person) | Q(assessor=person) | Q(programme__in=directs.values("programme"))
        )


class Assessment(ProgrammeOwned):
    """The signed statement of one faculty member who watched one scan from beginning to end.

    ``id`` is made by the form, so that a second tap is the same assessment. The one change is to
    be superseded: two columns, once, from null to a value. A row that is ``taken_back`` supersedes
    one that should not exist, of the wrong person say, and counts for nothing itself.
    """

    mutability = "append_only"
    may_change = frozenset({"superseded_on", "superseded_seq"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    trainee = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    assessor = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    application = models.ForeignKey(Application, on_delete=models.PROTECT, related_name="+")
    rubric_version = models.ForeignKey(RubricVersion, on_delete=models.PROTECT, related_name="+")
    level = models.PositiveSmallIntegerField()
    items = models.TextField(default="{}", help_text=_("Codes of the rubric's items."))
    summative = models.BooleanField(default=False)
    remark = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    performed_on = models.DateField()
    signed_on = models.DateField()
    signed_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()
    ordinal = models.PositiveSmallIntegerField(default=1)
    supersedes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="superseded_by"
    )
    taken_back = models.BooleanField(default=False)
    correction_reason = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    superseded_on = models.DateField(null=True, blank=True)
    superseded_seq = models.PositiveBigIntegerField(null=True, blank=True)
    statement = models.TextField(help_text=_("What was signed, canonical; remarks by digest."))

    objects = AssessmentQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(level__in=LEVELS), name="assessed_level_is_1_to_5"),
            models.CheckConstraint(
                condition=~Q(assessor=F("trainee")), name="nobody_assesses_themselves"
            ),
            models.CheckConstraint(
                condition=Q(ordinal=1, supersedes=None, taken_back=False)
                | Q(ordinal__gt=1, supersedes__isnull=False, correction_reason__isnull=False),
                name="first_assessment_supersedes_nothing",
            ),
            models.CheckConstraint(
                condition=Q(superseded_on=None, superseded_seq=None)
                | Q(
                    superseded_on__isnull=False,
                    superseded_seq__isnull=False,
                    superseded_seq__gt=F("seq"),
                ),
                name="assessment_superseded_later",
            ),
            models.CheckConstraint(
                condition=Q(performed_on__lte=F("signed_on")), name="assessed_before_signed"
            ),
        ]
        indexes = [
            models.Index(
                fields=["programme", "trainee", "application", "performed_on"],
                name="assessments_of_a_trainee",
            ),
            models.Index(fields=["assessor", "-signed_at"], name="assessments_of_an_assessor"),
        ]

    def __str__(self) -> str:
        return f"{self.trainee_id} {self.application_id}: {self.level}"

    @property
    def chosen(self) -> dict[str, str]:
        """The items that were not as expected: code -> choice."""
        return json.loads(self.items)
