from django.db import migrations


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
    dependencies = [("accounts", "0001_initial")]
    operations = [migrations.RunPython(constrain, release)]
