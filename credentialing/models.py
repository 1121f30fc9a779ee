"""Plans as versions that never change, who is judged by which, and where everybody stands."""

from __future__ import annotations

import datetime as dt
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, Programme, ProgrammeOwned, Remark
from credentialing import measures

PERSON = settings.AUTH_USER_MODEL
STATES = [
    (measures.MET, _("met")),
    (measures.NOT_MET, _("not met")),
    (measures.NOT_YET_KNOWN, _("not yet known")),
]


class PlanVersionQuerySet(models.QuerySet):
    def newest(self, programme: Programme, code: str) -> PlanVersion | None:
        return self.filter(programme=programme, code=code).order_by("-n").first()

    def for_newcomers(self, programme: Programme, *, on: dt.date) -> PlanVersion | None:
        """The version that a trainee who begins on that day is judged by."""
        rows = self.filter(programme=programme, by_default=True, effective_on__lte=on)
        return rows.order_by("-effective_on", "-seq").first()

    def with_clauses(self) -> Self:
        return self.prefetch_related("gates__clauses")


class PlanVersion(ProgrammeOwned):
    """A published set of local numbers. Never edited: a change is the next version.

    ``by_default``: whoever begins as a trainee is judged by the newest version that says so.
    """

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    code = models.SlugField(max_length=40)
    n = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=120)
    effective_on = models.DateField()
    approved_on = models.DateField(null=True, blank=True)
    by_default = models.BooleanField(default=False)
    sources = models.TextField(blank=True, default="")
    text = models.TextField(help_text=_("The plan as it was published, in canonical JSON."))
    override_reason = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")
    published_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    objects = PlanVersionQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "code", "n"], name="plan_version_numbered_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name}, {_('version')} {self.n}"

    def as_plan(self) -> measures.Plan:
        """The value that is judged; its clauses have the ordinals of the rows."""
        gates = tuple(
            measures.Gate(
                ordinal=gate.ordinal,
                title=gate.title,
                combine=int(gate.combine) if gate.combine.isdigit() else gate.combine,
                clauses=tuple(
                    clause.as_clause() for clause in sorted(gate.clauses.all(), key=_ordinal)
                ),
            )
            for gate in sorted(self.gates.all(), key=_ordinal)
        )
        return measures.Plan(gates=gates, code=self.code, name=self.name)


def _ordinal(row) -> int:
    return row.ordinal


class Gate(ProgrammeOwned):
    """Clauses that are judged together: all, any, or at least so many of them."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="gates")
    ordinal = models.PositiveSmallIntegerField()
    title = models.CharField(max_length=120, blank=True, default="")
    combine = models.CharField(max_length=8, default=measures.ALL)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "ordinal"], name="gate_numbered_once")
        ]

    def __str__(self) -> str:
        return self.title or str(self.ordinal)


class Clause(ProgrammeOwned):
    """One number of a plan version; the columns are those of `measures.Clause`."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="clauses")
    gate = models.ForeignKey(Gate, models.PROTECT, related_name="clauses")
    ordinal = models.PositiveSmallIntegerField()
    measure = models.CharField(max_length=24)
    bar = models.FloatField()
    direction = models.CharField(max_length=10, default=measures.AT_LEAST)
    application = models.CharField(max_length=40, blank=True, default="")
    group = models.CharField(max_length=40, blank=True, default="")
    unit = models.CharField(max_length=8, default=measures.SCAN)
    within_months = models.PositiveSmallIntegerField(null=True, blank=True)
    mode = models.CharField(max_length=8, blank=True, default="")
    normal_cap = models.PositiveSmallIntegerField(null=True, blank=True)
    finding = models.CharField(max_length=60, blank=True, default="")
    cut = models.PositiveSmallIntegerField(default=3)
    bound = models.BooleanField(default=False)
    min_n = models.PositiveSmallIntegerField(null=True, blank=True)
    min_each = models.PositiveSmallIntegerField(null=True, blank=True)
    label = models.CharField(max_length=300, blank=True, default="")
    source = models.CharField(max_length=300, blank=True, default="")

    COLUMNS = (
        "ordinal", "measure", "bar", "direction", "application", "group", "unit", "within_months",
        "mode", "normal_cap", "finding", "cut", "bound", "min_n", "min_each", "source",
    )  # fmt: skip

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "ordinal"], name="clause_numbered_once"),
            models.CheckConstraint(
                condition=Q(measure__in=measures.MEASURES), name="clause_measure_is_known"
            ),
            models.CheckConstraint(
                condition=Q(direction__in=[measures.AT_LEAST, measures.AT_MOST]),
                name="clause_direction_is_known",
            ),
            models.CheckConstraint(
                condition=Q(application="") | Q(group=""),
                name="clause_names_an_application_or_a_group",
            ),
        ]

    def __str__(self) -> str:
        return self.label or f"{self.measure} {self.direction} {self.bar:g}"

    def as_clause(self) -> measures.Clause:
        return measures.Clause(
            text=self.label, **{name: getattr(self, name) for name in self.COLUMNS}
        )


class AssignmentQuerySet(models.QuerySet):
    def in_force(self, *, on: dt.date, seq: int | None = None) -> Self:
        """Each membership's newest assignment that had taken effect by the day."""
        rows = self.filter(effective_on__lte=on)
        if seq is not None:
            rows = rows.filter(seq__lte=seq)
        later = rows.filter(membership=models.OuterRef("membership")).order_by(
            "-effective_on", "-seq"
        )
        return rows.filter(pk=models.Subquery(later.values("pk")[:1]))


class Assignment(ProgrammeOwned):
    """From a day on a membership is judged by a plan version."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.ForeignKey(Membership, models.PROTECT, related_name="assignments")
    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="assignments")
    effective_on = models.DateField()
    assigned_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    objects = AssignmentQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["membership", "effective_on", "version"],
                name="assigned_once_from_a_day",
            )
        ]

    def __str__(self) -> str:
        return f"{self.membership_id}: {self.version_id} from {self.effective_on}"


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

    # What a standing says; the cut says as of when.
    SAYS = (
        "state", "numerator", "denominator", "value", "lower", "upper", "left", "waiting",
        "returned", "normal_over", "claimed", "first_met_on", "met_since", "lost_on",
        "lost_because", "reached_with", "reached_signed_on",
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
