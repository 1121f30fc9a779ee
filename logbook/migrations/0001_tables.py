# Everything that 0001_initial and those after it make, in one step for a database that is new.

import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

import accounts.fields


class Migration(migrations.Migration):
    replaces = [
        ("logbook", "0001_initial"),
        ("logbook", "0002_uploads"),
        ("logbook", "0003_scanner_counts"),
        ("logbook", "0004_late_is_the_credit_rules_alone"),
        ("logbook", "0005_captures_that_go"),
        ("logbook", "0006_resumable_uploads"),
        ("logbook", "0007_letters_and_marks"),
        ("logbook", "0008_what_a_standing_waits_for"),
        ("logbook", "0009_fingerprints"),
        ("logbook", "0010_when_frames_begin"),
        ("logbook", "0011_where_a_scan_stands_in_the_ledger"),
    ]

    initial = True

    dependencies = [
        ("accounts", "0001_tables"),
        ("accounts", "__first__"),
    ]

    operations = [
        migrations.CreateModel(
            name="Application",
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
                ("name", models.CharField(max_length=80)),
                ("group", models.SlugField(default="lung", max_length=40)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("sided", "each side: positive or negative"),
                            ("pattern", "a pattern"),
                        ],
                        default="sided",
                        max_length=8,
                    ),
                ),
                (
                    "required_zones",
                    models.CharField(
                        choices=[
                            ("one_anterior", "one zone at the front of each side"),
                            ("not_base", "every zone but the bases"),
                            ("every", "every zone"),
                            ("bases", "the base of each side"),
                        ],
                        default="every",
                        max_length=16,
                    ),
                ),
                ("ordinal", models.PositiveSmallIntegerField(default=0)),
                ("retired", models.BooleanField(default=False)),
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
                "ordering": ["programme", "ordinal", "code"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "code"), name="application_code_once_a_programme"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["sided", "pattern"])),
                        name="application_kind_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("required_zones__in", ("one_anterior", "not_base", "every", "bases"))
                        ),
                        name="required_zones_rule_is_known",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="LogbookSettings",
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
                ("scheme", models.CharField(default="8b", max_length=8, verbose_name="zones")),
                (
                    "b_lines_per_zone",
                    models.PositiveSmallIntegerField(
                        default=3,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(5),
                        ],
                        verbose_name="B-lines that make a zone positive",
                    ),
                ),
                (
                    "positive_zones_per_side",
                    models.PositiveSmallIntegerField(
                        default=2,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(4),
                        ],
                        verbose_name="positive zones that a side needs",
                    ),
                ),
                (
                    "both_sides",
                    models.BooleanField(default=True, verbose_name="both sides must have them"),
                ),
                (
                    "pleura_at_most_mm",
                    models.PositiveSmallIntegerField(
                        default=70, verbose_name="deepest view of the pleural line (mm)"
                    ),
                ),
                (
                    "deep_at_least_mm",
                    models.PositiveSmallIntegerField(
                        default=120, verbose_name="shallowest deep view in adults (mm)"
                    ),
                ),
                (
                    "close_returned_after_days",
                    models.PositiveSmallIntegerField(
                        default=14,
                        validators=[django.core.validators.MinValueValidator(1)],
                        verbose_name="days after which a return closes",
                    ),
                ),
                (
                    "keep_dicom",
                    models.BooleanField(
                        default=False,
                        help_text="Off unless the programme asks for it: beside each picture that came as DICOM, a copy cleaned after DICOM PS3.15 Annex E is kept.",
                        verbose_name="keep cleaned DICOM for the teaching set",
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
                    models.UniqueConstraint(fields=("programme",), name="one_logbook_a_programme"),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("b_lines_per_zone__range", (1, 5)),
                            ("positive_zones_per_side__range", (1, 4)),
                        ),
                        name="rules_of_reading_in_range",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("pleura_at_most_mm__gt", 0),
                            ("deep_at_least_mm__gte", models.F("pleura_at_most_mm")),
                            ("deep_at_least_mm__lte", 400),
                        ),
                        name="pleural_view_is_the_shallower",
                        violation_error_message="The pleural line's view is the shallower of the two.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="OwnValue",
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
                ("list_code", models.SlugField(max_length=40)),
                ("code", models.SlugField(max_length=40)),
                ("text", models.CharField(max_length=80)),
                ("retired", models.BooleanField(default=False)),
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
                "ordering": ["programme", "list_code", "text", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "list_code", "code"), name="own_value_once_a_list"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ScannerCount",
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
                ("place", models.CharField(max_length=80)),
                ("month", models.DateField()),
                ("performed", models.PositiveIntegerField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.PositiveBigIntegerField()),
                (
                    "entered_by",
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
                "indexes": [
                    models.Index(fields=["programme", "month"], name="scanner_counts_of_a_month")
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "place", "month", "seq"), name="counted_once_an_entry"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("place", ""), _negated=True),
                        name="a_count_names_its_place",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Exam",
            fields=[
                ("id", models.UUIDField(primary_key=True, serialize=False)),
                ("code", models.CharField(max_length=6)),
                ("version", models.PositiveIntegerField(default=1)),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("draft", "draft"),
                            ("received", "received, captures on their way"),
                            ("complete", "waiting to be read"),
                            ("needs_you", "needs you"),
                            ("withdrawn", "withdrawn"),
                        ],
                        default="draft",
                        max_length=12,
                    ),
                ),
                (
                    "draft",
                    models.TextField(
                        blank=True,
                        help_text="What is unsubmitted, as the canonical text of drafts.canonical; else null.",
                        null=True,
                    ),
                ),
                ("created_at", models.DateTimeField()),
                ("first_received_at", models.DateTimeField(blank=True, null=True)),
                ("completed_at", models.DateTimeField(blank=True, null=True)),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
                (
                    "trainee",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="exams",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(fields=["trainee", "-created_at"], name="exams_of_a_trainee"),
                    models.Index(
                        fields=["programme", "state", "first_received_at"], name="exams_waiting"
                    ),
                    models.Index(
                        fields=["trainee", "programme", "first_received_at"],
                        name="exams_by_first_receipt",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("programme", "code"), name="exam_code_once_a_programme"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "state__in",
                                ("draft", "received", "complete", "needs_you", "withdrawn"),
                            )
                        ),
                        name="exam_state_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "draft"), _negated=True),
                            models.Q(("draft__isnull", False), ("first_received_at", None)),
                            _connector="OR",
                        ),
                        name="draft_has_a_draft",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "complete"), _negated=True),
                            ("completed_at__isnull", False),
                            _connector="OR",
                        ),
                        name="complete_exam_says_since_when",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("version__gte", 1)), name="version_counts_from_one"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Capture",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.fields.uuid7, primary_key=True, serialize=False
                    ),
                ),
                ("ordinal", models.PositiveSmallIntegerField()),
                ("zone", models.CharField(max_length=8)),
                ("probe", models.CharField(blank=True, max_length=40)),
                ("depth_mm", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("mode", models.CharField(default="b", max_length=8)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("still", "still"),
                            ("clip", "clip"),
                            ("archive", "kept in the department's archive"),
                        ],
                        max_length=8,
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("uploading", "uploading"),
                            ("received", "being checked"),
                            ("confirm_mask", "look at what is hidden"),
                            ("ready", "ready"),
                            ("refused", "could not be used"),
                            ("covered", "replaced"),
                            ("removed", "removed"),
                            ("expired", "no longer kept"),
                        ],
                        default="uploading",
                        max_length=12,
                    ),
                ),
                ("created_at", models.DateTimeField()),
                ("ready_at", models.DateTimeField(blank=True, null=True)),
                ("master_key", models.CharField(blank=True, max_length=120)),
                ("master_sha256", models.CharField(blank=True, max_length=64)),
                ("poster_key", models.CharField(blank=True, max_length=120)),
                ("play_key", models.CharField(blank=True, max_length=120)),
                ("frames", models.PositiveIntegerField(blank=True, null=True)),
                ("duration_ms", models.PositiveIntegerField(blank=True, null=True)),
                (
                    "frame_starts",
                    models.TextField(
                        blank=True,
                        help_text="Milliseconds with commas between, one a frame; empty where frames come evenly.",
                    ),
                ),
                ("width", models.PositiveIntegerField(blank=True, null=True)),
                ("height", models.PositiveIntegerField(blank=True, null=True)),
                ("refusal", models.CharField(blank=True, max_length=300)),
                (
                    "file_date",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("agrees", "the file’s own date is the exam’s"),
                            ("differs", "the file’s own date is another than the exam’s"),
                            ("absent", "the file has no date of its own"),
                        ],
                        max_length=8,
                    ),
                ),
                ("dicom_key", models.CharField(blank=True, max_length=120)),
                ("uid_key_id", models.CharField(blank=True, max_length=40)),
                ("gone_at", models.DateTimeField(blank=True, null=True)),
                (
                    "gone_because",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("own", "taken away by its trainee"),
                            ("covered", "something identifying was covered"),
                            ("identifies", "something in it identifies a person"),
                            ("put_back", "the picture before it was put back"),
                        ],
                        max_length=12,
                    ),
                ),
                ("arrival_mac", models.CharField(blank=True, max_length=64)),
                ("mac_key_id", models.CharField(blank=True, max_length=40)),
                (
                    "covers",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="covered_by",
                        to="logbook.capture",
                    ),
                ),
                (
                    "gone_by",
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
                (
                    "exam",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="captures",
                        to="logbook.exam",
                    ),
                ),
            ],
            options={
                "ordering": ["exam", "ordinal", "id"],
                "indexes": [
                    models.Index(
                        condition=models.Q(
                            ("state__in", ("covered", "removed", "expired")),
                            models.Q(("master_key", ""), _negated=True),
                        ),
                        fields=["gone_at"],
                        name="captures_to_forget",
                    ),
                    models.Index(
                        fields=["programme", "arrival_mac"], name="captures_by_what_arrived"
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("exam", "ordinal"), name="capture_number_once_an_exam"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "state__in",
                                (
                                    "uploading",
                                    "received",
                                    "confirm_mask",
                                    "ready",
                                    "refused",
                                    "covered",
                                    "removed",
                                    "expired",
                                ),
                            )
                        ),
                        name="capture_state_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["still", "clip", "archive"])),
                        name="capture_kind_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "ready"), _negated=True),
                            ("kind", "archive"),
                            models.Q(("master_sha256", ""), _negated=True),
                            _connector="OR",
                        ),
                        name="ready_capture_has_a_master",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "archive"), _negated=True),
                            models.Q(("arrival_mac", ""), ("master_key", "")),
                            _connector="OR",
                        ),
                        name="archive_capture_stores_nothing",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "refused"), _negated=True),
                            models.Q(("refusal", ""), _negated=True),
                            _connector="OR",
                        ),
                        name="refused_capture_says_why",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("depth_mm", None), ("depth_mm__range", (5, 400)), _connector="OR"
                        ),
                        name="depth_is_a_probes_depth",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ExamRevision",
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
                ("draft_version", models.PositiveIntegerField()),
                ("submitted_at", models.DateTimeField()),
                ("setting", models.CharField(max_length=40)),
                ("place", models.CharField(blank=True, max_length=80)),
                ("performed_at", models.DateTimeField()),
                ("performed_on", models.DateField()),
                ("answered_at", models.DateTimeField()),
                ("age_band", models.CharField(max_length=40)),
                ("position", models.CharField(max_length=40)),
                ("breathing", models.CharField(max_length=40)),
                ("chest_procedure", models.CharField(max_length=40)),
                ("indication", models.CharField(max_length=40)),
                ("operator", models.CharField(max_length=40)),
                ("supervision", models.CharField(max_length=40)),
                ("supervisor_typed", models.CharField(blank=True, max_length=80)),
                ("knew_result", models.BooleanField()),
                (
                    "parameters",
                    models.TextField(help_text="The canonical text of lung.Parameters."),
                ),
                (
                    "exam",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="revisions",
                        to="logbook.exam",
                    ),
                ),
                (
                    "note",
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
                    "same_patient",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.exam",
                    ),
                ),
                (
                    "supervisor",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["exam", "n"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("exam", "n"), name="revision_number_once_an_exam"
                    ),
                    models.UniqueConstraint(
                        fields=("exam", "draft_version"), name="one_revision_a_submitted_version"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("performed_at__lte", models.F("submitted_at")),
                            ("answered_at__lte", models.F("submitted_at")),
                        ),
                        name="performed_and_answered_before_submitted",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("supervisor", None), ("supervisor_typed", ""), _connector="OR"
                        ),
                        name="supervisor_is_a_person_or_typed",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Finding",
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
                ("zone", models.CharField(max_length=8)),
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
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="findings",
                        to="logbook.examrevision",
                    ),
                ),
            ],
            options={
                "ordering": ["revision", "zone", "sign"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("revision", "zone", "sign"), name="sign_once_a_zone_of_a_revision"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Fingerprint",
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
                ("picture", models.BinaryField(max_length=8192)),
                (
                    "capture",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fingerprint",
                        to="logbook.capture",
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
            name="FingerprintCode",
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
                ("code", models.PositiveIntegerField()),
                (
                    "fingerprint",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="codes",
                        to="logbook.fingerprint",
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
                "indexes": [
                    models.Index(fields=["programme", "code"], name="fingerprints_by_code")
                ],
            },
        ),
        migrations.CreateModel(
            name="RevisionAnswer",
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
                ("answer", models.CharField(max_length=20)),
                ("confidence", models.CharField(max_length=40)),
                (
                    "application",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
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
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="answers",
                        to="logbook.examrevision",
                    ),
                ),
            ],
            options={
                "ordering": ["revision", "application__ordinal", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("revision", "application"),
                        name="application_answered_once_a_revision",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("answer", ""), _negated=True),
                        name="submitted_answer_is_not_open",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Scan",
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
                    "state",
                    models.CharField(
                        choices=[
                            ("submitted", "waiting to be read"),
                            ("attested", "read and signed"),
                            ("set_aside", "set aside"),
                            ("returned", "returned to you"),
                            ("withdrawn", "withdrawn"),
                            ("closed", "closed"),
                        ],
                        default="submitted",
                        max_length=12,
                    ),
                ),
                ("moved_at", models.DateTimeField()),
                ("received_seq", models.BigIntegerField(default=0)),
                ("moved_seq", models.BigIntegerField(default=0)),
                ("first_answer", models.CharField(max_length=20)),
                ("first_confidence", models.CharField(max_length=40)),
                ("first_answered_at", models.DateTimeField()),
                ("performed_on", models.DateField()),
                (
                    "application",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.application",
                    ),
                ),
                (
                    "exam",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="scans",
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
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.examrevision",
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
                "ordering": ["exam", "application__ordinal", "id"],
                "indexes": [
                    models.Index(
                        fields=["programme", "state", "application"], name="scans_waiting"
                    ),
                    models.Index(
                        fields=["trainee", "application", "performed_on"], name="scans_of_trainee"
                    ),
                    models.Index(
                        condition=models.Q(("state__in", ["submitted", "returned"])),
                        fields=["trainee", "programme"],
                        name="scans_a_trainee_waits_for",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("exam", "application"), name="one_scan_an_exam_and_application"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "state__in",
                                (
                                    "submitted",
                                    "attested",
                                    "set_aside",
                                    "returned",
                                    "withdrawn",
                                    "closed",
                                ),
                            )
                        ),
                        name="scan_state_is_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("first_answer", ""), _negated=True),
                        name="scan_has_a_first_answer",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="SupervisionConfirmation",
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
                ("supervision", models.CharField(max_length=40)),
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
                    "exam",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="confirmations",
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
                    "revision",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="logbook.examrevision",
                    ),
                ),
            ],
            options={
                "ordering": ["seq", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("exam", "by_person", "supervision"),
                        name="supervision_confirmed_once_by_a_person",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Upload",
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
                ("sealed_key", models.BinaryField(max_length=120, null=True)),
                ("sealed_by", models.CharField(max_length=40)),
                ("size", models.PositiveBigIntegerField()),
                ("offset", models.PositiveBigIntegerField(default=0)),
                ("head", models.CharField(blank=True, max_length=16)),
                ("pieces", models.PositiveIntegerField(default=0)),
                ("received_at", models.DateTimeField(null=True)),
                ("claimed_at", models.DateTimeField(null=True)),
                ("attempts", models.PositiveSmallIntegerField(default=0)),
                ("stripped_at", models.DateTimeField(null=True)),
                (
                    "mask",
                    models.TextField(
                        help_text="canonical text: rectangles in hundredths of a percent", null=True
                    ),
                ),
                (
                    "marks",
                    models.TextField(
                        default="{}", help_text="canonical text: what is redrawn beside the picture"
                    ),
                ),
                (
                    "text_at",
                    models.TextField(
                        default="[]",
                        help_text="canonical text: where letters were found, in hundredths of a percent",
                    ),
                ),
                ("text_answered", models.BooleanField(default=False)),
                ("emptied_at", models.DateTimeField(null=True)),
                (
                    "capture",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="upload",
                        to="logbook.capture",
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
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("emptied_at", None), ("sealed_key__isnull", False)),
                            models.Q(("emptied_at__isnull", False), ("sealed_key", None)),
                            _connector="OR",
                        ),
                        name="an_emptied_upload_has_lost_its_key",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("mask", None), ("stripped_at__isnull", False), _connector="OR"
                        ),
                        name="a_mask_is_confirmed_on_stripped_frames",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("offset__lt", models.F("size")), ("received_at", None)),
                            models.Q(("offset", models.F("size")), ("received_at__isnull", False)),
                            _connector="OR",
                        ),
                        name="an_upload_is_received_when_it_is_whole",
                    ),
                ],
            },
        ),
        migrations.AddField(
            model_name="exam",
            name="revision",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="logbook.examrevision",
            ),
        ),
        migrations.AddConstraint(
            model_name="exam",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("first_received_at", None), ("revision", None)),
                    models.Q(("first_received_at__isnull", False), ("revision__isnull", False)),
                    _connector="OR",
                ),
                name="received_with_a_revision",
            ),
        ),
        migrations.AddConstraint(
            model_name="exam",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state__in", ["received", "complete", "needs_you"]), _negated=True),
                    ("revision__isnull", False),
                    _connector="OR",
                ),
                name="submitted_exam_has_a_revision",
            ),
        ),
    ]
