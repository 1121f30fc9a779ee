"""The two roles of a test run, and the one way to empty tables that refuse to be emptied."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import connection, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

from accounts import append_only

# Made by migrations, and the same in every test.
KEPT = frozenset({"django_migrations", "django_content_type", "auth_permission"})

_owner: dict[str, str] = {}


def hand_over_to_application() -> None:
    """From here on the tests' connection is the application's role, as in production."""
    application = settings.DATABASE_APPLICATION
    if connection.vendor != "postgresql" or application is None:
        return
    here = connection.settings_dict
    if application["USER"] == here["USER"]:
        raise RuntimeError(
            "DATABASE_URL and DATABASE_OWNER_URL name the same role: nothing would be proved of "
            "what the application may not do. `sh deploy/test` makes two."
        )
    append_only.grant_to(application["USER"], connection)  # the cache's table came after migrate
    connection.close()
    _owner.update(USER=here["USER"], PASSWORD=here["PASSWORD"])
    # In place: threads open their connections from this same dictionary.
    here.update(USER=application["USER"], PASSWORD=application["PASSWORD"])


def take_back() -> None:
    """The owner's connection again, to take the test database away.

    A process that a test has just killed may take a moment to leave; a session that stays is a
    leak, and is ended after it has been named.
    """
    if not _owner:
        return
    connection.close()
    connection.settings_dict.update(_owner)
    _owner.clear()
    others = (
        "SELECT pid, usename, state, left(query, 200) FROM pg_stat_activity "
        "WHERE datname = current_database() AND pid <> pg_backend_pid()"
    )
    with connection.cursor() as cursor:
        end = time.monotonic() + 10
        while True:
            cursor.execute(others)
            if not (left := cursor.fetchall()):
                break
            if time.monotonic() > end:
                cursor.execute(f"SELECT pg_terminate_backend(pid) FROM ({others}) AS sessions")  # noqa: S608
                print(f"ended sessions that no test closed: {left}", file=sys.stderr)
                break
            time.sleep(0.1)
    connection.close()


@contextmanager
def as_owner() -> Iterator[BaseDatabaseWrapper]:
    """A second connection, of the role that owns the tables; on SQLite the only one there is."""
    if not _owner:
        yield connection
        return
    other = type(connections["default"])(
        {**connection.settings_dict, **_owner}, alias="owner_of_tests"
    )
    try:
        yield other
    finally:
        other.close()


def empty_tables() -> None:
    """Leave no row in any table but KEPT, and every trigger standing."""
    with as_owner() as owner:
        if owner.vendor == "sqlite":
            _empty_sqlite(owner)
        else:
            _empty_postgresql(owner)


def _with_rows(owner: BaseDatabaseWrapper) -> list[str]:
    with owner.cursor() as cursor:
        tables = sorted(set(owner.introspection.table_names(cursor)) - KEPT)
        quote = owner.ops.quote_name
        found = " UNION ALL ".join(
            f"SELECT {i} WHERE EXISTS (SELECT 1 FROM {quote(table)})"  # noqa: S608
            for i, table in enumerate(tables)
        )
        cursor.execute(found)
        return [tables[row[0]] for row in cursor.fetchall()]


def _empty_sqlite(owner: BaseDatabaseWrapper) -> None:
    tables = _with_rows(owner)
    if not tables:
        return
    quote = owner.ops.quote_name
    with transaction.atomic(), owner.cursor() as cursor:
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        triggers = cursor.fetchall()
        for name, _sql in triggers:
            cursor.execute(f"DROP TRIGGER {quote(name)}")
        for table in tables:
            cursor.execute(f"DELETE FROM {quote(table)}")  # noqa: S608
        for _name, sql in triggers:
            cursor.execute(sql)


def _empty_postgresql(owner: BaseDatabaseWrapper) -> None:
    tables = set(_with_rows(owner))
    if not tables:
        return
    quote = owner.ops.quote_name
    with owner.cursor() as cursor:
        cursor.execute("SET lock_timeout = '20s'")
        cursor.execute(
            "SELECT conrelid::regclass::text, confrelid::regclass::text FROM pg_constraint "
            "WHERE contype = 'f'"
        )
        pointing = [(a.strip('"'), b.strip('"')) for a, b in cursor.fetchall()]
        while more := {a for a, b in pointing if b in tables} - tables:
            tables |= more
        cursor.execute(
            "SELECT DISTINCT tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal"
        )
        guarded = sorted(tables & {row[0].strip('"') for row in cursor.fetchall()})
        listed = ", ".join(quote(table) for table in sorted(tables))
        switch = [f"ALTER TABLE {quote(table)} {{}} TRIGGER USER" for table in guarded]
        cursor.execute(
            "; ".join(
                [
                    "BEGIN",
                    *(line.format("DISABLE") for line in switch),
                    f"TRUNCATE {listed}",
                    *(line.format("ENABLE") for line in switch),
                    "COMMIT",
                ]
            )
        )
