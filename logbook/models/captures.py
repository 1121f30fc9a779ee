"""Stills and clips of an exam, and what is kept of them."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Self

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import ProgrammeOwned
from logbook import states
from logbook.lung import View
from logbook.models.exams import Exam

if TYPE_CHECKING:
    from accounts.models import Person

# What a person still has to do something about, and what no longer counts as part of the exam.
UNFINISHED = ("uploading", "received")
WAITS_FOR_PERSON = ("confirm_mask", "refused")
GONE = ("covered", "removed", "expired")
# So long a reader can undo a cover or a taking out; then its objects are removed for good.
PUT_BACK_WITHIN = dt.timedelta(minutes=10)


class CaptureQuerySet(models.QuerySet):
    def visible_to(self, person: Person, *, on: dt.date) -> Self:
        return self.filter(exam__in=Exam.objects.visible_to(person, on=on))

    def present(self) -> Self:
        return self.exclude(state__in=GONE)

    def ready(self) -> Self:
        return self.filter(state="ready")

    def to_forget(self, *, at: dt.datetime) -> Self:
        """Those that are gone and whose objects are still there, past the time for undoing."""
        late = Q(gone_because__in=["own", ""]) | Q(gone_at__lte=at - PUT_BACK_WITHIN)
        return self.filter(late, state__in=GONE).exclude(master_key="")

    def naming(self, key: str) -> Self:
        """Those that still need an object."""
        named = Q(master_key=key) | Q(poster_key=key) | Q(play_key=key) | Q(dicom_key=key)
        return self.filter(named).exclude(state__in=GONE)


class Capture(ProgrammeOwned):
    """One still or clip, or a note that it is kept in the department's archive.

    Nothing of the file as it arrived is kept but a keyed MAC. The *master* is stripped and masked;
    poster and playable clip can be made from it again.
    """

    mutability = "mutable"
    KINDS = [
        ("still", _("still")),
        ("clip", _("clip")),
        ("archive", _("kept in the department's archive")),
    ]
    STATES = [
        ("uploading", _("uploading")),
        ("received", _("being checked")),
        ("confirm_mask", _("look at what is hidden")),
        ("ready", _("ready")),
        ("refused", _("could not be used")),
        ("covered", _("replaced")),
        ("removed", _("removed")),
        ("expired", _("no longer kept")),
    ]

    FILE_DATES = [
        ("agrees", _("the file’s own date is the exam’s")),
        ("differs", _("the file’s own date is another than the exam’s")),
        ("absent", _("the file has no date of its own")),
    ]
    REASONS = [
        ("own", _("taken away by its trainee")),
        ("covered", _("something identifying was covered")),
        ("identifies", _("something in it identifies a person")),
        ("put_back", _("the picture before it was put back")),
    ]

    id = models.UUIDField(primary_key=True, default=uuid7)
    exam = models.ForeignKey(Exam, on_delete=models.PROTECT, related_name="captures")
    ordinal = models.PositiveSmallIntegerField()
    zone = models.CharField(max_length=8)
    probe = models.CharField(max_length=40, blank=True)
    depth_mm = models.PositiveSmallIntegerField(null=True, blank=True)
    mode = models.CharField(max_length=8, default="b")
    kind = models.CharField(max_length=8, choices=KINDS)
    state = models.CharField(max_length=12, choices=STATES, default="uploading")
    created_at = models.DateTimeField()
    ready_at = models.DateTimeField(null=True, blank=True)

    master_key = models.CharField(max_length=120, blank=True)
    master_sha256 = models.CharField(max_length=64, blank=True)
    poster_key = models.CharField(max_length=120, blank=True)
    play_key = models.CharField(max_length=120, blank=True)
    frames = models.PositiveIntegerField(null=True, blank=True)
    duration_ms = models.PositiveIntegerField(null=True, blank=True)
    frame_starts = models.TextField(
        blank=True,
        help_text="Milliseconds with commas between, one a frame; empty where frames come evenly.",
    )
    width = models.PositiveIntegerField(null=True, blank=True)
    height = models.PositiveIntegerField(null=True, blank=True)
    refusal = models.CharField(max_length=300, blank=True)
    file_date = models.CharField(max_length=8, choices=FILE_DATES, blank=True)
    # For a programme's teaching set: cleaned DICOM, and the key under which its UIDs were made.
    dicom_key = models.CharField(max_length=120, blank=True)
    uid_key_id = models.CharField(max_length=40, blank=True)
    gone_at = models.DateTimeField(null=True, blank=True)
    gone_by = models.ForeignKey(
        "accounts.Person", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    gone_because = models.CharField(max_length=12, choices=REASONS, blank=True)
    arrival_mac = models.CharField(max_length=64, blank=True)
    mac_key_id = models.CharField(max_length=40, blank=True)
    covers = models.ForeignKey(
        "self",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="covered_by",
    )

    objects = CaptureQuerySet.as_manager()

    class Meta:
        ordering = ["exam", "ordinal", "id"]
        indexes = [
            models.Index(
                fields=["gone_at"],
                name="captures_to_forget",
                condition=Q(state__in=GONE) & ~Q(master_key=""),
            ),
            models.Index(fields=["programme", "arrival_mac"], name="captures_by_what_arrived"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["exam", "ordinal"], name="capture_number_once_an_exam"),
            models.CheckConstraint(
                condition=Q(state__in=states.CAPTURE.codes),
                name="capture_state_is_known",
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["still", "clip", "archive"]),
                name="capture_kind_is_known",
            ),
            models.CheckConstraint(
                condition=~Q(state="ready") | Q(kind="archive") | ~Q(master_sha256=""),
                name="ready_capture_has_a_master",
            ),
            models.CheckConstraint(
                condition=~Q(kind="archive") | Q(master_key="", arrival_mac=""),
                name="archive_capture_stores_nothing",
            ),
            models.CheckConstraint(
                condition=~Q(state="refused") | ~Q(refusal=""),
                name="refused_capture_says_why",
            ),
            models.CheckConstraint(
                condition=Q(depth_mm=None) | Q(depth_mm__range=(5, 400)),
                name="depth_is_a_probes_depth",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.exam_id} capture {self.ordinal}"

    @property
    def view(self) -> View:
        return View(self.zone, self.probe, self.depth_mm, self.mode, self.kind)


class Fingerprint(ProgrammeOwned):
    """What a kept picture is recognised by when something like it comes again.

    Derived from the picture and nearly one itself: it goes when the capture's objects go.
    """

    mutability = "projection"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    capture = models.OneToOneField(Capture, on_delete=models.PROTECT, related_name="fingerprint")
    picture = models.BinaryField(max_length=8192)

    def __str__(self) -> str:
        return f"fingerprint of {self.capture_id}"


class FingerprintCode(ProgrammeOwned):
    """One of the few numbers under which an index finds fingerprints that may correlate."""

    mutability = "projection"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    fingerprint = models.ForeignKey(Fingerprint, on_delete=models.PROTECT, related_name="codes")
    code = models.PositiveIntegerField()

    class Meta:
        indexes = [models.Index(fields=["programme", "code"], name="fingerprints_by_code")]

    def __str__(self) -> str:
        return f"{self.code} of {self.fingerprint_id}"
