"""From one signature to the trainee's page that shows it, with a real worker beside it."""

from __future__ import annotations

import datetime as dt
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.test import Client
from django.test.utils import override_settings
from django.urls import reverse
from django.utils import timezone

from accounts.actions import people
from accounts.benching import Measure
from accounts.models import Membership, Person, Programme, Role
from credentialing.models import LedgerCursor
from logbook.actions import captures, exams
from logbook.models import Exam, ExamRevision
from review import queries
from review.actions import attestations, holds, readings

SIGNATURES, MOST = 40, 1000  # how often; milliseconds at the 95th of a hundred
ENTRY = re.compile(r"at entry (\d+) of the ledger")
MARKS = {"right": "negative", "left": "negative", "pattern": "", "limited": False, "quality": 4}
PATIENCE = 60  # seconds


def signature_to_page(programme: Programme, url: str) -> Measure:
    """`url`: of the database, for the worker. The broker is the configured one."""
    reader = people.add(
        programme=programme, name="Invented faculty", role=Role.FACULTY,
        starts_on=timezone.now().date(), email="faculty@northfield.example", by=None,
        at=timezone.now(), invite=False,
    ).person  # fmt: skip
    people.grant(
        programme=programme, person=reader, application="pneumothorax",
        from_on=timezone.now().date(), by=None, at=timezone.now(),
    )  # fmt: skip
    trainees = Membership.objects.filter(programme=programme, role=Role.TRAINEE)
    chosen = list(trainees.select_related("programme", "person").order_by("id")[:SIGNATURES])
    call_command("collectstatic", interactive=False, verbosity=0)
    with worker(url), override_settings(ALLOWED_HOSTS=["testserver"]):
        until_it_follows(programme)
        taken = sorted(one_signature(trainee, reader) for trainee in chosen)
    return Measure(
        "standing", "signature-to-page-p95", taken[round(0.95 * len(taken)) - 1], MOST, "ms",
        len(taken), f"median {taken[len(taken) // 2]:.0f} ms; the base is the most allowed",
    )  # fmt: skip


def one_signature(trainee: Membership, reader: Person) -> float:
    """Milliseconds from the commit's request to a page that was answered with it in it."""
    client, programme = Client(), trainee.programme
    client.force_login(trainee.person)
    exam = waiting_exam(trainee, timezone.now())
    holds.take(programme=programme, exam=exam, by=reader, at=timezone.now())
    scans = queries.scans_to_read(exam, reader, on=programme.local_date(timezone.now()))
    readings.save(
        exam=exam, scans={str(scan.pk): MARKS for scan in scans}, by=reader, at=timezone.now()
    )
    given = readings.reveal(exam=exam, by=reader, at=timezone.now())
    signatures = [attestations.Signature(reading.scan_id) for reading in given]
    began = time.perf_counter()
    (made,) = attestations.sign(exam=exam, signatures=signatures, by=reader, at=timezone.now())
    address = reverse("credentialing:home", args=[programme.code])
    while entry_of(client.get(address).content.decode()) < made.seq:
        if time.perf_counter() - began > PATIENCE:
            raise RuntimeError("the page does not follow")
    return (time.perf_counter() - began) * 1000


def entry_of(page: str) -> int:
    """The position in the ledger that the page says it knows."""
    said = ENTRY.search(page)
    return int(said[1].replace(",", "")) if said else 0


def until_it_follows(programme: Programme) -> None:
    """The worker is there, and has taken up what came before."""
    from credentialing.tasks import follow

    follow.delay(str(programme.pk))
    began = time.perf_counter()
    followed = LedgerCursor.objects.filter(programme=programme, seq__gt=0)
    while not followed.exists():
        if time.perf_counter() - began > PATIENCE:
            raise RuntimeError("the worker does not follow")
        time.sleep(0.1)


@contextmanager
def worker(url: str) -> Iterator[None]:
    env = os.environ | {"DATABASE_URL": url, "DATABASE_OWNER_URL": url}
    command = [sys.executable, "-m", "celery", "-A", "deploy", "worker", "-B", "-l", "WARNING"]
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(  # noqa: S603 - our own command
            command, cwd=Path(settings.BASE_DIR), env=env, stdout=log, stderr=log,
            start_new_session=True,
        )  # fmt: skip
        try:
            yield
        finally:
            os.killpg(process.pid, signal.SIGTERM)
            process.wait(20)


def waiting_exam(trainee: Membership, now: dt.datetime) -> Exam:
    """An exam on the reading list."""
    place = ExamRevision.objects.filter(programme=trainee.programme).values_list("place").first()
    performed = (now - dt.timedelta(hours=2)).isoformat()
    answer = {"right": "negative", "left": "negative", "confidence": "sure"}
    draft = {
        "applications": ["pneumothorax"],
        "setting": "clinical",
        "place": place[0] if place else "Resuscitation",
        "performed_at": performed,
        "answered_at": performed,
        "age_band": "18-64",
        "position": "supine",
        "breathing": "spontaneous",
        "chest_procedure": "none",
        "indication": "breathlessness",
        "operator": "all",
        "supervision": "direct",
        "supervisor_typed": "Dr. Visiting",
        "knew_result": "no",
        "answers": {"pneumothorax": answer},
    }
    exam = exams.save_draft(
        exam_id=uuid.uuid4(),
        programme=trainee.programme,
        draft=draft,
        version=None,
        by=trainee.person,
        at=now,
    ).exam
    for zone in ("R1", "L1"):
        captures.archive(
            capture_id=uuid.uuid4(),
            exam=exam,
            zone=zone,
            probe="linear",
            depth_mm=40,
            mode="b",
            by=trainee.person,
            at=now,
        )
    exam.refresh_from_db()
    exams.submit(exam=exam, version=exam.version, by=trainee.person, at=now)
    exam.refresh_from_db()
    return exam
