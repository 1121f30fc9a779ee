"""A scan knows where in the ledger it came and moved last: what waited at a position is then known
for ever. Rows that were there already are told from the entries."""

import json
import uuid

from django.db import migrations, models

LEFT = {"exam.withdrawn": "withdrawn", "scans.set_aside": "set_aside", "scans.closed": "closed"}


def from_the_ledger(apps, _editor):
    Entry = apps.get_model("ledger", "LedgerEntry")
    Scan = apps.get_model("logbook", "Scan")
    said = Entry.objects.order_by("chain", "seq")
    for entry in said.filter(action="exam.submitted").select_related("body").iterator():
        exam = uuid.UUID(entry.subject.partition(":")[2])
        new = Scan.objects.filter(exam=exam, received_seq=0)
        body = json.loads(entry.body.body) if entry.body.body else {}
        if "answers" in body:
            new = new.filter(application__code__in=body["answers"])
        new.update(received_seq=entry.seq, moved_seq=entry.seq)
    for entry in said.filter(action__in=LEFT).iterator():
        programme = entry.chain.partition(":")[2]
        Scan.objects.filter(
            programme=programme, state=LEFT[entry.action], moved_at=entry.at
        ).update(moved_seq=entry.seq)


class Migration(migrations.Migration):
    dependencies = [
        ("ledger", "0001_initial"),
        ("logbook", "0010_when_frames_begin"),
    ]

    operations = [
        migrations.AddField("scan", "received_seq", models.BigIntegerField(default=0)),
        migrations.AddField("scan", "moved_seq", models.BigIntegerField(default=0)),
        migrations.RunPython(from_the_ledger, migrations.RunPython.noop),
    ]
