"""The operator's scripts and pages: runnable by any POSIX shell, documented, without traces."""

import re
import subprocess
import sys

import pytest

from deploy import legs
from deploy.legs import __main__ as run
from tests.support.processes import ROOT

SCRIPTS = ["deploy/setup", "deploy/demo", "deploy/test", "deploy/lock", ".ci/run"]


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_parses_in_the_plainest_shell(script):
    done = subprocess.run(["sh", "-n", script], cwd=ROOT, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_stops_at_the_first_failure_and_needs_no_other_shell(script):
    text = (ROOT / script).read_text()
    assert text.startswith("#!/bin/sh\n")
    assert "\nset -eu\n" in text
    assert not re.search(r"\[\[|\bfunction\b|\blocal\b|<\(|\$'", text)


def test_setup_with_nothing_to_do_says_nothing(tmp_path):
    done = subprocess.run(
        ["sh", "deploy/setup", "--dev"], cwd=ROOT, capture_output=True, text=True, timeout=600
    )
    again = subprocess.run(
        ["sh", "deploy/setup", "--dev"], cwd=ROOT, capture_output=True, text=True, timeout=30
    )
    assert done.returncode == 0, done.stderr
    assert (again.returncode, again.stdout, again.stderr) == (0, "", "")


def test_every_setting_is_documented():
    read = set(
        re.findall(
            r"""(?:env\.\w+|env|secret)\(\s*"([A-Z][A-Z0-9_]+)\"""",
            (ROOT / "deploy" / "settings.py").read_text(),
        )
    )
    page = (ROOT / "docs" / "operations.md").read_text()
    told = set(re.findall(r"`([A-Z][A-Z0-9_]{4,})`", page))
    assert len(read) > 25
    assert read - told == set()
    settings_of_this_page = {
        name for name in told if name.startswith(("INTERSPACE_", "DATABASE_", "SECRET_", "EMAIL_"))
    }
    assert settings_of_this_page - read == set()


def test_every_leg_is_documented():
    page = (ROOT / "docs" / "operations.md").read_text()
    assert re.findall(r"^\| ([a-z-]+) \| ", page.split("## Tests")[1], re.M)[1:] == list(run.LEGS)


def test_a_leg_that_did_not_run_fails_the_whole(capsys):
    """The verdict of a run, told what came of its legs."""

    def verdict(*results, strict=False):
        options = run.argparse.Namespace(strict=strict, only=None, full=False, processes=1)
        of = run.Run(options, [])
        of.legs = list(results)
        return run.verdict(of, 1.0)

    fine = run.Leg("sqlite", "", ran=True, fine=True, passed={"a"}, skipped={"b": "PostgreSQL"})
    other = run.Leg("postgres", "", ran=True, fine=True, passed={"a", "b"})
    absent = run.Leg("browser", "", note="install it first: apt-get install chromium")
    broken = run.Leg("postgres", "", ran=True, fine=False, passed={"a"}, failed={"b"})
    empty = run.Leg("sqlite", "", ran=True, fine=True)
    assert verdict(fine, other, strict=True) == 0
    assert verdict(fine, absent) == 1
    assert "apt-get install chromium" in capsys.readouterr().out
    assert verdict(fine, broken) == 1
    assert "1 failed, 2 passed, 1 skipped" in capsys.readouterr().out
    assert verdict(empty) == 1
    assert verdict(fine) == 0
    assert verdict(fine, strict=True) == 1
    assert "ran on no leg: b (PostgreSQL)" in capsys.readouterr().out


def test_help_is_there():
    done = subprocess.run(
        [sys.executable, "-m", legs.__name__, "--help"], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0
    assert "--full" in done.stdout
