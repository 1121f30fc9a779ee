"""`sh deploy/demo`: what it refuses, what it starts, and that it leaves nothing behind."""

import contextlib
import os
import re
import signal
import socket
import stat
import subprocess
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from deploy import demonstration
from deploy.demonstration import CannotStart
from fixtures_demo import people
from tests.support.processes import ROOT, answers, stop, until

MOUNTS = r"""/dev/vda / ext4 rw 0 0
server:/homes /home nfs4 rw 0 0
tmpfs /run tmpfs rw 0 0
//ward/share /mnt/with\040space cifs rw 0 0
me@host: /mnt/remote fuse.sshfs rw 0 0
/dev/vdb /home/local xfs rw 0 0
"""


@pytest.mark.parametrize(
    ("path", "kind", "network"),
    [
        ("/var/lib/x", "ext4", False),
        ("/home/ada/data", "nfs4", True),
        ("/home/local/data", "xfs", False),
        ("/homestead", "ext4", False),
        ("/mnt/with space/x", "cifs", True),
        ("/mnt/remote", "fuse.sshfs", True),
        ("/run/x", "tmpfs", False),
    ],
)
def test_a_network_disk_is_known_by_its_mount(path, kind, network):
    assert demonstration.file_system(Path(path), MOUNTS) == kind
    assert bool(demonstration.NETWORK.match(kind)) is network


def test_a_folder_that_holds_something_else_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(CannotStart, match="holds something else"):
        demonstration.open_folder(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_emptying_keeps_the_mark_and_follows_no_link(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "kept").write_text("")
    folder = tmp_path / "data"
    demonstration.open_folder(folder)
    (folder / "media").mkdir()
    (folder / "media" / "one").write_text("")
    (folder / "link").symlink_to(outside)
    demonstration.empty(folder)
    assert [path.name for path in folder.iterdir()] == [demonstration.MARK]
    assert (outside / "kept").exists()


def test_two_over_one_folder_are_refused(tmp_path):
    with (
        demonstration.alone(tmp_path),
        pytest.raises(CannotStart, match="running already"),
        demonstration.alone(tmp_path),
    ):
        pass
    with demonstration.alone(tmp_path):
        pass


def test_the_next_free_port_is_taken_and_a_named_one_is_not_replaced():
    with demonstration.listen(None) as first, demonstration.listen(None) as second:
        one, two = (s.getsockname()[1] for s in (first, second))
        assert demonstration.FIRST_PORT <= one < two
        assert first.getsockname()[0] == "127.0.0.1"
        with pytest.raises(CannotStart, match=f"Port {one} is taken"):
            demonstration.listen(one)


def test_the_page_of_progress_answers_on_the_socket_that_the_service_takes_over():
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(8)
        address = f"http://127.0.0.1:{listening.getsockname()[1]}"
        progress = demonstration.Progress(steps=["First", "Second & third"], at=1)
        progress.detail = "exams <12> of 40"
        room = demonstration.waiting_room(listening, progress)
        try:
            with pytest.raises(urllib.error.HTTPError) as waiting:
                urllib.request.urlopen(f"{address}/", timeout=5)
            with waiting.value as page:
                assert page.code == 503
                assert page.headers["Retry-After"] == "2"
                assert page.headers["Content-Security-Policy"].startswith("default-src 'self';")
                text = page.read().decode()
            assert '<li class="is-done">First</li>' in text
            assert '<li aria-current="step">Second &amp; third</li>' in text
            assert "<p>exams &lt;12&gt; of 40</p>" in text
            assert answers(f"{address}/healthz")
            assert answers(f"{address}/static/ui/look.css")
            assert not answers(f"{address}/readyz")
        finally:
            room.shutdown()
            room.server_close()
        # The socket is still held: whoever comes now waits instead of being refused.
        with socket.create_connection(listening.getsockname(), timeout=5):
            pass


def over(data) -> dict[int, str]:
    """Processes that work on this data folder, with their command lines."""
    found = {}
    for entry in os.scandir("/proc"):
        if not entry.name.isdigit():
            continue
        with contextlib.suppress(OSError):
            process = Path(entry.path)
            if f"INTERSPACE_DATA={data}".encode() in (process / "environ").read_bytes().split(
                b"\0"
            ):
                line = (process / "cmdline").read_bytes().replace(b"\0", b" ")
                found[int(entry.name)] = line.decode()
    return found


def workers(data) -> set[int]:
    return {pid for pid, line in over(data).items() if "celery" in line}


@contextlib.contextmanager
def running(data, log, *arguments):
    """`sh deploy/demo`, small, on its way; stopped hard where the test did not stop it."""
    with log.open("wb") as out:
        process = subprocess.Popen(
            ["sh", "deploy/demo", "--data", str(data), "--weekly", "0.05", *arguments],
            cwd=ROOT,
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        stop(process)


def ended_or_ready(demo, log) -> bool:
    assert demo.poll() is None, log.read_text()
    return b"Ready after" in log.read_bytes()


def address_in(log) -> str:
    until(lambda: b"http://" in log.read_bytes(), seconds=60, what="the address")
    return re.search(r"http://127\.0\.0\.1:\d+", log.read_text())[0]


@pytest.mark.faults
@pytest.mark.long(160)
def test_from_nothing_to_ready_again_in_seconds_and_nothing_left_behind(tmp_path):
    data, log = tmp_path / "demo", tmp_path / "log"
    with running(data, log) as demo:
        address = address_in(log)
        assert answers(f"{address}/healthz")  # at once, while the demonstration is being made
        until(lambda: ended_or_ready(demo, log), seconds=170, what="the demonstration")
        assert answers(f"{address}/readyz")
        assert answers(f"{address}/sign-in/login/")
        said = log.read_text()
        for role, key, _shows in people.SIGN_INS:
            assert re.search(rf"{role} +{re.escape(key)}@", said), role
        keys = list((data / "keys").iterdir())
        assert {stat.S_IMODE(path.stat().st_mode) for path in keys} == {0o600}
        assert len(keys) == 5
        assert len(over(data)) >= 2
        demo.send_signal(signal.SIGINT)
        assert demo.wait(15) == 0
        assert over(data) == {}
        made = (data / "interspace.sqlite3").stat().st_ino

    log.unlink()
    started = time.monotonic()
    with running(data, log) as demo:
        until(lambda: ended_or_ready(demo, log), seconds=60, what="the second start")
        took = time.monotonic() - started
        print(f"second start: {took:.1f} s")
        assert took < 30  # other tests share the cores
        assert (data / "interspace.sqlite3").stat().st_ino == made

        # The worker ends by itself: it comes back. The parent is killed: all of it goes.
        before = workers(data)
        os.kill(min(before), signal.SIGKILL)
        until(lambda: workers(data) - before != set(), seconds=20, what="another worker")
        os.kill(demo.pid, signal.SIGKILL)
        demo.wait()
        until(lambda: over(data) == {}, seconds=20, what="the children's end")
