"""Plans in the making."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import ProgrammeOwned
from credentialing.models.plans import PERSON, PlanVersion


class PlanDraft(ProgrammeOwned):
    """A plan that is being written. Whoever saves names the version that they saw.

    ``text`` is the plan and everything that publishing asks, whatever state it is in; once it is
    published the draft is shut, and so it is when it is dropped.
    """

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    name = models.CharField(max_length=120)
    text = models.TextField(
        help_text=_("The plan and its terms, canonical JSON; looked at for identifiers on saving.")
    )
    based_on = models.ForeignKey(PlanVersion, models.PROTECT, null=True, related_name="+")
    version = models.PositiveIntegerField(default=1)
    started_at = models.DateTimeField()
    started_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    saved_at = models.DateTimeField()
    saved_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    published = models.OneToOneField(PlanVersion, models.PROTECT, null=True, related_name="draft")
    dropped_at = models.DateTimeField(null=True)
    dropped_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(published=None) | Q(dropped_at=None),
                name="draft_is_published_or_dropped",
            )
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_open(self) -> bool:
        return self.published_id is None and self.dropped_at is None
