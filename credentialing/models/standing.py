"""Where everybody stands, how far the ledger was followed, and what each run did."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, ProgrammeOwned
from credentialing import measures
from credentialing.models.plans import Clause, PlanVersion

STATES = [
    (measures.MET, _("met")),
    (measures.NOT_MET, _("not met")),
    (measures.NOT_YET_KNOWN, _("not yet known")),
]


class Cut(ProgrammeOwned):
    """As of what a row was computed: performed by d, read by d2, ledger position n."""

    d = models.DateField()
    d2 = models.DateField()
    n = models.PositiveBigIntegerField()

    class Meta:
        abstract = True

    @property
    def as_of(self) -> measures.AsOf:
        return measures.AsOf(self.d, self.d2, self.n)


class PlanStanding(Cut):
    """Where a membership is against its plan as a whole; one row each, rewritten."""

    mutability = "projection"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.OneToOneField(Membership, models.PROTECT, related_name="plan_standing")
    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="+")
    met = models.BooleanField()
    first_met_on = models.DateField(null=True)
    met_since = models.DateField(null=True)
    lost_on = models.DateField(null=True)
    waiting = models.PositiveIntegerField()
    returned = models.PositiveIntegerField()

    def __str__(self) -> str:
        return f"{self.membership_id}: {'met' if self.met else 'not met'}"


class Standing(Cut):
    """Where a membership is against one clause; rewritten by the job, never by hand."""

    mutability = "projection"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.ForeignKey(Membership, models.PROTECT, related_name="standings")
    clause = models.ForeignKey(Clause, models.PROTECT, related_name="+")
    state = models.CharField(max_length=14, choices=STATES)
    numerator = models.IntegerField()
    denominator = models.IntegerField(null=True)
    value = models.FloatField(null=True)
    lower = models.FloatField(null=True)
    upper = models.FloatField(null=True)
    left = models.IntegerField(null=True)
    waiting = models.PositiveIntegerField()
    returned = models.PositiveIntegerField()
    normal_over = models.IntegerField()
    claimed = models.IntegerField()
    first_met_on = models.DateField(null=True)
    met_since = models.DateField(null=True)
    lost_on = models.DateField(null=True)
    lost_because = models.CharField(max_length=20, blank=True, default="")
    reached_with = models.DateField(null=True)
    reached_signed_on = models.DateField(null=True)
    seen = models.IntegerField(null=True)
    skipped = models.PositiveIntegerField(default=0)
    transferred = models.PositiveIntegerField(default=0)
    people = models.PositiveIntegerField(default=0)
    largest = models.FloatField(null=True)
    window_ends_on = models.DateField(null=True)

    # What a standing says; the cut says as of when.
    SAYS = (
        "state", "numerator", "denominator", "value", "lower", "upper", "left", "waiting",
        "returned", "normal_over", "claimed", "first_met_on", "met_since", "lost_on",
        "lost_because", "reached_with", "reached_signed_on", "seen", "skipped", "transferred",
        "people", "largest", "window_ends_on",
    )  # fmt: skip

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["membership", "clause"], name="one_standing_a_membership_and_clause"
            )
        ]

    def __str__(self) -> str:
        return f"{self.membership_id} {self.clause_id}: {self.state}"


class StandingChange(ProgrammeOwned):
    """A clause's state became another one: when, and at which ledger position."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.ForeignKey(Membership, models.PROTECT, related_name="standing_changes")
    clause = models.ForeignKey(Clause, models.PROTECT, related_name="+")
    before = models.CharField(max_length=14, blank=True, default="")
    after = models.CharField(max_length=14)
    on = models.DateField()
    n = models.PositiveBigIntegerField()
    recorded_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.membership_id} {self.clause_id}: {self.after}"


class LedgerCursor(ProgrammeOwned):
    """How far the standing has followed a chain; moved with the rows it paid for. Its row is the
    lock under which a programme's standings are written."""

    mutability = "mutable"

    chain = models.CharField(max_length=64, primary_key=True)
    seq = models.PositiveBigIntegerField(default=0)
    last_full_on = models.DateField(null=True)

    def __str__(self) -> str:
        return f"{self.chain} at {self.seq}"


class Run(ProgrammeOwned):
    """One run over a whole programme: what it did, how long, what differed, what failed."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    day = models.DateField()
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    people = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    differing = models.PositiveIntegerField(default=0)
    failed = models.CharField(max_length=300, blank=True, default="")

    def __str__(self) -> str:
        return f"{self.day}: {self.people}"
