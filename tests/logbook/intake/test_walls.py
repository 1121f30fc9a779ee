"""The walls are tried from inside, by a child that attempts what a hijacked decoder would."""

import os
import platform
import re
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from logbook.intake import walls
from logbook.intake.runner import Runner

HEADERS = {
    "x86_64": [
        Path("/usr/include/x86_64-linux-gnu/asm/unistd_64.h"),
        Path("/usr/include/asm/unistd_64.h"),
    ],
    "aarch64": [Path("/usr/include/asm-generic/unistd.h")],
}


def test_every_wall_stands(runner):
    found = runner.walls()
    own_network = found.pop("own_network")
    assert isinstance(own_network, bool)  # only where the machine permits one
    assert [name for name, stands in found.items() if not stands] == []
    assert set(found) >= {"network", "fork", "execute", "open_files", "trace", "memory"}


def test_without_the_filter_the_same_attempts_succeed():
    """So the trial can fail: the same program without walls reaches out, forks and reads."""
    open_house = Runner(require_walls=False)
    try:
        found = open_house.walls()
    finally:
        open_house.close()
    assert {name for name in ("local_sockets", "fork", "open_files") if found[name]} == set()
    assert found["memory"]  # limits do not need the filter


def test_a_child_without_walls_refuses_to_read(monkeypatch):
    """On an architecture without a list of calls nothing is opened."""
    with pytest.raises(walls.NoWalls):
        walls.filter_program("sparc", 1)


def test_no_secret_of_the_service_is_in_the_childs_environment(monkeypatch):
    monkeypatch.setenv("SECRET_KEY", "a-secret-of-the-service")
    fresh = Runner()
    try:
        fresh.start()
        pid = fresh._process.pid
        environment = Path(f"/proc/{pid}/environ").read_bytes()
    finally:
        fresh.close()
    assert b"a-secret-of-the-service" not in environment
    assert {name.split(b"=")[0].decode() for name in environment.split(b"\0") if name} <= (
        walls.ENVIRONMENT
    )


def test_the_warm_parent_holds_no_open_file_of_the_service(tmp_path):
    secret = (tmp_path / "secret").open("w+")
    os.set_inheritable(secret.fileno(), True)
    fresh = Runner()
    try:
        fresh.start()
        held = [os.readlink(one) for one in Path(f"/proc/{fresh._process.pid}/fd").iterdir()]
    finally:
        fresh.close()
        secret.close()
    assert [name for name in held if name.startswith(str(tmp_path))] == []


@pytest.mark.parametrize("machine", HEADERS)
def test_call_numbers_are_those_of_the_kernels_headers(machine):
    """Against the Linux user-space headers, where they are installed."""
    header = next((path for path in HEADERS[machine] if path.exists()), None)
    if header is None:
        pytest.skip("no kernel headers on this machine")
    published = {
        name: int(number)
        for name, number in re.findall(
            r"#define __NR(?:3264)?_(\w+)\s+(\d+)\s*$", header.read_text(), re.MULTILINE
        )
    }
    aliases = {"newfstatat": "fstatat"} if machine == "aarch64" else {}
    column = walls.ARCHITECTURES[machine][1]
    ours = {name: numbers[column] for name, numbers in walls.CALLS.items() if numbers[column]}
    theirs = {name: published.get(aliases.get(name, name)) for name in ours}
    assert ours == theirs


@pytest.mark.parametrize("machine", walls.ARCHITECTURES)
def test_the_filter_is_well_formed(machine):
    """Every jump lands inside the program and the program ends in a return (seccomp(2))."""
    program = walls.filter_program(machine, 4321)
    steps = [struct.unpack_from("HBBI", program, at) for at in range(0, len(program), 8)]
    assert len(steps) < 4096
    for at, (code, yes, no, _value) in enumerate(steps):
        if code in (walls.EQUAL, walls.AT_LEAST, walls.ANY_BIT):
            assert at + 1 + max(yes, no) < len(steps)
    assert steps[-1][0] == walls.RETURN


@pytest.mark.skipif(platform.machine() != "x86_64", reason="x32 calls are of x86_64 only")
def test_a_call_through_the_other_call_table_is_refused_too():
    """The x32 numbers of x86_64 (bit 30 set) reach the same calls by another name."""
    program = f"""
import ctypes, os, sys
sys.path.insert(0, {str(Path(walls.__file__).parents[2])!r})
from logbook.intake import walls
walls.raise_walls(walls.Budget())
libc = ctypes.CDLL(None, use_errno=True)
answer = libc.syscall(0x40000000 + 41, 2, 1, 0)  # socket
os.write(1, repr((answer, ctypes.get_errno())).encode())
os._exit(0)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout == b"(-1, 1)"


def test_the_intake_imports_no_django():
    """The child starts lean and holds nothing of the service's settings."""
    modules = [f"logbook.intake.{path.stem}" for path in Path(walls.__file__).parent.glob("*.py")]
    program = f"import sys, {', '.join(modules)}; print([m for m in sys.modules if 'django' in m])"
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        check=True,
        cwd=Path(walls.__file__).parents[2],
    )
    assert done.stdout == b"[]\n"
