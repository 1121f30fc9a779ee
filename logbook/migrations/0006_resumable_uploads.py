"""An upload may come in pieces: how much of it has come, and the newest piece."""

from django.db import migrations, models
from django.db.models import F


def all_came_whole(apps, schema_editor):
    apps.get_model("logbook", "Upload").objects.update(offset=F("size"))


class Migration(migrations.Migration):
    dependencies = [("logbook", "0005_captures_that_go")]

    operations = [
        migrations.AddField("upload", "offset", models.PositiveBigIntegerField(default=0)),
        migrations.AddField("upload", "head", models.CharField(blank=True, max_length=16)),
        migrations.AddField("upload", "pieces", models.PositiveIntegerField(default=0)),
        migrations.AlterField("upload", "received_at", models.DateTimeField(null=True)),
        migrations.RunPython(all_came_whole, migrations.RunPython.noop),
        migrations.AddConstraint(
            "upload",
            models.CheckConstraint(
                condition=models.Q(
                    models.Q(("offset__lt", F("size")), ("received_at", None)),
                    models.Q(("offset", F("size")), ("received_at__isnull", False)),
                    _connector="OR",
                ),
                name="an_upload_is_received_when_it_is_whole",
            ),
        ),
    ]
