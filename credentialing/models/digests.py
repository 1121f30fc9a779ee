"""Who wants the monthly letter about the cohort."""

from __future__ import annotations

from django.db import models

from accounts.fields import uuid7
from accounts.models import ProgrammeOwned
from credentialing.models.plans import PERSON


class DigestChoice(ProgrammeOwned):
    """A person's own choice. Without a row a director gets the letter and nobody else does."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    person = models.ForeignKey(PERSON, models.PROTECT, related_name="+")
    wants = models.BooleanField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "person"], name="one_digest_choice_a_person"
            )
        ]

    def __str__(self) -> str:
        return f"{self.person_id}: {self.wants}"
