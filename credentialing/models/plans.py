"""Plans as versions that never change, and who is judged by which."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7
from accounts.models import Membership, Programme, ProgrammeOwned, Remark
from credentialing import measures

PERSON = settings.AUTH_USER_MODEL


# Who is judged by a new version.
EVERYONE, NEWCOMERS, BY_CHOICE = "everyone", "newcomers", "by_choice"
MOVES = [
    (EVERYONE, _("everybody in the cohort, from the day on which it takes effect")),
    (NEWCOMERS, _("whoever begins from that day on; the others keep the plan they have")),
    (BY_CHOICE, _("whoever began on the grandfather date or later; the others as they choose")),
]


class PlanVersionQuerySet(models.QuerySet):
    def newest(self, programme: Programme, code: str) -> PlanVersion | None:
        return self.filter(programme=programme, code=code).order_by("-n").first()

    def for_newcomers(
        self, programme: Programme, *, on: dt.date, membership: Membership | None = None
    ) -> PlanVersion | None:
        """The version that a trainee who begins on that day is judged by: of those for their
        cohort the one that names it most closely, then the newest. Without a membership: the one
        for everybody."""
        rows = self.filter(programme=programme, by_default=True, effective_on__lte=on)
        fitting = [
            row
            for row in rows.order_by("-effective_on", "-seq")
            if (row.is_for(membership) if membership is not None else not row.closeness)
        ]
        return max(fitting, key=lambda row: row.closeness, default=None)

    def with_clauses(self) -> Self:
        return self.prefetch_related("gates__clauses__leaves")


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
    moves = models.CharField(max_length=12, choices=MOVES, default="newcomers")
    grandfather_on = models.DateField(null=True, blank=True)
    profession = models.CharField(max_length=60, blank=True, default="")
    level = models.CharField(max_length=60, blank=True, default="")
    starts_from = models.DateField(null=True, blank=True)
    sources = models.TextField(blank=True, default="")
    text = models.TextField(help_text=_("The plan as it was published, in canonical JSON."))
    kind = models.CharField(max_length=16, default=measures.INITIAL)
    transfer_share = models.FloatField(default=0.5)
    override_reason = models.ForeignKey(Remark, models.PROTECT, null=True, related_name="+")
    published_by = models.ForeignKey(PERSON, models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    seq = models.PositiveBigIntegerField()

    objects = PlanVersionQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "code", "n"], name="plan_version_numbered_once"
            ),
            models.CheckConstraint(condition=Q(kind__in=measures.KINDS), name="plan_kind_is_known"),
            models.CheckConstraint(
                condition=Q(transfer_share__range=(0, 1)), name="plan_transfers_a_share"
            ),
            models.CheckConstraint(
                condition=Q(moves=BY_CHOICE, grandfather_on__isnull=False)
                | (~Q(moves=BY_CHOICE) & Q(grandfather_on=None)),
                name="a_choice_has_its_grandfather_date",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name}, {_('version')} {self.n}"

    @property
    def closeness(self) -> int:
        """How closely it names whom it is for."""
        return bool(self.profession) + bool(self.level) + (self.starts_from is not None)

    def is_for(self, membership: Membership) -> bool:
        """Whether the membership belongs to the cohort: profession, level and start date."""
        return in_cohort(membership, self)

    def as_plan(self) -> measures.Plan:
        """The value that is judged; its clauses have the ordinals of the rows."""
        gates = tuple(
            measures.Gate(
                ordinal=gate.ordinal,
                title=gate.title,
                combine=int(gate.combine) if gate.combine.isdigit() else gate.combine,
                window=gate.window,
                within_months=gate.within_months,
                clauses=tuple(
                    replace(clause.as_clause(), transfer_share=self.transfer_share)
                    for clause in sorted(gate.clauses.all(), key=_ordinal)
                ),
            )
            for gate in sorted(self.gates.all(), key=_ordinal)
        )
        return measures.Plan(gates=gates, code=self.code, name=self.name, kind=self.kind)


def in_cohort(membership: Membership, terms) -> bool:
    """Profession and level as written, whatever the case; begun on the day or later."""
    return (
        terms.profession.casefold() in ("", membership.profession.casefold())
        and terms.level.casefold() in ("", membership.level.casefold())
        and (terms.starts_from is None or membership.starts_on >= terms.starts_from)
    )


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
    window = models.CharField(max_length=8, blank=True, default="")
    within_months = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "ordinal"], name="gate_numbered_once"),
            models.CheckConstraint(
                condition=Q(window="", within_months=None)
                | Q(window=measures.BEST, within_months__isnull=False),
                name="a_best_window_has_its_months",
            ),
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
    focal = models.CharField(max_length=8, default=measures.APART)
    step = models.PositiveSmallIntegerField(default=25)
    after = models.PositiveSmallIntegerField(null=True, blank=True)
    since = models.CharField(max_length=60, blank=True, default="")
    level = models.PositiveSmallIntegerField(default=4)
    summative = models.BooleanField(default=False)
    kind = models.CharField(max_length=60, blank=True, default="")
    which = models.CharField(max_length=16, default=measures.DONE)
    period = models.CharField(max_length=8, default=measures.YEAR)
    periods = models.PositiveSmallIntegerField(default=1)
    max_share = models.FloatField(null=True, blank=True)
    adequate_rate = models.FloatField(default=0.10)
    inadequate_rate = models.FloatField(default=0.25)
    limit = models.FloatField(default=4.40)

    COLUMNS = (
        "ordinal", "measure", "bar", "direction", "application", "group", "unit", "within_months",
        "mode", "normal_cap", "finding", "cut", "bound", "min_n", "min_each", "source", "focal",
        "step", "after", "since", "level", "summative", "kind", "which", "period", "periods",
        "max_share", "adequate_rate", "inadequate_rate", "limit",
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

    # What words are made of, as `measures.Clause` has it.

    @property
    def text(self) -> str:
        return self.label

    @property
    def further(self) -> tuple[int, ...]:
        """Ordinals of the clauses whose scans it leaves alone; needs `with_clauses`."""
        return tuple(sorted(row.ordinal for row in self.leaves.all()))

    @property
    def judged(self) -> str:
        return self._alone().judged

    @property
    def least(self) -> int:
        return self._alone().least

    @property
    def least_each(self) -> int:
        return self._alone().least_each

    @property
    def has_looks(self) -> bool:
        return self._alone().has_looks

    def as_clause(self) -> measures.Clause:
        return replace(self._alone(), further=self.further)

    def _alone(self) -> measures.Clause:
        columns = {name: getattr(self, name) for name in self.COLUMNS}
        return measures.Clause(text=self.label, **columns)


class Further(ProgrammeOwned):
    """A clause leaves the scans of another clause of its version alone."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    clause = models.ForeignKey(Clause, models.PROTECT, related_name="leaves")
    ordinal = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["clause", "ordinal"], name="leaves_a_clause_once")
        ]

    def __str__(self) -> str:
        return f"{self.clause_id} leaves {self.ordinal}"


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
