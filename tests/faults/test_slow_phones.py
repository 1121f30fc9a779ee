"""Eight slow phones at once: the ward's pages answer, and the ninth phone is told when to come."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from pathlib import Path

import pytest
from django.test import Client
from django.utils import timezone

from accounts.actions import keys
from logbook import keeping
from logbook.models import Upload
from logbook.tus.pool import RETRY_AFTER
from tests import factories as f
from tests.support import processes

pytestmark = pytest.mark.faults
SLOTS = 8  # INTERSPACE_UPLOAD_SLOTS where nobody says otherwise
SIZE = 400_000


class SlowPhone:
    """One PATCH that brings a few bytes a second until it is told to stop."""

    def __init__(self, port, key, upload):
        self.link = socket.create_connection(("127.0.0.1", port), timeout=30)
        head = [
            f"PATCH /api/v1/uploads/{upload.pk} HTTP/1.1", "Host: 127.0.0.1",
            f"Authorization: Bearer {key}", "Tus-Resumable: 1.0.0", "Upload-Offset: 0",
            "Content-Type: application/offset+octet-stream", f"Content-Length: {SIZE}",
        ]  # fmt: skip
        self.link.sendall("\r\n".join([*head, "", ""]).encode())
        self.sent, self._stop = 0, threading.Event()
        self._thread = threading.Thread(target=self._trickle)
        self._thread.start()

    def _trickle(self):
        while not self._stop.wait(0.1):
            self.link.sendall(b"x" * 50)
            self.sent += 50

    def hang_up(self):
        self._stop.set()
        self._thread.join()
        self.link.shutdown(socket.SHUT_RDWR)
        self.link.close()


def answer(port, method, path, **headers):
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        link.request(method, path, b"x" * 1000 if method == "PATCH" else None, headers)
        got = link.getresponse()
        got.read()
        return got
    finally:
        link.close()


def test_the_ward_goes_on(transactional_db, tmp_path):
    programme = f.a_programme(code="em")
    ines = f.a_trainee(programme, "Ines Haldor")
    exam = f.drafted_exam(ines, programme, when=timezone.now())
    _token, key = keys.make(person=ines, name="phone", by=ines, at=timezone.now())
    signed_in = Client()
    signed_in.force_login(ines)
    cookie = {"Cookie": f"session={signed_in.cookies['session'].value}"}
    waiting = [f.begun_upload(exam, SIZE, when=timezone.now()) for _ in range(SLOTS + 1)]

    with processes.web(log=tmp_path / "web.log", threads=2 * SLOTS) as address:
        port = int(address.rpartition(":")[2])
        pages = ["/p/em/exams/", f"/p/em/exams/{exam.pk}/captures/"]

        def seconds():
            began = time.monotonic()
            assert [answer(port, "GET", page, **cookie).status for page in pages] == [200, 200]
            return time.monotonic() - began

        seconds()
        alone = sorted(seconds() for _ in range(5))
        phones = [SlowPhone(port, key, upload) for upload in waiting[:SLOTS]]
        try:
            said = {
                "Authorization": f"Bearer {key}", "Tus-Resumable": "1.0.0", "Upload-Offset": "0",
                "Content-Type": "application/offset+octet-stream",
            }  # fmt: skip
            ninth = f"/api/v1/uploads/{waiting[-1].pk}"
            here = [keeping.staging().root / str(upload.pk) for upload in waiting[:SLOTS]]
            processes.until(lambda: all(map(Path.is_dir, here)), seconds=20, what="eight phones")
            full = answer(port, "PATCH", ninth, **said)
            assert (full.status, full.headers["Retry-After"]) == (503, str(RETRY_AFTER))
            crowded = sorted(seconds() for _ in range(5))
            assert answer(port, "HEAD", ninth, **said).status == 200
            assert all(phone.sent for phone in phones)
        finally:
            for phone in phones:
                phone.hang_up()
        print(f"two pages, median: alone {alone[2]:.2f} s, beside {SLOTS} slow phones "
              f"{crowded[2]:.2f} s")  # fmt: skip
        assert crowded[2] < 5 * alone[2] + 0.5
        # What the slow ones had brought is kept, and their slots are free.
        sent = {phone.sent for phone in phones}
        ids = [upload.pk for upload in waiting[:SLOTS]]
        processes.until(
            lambda: all(Upload.objects.filter(pk__in=ids).values_list("offset", flat=True)),
            seconds=20,
            what="what the slow phones brought",
        )
        assert max(Upload.objects.filter(pk__in=ids).values_list("offset", flat=True)) <= max(sent)
        assert answer(port, "PATCH", ninth, **said).status == 204
