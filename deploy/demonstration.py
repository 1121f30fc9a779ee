"""`sh deploy/demo`: one parent that owns the web server and the worker, on this machine alone.

The parent holds the port from the first moment and answers with a page of progress until the
service takes the same socket over, so an address printed once stays good. It starts nothing that
it does not stop: each child is a session of its own, dies with the parent even where the parent
is killed, and is started again where it ends by itself.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import fcntl
import hashlib
import html
import http.server
import os
import re
import shutil
import signal
import socket
import string
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from deploy.middleware import content_policy
from fixtures_demo import people

ROOT = Path(__file__).resolve().parent.parent
MANAGE = [sys.executable, str(ROOT / "manage.py")]
FIRST_PORT, PORTS = 8000, 50
# Twice the slots of uploads (INTERSPACE_UPLOAD_SLOTS): eight slow phones leave eight for the ward.
THREADS = 16
MARK = "interspace-data"  # only a folder that holds it is ever emptied
# Another machine's disk keeps neither SQLite's locks nor its shared memory.
NETWORK = re.compile(
    r"^(nfs\d?|cifs|smb\d?|smbfs|9p|afs|ceph|lustre|gpfs|beegfs|ocfs2|gfs2|davfs|"
    r"fuse\.(sshfs|s3fs|glusterfs|rclone|gcsfuse|davfs2?))$"
)
# What would turn the demonstration into something else is not handed on.
LEFT_OUT = re.compile(r"^(DATABASE_|REDIS_URL|INTERSPACE_|SECRET_KEY|EMAIL_URL|DJANGO_|PYTHONPATH)")


STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class CannotStart(Exception):
    """Said in one sentence, with what to do."""


def file_system(path: Path, mounts: str) -> str:
    """The kind of file system that holds `path`, read from the text of /proc/mounts."""
    best, kind = -1, "unknown"
    for line in mounts.splitlines():
        parts = line.split()
        if len(parts) < 3:
            continue
        point = parts[1].encode().decode("unicode_escape")
        if path.is_relative_to(point) and len(point) >= best:
            best, kind = len(point), parts[2]
    return kind


def refuse_network_disk(path: Path) -> None:
    try:
        mounts = Path("/proc/mounts").read_text(encoding="utf-8")
    except OSError:
        return
    kind = file_system(path, mounts)
    if NETWORK.match(kind):
        raise CannotStart(
            f"{path} is on a network disk ({kind}), where SQLite loses data. "
            "Name a folder on a disk of this machine: --data DIR"
        )


def listen(port: int | None) -> socket.socket:
    """A listening socket on `port`, or on the next free one from 8000."""
    for number in [port] if port is not None else range(FIRST_PORT, FIRST_PORT + PORTS):
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind(("127.0.0.1", number))
        except OSError:
            sock.close()
            continue
        sock.listen(128)
        return sock
    if port is not None:
        raise CannotStart(f"Port {port} is taken. Leave --port out to get the next free one.")
    raise CannotStart(f"No port from {FIRST_PORT} to {FIRST_PORT + PORTS - 1} is free.")


@contextlib.contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Refuse a second demonstration over the same data; a lock that dies with the process."""
    with (folder / "lock").open("a+") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise CannotStart(
                f"A demonstration over {folder} is running already. "
                "Stop it, or name another folder: --data DIR"
            ) from None
        yield


def open_folder(folder: Path) -> None:
    """Make the data folder; refuse one that holds something else."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    mark = folder / MARK
    if not mark.exists():
        if any(folder.iterdir()):
            raise CannotStart(f"{folder} holds something else. Name an empty folder: --data DIR")
        mark.write_text("Made by `sh deploy/demo`, which empties it with --fresh.\n")


def empty(folder: Path) -> None:
    for inside in folder.iterdir():
        if inside.name in {MARK, "lock"}:
            continue
        if inside.is_dir() and not inside.is_symlink():
            shutil.rmtree(inside)
        else:
            inside.unlink()


def _sum(patterns: tuple[str, ...]) -> str:
    """Changes when a file under the floors that matches does, or a locked package."""
    told = hashlib.sha256((ROOT / "deploy" / "requirements.txt").read_bytes())
    for floor in ("accounts", "logbook", "review", "credentialing", "fixtures_demo", "deploy"):
        for pattern in patterns:
            for path in sorted((ROOT / floor).glob(pattern)):
                if path.is_file():
                    what = path.stat()
                    told.update(f"{path} {what.st_size} {what.st_mtime_ns}\n".encode())
    return told.hexdigest()


@dataclass(frozen=True)
class Stamp:
    """Whether a step was done for the files as they are now; forgotten while it runs."""

    path: Path
    now: str

    def holds(self) -> bool:
        return self.path.exists() and self.path.read_text() == self.now

    def forget(self) -> None:
        self.path.unlink(missing_ok=True)

    def set(self) -> None:
        self.path.write_text(self.now)


# ---------------------------------------------------------------------------------------------
# The page while it is being made


@dataclass
class Progress:
    """What the page shows and the terminal prints."""

    steps: list[str] = field(default_factory=list)
    at: int = 0
    detail: str = ""

    def begin(self, number: int) -> None:
        self.at, self.detail = number, ""
        print(f"  {self.steps[number]}", flush=True)

    def page(self) -> bytes:
        lines = []
        for number, step in enumerate(self.steps):
            state = ""
            if number < self.at:
                state = ' class="is-done"'
            elif number == self.at:
                state = ' aria-current="step"'
            lines.append(f"<li{state}>{html.escape(step)}</li>")
        template = string.Template((ROOT / "deploy" / "progress.html").read_text("utf-8"))
        said = template.substitute(steps="\n".join(lines), detail=html.escape(self.detail))
        return said.encode()


def waiting_room(listening: socket.socket, progress: Progress) -> http.server.HTTPServer:
    """A server over the socket that the service will take over; stop it with `shutdown`."""
    look = ROOT / "accounts" / "ui" / "static" / "ui" / "look.css"

    class Page(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            status, kind, body = 503, "text/html; charset=utf-8", b""
            if self.path == "/static/ui/look.css":
                status, kind, body = 200, "text/css; charset=utf-8", look.read_bytes()
            elif self.path == "/healthz":
                status, kind, body = 200, "text/plain; charset=utf-8", b"alive\n"
            elif self.path == "/readyz":
                kind, body = "application/json", b'{"demonstration": "being made"}\n'
            else:
                body = progress.page()
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Content-Security-Policy", content_policy())
            self.send_header("X-Content-Type-Options", "nosniff")
            self.send_header("Cache-Control", "no-store")
            self.send_header("Retry-After", "2")
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(body)

        do_HEAD = do_GET

        def log_message(self, *args: Any) -> None:
            pass

    server = http.server.ThreadingHTTPServer(listening.getsockname(), Page, bind_and_activate=False)
    server.socket.close()
    server.socket = listening.dup()
    server.daemon_threads = True
    threading.Thread(
        target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True
    ).start()
    return server


# ---------------------------------------------------------------------------------------------
# Children


def die_with_parent() -> None:
    """In the child before it starts: be told to end when the parent is gone (Linux)."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(1, signal.SIGTERM)  # PR_SET_PDEATHSIG


@dataclass
class Child:
    """One process that is kept running, in a session of its own."""

    name: str
    command: list[str]
    env: dict[str, str]
    log: Path
    pass_fds: tuple[int, ...] = ()
    process: subprocess.Popen[bytes] | None = None
    starts: list[float] = field(default_factory=list)

    def start(self) -> None:
        self.starts.append(time.monotonic())
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                self.command,
                cwd=ROOT,
                env=self.env,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                pass_fds=self.pass_fds,
                start_new_session=True,
                preexec_fn=die_with_parent,
            )

    def look_after(self) -> None:
        """Start it again where it ended; give up where it ends five times in a minute."""
        if self.process is None or self.process.poll() is None:
            return
        self.signal(signal.SIGKILL)  # what it left behind, such as its beat
        recent = [at for at in self.starts if at > time.monotonic() - 60]
        if len(recent) >= 5:
            raise CannotStart(f"The {self.name} keeps ending. Its last words are in {self.log}")
        print(f"  the {self.name} ended; starting it again", flush=True)
        self.start()

    def signal(self, number: int) -> None:
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, number)

    def stop(self, seconds: float) -> None:
        if self.process is None:
            return
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(max(0.1, seconds))
        self.signal(signal.SIGKILL)
        self.process.wait()


class Stopped(Exception):
    """Ctrl-C or SIGTERM."""


def _stop(number: int, frame: FrameType | None) -> None:
    raise Stopped


class Demonstration:
    """The steps from an empty folder to a service that answers."""

    def __init__(self, folder: Path, listening: socket.socket, weekly: float = 1.0) -> None:
        self.folder = folder
        self.listening = listening
        self.weekly = weekly
        self.env = {k: v for k, v in os.environ.items() if not LEFT_OUT.match(k)} | {
            "INTERSPACE_DATA": str(folder),
            "INTERSPACE_URL": self.address,
            "PYTHONUNBUFFERED": "1",
        }
        logs = folder / "logs"
        logs.mkdir(exist_ok=True, mode=0o700)
        fd = listening.fileno()
        self.web = Child(
            "web server",
            [
                sys.executable, "-m", "gunicorn", "deploy.wsgi", "--bind", f"fd://{fd}",
                "--worker-class", "gthread", "--workers", "1", "--threads", str(THREADS),
                "--graceful-timeout", "5", "--no-control-socket",
            ],
            self.env,
            logs / "web.log",
            pass_fds=(fd,),
        )  # fmt: skip
        self.worker = Child(
            "worker",
            [sys.executable, "-m", "celery", "-A", "deploy", "worker", "-B", "--loglevel", "INFO"],
            self.env,
            logs / "worker.log",
        )
        self.running: list[subprocess.Popen[str]] = []

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.listening.getsockname()[1]}"

    @property
    def made(self) -> Path:
        return self.folder / "demonstration-made"

    def command(self, *arguments: str, **env: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [*MANAGE, *arguments],
            cwd=ROOT,
            env={**self.env, **env},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
            preexec_fn=die_with_parent,
        )
        self.running.append(process)
        return process

    def finished(self, process: subprocess.Popen[str], progress: Progress | None = None) -> None:
        """Wait for a command, showing its lines. Raises CannotStart with its last ones."""
        last: list[str] = []
        for line in process.stdout or ():
            last = [*last, line.rstrip()][-30:]
            if progress is not None and line.strip():
                progress.detail = line.strip()
                print(f"    {line.rstrip()}", flush=True)
        if process.wait() != 0:
            shown = last if progress is None else []
            raise CannotStart("\n".join([*shown, "That step failed; nothing was kept running."]))
        self.running.remove(process)

    def make(self) -> None:
        progress = Progress(
            steps=["The database", "The invented people, exams and images", "The service"]
        )
        room = waiting_room(self.listening, progress)
        try:
            progress.begin(0)
            steps = [
                (Stamp(self.folder / "prepared", _sum(("**/*.py",))), ["prepare", "--quiet"]),
                (
                    Stamp(self.folder / "collected", _sum(("**/static/**/*",))),
                    ["collectstatic", "--no-input", "--clear", "-v", "0"],
                ),
            ]
            due = [(stamp, arguments) for stamp, arguments in steps if not stamp.holds()]
            for stamp, _arguments in due:
                stamp.forget()
            started = [(stamp, self.command(*arguments)) for stamp, arguments in due]
            # Drawing asks nothing of the database, so it takes a core beside its making.
            drawing = None if self.made.exists() else self.command("demo_load", "--draw")
            for stamp, process in started:
                self.finished(process)
                stamp.set()
            if drawing is not None:
                self.finished(drawing)
                progress.begin(1)
                # Letters are not looked for: what a program has drawn names nobody.
                load = self.command(
                    "demo_load", "--no-sign-ins", "--weekly", str(self.weekly),
                    INTERSPACE_LETTERS="false",
                )  # fmt: skip
                self.finished(load, progress)
                self.made.touch()
            progress.begin(2)
        finally:
            room.shutdown()
            room.server_close()
        # Requests that come now wait in the socket's own queue for the web server.
        self.worker.start()
        self.web.start()
        self.wait_until_ready()

    def wait_until_ready(self) -> None:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            self.web.look_after()
            try:
                with urllib.request.urlopen(f"{self.address}/readyz", timeout=10):  # noqa: S310
                    return
            except urllib.error.HTTPError as not_ready:
                last = not_ready.read().decode(errors="replace")
            except OSError as refused:
                last = str(refused)
            time.sleep(0.1)
        raise CannotStart(f"The service does not get ready: {last} See {self.web.log}")

    def keep(self) -> None:
        while True:
            time.sleep(0.5)
            self.web.look_after()
            self.worker.look_after()

    def stop(self) -> None:
        for process in self.running:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGTERM)
        for child in (self.web, self.worker):
            child.signal(signal.SIGTERM)
        end = time.monotonic() + 8
        for child in (self.web, self.worker):
            child.stop(end - time.monotonic())
        for process in self.running:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(max(0.1, end - time.monotonic()))
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)


def sign_ins() -> list[tuple[str, str, str]]:
    """One person a role: the role, their e-mail, what they will see."""
    emails = {who.key: who.email for who in people.everyone()}
    return [(role, emails[key], shows) for role, key, shows in people.SIGN_INS]


def announce(address: str, folder: Path, seconds: float) -> None:
    print(f"\nReady after {seconds:.1f} s: {address}\n")
    print(f"  password of everyone: {people.PASSWORD}")
    for role, email, shows in sign_ins():
        print(f"  {role:<26} {email:<38} {shows}")
    print(
        "\nAll invented. An education record: not the chart, not for diagnosis.\n"
        f"Data, mail and logs: {folder}. Ctrl-C stops all of it.",
        flush=True,
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="sh deploy/demo", description=__doc__.split("\n")[0])
    parser.add_argument("--port", type=int, help="this port, not the next free one from 8000")
    parser.add_argument("--data", type=Path, default=ROOT / ".data" / "demo", metavar="DIR")
    parser.add_argument("--fresh", action="store_true", help="make the demonstration anew")
    parser.add_argument(
        "--weekly", type=float, default=1.0, help="how much is scanned in it, 1 being the usual"
    )
    options = parser.parse_args(arguments)
    started = time.monotonic()
    os.umask(0o077)
    folder = options.data.expanduser().resolve()
    for number in STOPS:
        signal.signal(number, _stop)
    try:
        refuse_network_disk(folder)
        open_folder(folder)
        with alone(folder):
            # One that was interrupted half-way is made anew: it would not be the invented story.
            if options.fresh or not (folder / "demonstration-made").exists():
                empty(folder)
            with listen(options.port) as listening:
                run(Demonstration(folder, listening, options.weekly), started)
    except CannotStart as reason:
        print(f"\n{reason}", file=sys.stderr)
        return 1
    except Stopped:
        pass
    return 0


def run(demonstration: Demonstration, started: float) -> None:
    """Make it, keep it running, and stop all of it before the folder is free for another."""
    print(f"Interspace, demonstration: {demonstration.address}", flush=True)
    try:
        demonstration.make()
        announce(demonstration.address, demonstration.folder, time.monotonic() - started)
        demonstration.keep()
    finally:
        for number in STOPS:
            signal.signal(number, signal.SIG_IGN)
        print("\nstopping", flush=True)
        demonstration.stop()


if __name__ == "__main__":
    sys.exit(main())
