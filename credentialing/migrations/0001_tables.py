# Everything that 0001_initial and those after it make, in one step for a database that is new.

import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

import accounts.fields


class Migration(migrations.Migration):
    replaces = [
        ("credentialing", "0001_initial"),
        ("credentialing", "0002_the_record"),
        ("credentialing", "0003_a_monthly_letter"),
        ("credentialing", "0004_issued_reports"),
        ("credentialing", "0005_what_is_to_come"),
        ("credentialing", "0006_measures_of_every_kind"),
        ("credentialing", "0007_plan_drafts"),
        ("credentialing", "0008_a_reports_paper"),
    ]

    initial = True

    dependencies = [
        ("accounts", "0001_tables"),
        ("accounts", "__first__"),
        ("logbook", "0001_tables"),
    ]

    operations = [
        migrations.CreateModel(
            name="LedgerCursor",
            fields=[
                ("chain", models.CharField(max_length=64, primary_key=True, serialize=False)),
                ("seq", models.PositiveBigIntegerField(default=0)),
                ("last_full_on", models.DateField(null=True)),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="PlanVersion",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("code", models.SlugField(max_length=40)),
                ("n", models.PositiveSmallIntegerField()),
                ("name", models.CharField(max_length=120)),
                ("effective_on", models.DateField()),
                ("approved_on", models.DateField(blank=True, null=True)),
                ("by_default", models.BooleanField(default=False)),
                (
                    "moves",
                    models.CharField(
                        choices=[
                            (
                                "everyone",
                                "everybody in the cohort, from the day on which it takes effect",
                            ),
                            (
                                "newcomers",
                                "whoever begins from that day on; the others keep the plan they have",
                            ),
                            (
                                "by_choice",
                                "whoever began on the grandfather date or later; the others as they choose",
                            ),
                        ],
                        default="newcomers",
                        max_length=12,
                    ),
                ),
                ("grandfather_on", models.DateField(blank=True, null=True)),
                ("profession", models.CharField(blank=True, default="", max_length=60)),
                ("level", models.CharField(blank=True, default="", max_length=60)),
                ("starts_from", models.DateField(blank=True, null=True)),
                ("sources", models.TextField(blank=True, default="")),
                (
                    "text",
                    models.TextField(help_text="The plan as it was published, in canonical JSON."),
                ),
                ("kind", models.CharField(default="initial", max_length=16)),
                ("transfer_share", models.FloatField(default=0.5)),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "override_reason",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "published_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "code", "n"), name="plan_version_numbered_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind__in", ("initial", "maintenance", "focused_review"))
                        ),
                        name="plan_kind_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("transfer_share__range", (0, 1))),
                        name="plan_transfers_a_share",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("grandfather_on__isnull", False), ("moves", "by_choice")),
                            models.Q(
                                models.Q(("moves", "by_choice"), _negated=True),
                                ("grandfather_on", None),
                            ),
                            _connector="OR",
                        ),
                        name="a_choice_has_its_grandfather_date",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="PlanStanding",
            fields=[
                ("d", models.DateField()),
                ("d2", models.DateField()),
                ("n", models.PositiveBigIntegerField()),
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("met", models.BooleanField()),
                ("first_met_on", models.DateField(null=True)),
                ("met_since", models.DateField(null=True)),
                ("lost_on", models.DateField(null=True)),
                ("waiting", models.PositiveIntegerField()),
                ("returned", models.PositiveIntegerField()),
                (
                    "membership",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="plan_standing",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.planversion",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="PlanDraft",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                (
                    "text",
                    models.TextField(
                        help_text="The plan and its terms, canonical JSON; looked at for identifiers on saving."
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1)),
                ("started_at", models.DateTimeField()),
                ("saved_at", models.DateTimeField()),
                ("dropped_at", models.DateTimeField(null=True)),
                (
                    "dropped_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "saved_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "started_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "based_on",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.planversion",
                    ),
                ),
                (
                    "published",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="draft",
                        to="credentialing.planversion",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("published", None), ("dropped_at", None), _connector="OR"
                        ),
                        name="draft_is_published_or_dropped",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Outlook",
            fields=[
                ("d", models.DateField()),
                ("d2", models.DateField()),
                ("n", models.PositiveBigIntegerField()),
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("ends_on", models.DateField(null=True)),
                (
                    "why",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("", "told"),
                            ("no_end", "no end of training is set"),
                            ("too_early", "too few past trainees and too few weeks so far"),
                            ("nothing_yet", "no exam here has been credited yet"),
                        ],
                        default="",
                        max_length=12,
                    ),
                ),
                ("joint", models.FloatField(null=True)),
                (
                    "text",
                    models.TextField(
                        help_text="Chances, pace and fans by clause, in canonical JSON."
                    ),
                ),
                ("computed_at", models.DateTimeField()),
                (
                    "membership",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="outlook",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.planversion",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Gate",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("ordinal", models.PositiveSmallIntegerField()),
                ("title", models.CharField(blank=True, default="", max_length=120)),
                ("combine", models.CharField(default="all", max_length=8)),
                ("window", models.CharField(blank=True, default="", max_length=8)),
                ("within_months", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="gates",
                        to="credentialing.planversion",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("version", "ordinal"), name="gate_numbered_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("window", ""), ("within_months", None)),
                            models.Q(("window", "best"), ("within_months__isnull", False)),
                            _connector="OR",
                        ),
                        name="a_best_window_has_its_months",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Clause",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("ordinal", models.PositiveSmallIntegerField()),
                ("measure", models.CharField(max_length=24)),
                ("bar", models.FloatField()),
                ("direction", models.CharField(default="at_least", max_length=10)),
                ("application", models.CharField(blank=True, default="", max_length=40)),
                ("group", models.CharField(blank=True, default="", max_length=40)),
                ("unit", models.CharField(default="scan", max_length=8)),
                ("within_months", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("mode", models.CharField(blank=True, default="", max_length=8)),
                ("normal_cap", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("finding", models.CharField(blank=True, default="", max_length=60)),
                ("cut", models.PositiveSmallIntegerField(default=3)),
                ("bound", models.BooleanField(default=False)),
                ("min_n", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("min_each", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("label", models.CharField(blank=True, default="", max_length=300)),
                ("source", models.CharField(blank=True, default="", max_length=300)),
                ("focal", models.CharField(default="apart", max_length=8)),
                ("step", models.PositiveSmallIntegerField(default=25)),
                ("after", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("since", models.CharField(blank=True, default="", max_length=60)),
                ("level", models.PositiveSmallIntegerField(default=4)),
                ("summative", models.BooleanField(default=False)),
                ("kind", models.CharField(blank=True, default="", max_length=60)),
                ("which", models.CharField(default="done", max_length=16)),
                ("period", models.CharField(default="year", max_length=8)),
                ("periods", models.PositiveSmallIntegerField(default=1)),
                ("max_share", models.FloatField(blank=True, null=True)),
                ("adequate_rate", models.FloatField(default=0.1)),
                ("inadequate_rate", models.FloatField(default=0.25)),
                ("limit", models.FloatField(default=4.4)),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "gate",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="clauses",
                        to="credentialing.gate",
                    ),
                ),
                (
                    "version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="clauses",
                        to="credentialing.planversion",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("version", "ordinal"), name="clause_numbered_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "measure__in",
                                (
                                    "credited",
                                    "positive",
                                    "negative",
                                    "with_finding",
                                    "supervised",
                                    "adequate",
                                    "read",
                                    "assessed",
                                    "document",
                                    "procedure",
                                    "readers",
                                    "per_period",
                                    "adequate_share",
                                    "agreement",
                                    "determinate",
                                    "positive_agreement",
                                    "negative_agreement",
                                    "sensitivity",
                                    "specificity",
                                    "clinical_share",
                                    "unread_share",
                                    "quality",
                                    "elapsed_months",
                                    "curve",
                                ),
                            )
                        ),
                        name="clause_measure_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("direction__in", ["at_least", "at_most"])),
                        name="clause_direction_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("application", ""), ("group", ""), _connector="OR"),
                        name="clause_names_an_application_or_a_group",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Assignment",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "assigned_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="assignments",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="assignments",
                        to="credentialing.planversion",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("membership", "effective_on", "version"),
                        name="assigned_once_from_a_day",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ProcedureDone",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                ("code", models.SlugField(max_length=40)),
                ("supervised", models.BooleanField()),
                ("complications", models.BooleanField()),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.proceduredone",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(
                        fields=["programme", "membership"], name="proceduredone_of_membership"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="proceduredone_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="proceduredone_superseded_later",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Remediation",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                ("begins_on", models.DateField()),
                ("ends_on", models.DateField(null=True)),
                (
                    "application",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.remediation",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(
                        fields=["programme", "membership"], name="remediation_of_membership"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="remediation_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="remediation_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("begins_on", models.F("effective_on")),
                            models.Q(
                                ("ends_on", None),
                                ("ends_on__gte", models.F("begins_on")),
                                _connector="OR",
                            ),
                        ),
                        name="remediation_ends_after_it_begins",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ReportSheet",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("n", models.PositiveSmallIntegerField()),
                ("heading", models.CharField(blank=True, default="", max_length=600)),
                ("contact", models.CharField(blank=True, default="", max_length=200)),
                ("reviewed", models.CharField(blank=True, default="", max_length=600)),
                (
                    "paper",
                    models.CharField(
                        choices=[("a4", "A4"), ("letter", "Letter, 8.5 by 11 inches")],
                        default="a4",
                        max_length=8,
                    ),
                ),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "n"), name="report_sheet_numbered_once"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Run",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("day", models.DateField()),
                ("started_at", models.DateTimeField()),
                ("finished_at", models.DateTimeField(null=True)),
                ("people", models.PositiveIntegerField(default=0)),
                ("changed", models.PositiveIntegerField(default=0)),
                ("differing", models.PositiveIntegerField(default=0)),
                ("failed", models.CharField(blank=True, default="", max_length=300)),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="SigningKey",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("n", models.PositiveSmallIntegerField()),
                ("certificate", models.TextField(help_text="The certificate, PEM (RFC 7468).")),
                ("fingerprint", models.CharField(max_length=64)),
                ("sealed", models.BinaryField(null=True)),
                ("sealed_under", models.CharField(max_length=64)),
                ("valid_until", models.DateTimeField()),
                ("made_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("retired_at", models.DateTimeField(null=True)),
                ("retired_seq", models.PositiveBigIntegerField(null=True)),
                (
                    "made_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "retired_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "retired_why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "n"), name="signing_key_numbered_once"
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("retired_at", None)),
                        fields=("programme",),
                        name="one_signing_key_in_use",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Report",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                (
                    "copy",
                    models.CharField(
                        choices=[("inside", "inside copy"), ("outside", "outside copy")],
                        max_length=8,
                    ),
                ),
                (
                    "order",
                    models.TextField(
                        help_text="The order that its content was made from, RFC 8785."
                    ),
                ),
                ("performed_by", models.DateField()),
                ("read_by", models.DateField()),
                ("position", models.PositiveBigIntegerField()),
                ("recommends", models.BooleanField(null=True)),
                ("said_by", models.CharField(max_length=200)),
                ("said_on", models.DateField()),
                ("code_digest", models.CharField(max_length=64, unique=True)),
                ("content_digest", models.CharField(max_length=64)),
                ("sha256", models.CharField(max_length=64, unique=True)),
                ("size", models.PositiveIntegerField()),
                ("issued_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked_at", models.DateTimeField(null=True)),
                ("revoked_seq", models.PositiveBigIntegerField(null=True)),
                ("superseded_at", models.DateTimeField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                (
                    "batch",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reports",
                        to="accounts.backgroundjob",
                    ),
                ),
                (
                    "issued_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reports",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "revoked_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "revoked_why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "sentence",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "superseding",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="superseded",
                        to="credentialing.report",
                    ),
                ),
                (
                    "version",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.planversion",
                    ),
                ),
                (
                    "key",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reports",
                        to="credentialing.signingkey",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(fields=["programme", "-issued_at"], name="reports_newest")
                ],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("batch__isnull", False)),
                        fields=("batch", "person"),
                        name="one_report_a_person_in_a_batch",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("copy", "inside"), ("recommends__isnull", False), _connector="OR"
                        ),
                        name="an_outside_copy_says_what_the_director_recommends",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ReportFile",
            fields=[
                (
                    "report",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="file",
                        serialize=False,
                        to="credentialing.report",
                    ),
                ),
                ("data", models.BinaryField()),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Standing",
            fields=[
                ("d", models.DateField()),
                ("d2", models.DateField()),
                ("n", models.PositiveBigIntegerField()),
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("met", "met"),
                            ("not_met", "not met"),
                            ("not_yet_known", "not yet known"),
                        ],
                        max_length=14,
                    ),
                ),
                ("numerator", models.IntegerField()),
                ("denominator", models.IntegerField(null=True)),
                ("value", models.FloatField(null=True)),
                ("lower", models.FloatField(null=True)),
                ("upper", models.FloatField(null=True)),
                ("left", models.IntegerField(null=True)),
                ("waiting", models.PositiveIntegerField()),
                ("returned", models.PositiveIntegerField()),
                ("normal_over", models.IntegerField()),
                ("claimed", models.IntegerField()),
                ("first_met_on", models.DateField(null=True)),
                ("met_since", models.DateField(null=True)),
                ("lost_on", models.DateField(null=True)),
                ("lost_because", models.CharField(blank=True, default="", max_length=20)),
                ("reached_with", models.DateField(null=True)),
                ("reached_signed_on", models.DateField(null=True)),
                ("seen", models.IntegerField(null=True)),
                ("skipped", models.PositiveIntegerField(default=0)),
                ("transferred", models.PositiveIntegerField(default=0)),
                ("people", models.PositiveIntegerField(default=0)),
                ("largest", models.FloatField(null=True)),
                ("window_ends_on", models.DateField(null=True)),
                (
                    "clause",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.clause",
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="standings",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("membership", "clause"), name="one_standing_a_membership_and_clause"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="StandingChange",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("before", models.CharField(blank=True, default="", max_length=14)),
                ("after", models.CharField(max_length=14)),
                ("on", models.DateField()),
                ("n", models.PositiveBigIntegerField()),
                ("recorded_at", models.DateTimeField()),
                (
                    "clause",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.clause",
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="standing_changes",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="TransferCredit",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                (
                    "measure",
                    models.CharField(
                        choices=[
                            ("credited", "credited scans"),
                            ("assessed", "bedside assessments"),
                            ("document", "a document"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "count",
                    models.PositiveSmallIntegerField(
                        default=1, validators=[django.core.validators.MinValueValidator(1)]
                    ),
                ),
                (
                    "positive",
                    models.PositiveSmallIntegerField(
                        default=0, help_text="Of them positive, as the grantor says."
                    ),
                ),
                (
                    "level",
                    models.PositiveSmallIntegerField(
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(5),
                        ],
                    ),
                ),
                ("kind", models.CharField(blank=True, default="", max_length=12)),
                ("code", models.SlugField(blank=True, default="", max_length=40)),
                ("performed_from", models.DateField()),
                ("performed_to", models.DateField()),
                ("grantor", models.CharField(max_length=120)),
                (
                    "application",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
                    ),
                ),
                (
                    "document",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.transfercredit",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(
                        fields=["programme", "membership"], name="transfercredit_of_membership"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="transfercredit_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="transfercredit_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("application__isnull", False),
                                ("kind", ""),
                                ("level", None),
                                ("measure", "credited"),
                            ),
                            models.Q(
                                ("application__isnull", False),
                                ("kind", ""),
                                ("level__range", (1, 5)),
                                ("measure", "assessed"),
                            ),
                            models.Q(
                                ("application", None),
                                ("count", 1),
                                ("level", None),
                                ("measure", "document"),
                            ),
                            _connector="OR",
                        ),
                        name="transfer_names_what_its_measure_needs",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("performed_from__lte", models.F("performed_to")),
                            ("count__gte", 1),
                            ("positive__lte", models.F("count")),
                        ),
                        name="transfer_counts_something_in_order",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="BackTest",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("verdict", models.CharField(max_length=12)),
                ("day", models.DateField()),
                ("text", models.TextField(help_text="Scores and calibration, in canonical JSON.")),
                ("computed_at", models.DateTimeField()),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("programme",), name="one_back_test_a_programme")
                ],
            },
        ),
        migrations.CreateModel(
            name="Completion",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                (
                    "outcome",
                    models.CharField(
                        choices=[
                            ("graduated", "completed training"),
                            ("moved", "moved to another programme"),
                            ("left", "left"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "before_on",
                    models.DateField(help_text="The last day as it stood before.", null=True),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.completion",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(
                        fields=["programme", "membership"], name="completion_of_membership"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="completion_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="completion_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("outcome__in", ["graduated", "moved", "left"])),
                        name="completion_outcome_is_known",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="CurveDecision",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                (
                    "what",
                    models.CharField(
                        choices=[("continue", "continue"), ("start_again", "start again")],
                        max_length=12,
                    ),
                ),
                ("alarm_exam", models.UUIDField(help_text="The exam whose scan raised the alarm.")),
                ("on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "application",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="curve_decisions",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(
                        fields=["programme", "membership"], name="curve_decisions_of_member"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("what__in", ["continue", "start_again"])),
                        name="curve_decision_is_known",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="DigestChoice",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("wants", models.BooleanField()),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "person"), name="one_digest_choice_a_person"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Document",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("course", "course"),
                            ("written_test", "written test"),
                            ("other", "other document"),
                        ],
                        max_length=12,
                    ),
                ),
                ("code", models.SlugField(blank=True, default="", max_length=40)),
                ("title", models.CharField(max_length=120)),
                ("valid_until", models.DateField(null=True)),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.document",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(fields=["programme", "membership"], name="document_of_membership")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="document_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="document_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["course", "written_test", "other"])),
                        name="document_kind_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("valid_until", None),
                            ("valid_until__gte", models.F("effective_on")),
                            _connector="OR",
                        ),
                        name="document_is_valid_from_its_day",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Extension",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                ("before_on", models.DateField()),
                ("ends_on", models.DateField()),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.extension",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(fields=["programme", "membership"], name="extension_of_membership")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="extension_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="extension_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("ends_on__gt", models.F("before_on"))),
                        name="extension_is_longer",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Further",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("ordinal", models.PositiveSmallIntegerField()),
                (
                    "clause",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="leaves",
                        to="credentialing.clause",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("clause", "ordinal"), name="leaves_a_clause_once"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Leave",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("effective_on", models.DateField()),
                ("recorded_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("revoked", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(null=True)),
                ("starts_on", models.DateField()),
                ("ends_on", models.DateField()),
                (
                    "reason",
                    models.CharField(
                        choices=[
                            ("leave", "leave"),
                            ("elsewhere", "rotation elsewhere"),
                            ("research", "research"),
                            ("other", "another reason"),
                        ],
                        max_length=12,
                    ),
                ),
                (
                    "membership",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.membership",
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="credentialing.leave",
                    ),
                ),
                (
                    "why",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "indexes": [
                    models.Index(fields=["programme", "membership"], name="leave_of_membership")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("revoked", False), ("supersedes__isnull", False), _connector="OR"
                        ),
                        name="leave_revokes_another",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("superseded_on", None), ("superseded_seq", None)),
                            models.Q(
                                ("superseded_on__isnull", False),
                                ("superseded_seq__gt", models.F("seq")),
                                ("superseded_seq__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="leave_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("ends_on__gte", models.F("starts_on")),
                            ("starts_on", models.F("effective_on")),
                        ),
                        name="leave_ends_after_it_starts",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("reason__in", ["leave", "elsewhere", "research", "other"])
                        ),
                        name="leave_reason_is_known",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="OutlookRun",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("day", models.DateField(null=True)),
                ("claimed_at", models.DateTimeField(null=True)),
                ("finished_at", models.DateTimeField(null=True)),
                ("people", models.PositiveIntegerField(default=0)),
                ("failed", models.CharField(blank=True, default="", max_length=300)),
                (
                    "shown_to_trainees",
                    models.BooleanField(
                        default=False, verbose_name="trainees see their own outlook and curve"
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme",), name="one_outlook_run_a_programme"
                    )
                ],
            },
        ),
    ]
