# Everything that 0001_initial and those after it make, in one step for a database that is new.

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

import accounts.fields


class Migration(migrations.Migration):
    replaces = [
        ("review", "0001_initial"),
        ("review", "0002_bedside_assessments"),
        ("review", "0003_attestations_as_counted"),
    ]

    initial = True

    dependencies = [
        ("accounts", "0001_tables"),
        ("accounts", "__first__"),
        ("logbook", "0001_tables"),
    ]

    operations = [
        migrations.CreateModel(
            name="CreditException",
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
                ("waives", models.CharField(max_length=120)),
                ("effective_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "by_person",
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
                (
                    "reason",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "scan",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="exception",
                        to="logbook.scan",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("waives", ""), _negated=True),
                        name="exception_waives_something",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="CreditRule",
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
                ("text", models.TextField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "by_person",
                    models.ForeignKey(
                        blank=True,
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
            ],
            options={
                "ordering": ["programme", "n"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "n"), name="credit_rule_numbered_once"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Hold",
            fields=[
                (
                    "exam",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="hold",
                        serialize=False,
                        to="logbook.exam",
                    ),
                ),
                ("taken_at", models.DateTimeField()),
                ("expires_at", models.DateTimeField()),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "reader",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(fields=["reader", "expires_at"], name="holds_of_a_reader")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("expires_at__gt", models.F("taken_at"))),
                        name="hold_ends_after_it_starts",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ReadingDraft",
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
                ("text", models.TextField()),
                ("saved_at", models.DateTimeField()),
                (
                    "exam",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.exam",
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
                    "reader",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("exam", "reader"), name="one_reading_draft_an_exam_and_reader"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ReturnRequest",
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
                ("zones", models.CharField(blank=True, max_length=200)),
                ("captures", models.CharField(blank=True, max_length=200)),
                ("fields", models.CharField(blank=True, max_length=200)),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "by_person",
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
                (
                    "remark",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.examrevision",
                    ),
                ),
                (
                    "scan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="returns",
                        to="logbook.scan",
                    ),
                ),
            ],
            options={
                "ordering": ["seq", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("scan", "revision"), name="scan_returned_once_a_revision"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("captures", ""), ("fields", ""), ("zones", ""), _negated=True
                        ),
                        name="return_asks_for_something",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="RubricVersion",
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
                ("kind", models.CharField(max_length=12)),
                ("n", models.PositiveSmallIntegerField()),
                ("text", models.TextField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "by_person",
                    models.ForeignKey(
                        blank=True,
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
            ],
            options={
                "ordering": ["programme", "kind", "n"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "kind", "n"), name="rubric_version_numbered_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ("reading", "assessment"))),
                        name="rubric_kind_is_known",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Reading",
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
                ("given_at", models.DateTimeField()),
                ("revealed_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("answer", models.CharField(max_length=20)),
                ("quality", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("archive_read", models.TextField(default="[]")),
                ("blind", models.BooleanField()),
                ("independent", models.BooleanField()),
                ("at_bedside", models.BooleanField()),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "reader",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.examrevision",
                    ),
                ),
                (
                    "scan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="readings",
                        to="logbook.scan",
                    ),
                ),
                (
                    "rubric_version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="review.rubricversion",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(fields=["scan", "revealed_at"], name="readings_of_a_scan")
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("scan", "revision", "reader"),
                        name="one_reading_a_reader_and_revision",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("blind", False),
                            ("given_at__lte", models.F("revealed_at")),
                            _connector="OR",
                        ),
                        name="blind_reading_is_given_before_the_reveal",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("independent", False),
                            models.Q(("at_bedside", False), ("blind", True)),
                            _connector="OR",
                        ),
                        name="independent_reading_is_blind_and_from_elsewhere",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("quality", None), ("quality__range", (1, 5)), _connector="OR"
                        ),
                        name="reading_quality_is_one_to_five",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("answer", ""), _negated=True),
                        name="reading_has_an_answer",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Attestation",
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
                ("ordinal", models.PositiveSmallIntegerField(default=1)),
                ("performed_on", models.DateField()),
                ("performed_at", models.DateTimeField()),
                ("received_on", models.DateField()),
                ("signed_on", models.DateField()),
                ("signed_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("superseded_on", models.DateField(blank=True, null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(blank=True, null=True)),
                ("setting", models.CharField(max_length=40)),
                ("operator", models.CharField(max_length=40)),
                ("supervision", models.CharField(max_length=40)),
                ("trainee_answer", models.CharField(max_length=20)),
                ("trainee_confidence", models.CharField(max_length=40)),
                ("trainee_call", models.CharField(max_length=16)),
                ("reader_answer", models.CharField(max_length=20)),
                ("reader_call", models.CharField(max_length=16)),
                ("quality", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("first_reader_answer", models.CharField(max_length=20)),
                ("first_reader_call", models.CharField(max_length=16)),
                ("first_quality", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("items", models.TextField(default="{}")),
                ("credited", models.BooleanField()),
                ("credit_reasons", models.CharField(blank=True, max_length=120)),
                ("blind", models.BooleanField()),
                ("independent", models.BooleanField()),
                ("in_read", models.BooleanField()),
                ("not_in_read_because", models.CharField(blank=True, max_length=16)),
                ("pair", models.BooleanField()),
                ("agrees", models.BooleanField()),
                ("determinate", models.BooleanField()),
                ("capture_hashes", models.TextField()),
                ("statement", models.TextField()),
                (
                    "application",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
                    ),
                ),
                (
                    "correction_reason",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "exam",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="attestations",
                        to="logbook.exam",
                    ),
                ),
                (
                    "feedback",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "override_reason",
                    models.ForeignKey(
                        blank=True,
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
                    "reader",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.examrevision",
                    ),
                ),
                (
                    "scan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="attestations",
                        to="logbook.scan",
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="superseded_by",
                        to="review.attestation",
                    ),
                ),
                (
                    "trainee",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "exception",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="review.creditexception",
                    ),
                ),
                (
                    "credit_rule",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="review.creditrule",
                    ),
                ),
                (
                    "first_reading",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="review.reading",
                    ),
                ),
                (
                    "reading",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="attestations",
                        to="review.reading",
                    ),
                ),
                (
                    "rubric_version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="review.rubricversion",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(
                        fields=[
                            "programme",
                            "trainee",
                            "performed_on",
                            "performed_at",
                            "exam",
                            "scan",
                            "ordinal",
                            "application",
                            "signed_on",
                            "seq",
                            "superseded_on",
                            "superseded_seq",
                            "credited",
                            "in_read",
                            "quality",
                            "reader_call",
                            "first_reader_call",
                            "first_quality",
                            "pair",
                            "agrees",
                            "determinate",
                            "supervision",
                        ],
                        name="attestations_as_counted",
                    ),
                    models.Index(
                        fields=["programme", "reader", "-signed_at"],
                        name="attestations_of_a_reader",
                    ),
                    models.Index(fields=["programme", "seq"], name="attestations_by_position"),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("scan", "ordinal"), name="attestation_numbered_once"
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("superseded_on", None)),
                        fields=("scan",),
                        name="one_current_attestation_a_scan",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("ordinal", 1), ("supersedes", None)),
                            models.Q(("ordinal__gt", 1), ("supersedes__isnull", False)),
                            _connector="OR",
                        ),
                        name="first_attestation_supersedes_nothing",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("supersedes", None),
                            ("correction_reason__isnull", False),
                            _connector="OR",
                        ),
                        name="correction_says_why",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("reader", models.F("trainee")), _negated=True),
                        name="nobody_attests_their_own_scan",
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
                        name="superseded_later_and_in_both_columns",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("quality", None), ("quality__range", (1, 5)), _connector="OR"
                            ),
                            models.Q(
                                ("first_quality", None),
                                ("first_quality__range", (1, 5)),
                                _connector="OR",
                            ),
                        ),
                        name="attested_quality_is_one_to_five",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "trainee_call__in",
                                ("positive", "negative", "focal", "indeterminate", "limited"),
                            ),
                            (
                                "reader_call__in",
                                ("positive", "negative", "focal", "indeterminate", "limited"),
                            ),
                            (
                                "first_reader_call__in",
                                ("positive", "negative", "focal", "indeterminate", "limited"),
                            ),
                        ),
                        name="attested_calls_are_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("credit_reasons", ""), ("credited", True)),
                            models.Q(
                                ("credited", False), models.Q(("credit_reasons", ""), _negated=True)
                            ),
                            ("override_reason__isnull", False),
                            _connector="OR",
                        ),
                        name="override_of_the_rule_says_why",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("in_read", True), ("not_in_read_because", "")),
                            models.Q(
                                ("in_read", False),
                                (
                                    "not_in_read_because__in",
                                    ("late", "not_blind", "not_independent", "knew", "corrected"),
                                ),
                            ),
                            _connector="OR",
                        ),
                        name="out_of_the_read_set_says_why",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("independent", False), ("blind", True), _connector="OR"
                        ),
                        name="independent_attestation_is_blind",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("determinate", False), ("pair", True), _connector="OR"),
                            models.Q(("agrees", False), ("determinate", True), _connector="OR"),
                        ),
                        name="agreement_is_among_committed_pairs",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("performed_at__lte", models.F("signed_at"))),
                        name="performed_before_signed",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Discrepancy",
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
                    "because",
                    models.CharField(
                        choices=[
                            ("pneumothorax", "the answers on pneumothorax differ"),
                            ("reader", "the reader saw something that may matter now"),
                        ],
                        max_length=16,
                    ),
                ),
                ("found_at", models.DateTimeField()),
                ("telephone", models.CharField(max_length=40)),
                (
                    "told",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("duty_clinician", "the duty clinician"),
                            ("treating_clinician", "the treating clinician"),
                            ("bedside_supervisor", "the supervisor at the bedside"),
                            ("other", "another clinician of the team"),
                        ],
                        max_length=20,
                    ),
                ),
                ("told_at", models.DateTimeField(blank=True, null=True)),
                ("acknowledged_at", models.DateTimeField(blank=True, null=True)),
                (
                    "attestation",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="discrepancy",
                        to="review.attestation",
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
                    "told_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "told_remark",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "trainee",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "discrepancies",
                "ordering": ["-found_at", "id"],
                "indexes": [
                    models.Index(
                        condition=models.Q(("acknowledged_at", None)),
                        fields=["trainee"],
                        name="discrepancies_to_see",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("told", ""), ("told_at", None), ("told_by", None)),
                            models.Q(
                                models.Q(("told", ""), _negated=True),
                                ("told_at__isnull", False),
                                ("told_by__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="told_says_whom_when_and_by_whom",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ReadingFinding",
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
                ("zone", models.CharField(blank=True, max_length=8)),
                ("sign", models.CharField(max_length=40)),
                ("value", models.CharField(max_length=40)),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "reading",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="findings",
                        to="review.reading",
                    ),
                ),
            ],
            options={
                "ordering": ["reading", "zone", "sign"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("reading", "zone", "sign"), name="sign_once_a_zone_of_a_reading"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Assessment",
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
                ("level", models.PositiveSmallIntegerField()),
                ("items", models.TextField(default="{}", help_text="Codes of the rubric's items.")),
                ("summative", models.BooleanField(default=False)),
                ("performed_on", models.DateField()),
                ("signed_on", models.DateField()),
                ("signed_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                ("ordinal", models.PositiveSmallIntegerField(default=1)),
                ("taken_back", models.BooleanField(default=False)),
                ("superseded_on", models.DateField(blank=True, null=True)),
                ("superseded_seq", models.PositiveBigIntegerField(blank=True, null=True)),
                (
                    "statement",
                    models.TextField(help_text="What was signed, canonical; remarks by digest."),
                ),
                (
                    "application",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
                    ),
                ),
                (
                    "assessor",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "correction_reason",
                    models.ForeignKey(
                        blank=True,
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
                    "remark",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="superseded_by",
                        to="review.assessment",
                    ),
                ),
                (
                    "trainee",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "rubric_version",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="review.rubricversion",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(
                        fields=["programme", "trainee", "application", "performed_on"],
                        name="assessments_of_a_trainee",
                    ),
                    models.Index(
                        fields=["assessor", "-signed_at"], name="assessments_of_an_assessor"
                    ),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("level__in", (1, 2, 3, 4, 5))),
                        name="assessed_level_is_1_to_5",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("assessor", models.F("trainee")), _negated=True),
                        name="nobody_assesses_themselves",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("ordinal", 1), ("supersedes", None), ("taken_back", False)),
                            models.Q(
                                ("correction_reason__isnull", False),
                                ("ordinal__gt", 1),
                                ("supersedes__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="first_assessment_supersedes_nothing",
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
                        name="assessment_superseded_later",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("performed_on__lte", models.F("signed_on"))),
                        name="assessed_before_signed",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="SetAside",
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
                    "reason",
                    models.CharField(
                        choices=[
                            ("duplicate", "recorded twice"),
                            ("test_entry", "an entry made to try the service"),
                            ("wrong_programme", "belongs to another programme"),
                            ("not_permitted", "must not be used here"),
                        ],
                        max_length=20,
                    ),
                ),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "by_person",
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
                (
                    "remark",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.remark",
                    ),
                ),
                (
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.examrevision",
                    ),
                ),
                (
                    "scan",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="aside",
                        to="logbook.scan",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "reason__in",
                                ["duplicate", "test_entry", "wrong_programme", "not_permitted"],
                            )
                        ),
                        name="set_aside_reason_is_known",
                    )
                ],
            },
        ),
    ]
