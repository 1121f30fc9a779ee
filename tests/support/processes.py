"""Real processes over the test's own database: a web server, a worker."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from django.conf import settings
from django.db import connection

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def database_url() -> str:
    """The test database's address, for the application's role."""
    here = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{here['NAME']}"
    user, password = quote(here["USER"], safe=""), quote(here["PASSWORD"], safe="")
    host = quote(here["HOST"], safe="")
    return f"postgres://{user}:{password}@{host}:{here['PORT']}/{here['NAME']}"


def environment(**more: str) -> dict[str, str]:
    """What a process of the service needs to see the same rows, files and messages as the test."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in {"DATABASE_OWNER_URL", "INTERSPACE_DATABASE_AS", "DJANGO_SETTINGS_MODULE"}
        and not name.startswith("PYTEST_")
    }
    return {
        **kept,
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
        "DATABASE_URL": database_url(),
        "INTERSPACE_DATA": str(settings.DATA_DIR),
        "INTERSPACE_STATIC_FROM_SOURCE": "true",
        "INTERSPACE_LOG_LEVEL": "INFO",
        **more,
    }


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def until(answer: Callable[[], bool], *, seconds: float, what: str) -> None:
    """Wait for `answer` to be true. Raises TimeoutError naming `what` was waited for."""
    end = time.monotonic() + seconds
    while not answer():
        if time.monotonic() > end:
            raise TimeoutError(f"{what}: not within {seconds:g} s")
        time.sleep(0.05)


def worker_command() -> list[str]:
    return [sys.executable, "-m", "celery", "-A", "deploy", "worker", "-B", "--loglevel", "INFO"]


@contextmanager
def started(
    command: list[str], *, log: Path, env: dict[str, str] | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    """A process in a session of its own, stopped with all it started when the block ends."""
    with log.open("ab") as out:
        process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=environment() if env is None else env,
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        stop(process)


def stop(process: subprocess.Popen[bytes], *, how: int = signal.SIGTERM) -> None:
    """End the process and its group, by force after ten seconds."""
    for number, seconds in ((how, 10), (signal.SIGKILL, 10)):
        try:
            os.killpg(process.pid, number)
        except ProcessLookupError:
            break
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            continue
    process.wait(10)


@contextmanager
def web(*, log: Path, threads: int = 4, env: dict[str, str] | None = None) -> Iterator[str]:
    """The web server on a free port; gives its address once it answers."""
    port = free_port()
    command = [
        sys.executable, "-m", "gunicorn", "deploy.wsgi", "--bind", f"127.0.0.1:{port}",
        "--worker-class", "gthread", "--threads", str(threads), "--no-control-socket",
    ]  # fmt: skip
    with started(command, log=log, env=env):
        address = f"http://127.0.0.1:{port}"
        until(lambda: answers(f"{address}/healthz"), seconds=30, what="the web server")
        yield address


def answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=5) as response:
            return response.status == 200
    except (urllib.error.URLError, OSError):
        return False


def chromium() -> str:
    """The browser's path. Raises RuntimeError with what to install where there is none."""
    for name in ("chromium", "chromium-browser"):
        if found := shutil.which(name):
            return found
    raise RuntimeError("no Chromium on this machine: apt-get install chromium")
