"""A process of the service that a test kills and starts again, with nothing of its own kept."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.support import processes


class Mortal:
    """One process at a time. `kill` is SIGKILL to it and its group: no handler runs."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder, self.name = folder, name
        self.process: subprocess.Popen[bytes] | None = None
        self.kills = self.starts = 0

    def command(self) -> list[str]:
        raise NotImplementedError

    def ready(self) -> bool:
        raise NotImplementedError

    @property
    def log(self) -> Path:
        return self.folder / f"{self.name}-{self.starts}.log"

    def start(self, *, wait: bool = True) -> None:
        self.starts += 1
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                self.command(),
                cwd=processes.ROOT,
                env=processes.environment(),
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        if wait:
            self.wait()

    def wait(self) -> None:
        """Until it works. Raises TimeoutError, or AssertionError where it ended by itself."""

        def up() -> bool:
            code = self.process.poll()
            assert code is None, f"{self.name} ended with {code}: {self.log.read_text()[-2000:]}"
            return self.ready()

        processes.until(up, seconds=60, what=f"the start of {self.name}")

    def kill(self) -> None:
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(10)
        self.kills += 1

    def __enter__(self) -> Mortal:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        processes.stop(self.process)


@contextmanager
def together(*mortals: Mortal) -> Iterator[None]:
    """All of them at work: started at once, since each takes seconds to load the same program."""
    with ExitStack() as stack:
        for one in mortals:
            stack.callback(lambda one=one: one.process and processes.stop(one.process))
            one.start(wait=False)
        for one in mortals:
            one.wait()
        yield


class Worker(Mortal):
    """The worker with its schedule."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "worker")

    def command(self) -> list[str]:
        return processes.worker_command()

    def ready(self) -> bool:
        return b" ready." in self.log.read_bytes()


class Web(Mortal):
    """The web server, always at the same address."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "web")
        self.port = processes.free_port()

    def command(self) -> list[str]:
        return [
            sys.executable, "-m", "gunicorn", "deploy.wsgi", "--bind", f"127.0.0.1:{self.port}",
            "--worker-class", "gthread", "--threads", "4", "--no-control-socket",
        ]  # fmt: skip

    def ready(self) -> bool:
        return processes.answers(f"http://127.0.0.1:{self.port}/healthz")


def descendants(pid: int) -> Iterator[tuple[int, str]]:
    """(process id, command line) of everything below `pid`, nearest first."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                after_name = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue  # it has ended since
            parents.setdefault(int(after_name[1]), []).append(int(entry.name))
    layer = parents.get(pid, [])
    while layer:
        for child in layer:
            try:
                said = Path(f"/proc/{child}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            except OSError:
                continue
            yield child, said.strip()
        layer = [grandchild for child in layer for grandchild in parents.get(child, [])]


def kill_when_seen(pid: int, words: str, *, depth: int, seconds: float) -> int:
    """SIGKILL the first process below `pid` whose command line has `words`, `depth` of them
    nested (1: the first, 2: its child). Returns its id. Raises TimeoutError."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = [child for child, said in descendants(pid) if words in said]
        if len(found) >= depth:
            os.kill(found[depth - 1], signal.SIGKILL)
            return found[depth - 1]
        time.sleep(0.002)
    raise TimeoutError(f"no {words} below {pid} within {seconds:g} s")
