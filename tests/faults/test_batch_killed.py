"""The worker dies again and again while a cohort's reports are signed: one each, none lost."""

from __future__ import annotations

import datetime as dt
import hashlib
import random
import time
import zipfile
from collections import Counter

import pytest
from django.utils import timezone

from accounts import ledger
from accounts.ledger.core import verify
from accounts.models import BackgroundJob, PersonEvent
from credentialing.actions import batches as asking
from credentialing.actions import reports as actions
from credentialing.models import Report, ReportFile
from credentialing.reports import batches, tasks
from credentialing.reports.orders import PDF, Batch, Entry, Order
from tests import factories as f
from tests.support.mortal import Worker

pytestmark = pytest.mark.faults
SEED = 20260630


def test_each_person_has_one_report_whenever_the_worker_dies(transactional_db, tmp_path, scale):
    programme = f.a_programme(code="northfield")
    director = f.a_director(programme)
    people = [f.a_trainee(programme, f"Trainee {n}") for n in range(max(12, scale(200)))]
    now = timezone.now()
    actions.make_key(programme=programme, by=director, at=now)
    order = Order(
        programme=str(programme.pk), trainee="", performed_by=programme.local_date(now),
        read_by=programme.local_date(now), position=ledger.head_of(programme.chain), form=PDF,
    )  # fmt: skip
    job = asking.ask(
        programme=programme, by=director, at=now,
        batch=Batch(order, "https://lung.example", "inside",
                    tuple(Entry(str(one.pk), None) for one in people)),
    )  # fmt: skip
    draw, worker, deadline = random.Random(SEED), Worker(tmp_path), time.monotonic() + 240
    with worker:
        while True:
            tasks.issue_batch.delay(str(job.pk))
            # First amid the work, however fast the machine; then whenever.
            until = time.monotonic() + draw.uniform(0.5, 3) if worker.kills else deadline
            while time.monotonic() < until:
                job.refresh_from_db()
                if job.state == asking.State.DONE:
                    break
                if not worker.kills and Report.objects.filter(batch=job).exists():
                    break
                time.sleep(0.02)
            if job.state == asking.State.DONE:
                break
            assert time.monotonic() < deadline, (job.state, job.done)
            if worker.kills < 6:
                worker.kill()
                # What two minutes of silence would do.
                silent = timezone.now() - asking.LOST_AFTER - dt.timedelta(seconds=1)
                BackgroundJob.objects.filter(pk=job.pk, state=asking.State.RUNNING).update(
                    heard_at=silent
                )
                worker.start()
    issued = Counter(Report.objects.filter(batch=job).values_list("person_id", flat=True))
    print(f"N = {len(people)} reports, {worker.kills} kills")
    assert worker.kills > 0
    assert issued == Counter({one.pk: 1 for one in people})
    for report, data in ReportFile.objects.values_list("report__sha256", "data"):
        assert hashlib.sha256(bytes(data)).hexdigest() == report
    names = PersonEvent.objects.filter(programme=programme).newest()
    with batches.archive(job, names) as file, zipfile.ZipFile(file) as made:
        assert len(made.namelist()) == len(people) + 1
    assert verify(programme.chain).true
