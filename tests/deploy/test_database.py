"""The two roles of the tests themselves, and the emptying that only the owner can do."""

import pytest
from django.conf import settings
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from accounts import append_only
from accounts.ledger.models import LedgerEntry
from tests.support import database


def an_entry() -> LedgerEntry:
    return LedgerEntry.objects.create(
        chain="programme:of-a-test",
        seq=1,
        at=timezone.now(),
        action="test.made",
        subject="nothing",
        header="{}",
        hash="0" * 64,
    )


def test_tests_run_as_the_application_and_not_as_the_owner(db):
    if connection.vendor == "sqlite":
        pytest.skip("SQLite has one role")
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        assert cursor.fetchone() == (settings.DATABASE_APPLICATION["USER"],)
        cursor.execute(
            "SELECT count(*) FROM pg_tables WHERE schemaname = 'public' "
            "AND tableowner = current_user"
        )
        assert cursor.fetchone() == (0,)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE ledger_ledgerentry SET hash = 'x'",
        "DELETE FROM ledger_ledgerentry",
        "TRUNCATE ledger_ledgerentry CASCADE",
        "ALTER TABLE ledger_ledgerentry DISABLE TRIGGER USER",
        "SET session_replication_role = replica",
    ],
)
def test_the_application_can_neither_rewrite_nor_empty_nor_disarm(db, statement):
    if connection.vendor == "sqlite" and not statement.startswith(("UPDATE", "DELETE")):
        pytest.skip("not a statement of SQLite")
    entry = an_entry()
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)
    assert list(LedgerEntry.objects.values_list("hash", flat=True)) == [entry.hash]


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("times", [1, 2])
def test_emptying_leaves_no_row_and_every_trigger(times):
    for _ in range(times):
        an_entry()
        database.empty_tables()
        assert LedgerEntry.objects.count() == 0
        assert append_only.missing(connection) == set()
    an_entry()
    with pytest.raises(DatabaseError):
        LedgerEntry.objects.all().delete()


@pytest.mark.django_db(transaction=True)
def test_a_test_finds_nothing_of_the_one_before():
    assert LedgerEntry.objects.count() == 0


def test_sqlite_is_opened_as_it_must_be(db):
    if connection.vendor != "sqlite":
        pytest.skip("settings of SQLite")
    asked = ["journal_mode", "foreign_keys", "recursive_triggers", "synchronous", "busy_timeout"]
    with connection.cursor() as cursor:
        found = [cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in asked]
    assert found == ["wal", 1, 1, 1, 20000]
    assert connection.transaction_mode == "IMMEDIATE"
