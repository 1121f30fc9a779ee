"""What happens to an exam on the reading list: held, read, returned, set aside."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any, Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Programme, ProgrammeOwned, Remark
from logbook.answers import Answer
from logbook.models import Exam, ExamRevision, Scan
from review.rubrics import KINDS, Rubric

PERSON = settings.AUTH_USER_MODEL


class RubricVersionQuerySet(models.QuerySet):
    def in_force(self, programme: Programme, kind: str = "reading") -> RubricVersion | None:
        return self.filter(programme=programme, kind=kind).order_by("-n").first()


class RubricVersion(ProgrammeOwned):
    """A rubric as it was published; a change makes the next version."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    kind = models.CharField(max_length=12)
    n = models.PositiveSmallIntegerField()
    text = models.TextField()
    by_person = models.ForeignKey(
        PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    objects = RubricVersionQuerySet.as_manager()

    class Meta:
        ordering = ["programme", "kind", "n"]
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "kind", "n"], name="rubric_version_numbered_once"
            ),
            models.CheckConstraint(condition=Q(kind__in=KINDS), name="rubric_kind_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.n}"

    @property
    def rubric(self) -> Rubric:
        return Rubric.from_text(self.text)


class HoldQuerySet(models.QuerySet):
    def live(self, at: dt.datetime) -> Self:
        return self.filter(expires_at__gt=at)


class Hold(ProgrammeOwned):
    """A reader has this exam in front of them. One row an exam, so that two readers are
    impossible; it lapses by itself, and the draft of the reading stays."""

    mutability = "mutable"

    exam = models.OneToOneField(
        Exam, primary_key=True, on_delete=models.PROTECT, related_name="hold"
    )
    reader = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()
    expires_at = models.DateTimeField()

    objects = HoldQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("taken_at")), name="hold_ends_after_it_starts"
            ),
        ]
        indexes = [models.Index(fields=["reader", "expires_at"], name="holds_of_a_reader")]

    def __str__(self) -> str:
        return f"{self.exam_id} held by {self.reader_id}"


class ReadingDraft(ProgrammeOwned):
    """What a reader has marked so far, before and after the reveal; gone once it is signed."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    exam = models.ForeignKey(Exam, on_delete=models.PROTECT, related_name="+")
    reader = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    text = models.TextField()
    saved_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["exam", "reader"], name="one_reading_draft_an_exam_and_reader"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.exam_id} by {self.reader_id}"

    @property
    def content(self) -> dict[str, Any]:
        return json.loads(self.text)


class ReadingQuerySet(models.QuerySet):
    def in_order(self) -> Self:
        """As they were revealed; the first one is the one that accuracy uses."""
        return self.order_by("revealed_at", "id")


class Reading(ProgrammeOwned):
    """One reader's own answer about one scan at one revision.

    The row is made by the reveal, from the draft, and never changes: nothing that was seen at the
    reveal can find its way into it. ``blind``: given before the reader knew answer, findings, note
    or name. ``independent``: blind, by somebody not at that bedside, and the trainee had answered
    without knowing another result or opinion.
    """

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    scan = models.ForeignKey(Scan, on_delete=models.PROTECT, related_name="readings")
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="+")
    reader = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    rubric_version = models.ForeignKey(RubricVersion, on_delete=models.PROTECT, related_name="+")
    given_at = models.DateTimeField()
    revealed_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()
    answer = models.CharField(max_length=20)
    quality = models.PositiveSmallIntegerField(null=True, blank=True)
    archive_read = models.TextField(default="[]")  # ordinals of captures read in the archive
    blind = models.BooleanField()
    independent = models.BooleanField()
    at_bedside = models.BooleanField()

    objects = ReadingQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["scan", "revision", "reader"], name="one_reading_a_reader_and_revision"
            ),
            models.CheckConstraint(
                condition=Q(blind=False) | Q(given_at__lte=F("revealed_at")),
                name="blind_reading_is_given_before_the_reveal",
            ),
            models.CheckConstraint(
                condition=Q(independent=False) | Q(blind=True, at_bedside=False),
                name="independent_reading_is_blind_and_from_elsewhere",
            ),
            models.CheckConstraint(
                condition=Q(quality=None) | Q(quality__range=(1, 5)),
                name="reading_quality_is_one_to_five",
            ),
            models.CheckConstraint(condition=~Q(answer=""), name="reading_has_an_answer"),
        ]
        indexes = [models.Index(fields=["scan", "revealed_at"], name="readings_of_a_scan")]

    def __str__(self) -> str:
        return f"{self.scan_id}: {self.answer}"

    @property
    def parsed(self) -> Answer:
        return Answer.parse(self.answer)


class ReadingFinding(ProgrammeOwned):
    """What the reader saw; ``zone`` is empty where it was not tied to one."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="findings")
    zone = models.CharField(max_length=8, blank=True)
    sign = models.CharField(max_length=40)
    value = models.CharField(max_length=40)

    class Meta:
        ordering = ["reading", "zone", "sign"]
        constraints = [
            models.UniqueConstraint(
                fields=["reading", "zone", "sign"], name="sign_once_a_zone_of_a_reading"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.zone} {self.sign}: {self.value}"


class ReturnRequest(ProgrammeOwned):
    """What was asked for when a scan was returned: zones, captures, fields; never the answer."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    scan = models.ForeignKey(Scan, on_delete=models.PROTECT, related_name="returns")
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="+")
    zones = models.CharField(max_length=200, blank=True)  # codes, separated by single spaces
    captures = models.CharField(max_length=200, blank=True)  # ordinals
    fields = models.CharField(max_length=200, blank=True)  # names of exam fields
    remark = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    by_person = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    class Meta:
        ordering = ["seq", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["scan", "revision"], name="scan_returned_once_a_revision"
            ),
            models.CheckConstraint(
                condition=~Q(zones="", captures="", fields=""), name="return_asks_for_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.scan_id} returned"


class SetAside(ProgrammeOwned):
    """A scan that is not read at all, with the reason and who said so."""

    mutability = "append_only"
    REASONS = [
        ("duplicate", _("recorded twice")),
        ("test_entry", _("an entry made to try the service")),
        ("wrong_programme", _("belongs to another programme")),
        ("not_permitted", _("must not be used here")),
    ]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    scan = models.OneToOneField(Scan, on_delete=models.PROTECT, related_name="aside")
    revision = models.ForeignKey(ExamRevision, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=20, choices=REASONS)
    remark = models.ForeignKey(
        Remark, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    by_person = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    reason__in=["duplicate", "test_entry", "wrong_programme", "not_permitted"]
                ),
                name="set_aside_reason_is_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.scan_id}: {self.reason}"
