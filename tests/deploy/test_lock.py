"""The locks meet pyproject.toml, are closed under what packages ask, and name no host."""

import itertools
import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[2]
RUN = ROOT / "deploy" / "requirements.txt"
DEV = ROOT / "deploy" / "requirements-dev.txt"
SETUP = ROOT / "deploy" / "requirements-setup.txt"
ALL = [RUN, DEV, SETUP]


def rows(lock: Path) -> list[str]:
    """The lock's logical lines, continuations joined."""
    return [line for line in lock.read_text().replace("\\\n", " ").splitlines() if line.strip()]


def pinned(lock: Path, **environment: str) -> dict[str, Version]:
    """What the lock installs, by name, for this Python or for the environment given."""
    found = {}
    for row in rows(lock):
        requirement = Requirement(row.split("--hash")[0].strip())
        if requirement.marker is None or requirement.marker.evaluate(environment or None):
            (only,) = requirement.specifier
            assert only.operator == "=="
            found[canonicalize_name(requirement.name)] = Version(only.version)
    return found


def asked() -> tuple[list[str], list[str]]:
    """pyproject.toml's requirements: what runs (with the server's extra), and the tests' (with
    every other extra)."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    extras = project["project"]["optional-dependencies"]
    run = project["project"]["dependencies"] + extras.pop("server")
    return run, [*project["dependency-groups"]["dev"], *itertools.chain(*extras.values())]


@pytest.mark.parametrize("lock", ALL, ids=lambda p: p.name)
def test_every_row_is_one_version_with_its_hashes(lock):
    for row in rows(lock):
        assert re.fullmatch(
            r"[a-z0-9._-]+(\[[a-z,-]+\])?==\S+( ; [^#]+?)?(\s+--hash=sha256:[0-9a-f]{64})+\s*", row
        ), row[:120]


@pytest.mark.parametrize("lock", ALL, ids=lambda p: p.name)
def test_no_host_folder_or_option_stands_in_a_lock(lock):
    text = lock.read_text()
    for trace in ("://", "@ ", "index", "find-links", "trusted", "file:", "/home", "/opt", "#"):
        assert trace not in text, trace


def test_what_opens_files_is_one_version_on_every_python():
    """One that came with Python 3.12 once opened no clip, and no test ran there."""
    for name in ("av", "pillow", "pillow-heif", "pydicom", "python-gdcm", "pyjpegls"):
        assert len([row for row in rows(RUN) if row.startswith(f"{name}==")]) == 1, name


@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13"])
def test_the_locks_meet_the_bounds_on_every_python_promised(python):
    environment = {**default_environment(), "python_version": python}
    environment["python_full_version"] = f"{python}.9"
    run, dev = asked()
    for lock, wanted in ((RUN, run), (DEV, run + dev)):
        have = pinned(lock, **environment)
        for text in wanted:
            requirement = Requirement(text)
            version = have[canonicalize_name(requirement.name)]
            assert requirement.specifier.contains(version), f"{text} is locked at {version}"


def test_every_bound_has_a_lower_end():
    run, dev = asked()
    assert [
        t for t in run + dev if not any(s.operator == ">=" for s in Requirement(t).specifier)
    ] == []


def test_the_larger_lock_holds_the_smaller():
    run, dev = pinned(RUN), pinned(DEV)
    assert {name: dev.get(name) for name in run} == run


def test_what_the_locked_packages_ask_is_locked_too():
    """The lock still resolves: by the packages' own metadata, for this machine and Python."""
    have = pinned(DEV)
    extras: dict[str, set[str]] = {}
    waiting = [Requirement(text) for group in asked() for text in group]
    seen = set()
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        assert name in have, f"{requirement} is asked for and not locked"
        assert requirement.specifier.contains(have[name], prereleases=True), requirement
        extras.setdefault(name, set()).update(requirement.extras)
        if (name, frozenset(extras[name])) in seen:
            continue
        seen.add((name, frozenset(extras[name])))
        for text in metadata.distribution(name).requires or []:
            inner = Requirement(text)
            if inner.marker is None or any(
                inner.marker.evaluate({"extra": extra}) for extra in {"", *extras[name]}
            ):
                waiting.append(inner)
    assert set(have) - {name for name, _ in seen} == set()


def test_what_is_installed_is_what_is_locked():
    have = pinned(DEV)
    assert {name: Version(metadata.version(name)) for name in have} == have


def test_locks_of_other_tools_are_ignored_by_git():
    ignored = (ROOT / ".gitignore").read_text().splitlines()
    assert {"uv.lock", "pylock*.toml"} <= set(ignored)
