"""A conftest that bites: what would be noticed by a user one day is noticed by a test today.

Warnings are errors and undefined template variables fail (pyproject.toml); no socket leaves the
machine; the client runs what waits for the commit; a GET that writes fails; tables that refuse
to be emptied are emptied by their owner alone, while the tests run as the application's role.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection, connections
from django.test import TransactionTestCase
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from tests.support import database, examples, processes, sockets
from tests.support.client import StrictClient

# How long a machine takes is no property of the code, and two legs share two cores.
hypothesis_settings.register_profile(
    "interspace",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=True,
)
hypothesis_settings.load_profile("interspace")


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("interspace")
    group.addoption("--full", action="store_true", help="the large N of the papers")
    group.addoption(
        "--scale", type=float, default=3.0, metavar="PERCENT", help="share of the large N"
    )
    group.addoption(
        "--data-only",
        action="store_true",
        help="leave out what opens no database: it says the same whichever engine there is",
    )


def pytest_configure(config: pytest.Config) -> None:
    sockets.shut()
    examples.full = config.getoption("--full")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    # The longest files first: one that begins last keeps the other processes waiting for it.
    longest: dict[Path, float] = {}
    for item in items:
        for mark in item.iter_markers("long"):
            longest[item.path] = max(longest.get(item.path, 0), *mark.args)
    items.sort(key=lambda item: -longest.get(item.path, 0))
    if not config.getoption("--data-only"):
        return
    # pytest-django lets nothing else near a database, so this is no matter of trust.
    opens = [
        item
        for item in items
        if item.get_closest_marker("django_db")
        or {"db", "transactional_db", "django_db_setup"} & set(getattr(item, "fixturenames", ()))
    ]
    kept = set(opens)
    config.hook.pytest_deselected(items=[item for item in items if item not in kept])
    items[:] = opens


def pytest_report_header(config: pytest.Config) -> list[str]:
    engine = settings.DATABASES["default"]["ENGINE"].rsplit(".", 1)[1]
    broker = "redis" if settings.REDIS_URL else "file system"
    return [f"engine: {engine}, broker: {broker}"]


def _empty(self: TransactionTestCase) -> None:
    # Django would call `flush`, which the tables refuse: for the application, and rightly.
    database.empty_tables()


TransactionTestCase._fixture_teardown = _empty  # type: ignore[method-assign]


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    with django_db_blocker.unblock():
        database.hand_over_to_application()
    yield
    with django_db_blocker.unblock():
        database.take_back()


@pytest.fixture
def client() -> StrictClient:
    return StrictClient()


@pytest.fixture
def scale(request: pytest.FixtureRequest) -> Callable[[int], int]:
    """`scale(n)`: how many of `n` to run now; said in the report, never silently fewer."""
    percent = 100.0 if request.config.getoption("--full") else request.config.getoption("--scale")

    def of(n: int) -> int:
        now = max(1, round(n * percent / 100))
        print(f"N = {now} of {n}")
        request.node.user_properties.append(("N", f"{now}/{n}"))
        return now

    return of


@pytest.fixture(scope="session")
def temporary_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the service's processes put what they call temporary; nothing of ours may be in it."""
    return tmp_path_factory.mktemp("temporary")


@pytest.fixture
def worker(transactional_db: None, tmp_path: Path, temporary_folder: Path) -> Iterator[Any]:
    """A real Celery worker with the schedule, over this leg's broker and database."""
    log, env = tmp_path / "worker.log", processes.environment(TMPDIR=str(temporary_folder))
    with processes.started(processes.worker_command(), log=log, env=env) as process:
        processes.until(
            lambda: b" ready." in log.read_bytes(), seconds=40, what="the worker's start"
        )
        yield process


@pytest.fixture(scope="session")
def web_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("web") / "web.log"


@pytest.fixture(scope="session")
def web(django_db_setup: None, temporary_folder: Path, web_log: Path) -> Iterator[str]:
    """The address of a real web server over this leg's database; one for all that visit it."""
    env = processes.environment(TMPDIR=str(temporary_folder))
    with processes.web(log=web_log, env=env) as address:
        yield address


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, driven by Playwright. The machine's own: nothing is fetched."""
    from playwright.sync_api import sync_playwright

    # Playwright's own loop runs in this thread; Django would take it for an async caller.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=processes.chromium(), args=processes.CHROMIUM_FLAGS
        )
        yield chromium
        # Inside Playwright's loop Django keeps connections of its own: close them before it goes.
        connections.close_all()
        chromium.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture
def engine(db: None) -> str:
    return connection.vendor
