"""Every change has one shape."""

import ast
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

from accounts.actions_base import REGISTRY

ROOT = Path(__file__).resolve().parents[2]
FLOORS = ("accounts", "logbook", "review", "credentialing")
WRITES = {
    "save", "create", "bulk_create", "update", "bulk_update", "delete", "get_or_create",
    "update_or_create",
}  # fmt: skip
# Writes outside actions, each with the reason.
ELSEWHERE = {
    "accounts/adapter.py": "the count of attempts and the access log precede any person",
    "accounts/middleware.py": "the access log is written after the answer",
    "accounts/notices.py": "the table of notices; queued inside actions, sent by a job",
    "accounts/remarks.py": "the table of remarks; written inside actions",
    "accounts/ledger/core.py": "the ledger itself",
    "credentialing/standing_bench_data.py": "fills a scratch database that is taken away again",
}


def load():
    for floor in FLOORS:
        package = importlib.import_module(floor)
        for found in pkgutil.walk_packages(package.__path__, f"{floor}."):
            if re.search(r"\.actions(\.|$)", found.name):
                importlib.import_module(found.name)


load()


@pytest.mark.parametrize("action", REGISTRY, ids=lambda a: a.function.__qualname__)
def test_an_action_says_what_it_writes(action):
    if action.name is None:
        assert len(action.why_no_ledger) > 15
    else:
        assert re.fullmatch(r"[a-z_]+(\.[a-z_]+)+", action.name), "a name reads noun.verbed"


def test_there_are_actions_on_every_floor():
    floors = {a.function.__module__.split(".")[0] for a in REGISTRY}
    assert set(FLOORS) <= floors


def test_rows_are_written_by_actions_alone():
    """Views, forms, tasks, queries and rules write nothing themselves."""
    found = []
    for floor in FLOORS:
        for path in (ROOT / floor).rglob("*.py"):
            where = path.relative_to(ROOT).as_posix()
            if (
                "/migrations/" in where
                or re.search(r"/actions(/|\.py$)", where)
                or where in ELSEWHERE
            ):
                continue
            for node in ast.walk(ast.parse(path.read_text())):
                if (
                    isinstance(node, ast.Call)
                    and isinstance(node.func, ast.Attribute)
                    and node.func.attr in WRITES
                    and "objects" in ast.unparse(node.func.value)
                ):
                    found.append(f"{where}:{node.lineno} {ast.unparse(node.func)}")
    assert found == []
