"""A capture's file on its way in: where it waits, and the key without which it is noise."""

from __future__ import annotations

import datetime as dt
from typing import Self

from django.db import models
from django.db.models import F, Q

from accounts.fields import uuid7
from accounts.models import ProgrammeOwned
from logbook.models.captures import Capture

# A worker that has not come back by then is gone, and its upload is anybody's again.
CLAIM_LASTS = dt.timedelta(minutes=10)
MOST_ATTEMPTS = 3
# From its beginning to its last byte, and again from its last byte to the confirmed mask.
KEPT_FOR = dt.timedelta(hours=24)


class UploadQuerySet(models.QuerySet):
    def waiting(self, *, at: dt.datetime) -> Self:
        """Those that the service has something to do for and that no worker has taken."""
        return self.filter(capture__state="received", emptied_at=None).filter(
            Q(claimed_at=None) | Q(claimed_at__lt=at - CLAIM_LASTS)
        )

    def overdue(self, *, at: dt.datetime) -> Self:
        """Those whose day is over: not come whole, or not confirmed."""
        since = at - KEPT_FOR
        return self.filter(emptied_at=None).filter(
            Q(received_at__lte=since) | Q(received_at=None, capture__created_at__lte=since)
        )


class Upload(ProgrammeOwned):
    """The staged parts of one capture; emptied, with its key, once its master is kept.

    Its id names the folder in staging. ``offset`` bytes of ``size`` are acknowledged; where they
    came in pieces, ``head`` is the mark of the newest one, and each piece names the one before it.
    ``mask`` is the canonical text of the rectangles that the person confirmed; null until then.
    """

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    capture = models.OneToOneField(Capture, on_delete=models.PROTECT, related_name="upload")
    sealed_key = models.BinaryField(max_length=120, null=True)
    sealed_by = models.CharField(max_length=40)
    size = models.PositiveBigIntegerField()
    offset = models.PositiveBigIntegerField(default=0)
    head = models.CharField(max_length=16, blank=True)
    pieces = models.PositiveIntegerField(default=0)
    received_at = models.DateTimeField(null=True)
    claimed_at = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    stripped_at = models.DateTimeField(null=True)
    mask = models.TextField(
        null=True, help_text="canonical text: rectangles in hundredths of a percent"
    )
    marks = models.TextField(
        default="{}", help_text="canonical text: what is redrawn beside the picture"
    )
    text_at = models.TextField(
        default="[]",
        help_text="canonical text: where letters were found, in hundredths of a percent",
    )
    text_answered = models.BooleanField(default=False)
    emptied_at = models.DateTimeField(null=True)

    objects = UploadQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(emptied_at=None, sealed_key__isnull=False)
                | Q(emptied_at__isnull=False, sealed_key=None),
                name="an_emptied_upload_has_lost_its_key",
            ),
            models.CheckConstraint(
                condition=Q(mask=None) | Q(stripped_at__isnull=False),
                name="a_mask_is_confirmed_on_stripped_frames",
            ),
            models.CheckConstraint(
                condition=Q(received_at=None, offset__lt=F("size"))
                | Q(received_at__isnull=False, offset=F("size")),
                name="an_upload_is_received_when_it_is_whole",
            ),
        ]

    def __str__(self) -> str:
        return f"upload of {self.capture_id}"

    @property
    def expires_at(self) -> dt.datetime:
        """Until when the last byte may come. Needs the capture."""
        return self.capture.created_at + KEPT_FOR
