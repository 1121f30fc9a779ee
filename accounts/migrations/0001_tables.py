# Everything that 0001_initial and those after it make, in one step for a database that is new.

import django.core.validators
import django.db.models.deletion
import django.db.models.functions.text
from django.conf import settings
from django.db import migrations, models

import accounts.fields


def constrain(apps, schema_editor):
    """PostgreSQL: an exclusion constraint. SQLite has none; its trigger is made after migrate."""
    if schema_editor.connection.vendor != "postgresql":
        return
    schema_editor.execute("CREATE EXTENSION IF NOT EXISTS btree_gist")
    schema_editor.execute(
        "ALTER TABLE accounts_membership ADD CONSTRAINT memberships_do_not_overlap "
        "EXCLUDE USING gist (person_id WITH =, programme_id WITH =, role WITH =, "
        "daterange(starts_on, ends_on, '[]') WITH &&)"
    )


def release(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(
            "ALTER TABLE accounts_membership DROP CONSTRAINT memberships_do_not_overlap"
        )


class Migration(migrations.Migration):
    replaces = [
        ("accounts", "0001_initial"),
        ("accounts", "0002_memberships_do_not_overlap"),
        ("accounts", "0003_person_events"),
        ("accounts", "0004_jobs_are_heard"),
    ]

    initial = True

    dependencies = []

    operations = [
        migrations.CreateModel(
            name="Institution",
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
                    "code",
                    models.CharField(
                        max_length=40,
                        unique=True,
                        validators=[
                            django.core.validators.RegexValidator(
                                "^[a-z0-9]+(-[a-z0-9]+)*$",
                                "Use small letters, digits and single hyphens.",
                            )
                        ],
                    ),
                ),
                ("name", models.CharField(max_length=200)),
            ],
        ),
        migrations.CreateModel(
            name="SignInBucket",
            fields=[
                ("key", models.CharField(max_length=64, primary_key=True, serialize=False)),
                ("attempts", models.PositiveIntegerField(default=0)),
                ("opened_at", models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name="Person",
            fields=[
                ("password", models.CharField(max_length=128, verbose_name="password")),
                (
                    "last_login",
                    models.DateTimeField(blank=True, null=True, verbose_name="last login"),
                ),
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
                    "email",
                    models.EmailField(max_length=254, unique=True, verbose_name="e-mail address"),
                ),
                ("name", models.CharField(max_length=200, verbose_name="name")),
                ("staff_number", models.CharField(blank=True, default="", max_length=40)),
                ("is_active", models.BooleanField(default=True)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        django.db.models.functions.text.Lower("email"), name="one_person_an_address"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="AccessLog",
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
                ("at", models.DateTimeField()),
                ("person_id", models.UUIDField(null=True)),
                ("programme_id", models.UUIDField(null=True)),
                ("what", models.CharField(max_length=64)),
                ("method", models.CharField(blank=True, default="", max_length=8)),
                ("path", models.CharField(blank=True, default="", max_length=300)),
                ("status", models.PositiveSmallIntegerField(null=True)),
                ("address", models.GenericIPAddressField(null=True)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["programme_id", "at"], name="access_by_programme")
                ],
            },
        ),
        migrations.CreateModel(
            name="InstitutionAdministrator",
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
                ("from_on", models.DateField()),
                ("to_on", models.DateField(null=True)),
                ("recorded_at", models.DateTimeField()),
                (
                    "ended_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "institution",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="administrators",
                        to="accounts.institution",
                    ),
                ),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="administers",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="Programme",
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
                    "code",
                    models.CharField(
                        max_length=40,
                        unique=True,
                        validators=[
                            django.core.validators.RegexValidator(
                                "^[a-z0-9]+(-[a-z0-9]+)*$",
                                "Use small letters, digits and single hyphens.",
                            )
                        ],
                    ),
                ),
                ("name", models.CharField(max_length=200)),
                (
                    "time_zone",
                    models.CharField(help_text="The zone the programme began in.", max_length=64),
                ),
                ("duty_telephone", models.CharField(blank=True, default="", max_length=40)),
                ("created_at", models.DateTimeField()),
                (
                    "institution",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="programmes",
                        to="accounts.institution",
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="MembershipEvent",
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
                ("membership", models.UUIDField(db_index=True)),
                (
                    "kind",
                    models.CharField(
                        choices=[("begun", "begun"), ("changed", "changed"), ("ended", "ended")],
                        max_length=10,
                    ),
                ),
                (
                    "role",
                    models.CharField(
                        choices=[
                            ("trainee", "Trainee"),
                            ("faculty", "Faculty"),
                            ("coordinator", "Coordinator"),
                            ("director", "Director"),
                        ],
                        max_length=12,
                    ),
                ),
                ("profession", models.CharField(blank=True, default="", max_length=60)),
                ("level", models.CharField(blank=True, default="", max_length=60)),
                ("starts_on", models.DateField()),
                ("ends_on", models.DateField(null=True)),
                ("effective_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.BigIntegerField()),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
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
            name="BackgroundJob",
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
                ("kind", models.CharField(max_length=60)),
                ("key", models.CharField(max_length=200, unique=True)),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("waiting", "waiting"),
                            ("running", "running"),
                            ("done", "done"),
                            ("failed", "failed"),
                        ],
                        default="waiting",
                        max_length=10,
                    ),
                ),
                ("done", models.PositiveIntegerField(default=0)),
                ("total", models.PositiveIntegerField(default=0)),
                ("arguments", models.TextField(default="{}")),
                ("result", models.CharField(blank=True, default="", max_length=300)),
                ("error", models.CharField(blank=True, default="", max_length=300)),
                ("asked_at", models.DateTimeField()),
                ("started_at", models.DateTimeField(null=True)),
                ("heard_at", models.DateTimeField(null=True)),
                ("finished_at", models.DateTimeField(null=True)),
                (
                    "asked_by",
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
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Remark",
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
                ("text", models.TextField(null=True)),
                ("salt", models.CharField(max_length=64, null=True)),
                ("digest", models.CharField(max_length=64)),
                ("written_at", models.DateTimeField()),
                ("erased_at", models.DateTimeField(null=True)),
                ("erased_why", models.CharField(max_length=200, null=True)),
                (
                    "erased_by",
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
                    "written_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Token",
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
                ("name", models.CharField(max_length=60)),
                ("prefix", models.CharField(max_length=12, unique=True)),
                ("digest", models.CharField(max_length=64)),
                ("created_at", models.DateTimeField()),
                ("last_used_on", models.DateField(null=True)),
                ("revoked_at", models.DateTimeField(null=True)),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="tokens",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="ZoneChange",
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
                ("time_zone", models.CharField(max_length=64)),
                ("from_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.BigIntegerField()),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="zone_changes",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Privilege",
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
                ("application", models.CharField(max_length=40)),
                ("from_on", models.DateField()),
                ("to_on", models.DateField(null=True)),
                ("recorded_at", models.DateTimeField()),
                ("ended_at", models.DateTimeField(null=True)),
                (
                    "ended_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="privileges",
                        to=settings.AUTH_USER_MODEL,
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
                        condition=models.Q(("to_on", None)),
                        fields=("programme", "person", "application"),
                        name="one_open_privilege_an_application",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="PersonEvent",
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
                ("name", models.CharField(max_length=200)),
                ("legal_name", models.CharField(blank=True, default="", max_length=200)),
                ("staff_number", models.CharField(blank=True, default="", max_length=40)),
                ("effective_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                ("seq", models.BigIntegerField()),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
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
                    models.Index(fields=["programme", "person", "seq"], name="person_event_newest")
                ],
            },
        ),
        migrations.CreateModel(
            name="Notice",
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
                ("kind", models.CharField(max_length=60)),
                ("dedup_key", models.CharField(max_length=200, unique=True)),
                ("context", models.TextField(default="{}")),
                ("due_at", models.DateTimeField()),
                ("claimed_at", models.DateTimeField(null=True)),
                ("sent_at", models.DateTimeField(null=True)),
                ("attempts", models.PositiveSmallIntegerField(default=0)),
                ("last_error", models.CharField(blank=True, default="", max_length=200)),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="notices",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(
                        condition=models.Q(("sent_at", None)),
                        fields=["due_at"],
                        name="notices_to_send",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Membership",
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
                    "role",
                    models.CharField(
                        choices=[
                            ("trainee", "Trainee"),
                            ("faculty", "Faculty"),
                            ("coordinator", "Coordinator"),
                            ("director", "Director"),
                        ],
                        max_length=12,
                    ),
                ),
                ("profession", models.CharField(blank=True, default="", max_length=60)),
                ("level", models.CharField(blank=True, default="", max_length=60)),
                ("starts_on", models.DateField()),
                ("ends_on", models.DateField(blank=True, null=True)),
                (
                    "person",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="memberships",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "programme",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="memberships",
                        to="accounts.programme",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(fields=["programme", "role", "starts_on"], name="membership_role")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("ends_on", None),
                            ("ends_on__gte", models.F("starts_on")),
                            _connector="OR",
                        ),
                        name="a_membership_ends_after_it_starts",
                        violation_error_message="The last day lies before the first.",
                    )
                ],
            },
        ),
        migrations.RunPython(constrain, release),
    ]
