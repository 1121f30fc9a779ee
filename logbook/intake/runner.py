"""Hands a file to the walled-in child process and brings back what it made of it.

`strip` and `finish` never raise for what a file does: they return a Refusal instead. Callable
from any thread and any process; each process that uses it has one warm parent of its own, which
ends with that process.
"""

import array
import base64
import contextlib
import fcntl
import json
import mmap
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import logbook
from logbook.intake.facts import Day, Facts, Limits, Rectangle, Refusal
from logbook.intake.marks import Marks
from logbook.intake.walls import Budget

ROOT = Path(logbook.__file__).resolve().parent.parent
READY_WITHIN = 30.0
GRACE = 5.0
# Pictures are megabytes each: they come from large pages, where the system has them.
MEMORY = {
    "MALLOC_ARENA_MAX": "2",
    "MALLOC_MMAP_THRESHOLD_": str(32 << 20),
    "GLIBC_TUNABLES": "glibc.malloc.hugetlb=1",
}
MOST_VERDICT = 4 * 1024 * 1024


@dataclass(frozen=True)
class Stripped:
    """Step one's outcome. `working` is memory that reads like a file; `poster` a JPEG."""

    facts: Facts
    working: mmap.mmap
    poster: bytes


@dataclass(frozen=True)
class Finished:
    """Step two's outcome, like step one's. A clip's master is itself the playable clip."""

    media_type: str
    master: mmap.mmap
    poster: bytes
    fingerprint: bytes = b""


@dataclass(frozen=True)
class Cleaned:
    """A DICOM file for teaching; memory that reads like a file."""

    content: mmap.mmap


def pieces(memory: mmap.mmap, size: int = 1 << 20) -> Iterator[memoryview]:
    """An outcome from its start, in pieces that are not copied."""
    whole = memoryview(memory)
    for start in range(0, len(whole), size):
        yield whole[start : start + size]


class Runner:
    """One warm parent, started when first needed and again whenever it is gone."""

    def __init__(
        self,
        *,
        limits: Limits | None = None,
        budget: Budget | None = None,
        require_walls: bool = True,
        codec: Literal["h264", "vp9"] = "h264",
        at_once: int | None = None,
        program: str = "logbook.intake.child",
    ) -> None:
        self.program = program
        self.limits = limits or Limits()
        self.budget = budget or Budget()
        self.require_walls = require_walls
        self.codec = codec
        self._turns = threading.BoundedSemaphore(at_once or os.cpu_count() or 1)
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None
        self._greeting: dict[str, Any] = {}
        os.register_at_fork(after_in_child=self._forget)

    def strip(self, arrived: Iterable[bytes], *, day: Day) -> Stripped | Refusal:
        """Step one: pixels only, waiting for the mask to be confirmed."""
        with contextlib.ExitStack() as stack:
            source = stack.enter_context(_memory())
            size = 0
            for piece in arrived:
                size += len(piece)
                if size > self.limits.file_bytes:
                    return Refusal("too_large", {"limit_mb": self.limits.file_bytes // 2**20})
                source.write(piece)
            working, poster = stack.enter_context(_memory()), stack.enter_context(_memory())
            said = self._run(
                {"task": "strip", "limits": asdict(self.limits), "day": asdict(day)},
                [(source, "rb"), (working, "r+b"), (poster, "r+b")],
            )
            if isinstance(said, Refusal):
                return said
            return Stripped(Facts.from_json(said["facts"]), _mapped(working), _mapped(poster)[:])

    def finish(
        self,
        working: Iterable[bytes | memoryview],
        *,
        facts: Facts,
        mask: Sequence[Rectangle],
        marks: Marks | None = None,
    ) -> Finished | Refusal:
        """Step two: cover `mask` in every frame, draw `marks`, write master and poster."""
        with _memory() as source, _memory() as master, _memory() as poster:
            for piece in working:
                source.write(piece)
            said = self._run(
                {
                    "task": "finish",
                    "facts": facts.as_json(),
                    "mask": [asdict(one) for one in mask],
                    "marks": asdict(marks or Marks()),
                    "codec": self.codec,
                },
                [(source, "rb"), (master, "r+b"), (poster, "r+b")],
            )
            if isinstance(said, Refusal):
                return said
            return Finished(
                said["media_type"],
                _mapped(master),
                _mapped(poster)[:],
                base64.b64decode(said["fingerprint"]),
            )

    def clean(
        self,
        arrived: Iterable[bytes],
        *,
        facts: Facts,
        mask: Sequence[Rectangle],
        rename: Callable[[str], str],
    ) -> Cleaned | Refusal:
        """A DICOM file without what identifies. `rename` makes a new identifier of an old one: it
        has the key, which the child never sees."""
        with _memory() as source, _memory() as out:
            for piece in arrived:
                source.write(piece)
            found = self._run({"task": "identifiers"}, [(source, "rb")])
            if isinstance(found, Refusal):
                return found
            said = self._run(
                {
                    "task": "clean",
                    "facts": facts.as_json(),
                    "mask": [asdict(one) for one in mask],
                    "uids": {uid: rename(uid) for uid in found["uids"]},
                    "limits": asdict(self.limits),
                },
                [(source, "rb"), (out, "r+b")],
            )
            return said if isinstance(said, Refusal) else Cleaned(_mapped(out))

    def look(self, jpeg: bytes) -> Rectangle | None:
        """Where the image is in a picture that a child made; None where nothing stands out."""
        said = self._on_picture("look", jpeg)
        if isinstance(said, Refusal) or said["image"] is None:
            return None
        return Rectangle(**said["image"])

    def find_letters(self, jpeg: bytes) -> list[Rectangle] | Refusal:
        """Where letters stand in a picture that a child made. Asks `letters`, the other program."""
        said = self._on_picture("find_letters", jpeg)
        if isinstance(said, Refusal):
            return said
        return [Rectangle(*one) for one in said["letters"]]

    def strip_along(
        self, clip: Iterable[bytes], *, line: tuple[float, float, float, float], caption: str
    ) -> bytes | Refusal:
        """A PNG of what lies under `line` (x0, y0, x1, y1 in fractions) over the clip's time."""
        with _memory() as source, _memory() as out:
            for piece in clip:
                source.write(piece)
            said = self._run(
                {
                    "task": "strip_along",
                    "line": line,
                    "caption": caption,
                    "limits": asdict(self.limits),
                },
                [(source, "rb"), (out, "r+b")],
            )
            return said if isinstance(said, Refusal) else _mapped(out)[:]

    def _on_picture(self, task: str, jpeg: bytes) -> dict[str, Any] | Refusal:
        with _memory() as picture:
            picture.write(jpeg)
            return self._run({"task": task}, [(picture, "rb")])

    def walls(self) -> dict[str, bool]:
        """Which walls stand, found by trying to break through each; all False without a child."""
        secret = str(Path(__file__).resolve())
        said = self._run({"task": "try_walls", "secret": secret, "parent": os.getpid()}, [])
        if isinstance(said, Refusal):
            return {"child": False}
        return {"child": True, **said["walls"], "own_network": self._greeting["own_network"]}

    def nothing(self) -> dict[str, Any] | Refusal:
        """A child that does nothing: what one costs."""
        return self._run({"task": "nothing"}, [])

    def start(self) -> float:
        """Have the warm parent ready. Returns the seconds that took."""
        began = time.monotonic()
        with self._lock:
            self._ready()
        return time.monotonic() - began

    def close(self) -> None:
        """End the warm parent; the next job starts another."""
        with self._lock:
            self._stop()

    def _run(
        self, request: dict[str, Any], files: Sequence[tuple[BinaryIO, str]]
    ) -> dict[str, Any] | Refusal:
        request = {
            **request,
            "budget": asdict(self.budget),
            "walls": self.require_walls,
            "modes": [mode for _file, mode in files],
        }
        with self._turns:
            try:
                return self._ask(request, files)
            except (OSError, TimeoutError, json.JSONDecodeError) as error:
                return Refusal("interrupted", again=True, trace=type(error).__name__)

    def _ask(
        self, request: dict[str, Any], files: Sequence[tuple[BinaryIO, str]]
    ) -> dict[str, Any] | Refusal:
        with contextlib.ExitStack() as stack:
            written = stack.enter_context(_memory())
            written.write(json.dumps(request).encode())
            written.flush()
            verdict_in, verdict_out = os.pipe()
            status_in, status_out = os.pipe()
            stack.callback(os.close, verdict_in)
            stack.callback(os.close, status_in)
            given = [written.fileno(), verdict_out, status_out]
            try:
                for file, mode in files:
                    file.flush()
                    given.append(_reopen(file, mode))
                self._send(given)
            finally:
                for handle in given[1:]:
                    os.close(handle)
            within = time.monotonic() + self.budget.wall_seconds + GRACE
            # A verdict comes when all is written; its child's end takes as long as a fork does.
            said = _said(_read(verdict_in, within))
            if said is not None:
                for file, mode in files:
                    if mode != "rb":
                        _keep_length(file)
                return Refusal(**said["refusal"]) if "refusal" in said else said
            status = _read(status_in, within)
        if not status:  # the warm parent is gone, and its child with it
            return Refusal("interrupted", again=True)
        return _why(json.loads(status))

    def _send(self, handles: list[int]) -> None:
        rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", handles))]
        with self._lock:
            try:
                self._ready().sendmsg([b"job"], rights)
            except (BrokenPipeError, ConnectionError):
                self._stop()
                self._ready().sendmsg([b"job"], rights)

    def _ready(self) -> socket.socket:
        if self._process is not None and self._process.poll() is not None:
            self._stop()
        if self._control is None:
            ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            with theirs:
                self._process = subprocess.Popen(  # noqa: S603  (our own program, nothing of a request)
                    [sys.executable, "-P", "-m", self.program, str(theirs.fileno())],
                    env={
                        "PATH": os.defpath,
                        "LANG": "C.UTF-8",
                        "PYTHONPATH": str(ROOT),
                        "OPENBLAS_NUM_THREADS": "1",
                        **MEMORY,
                    },
                    cwd="/",
                    pass_fds=[theirs.fileno()],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
            self._control = ours
            ours.settimeout(READY_WITHIN)
            greeting = ours.recv(1024)
            if not greeting:
                self._stop()
                raise ConnectionError("the child program did not start")
            self._greeting = json.loads(greeting)
        return self._control

    def _stop(self) -> None:
        if self._control is not None:
            self._control.close()
        if self._process is not None:
            try:
                self._process.wait(timeout=2)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._control = self._process = None

    def _forget(self) -> None:
        """In a fork of the service: the warm parent belongs to the process that started it."""
        if self._control is not None:
            self._control.close()
        self._control = self._process = None
        self._lock = threading.Lock()


def _said(verdict: bytes) -> dict[str, Any] | None:
    """The verdict, where it is whole and no longer than one may be."""
    try:
        return json.loads(verdict) if len(verdict) <= MOST_VERDICT else None
    except ValueError:
        return None


def _why(ended: dict[str, Any]) -> Refusal:
    """Why there is no verdict."""
    trace = f"ended with {ended['code']}"
    if ended["timed_out"] or ended["code"] in (-signal.SIGXCPU, -signal.SIGXFSZ, -signal.SIGKILL):
        return Refusal("too_heavy", trace=trace)
    return Refusal("damaged", trace=trace)


def _read(handle: int, within: float) -> bytes:
    """A pipe to its end, but no more than a byte beyond a verdict. Raises TimeoutError."""
    got = bytearray()
    while select.select([handle], [], [], max(within - time.monotonic(), 0))[0]:
        piece = os.read(handle, 1 << 16)
        if not piece:
            return bytes(got)
        got += piece[: MOST_VERDICT + 1 - len(got)]
    raise TimeoutError


def _memory() -> BinaryIO:
    """An open file that never reaches a disk."""
    kind = os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING
    return os.fdopen(os.memfd_create("intake", kind), "w+b")


def _keep_length(file: BinaryIO) -> None:
    """A child that is still there can no longer shorten what is read from here on: reading mapped
    memory that is gone would end this process. Raises OSError."""
    fcntl.fcntl(file, fcntl.F_ADD_SEALS, fcntl.F_SEAL_SHRINK)


def _reopen(file: BinaryIO, mode: str) -> int:
    """The same file under a handle of its own: read-only where it is only to be read."""
    flags = os.O_RDONLY if mode == "rb" else os.O_RDWR
    return os.open(f"/proc/self/fd/{file.fileno()}", flags | os.O_CLOEXEC)


def _mapped(file: BinaryIO) -> mmap.mmap:
    """The file's memory, which stays when the file is closed. A task never leaves it empty."""
    return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
