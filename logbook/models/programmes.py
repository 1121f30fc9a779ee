"""What a programme chose for its logbook: rules of reading, applications, values of its own."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import ProgrammeOwned
from logbook import lung
from logbook.answers import PATTERN, SIDED


class LogbookSettings(ProgrammeOwned):
    """One row a programme. A change touches later submissions only: each revision keeps the
    parameters under which it was made."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    scheme = models.CharField(_("zones"), max_length=8, default="8b")
    b_lines_per_zone = models.PositiveSmallIntegerField(
        _("B-lines that make a zone positive"),
        default=3,
        validators=[MinValueValidator(1), MaxValueValidator(5)],
    )
    positive_zones_per_side = models.PositiveSmallIntegerField(
        _("positive zones that a side needs"),
        default=2,
        validators=[MinValueValidator(1), MaxValueValidator(4)],
    )
    both_sides = models.BooleanField(_("both sides must have them"), default=True)
    pleura_at_most_mm = models.PositiveSmallIntegerField(
        _("deepest view of the pleural line (mm)"), default=70
    )
    deep_at_least_mm = models.PositiveSmallIntegerField(
        _("shallowest deep view in adults (mm)"), default=120
    )
    close_returned_after_days = models.PositiveSmallIntegerField(
        _("days after which a return closes"),
        default=14,
        validators=[MinValueValidator(1)],
    )

    keep_dicom = models.BooleanField(
        _("keep cleaned DICOM for the teaching set"),
        default=False,
        help_text=_(
            "Off unless the programme asks for it: beside each picture that came as DICOM, a copy "
            "cleaned after DICOM PS3.15 Annex E is kept."
        ),
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme"], name="one_logbook_a_programme"),
            models.CheckConstraint(
                condition=models.Q(b_lines_per_zone__range=(1, 5))
                & models.Q(positive_zones_per_side__range=(1, 4)),
                name="rules_of_reading_in_range",
            ),
            models.CheckConstraint(
                condition=models.Q(pleura_at_most_mm__gt=0)
                & models.Q(deep_at_least_mm__gte=models.F("pleura_at_most_mm"))
                & models.Q(deep_at_least_mm__lte=400),
                name="pleural_view_is_the_shallower",
                violation_error_message=_("The pleural line's view is the shallower of the two."),
            ),
        ]

    def __str__(self) -> str:
        return f"logbook of {self.programme_id}"


class ApplicationQuerySet(models.QuerySet):
    def of(self, programme) -> ApplicationQuerySet:
        return self.filter(programme=programme)

    def offered(self) -> ApplicationQuerySet:
        return self.filter(retired=False)


class Application(ProgrammeOwned):
    """What an exam may ask. Its code is what privileges and plans name, and never changes."""

    mutability = "mutable"
    KINDS = [(SIDED, _("each side: positive or negative")), (PATTERN, _("a pattern"))]
    RULES = [
        (lung.ONE_ANTERIOR, _("one zone at the front of each side")),
        (lung.INTERSTITIAL_ZONES, _("every zone but the bases")),
        (lung.EVERY_ZONE, _("every zone")),
        (lung.BASES, _("the base of each side")),
    ]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    code = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    group = models.SlugField(max_length=40, default="lung")
    kind = models.CharField(max_length=8, choices=KINDS, default=SIDED)
    required_zones = models.CharField(max_length=16, choices=RULES, default=lung.EVERY_ZONE)
    ordinal = models.PositiveSmallIntegerField(default=0)
    retired = models.BooleanField(default=False)

    objects = ApplicationQuerySet.as_manager()

    class Meta:
        ordering = ["programme", "ordinal", "code"]
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "code"], name="application_code_once_a_programme"
            ),
            models.CheckConstraint(
                condition=models.Q(kind__in=[SIDED, PATTERN]),
                name="application_kind_is_known",
            ),
            models.CheckConstraint(
                condition=models.Q(required_zones__in=lung.REQUIRED_RULES),
                name="required_zones_rule_is_known",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class OwnValue(ProgrammeOwned):
    """A value that a programme added to one of the lists, such as a place. Retired, never
    deleted: revisions keep its code."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    list_code = models.SlugField(max_length=40)
    code = models.SlugField(max_length=40)
    text = models.CharField(max_length=80)
    retired = models.BooleanField(default=False)

    class Meta:
        ordering = ["programme", "list_code", "text", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "list_code", "code"], name="own_value_once_a_list"
            ),
        ]

    def __str__(self) -> str:
        return self.text
