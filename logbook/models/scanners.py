"""What the machines themselves counted."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from accounts.fields import uuid7
from accounts.models import ProgrammeOwned


class ScannerCount(ProgrammeOwned):
    """How many lung exams a place's machines performed in a month, as somebody read it off there.
    A later row for the same place and month takes the place of an earlier one.

    `place` is a code of the programme's list of places; `month` is its first day.
    """

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    place = models.CharField(max_length=80)
    month = models.DateField()
    performed = models.PositiveIntegerField()
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "place", "month", "seq"], name="counted_once_an_entry"
            ),
            models.CheckConstraint(condition=~Q(place=""), name="a_count_names_its_place"),
        ]
        indexes = [models.Index(fields=["programme", "month"], name="scanner_counts_of_a_month")]

    def __str__(self) -> str:
        return f"{self.place} {self.month:%Y-%m}: {self.performed}"
