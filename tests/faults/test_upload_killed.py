"""Web servers, the worker and the program that opens files die while phones send: what was
acknowledged is there, whole, once; and when all is done nothing rests in staging.

Two web hosts over one place; a phone goes to either, asks how far it is, and goes on from there.
"""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
import http.client
import os
import random
import signal
import threading
import time
import uuid

import numpy as np
import pytest
from django.test import TestCase
from django.utils import timezone

from accounts.actions import keys
from accounts.ledger.core import verify
from logbook import keeping, processing
from logbook.actions import captures
from logbook.models import Capture, Upload
from logbook.models.uploads import CLAIM_LASTS
from tests import factories as f
from tests.faults.test_web_killed import MOST_SECONDS, Stopwatch, database_is_whole
from tests.logbook.intake import samples
from tests.support.mortal import Web, Worker, descendants, together

pytestmark = [pytest.mark.faults, pytest.mark.long(45)]
SEED, CLIENTS, PIECE = 2411, 4, 20_000
CHILD = "logbook.intake.child"


class Phone:
    """Sends files with the protocol's three requests, again and again until somebody answers."""

    def __init__(self, ports, key, exam_id, watch, until, draw):
        self.ports, self.exam_id, self.watch, self.until = ports, exam_id, watch, until
        self.said = {"Authorization": f"Bearer {key}", "Tus-Resumable": "1.0.0"}
        self.draw, self.repeated = draw, 0

    def ask(self, method, path, body=None, **headers):
        """The answer, or None where the connection broke: what was sent may or may not count."""
        self.watch.tick()
        link = http.client.HTTPConnection("127.0.0.1", self.draw.choice(self.ports), timeout=20)
        try:
            link.request(method, path, body, {**self.said, **headers})
            answer = link.getresponse()
            answer.read()
            if answer.status < 500:
                return answer
        except (OSError, http.client.HTTPException):
            pass
        finally:
            link.close()
        self.repeated += 1
        time.sleep(0.05)
        if time.monotonic() > self.until:
            raise TimeoutError(f"{method} {path} was never answered")
        return None

    def surely(self, *request, **headers):
        while (answer := self.ask(*request, **headers)) is None:
            pass
        return answer

    def send(self, capture_id, content):
        """Returns once the service has said that it has all of it."""
        said = {"capture": str(capture_id), "zone": "R1"}
        metadata = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in said.items())
        begun = self.surely(
            "POST",
            f"/api/v1/exams/{self.exam_id}/uploads",
            **{"Upload-Length": str(len(content)), "Upload-Metadata": metadata},
        )
        assert begun.status == 201
        where = begun.headers["Location"]
        reached = None
        while reached != len(content):
            if reached is None:
                reached = int(self.surely("HEAD", where).headers["Upload-Offset"])
                continue
            answer = self.ask(
                "PATCH",
                where,
                content[reached : reached + PIECE],
                **{
                    "Upload-Offset": str(reached),
                    "Content-Type": "application/offset+octet-stream",
                },
            )
            said_no = answer is None or answer.status == 409
            reached = None if said_no else int(answer.headers["Upload-Offset"])


def picture(number):
    """About 100 kB that do not compress, and no two alike."""
    rng = np.random.default_rng(number)
    return samples.picture(rng.integers(0, 255, (170, 200, 3), dtype=np.uint8))


def children_of(worker):
    return [pid for pid, said in descendants(worker.process.pid) if CHILD in said]


def test_acknowledged_is_stored_whole_and_once_and_nothing_rests(transactional_db, tmp_path, scale):
    n = scale(200)
    draw = random.Random(SEED)
    programme = f.a_programme(code="em")
    ines = f.a_trainee(programme, "Ines Haldor")
    _token, key = keys.make(person=ines, name="phone", by=ines, at=timezone.now())
    exams = [f.drafted_exam(ines, programme, when=timezone.now()) for _ in range(CLIENTS)]
    contents = {uuid.UUID(int=draw.getrandbits(128)): picture(number) for number in range(n)}
    acknowledged, problems = set(), []
    watch, until = Stopwatch(), time.monotonic() + 3 * MOST_SECONDS

    (tmp_path / "other").mkdir()
    webs, worker = [Web(tmp_path), Web(tmp_path / "other")], Worker(tmp_path)
    with together(*webs, worker):
        ports = [web.port for web in webs]
        phones = [
            Phone(ports, key, exam.pk, watch, until, random.Random(number))
            for number, exam in enumerate(exams)
        ]

        def record(phone, mine):
            try:
                for capture_id in mine:
                    phone.send(capture_id, contents[capture_id])
                    acknowledged.add(capture_id)
            except BaseException as problem:
                problems.append(problem)

        ids = list(contents)
        threads = [
            threading.Thread(target=record, args=(phone, ids[number::CLIENTS]), daemon=True)
            for number, phone in enumerate(phones)
        ]
        for thread in threads:
            thread.start()
        children_killed = 0
        victims = iter(["web", "child", "worker", "web"] * 1000)
        while any(thread.is_alive() for thread in threads):
            goal = watch.sent + draw.randint(6, max(18, n // 2))
            while watch.sent < goal and any(thread.is_alive() for thread in threads):
                time.sleep(0.002)
            time.sleep(draw.uniform(0, 0.03))  # somewhere inside that request
            victim = next(victims)
            if victim == "web":
                web = draw.choice(webs)
                web.kill()
                web.start(wait=False)  # the other one is there meanwhile
            elif victim == "worker":
                worker.kill()
                worker.start(wait=False)
            elif found := children_of(worker):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(draw.choice(found), signal.SIGKILL)
                    children_killed += 1
        for thread in threads:
            thread.join()
        kills = sum(web.kills for web in webs)
        repeated = sum(phone.repeated for phone in phones)
        print(
            f"uploads: {n}; requests: {watch.sent}, repeated: {repeated}; kills: web {kills}, "
            f"worker {worker.kills}, child {children_killed}"
        )

    assert problems == []
    assert kills >= 1
    assert acknowledged == set(contents)
    rows = {upload.capture_id: upload for upload in Upload.objects.select_related("capture")}
    assert rows.keys() == acknowledged
    for capture_id, upload in rows.items():
        assert (upload.offset, upload.received_at is None) == (len(contents[capture_id]), False)
        if upload.capture.state == "received" and upload.stripped_at is None:
            key = keeping.key_of(upload)
            assert b"".join(keeping.arrived(upload, key)) == contents[capture_id]
    # The worker's turn, once its dead predecessors' claims have lapsed; then the person's.
    later = timezone.now() + CLAIM_LASTS + dt.timedelta(minutes=1)
    finish(later)
    for capture in Capture.objects.filter(state="confirm_mask"):
        captures.confirm_mask(capture=capture, mask=[], by=ines, at=later)
    finish(later)
    states = dict(Capture.objects.values_list("pk", "state"))
    refused = [pk for pk, state in states.items() if state == "refused"]
    assert set(states.values()) <= {"ready", "refused"}
    # Only a file whose own child was killed may have been given up, with a sentence.
    assert len(refused) <= children_killed
    assert all(Capture.objects.get(pk=pk).refusal for pk in refused)
    with TestCase.captureOnCommitCallbacks(execute=True):
        processing.expire(clock=lambda: later + dt.timedelta(hours=2))
    assert keeping.staging().listing() == []
    assert list(keeping.staging().root.iterdir()) == []
    assert verify(programme.chain).true
    assert database_is_whole()
    print(f"ready: {n - len(refused)}, refused: {len(refused)}")


def finish(at):
    with TestCase.captureOnCommitCallbacks(execute=True):
        while processing.process_waiting(clock=lambda: at):
            pass
