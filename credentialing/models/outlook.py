"""What is to come: forecasts, how past ones did, and what was decided about a curve's alarm."""

from __future__ import annotations

import json
from typing import Any

from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, ProgrammeOwned, Remark
from credentialing.learning_curve import CONTINUE, START_AGAIN
from credentialing.models.plans import PERSON, PlanVersion
from credentialing.models.standing import Cut
from logbook.models import Application


class Outlook(Cut):
    """The forecast of one membership as of (d, d2, n); rewritten by the job, never by hand.

    `why` says why no chance is told: without an end there is nothing to reach by, without past
    trainees or weeks of one's own there is nothing to tell it from. `joint` is the chance that
    the plan is met on `ends_on`, before rounding.
    """

    mutability = "projection"
    TOLD, NO_END, TOO_EARLY, NOTHING_YET = "", "no_end", "too_early", "nothing_yet"
    WHY = [
        (TOLD, _("told")),
        (NO_END, _("no end of training is set")),
        (TOO_EARLY, _("too few past trainees and too few weeks so far")),
        (NOTHING_YET, _("no exam here has been credited yet")),
    ]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.OneToOneField(Membership, models.PROTECT, related_name="outlook")
    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="+")
    ends_on = models.DateField(null=True)
    why = models.CharField(max_length=12, choices=WHY, blank=True, default="")
    joint = models.FloatField(null=True)
    text = models.TextField(help_text=_("Chances, pace and fans by clause, in canonical JSON."))
    computed_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.membership_id} by {self.ends_on}"

    @property
    def told(self) -> dict[str, Any]:
        return json.loads(self.text)


class BackTest(ProgrammeOwned):
    """How forecasts of past trainees would have done; one row a programme, rewritten each month."""

    mutability = "projection"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    verdict = models.CharField(max_length=12)
    day = models.DateField()
    text = models.TextField(help_text=_("Scores and calibration, in canonical JSON."))
    computed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme"], name="one_back_test_a_programme")
        ]

    def __str__(self) -> str:
        return f"{self.programme_id} {self.day}: {self.verdict}"

    @property
    def told(self) -> dict[str, Any]:
        return json.loads(self.text)


class OutlookRun(ProgrammeOwned):
    """The latest run over a programme's forecasts, its claim, and who besides the director sees
    them. Claimed by compare-and-set on the day."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    day = models.DateField(null=True)
    claimed_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    people = models.PositiveIntegerField(default=0)
    failed = models.CharField(max_length=300, blank=True, default="")
    shown_to_trainees = models.BooleanField(
        _("trainees see their own outlook and curve"), default=False
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme"], name="one_outlook_run_a_programme")
        ]

    def __str__(self) -> str:
        return f"{self.programme_id} {self.day}: {self.people}"


class CurveDecision(ProgrammeOwned):
    """What the director decided about an alarm of one trainee's curve: go on, or start again.

    It stands behind the scans that were received up to `on`, and touches the ones after them.
    """

    mutability = "append_only"
    WHAT = [(CONTINUE, _("continue")), (START_AGAIN, _("start again"))]

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.ForeignKey(Membership, models.PROTECT, related_name="curve_decisions")
    application = models.ForeignKey(Application, models.PROTECT, related_name="+")
    what = models.CharField(max_length=12, choices=WHAT)
    alarm_exam = models.UUIDField(help_text=_("The exam whose scan raised the alarm."))
    why = models.ForeignKey(Remark, models.PROTECT, related_name="+")
    on = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(PERSON, models.PROTECT, related_name="+")
    seq = models.PositiveBigIntegerField()

    class Meta:
        indexes = [
            models.Index(fields=["programme", "membership"], name="curve_decisions_of_member")
        ]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(what__in=[CONTINUE, START_AGAIN]),
                name="curve_decision_is_known",
            )
        ]

    def __str__(self) -> str:
        return f"{self.membership_id} {self.what} {self.on}"
