"""A file that misbehaves is refused with a sentence, and the next one is taken."""

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

import pytest

from logbook.intake import runner as runner_module
from logbook.intake.facts import SENTENCES, Limits, Refusal
from logbook.intake.runner import Runner, Stripped
from logbook.intake.walls import Budget
from tests.logbook.intake import samples


class Misbehaving(Runner):
    """The runner over the child program that has jobs to misbehave with."""

    def __init__(self, **options):
        super().__init__(program="tests.logbook.intake.misbehaving", **options)

    def misbehave(self, how, **more):
        return self._run({"task": "misbehave", "how": how, **more}, [])


@pytest.fixture(scope="module")
def runner():
    one = Misbehaving()
    yield one
    one.close()


def good(runner):
    return runner.strip([samples.picture()], day=samples.DAY)


@pytest.mark.parametrize(
    ("how", "more", "code"),
    [
        ("crash", {}, "damaged"),
        ("eat", {"bytes": 2**30}, "too_heavy"),
        ("babble", {"bytes": 2**23}, "damaged"),
        ("raise", {}, "damaged"),
    ],
)
def test_however_a_child_ends_the_next_file_is_taken(runner, how, more, code):
    refusal = runner.misbehave(how, **more)
    assert (refusal.code, refusal.again) == (code, False)
    assert refusal.sentence == SENTENCES[code]
    assert isinstance(good(runner), Stripped)


@pytest.mark.parametrize(
    ("how", "budget"),
    [
        ("hang", Budget(wall_seconds=0.5)),
        ("spin", Budget(wall_seconds=30, cpu_seconds=1)),
    ],
)
def test_time_is_limited_by_the_clock_and_by_the_processor(how, budget):
    hasty = Misbehaving(budget=budget)
    try:
        hasty.start()
        began = time.monotonic()
        assert hasty.misbehave(how).code == "too_heavy"
        assert time.monotonic() - began < 20  # soon, even where others share the processor
        assert isinstance(good(hasty), Stripped)
    finally:
        hasty.close()


def test_many_threads_at_once_each_get_their_own_answer(runner):
    sizes = [(40 + 2 * index, 60) for index in range(16)]

    def take(size):
        return runner.strip([samples.picture(samples.pattern(*size))], day=samples.DAY)

    with ThreadPoolExecutor(8) as pool:
        taken = list(pool.map(take, sizes))
    assert [(one.facts.width, one.facts.height) for one in taken] == sizes


def test_a_killed_warm_parent_is_started_again():
    runner = Runner()
    try:
        assert isinstance(good(runner), Stripped)
        os.kill(runner._process.pid, signal.SIGKILL)
        runner._process.wait()
        assert isinstance(good(runner), Stripped)
    finally:
        runner.close()


def test_a_warm_parent_killed_during_a_job_is_our_fault_and_not_the_files():
    runner = Misbehaving(budget=Budget(wall_seconds=20))
    try:
        runner.start()
        with ThreadPoolExecutor(1) as pool:
            waiting = pool.submit(runner.misbehave, "hang")
            time.sleep(0.3)
            os.kill(runner._process.pid, signal.SIGKILL)
            refusal = waiting.result(timeout=10)
        assert (refusal.code, refusal.again) == ("interrupted", True)
        assert isinstance(good(runner), Stripped)
    finally:
        runner.close()


def test_a_fork_of_the_service_has_a_warm_parent_of_its_own(runner):
    good(runner)
    mine = runner._process.pid
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        taken = isinstance(good(runner), Stripped)
        os.write(writer, b"yes" if taken and runner._process.pid != mine else b"no")
        runner.close()
        os._exit(0)
    os.close(writer)
    os.waitpid(pid, 0)
    assert os.read(reader, 10) == b"yes"
    os.close(reader)
    assert isinstance(good(runner), Stripped)
    assert runner._process.pid == mine


def waiting(runner):
    """The fork that is kept ready while nothing is to be done."""
    children = Path(f"/proc/{runner._process.pid}/task/{runner._process.pid}/children")
    for _try in range(500):
        if found := children.read_text().split():
            return int(*found)
        time.sleep(0.01)
    raise TimeoutError


def ended(pid):
    """Whether a process is no more, or only its number is (nobody may have asked for its end)."""
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        time.sleep(0.01)
    return False


def test_the_fork_that_waits_takes_one_file_and_no_other():
    runner = Runner()
    try:
        runner.start()
        first = waiting(runner)
        assert isinstance(good(runner), Stripped)
        deadline = time.monotonic() + 5
        while (second := waiting(runner)) == first and time.monotonic() < deadline:
            time.sleep(0.01)
        assert second != first
        assert ended(first)
    finally:
        runner.close()


def test_a_fork_killed_while_it_waits_costs_the_next_file_nothing():
    runner = Runner()
    try:
        runner.start()
        os.kill(waiting(runner), signal.SIGKILL)
        time.sleep(0.1)
        assert isinstance(good(runner), Stripped)
    finally:
        runner.close()


def test_the_fork_that_waits_ends_with_the_warm_parent():
    runner = Runner()
    runner.start()
    fork = waiting(runner)
    os.kill(runner._process.pid, signal.SIGKILL)
    assert ended(fork)
    runner.close()


def test_what_a_child_made_can_be_read_to_its_end_whatever_the_child_still_does(runner):
    files = [runner_module._memory() for _ in range(3)]
    files[0].write(samples.picture())
    request = {"task": "strip", "limits": asdict(Limits()), "day": asdict(samples.DAY)}
    said = runner._run(request, list(zip(files, ("rb", "r+b", "r+b"), strict=True)))
    assert "facts" in said
    for made in files[1:]:
        size = os.fstat(made.fileno()).st_size
        with pytest.raises(PermissionError):
            os.ftruncate(made.fileno(), size - 1)
        assert os.fstat(made.fileno()).st_size == size > 0
    for one in files:
        one.close()


def test_the_warm_parent_ends_with_the_service():
    runner = Runner()
    runner.start()
    process = runner._process
    runner._control.close()
    assert process.wait(timeout=5) == 0


def test_nothing_is_left_open_behind(runner):
    good(runner)
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(3):
        runner.misbehave("crash")
        runner.strip([b"not a picture at all"], day=samples.DAY)
        good(runner).working.close()
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_file_over_the_limit_is_refused_before_it_is_all_read(runner):
    small = Runner(limits=Limits(file_bytes=1024 * 1024))
    read = []

    def endless():
        while True:
            read.append(1)
            yield b"\xff" * 65536

    refusal = small.strip(endless(), day=samples.DAY)
    assert refusal == Refusal("too_large", {"limit_mb": 1})
    assert refusal.sentence.startswith("The file is larger than 1 MB.")
    assert len(read) == 17
