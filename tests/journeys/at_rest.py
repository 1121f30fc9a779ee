"""Every byte that the service keeps, so that a test can look for what must not be in it."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import redis
from django.conf import settings
from django.db import connection

from tests.logbook.intake.canaries import found_in


def files(folder: Path, *, without: Path | None = None) -> Iterator[tuple[str, bytes]]:
    """(name, content) of every file, names included in what is looked at."""
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not (without and path.is_relative_to(without)):
            try:
                yield str(path), os.fsencode(path) + b"\n" + _content(path)
            except FileNotFoundError:
                continue  # a message that was taken meanwhile


def _content(path: Path) -> bytes:
    if "sqlite3" in path.name:
        # Closing any descriptor of a database file drops every lock that this process has on it
        # (sqlite.org/howtocorrupt.html, 2.2): another process reads it.
        return subprocess.run(["cat", path], capture_output=True, check=True).stdout
    return path.read_bytes()


def rows() -> Iterator[tuple[str, bytes]]:
    """(table, every value of every row) of the database, bytes as they are."""
    with connection.cursor() as cursor:
        for table in sorted(connection.introspection.table_names(cursor)):
            cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")  # noqa: S608
            yield f"table {table}", b"\n".join(map(_plain, cursor.fetchall()))


def _plain(row: tuple[Any, ...]) -> bytes:
    return b"\t".join(
        bytes(value) if isinstance(value, bytes | memoryview) else str(value).encode()
        for value in row
    )


def messages() -> Iterator[tuple[str, bytes]]:
    """What lies in Redis under this run's prefix. Without Redis, messages are files."""
    if not settings.REDIS_URL:
        return
    prefix = settings.CELERY_BROKER_TRANSPORT_OPTIONS["global_keyprefix"]
    with redis.Redis.from_url(settings.REDIS_URL) as store:
        for key in store.scan_iter(f"{prefix}*"):
            yield f"message {key!r}", store.dump(key) or b""


def everything(*folders: Path) -> Iterator[tuple[str, bytes]]:
    """The data folder outside staging, the database, the messages, and these folders."""
    yield from files(Path(settings.DATA_DIR), without=Path(settings.STAGING_ROOT))
    yield from rows()
    yield from messages()
    for folder in folders:
        yield from files(folder)


def search(*folders: Path, words: set[str]) -> tuple[dict[str, set[str]], int, int]:
    """({where: planted words found}, objects looked at, bytes looked at)."""
    hits: dict[str, set[str]] = {}
    count = size = 0
    for name, content in everything(*folders):
        count, size = count + 1, size + len(content)
        if found := found_in(content) & words:
            hits[name] = found
    return hits, count, size


def staged() -> list[str]:
    return [name for name, _content in files(Path(settings.STAGING_ROOT))]
