"""Bytes into encrypted staging through the real web server, beside a handler that does the least.

Both sides are gunicorn processes with the same settings on this machine's own loopback, sent the
same bytes by the same sender: once as one body, once in the pieces that a phone sends.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import secrets
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from django.conf import settings
from django.db import connection
from django.test.utils import override_settings
from django.utils import timezone

from accounts.actions import keys
from accounts.benching import Measure, bench, scratch_database
from logbook.actions import captures, uploads
from logbook.benches.intake import _exam
from logbook.models import Exam, Upload
from logbook.tus.headers import CONTENT_TYPE, VERSION

ROOT = Path(__file__).resolve().parents[2]
MIB = 2**20
BLOCK = secrets.token_bytes(MIB)
BODY, PIECES, PIECE = 500, 64, 512 * 1024  # MB in one body; MB in pieces; bytes a piece
TIMES = 3
MOST_GROWTH = 32  # MB


@bench("upload")
def upload() -> Iterator[Measure]:
    """500 MB in one body, 64 MB in pieces of 512 kB: speed and growth of the web process."""
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=settings.DATA_DIR)))
        if connection.vendor == "sqlite":  # one that another process can open, too
            connection.settings_dict["TEST"]["NAME"] = str(folder / "bench.sqlite3")
        stack.enter_context(scratch_database())
        stack.enter_context(
            override_settings(STAGING_ROOT=folder / "staging", UPLOAD_FILE_MB=BODY + 1)
        )
        exam = _exam()
        _token, key = keys.make(person=exam.trainee, name="bench", by=None, at=timezone.now())
        (folder / "bare").mkdir()
        bare = stack.enter_context(_server("bare_upload", folder))
        ours = stack.enter_context(_server("deploy.wsgi", folder))
        to_ours, to_bare = Ours(ours, exam, key), Bare(bare, folder / "bare")
        for side in (to_ours, to_bare):
            side.send(MIB, PIECE)  # warm
        _forget_peak(ours.worker)
        before = _memory(ours.worker, "VmRSS")
        yield _beside("one-body", to_ours, to_bare, BODY * MIB, BODY * MIB)
        grown = (_memory(ours.worker, "VmHWM") - before) / MIB
        yield Measure(
            "upload", "growth", grown, MOST_GROWTH, "MB", BODY,
            "of the web process at its largest; base is what is allowed",
        )  # fmt: skip
        yield _beside("pieces", to_ours, to_bare, PIECES * MIB, PIECE)


def _beside(case: str, ours: Sender, base: Sender, size: int, piece: int) -> Measure:
    """MB a second, the two sides in turn; a ratio of 1 is as fast as the least."""
    speeds: dict[Sender, list[float]] = {ours: [], base: []}
    for _ in range(TIMES):
        for side, speed in speeds.items():
            speed.append(size / MIB / side.send(size, piece))
    return Measure(
        "upload", case, statistics.median(speeds[ours]), statistics.median(speeds[base]), "MB/s",
        TIMES, "more is better",
    )  # fmt: skip


class Server:
    """gunicorn with one worker; `worker` is the process that answers."""

    def __init__(self, application: str, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._process = subprocess.Popen(  # noqa: S603  (our own interpreter and code)
            [
                sys.executable, "-m", "gunicorn", application, "--bind", f"127.0.0.1:{self.port}",
                "--worker-class", "gthread", "--threads", "16", "--no-control-socket",
                "--log-level", "error", "--pythonpath", str(Path(__file__).parent),
            ],
            cwd=ROOT,
            env={
                **os.environ,
                "DATABASE_URL": _database_url(),
                "INTERSPACE_DATA": str(folder),
                "INTERSPACE_STAGING_KEYS": settings.STAGING_KEYS,
                "INTERSPACE_UPLOAD_FILE_MB": str(BODY + 1),
                "INTERSPACE_LOG_LEVEL": "ERROR",
                "INTERSPACE_STATIC_FROM_SOURCE": "true",
                "BARE_UPLOADS": str(folder / "bare"),
            },
            start_new_session=True,
        )  # fmt: skip
        end = time.monotonic() + 60
        while True:
            with contextlib.suppress(OSError):
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                break
            if time.monotonic() > end:
                raise TimeoutError(f"{application} does not start")
            time.sleep(0.1)

    @property
    def worker(self) -> int:
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children")
        return int(children.read_text().split()[0])

    def stop(self) -> None:
        os.killpg(self._process.pid, signal.SIGTERM)
        self._process.wait(20)


@contextlib.contextmanager
def _server(application: str, folder: Path) -> Iterator[Server]:
    server = Server(application, folder)
    try:
        yield server
    finally:
        server.stop()


class Sender:
    """Sends so many bytes in requests of so many, over one connection."""

    def __init__(self, server: Server) -> None:
        self.server = server

    def send(self, size: int, piece: int) -> float:
        """The seconds that it took."""
        self.prepare(size)
        link = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=600)
        began = time.perf_counter()
        for start in range(0, size, piece):
            length = min(piece, size - start)
            body = (BLOCK[:left] for left in _lengths(length))
            method, path, headers = self.request(start)
            link.request(method, path, body, {**headers, "Content-Length": str(length)})
            answer = link.getresponse()
            answer.read()
            if answer.status not in (200, 204):
                raise RuntimeError(f"answered {answer.status}")
        took = time.perf_counter() - began
        link.close()
        self.clear()
        return took

    def prepare(self, size: int) -> None: ...

    def request(self, start: int) -> tuple[str, str, dict[str, str]]:
        raise NotImplementedError

    def clear(self) -> None: ...


class Bare(Sender):
    def __init__(self, server: Server, folder: Path) -> None:
        super().__init__(server)
        self.folder = folder

    def request(self, start: int) -> tuple[str, str, dict[str, str]]:
        return "PATCH", "/", {"Content-Type": CONTENT_TYPE}

    def clear(self) -> None:
        for path in self.folder.iterdir():
            path.unlink()


class Ours(Sender):
    def __init__(self, server: Server, exam: Exam, key: str) -> None:
        super().__init__(server)
        self.exam, self.key = exam, key
        self.upload: Upload | None = None

    def prepare(self, size: int) -> None:
        self.upload = uploads.begin(
            capture_id=uuid.uuid4(), exam=self.exam, size=size, zone="R1", probe="", depth_mm=None,
            mode="b", by=self.exam.trainee, at=timezone.now(),
        )  # fmt: skip

    def request(self, start: int) -> tuple[str, str, dict[str, str]]:
        return "PATCH", f"/api/v1/uploads/{self.upload.pk}", {
            "Authorization": f"Bearer {self.key}",
            "Tus-Resumable": VERSION,
            "Content-Type": CONTENT_TYPE,
            "Upload-Offset": str(start),
        }  # fmt: skip

    def clear(self) -> None:
        captures.remove(capture=self.upload.capture, by=self.exam.trainee, at=timezone.now())


def _lengths(length: int) -> Iterator[int]:
    for start in range(0, length, MIB):
        yield min(MIB, length - start)


def _database_url() -> str:
    here = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{here['NAME']}"
    user, password, host = (quote(here[part], safe="") for part in ("USER", "PASSWORD", "HOST"))
    return f"postgres://{user}:{password}@{host}:{here['PORT']}/{here['NAME']}"


def _memory(process: int, name: str) -> int:
    """A line of /proc/…/status, in bytes."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) * 1024
    raise LookupError(name)


def _forget_peak(process: int) -> None:
    """The kernel counts the largest size from here on."""
    Path(f"/proc/{process}/clear_refs").write_text("5")
