"""The web process dies in the middle of submissions: what was acknowledged is stored, once.

A client on a poor line does the only thing it can: the same request again, with the same
precondition (RFC 9110 section 13.1), until somebody answers.
"""

from __future__ import annotations

import http.client
import json
import random
import threading
import time
import uuid
from collections import Counter
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from accounts import ledger
from accounts.actions import keys
from accounts.ledger.core import verify
from logbook.models import Capture, Exam, ExamRevision, RevisionAnswer, Scan
from tests import factories as f
from tests.support.mortal import Web

pytestmark = [pytest.mark.faults, pytest.mark.long(60)]
SEED = 4410
CLIENTS = 4
MOST_SECONDS = 480
CSRF = "c" * 32


class Stopwatch:
    """Counts requests, so that kills come at moments drawn from the seed, not from the clock."""

    def __init__(self) -> None:
        self.sent, self.done = 0, threading.Event()
        self._lock = threading.Lock()

    def tick(self) -> None:
        with self._lock:
            self.sent += 1


class Phone:
    """One trainee's client, which repeats a request until it is answered."""

    def __init__(self, port: int, key: str, session: str, watch: Stopwatch, until: float) -> None:
        self.port, self.key, self.session, self.watch, self.until = port, key, session, watch, until
        self.repeated = 0

    def ask(self, method: str, path: str, body: object = None, **headers: str):
        said = {"Authorization": f"Bearer {self.key}", "Content-Type": "application/json"}
        return self._send(method, path, json.dumps(body).encode(), said | headers)

    def post(self, path: str, fields: dict[str, str]):
        said = {
            "Content-Type": "application/x-www-form-urlencoded",
            "Accept": "text/html",
            "Cookie": f"session={self.session}; csrf={CSRF}",
        }
        body = urlencode({**fields, "csrfmiddlewaretoken": CSRF}).encode()
        return self._send("POST", path, body, said)

    def _send(self, method, path, body, headers):
        while time.monotonic() < self.until:
            self.watch.tick()
            link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
            try:
                link.request(method, path, body, headers)
                answer = link.getresponse()
                content = answer.read()
                if answer.status < 500:
                    return answer.status, dict(answer.getheaders()), content
            except (OSError, http.client.HTTPException):
                pass
            finally:
                link.close()
            self.repeated += 1
            time.sleep(0.05)
        raise TimeoutError(f"{method} {path} was never answered")

    def record(self, exam_id: uuid.UUID, capture_id: uuid.UUID, draft: dict) -> str:
        """Draft, capture, submission. Returns the code that the service acknowledged."""
        path = f"/api/v1/exams/{exam_id}"
        body = {"programme": "em", "draft": draft}
        status, headers, content = self.ask("PUT", path, body, **{"If-None-Match": "*"})
        assert status in (200, 201), (status, content)
        status, _, content = self.post(
            f"/p/em/exams/{exam_id}/captures/add/",
            {"capture_id": str(capture_id), "zone": "R1", "mode": "b", "kept": "archive"},
        )
        assert status == 302, (status, content)
        version = headers["ETag"]
        status, _, content = self.ask("PUT", f"{path}/submission", **{"If-Match": version})
        assert status == 200, (status, content)
        return json.loads(content)["code"]


@pytest.fixture
def ines(transactional_db):
    return f.a_trainee(f.a_programme(code="em"), "Ines Haldor")


def test_acknowledged_is_stored_and_nothing_is_doubled(ines, tmp_path, scale):
    n = scale(400)
    draw = random.Random(SEED)
    _token, key = keys.make(person=ines, name="phone", by=ines, at=timezone.now())
    signed_in = Client()
    signed_in.force_login(ines)
    session = signed_in.cookies["session"].value
    draft = f.exam_draft(when=timezone.now())
    to_send = [(uuid.UUID(int=draw.getrandbits(128)), uuid.UUID(int=draw.getrandbits(128)))
               for _ in range(n)]  # fmt: skip
    acknowledged: dict[uuid.UUID, str] = {}
    problems: list[BaseException] = []
    watch, until = Stopwatch(), time.monotonic() + MOST_SECONDS

    with Web(tmp_path) as web:
        phones = [Phone(web.port, key, session, watch, until) for _ in range(CLIENTS)]

        def record(phone, mine):
            try:
                for exam_id, capture_id in mine:
                    acknowledged[exam_id] = phone.record(exam_id, capture_id, draft)
            except BaseException as problem:
                problems.append(problem)

        threads = [
            threading.Thread(target=record, args=(phone, to_send[i::CLIENTS]))
            for i, phone in enumerate(phones)
        ]
        for thread in threads:
            thread.start()
        while any(thread.is_alive() for thread in threads):
            goal = watch.sent + draw.randint(2, max(8, n // 4))
            while watch.sent < goal and any(thread.is_alive() for thread in threads):
                time.sleep(0.002)
            time.sleep(draw.uniform(0, 0.03))  # somewhere inside that request
            web.kill()
            web.start()
        for thread in threads:
            thread.join()
        repeated = sum(phone.repeated for phone in phones)
        print(f"requests: {watch.sent}; kills: {web.kills}; repeated: {repeated}")

    assert problems == []
    assert web.kills >= 2
    assert repeated >= 1
    stored = {exam.pk: exam for exam in Exam.objects.select_related("revision")}
    assert {pk: exam.code for pk, exam in stored.items()} == acknowledged
    assert len(acknowledged) == n
    # Nothing doubled, and no half of anything.
    assert {exam.state for exam in stored.values()} == {"complete"}
    for rows in (ExamRevision, RevisionAnswer, Scan, Capture):
        assert rows.objects.count() == n, rows
    assert {exam.revision.n for exam in stored.values()} == {1}
    programme = ines.memberships.get().programme
    entered = Counter(
        entry.subject for entry in ledger.read(programme.chain) if entry.action == "exam.submitted"
    )
    assert entered == {f"exam:{pk}": 1 for pk in stored}
    assert verify(programme.chain).true
    assert database_is_whole()


def database_is_whole() -> bool:
    """SQLite's own check of every page; PostgreSQL recovers from its log and was not killed."""
    if connection.vendor != "sqlite":
        return True
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA integrity_check")
        return cursor.fetchall() == [("ok",)]
