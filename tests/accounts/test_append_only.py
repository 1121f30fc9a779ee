"""Append-only is refused in the database: by every way in, on both engines, as the application."""

import pytest
from django.db import DatabaseError, connection, transaction

from accounts import append_only, remarks
from accounts.ledger.models import LedgerBody, LedgerEntry
from accounts.models import MembershipEvent, Remark
from tests.factories import a_coordinator, a_programme, at

pytestmark = pytest.mark.django_db

WAYS = {
    "update": "UPDATE {table} SET {column} = {column} || 'x'",
    "update of one value": "UPDATE {table} SET {column} = 'x'",
    "delete": "DELETE FROM {table}",
}
ON_SQLITE = {
    "insert or replace": "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
    "replace": "REPLACE INTO {table} SELECT * FROM {table}",
    "update or replace": "UPDATE OR REPLACE {table} SET {column} = 'x'",
}
ON_POSTGRESQL = {
    "truncate": "TRUNCATE {table} CASCADE",
    "upsert": "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT ({pk}) "
    "DO UPDATE SET {column} = 'x'",
    "trigger taken away": "ALTER TABLE {table} DISABLE TRIGGER USER",
    "replica role": "SET LOCAL session_replication_role = replica",
}


def ways():
    return {**WAYS, **(ON_SQLITE if connection.vendor == "sqlite" else ON_POSTGRESQL)}


def refused(statement) -> bool:
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    except DatabaseError:
        return True
    return False


@pytest.fixture
def rows():
    programme = a_programme()
    coordinator = a_coordinator(programme)
    with transaction.atomic():
        remarks.write(programme=programme, text="Depth was right.", by=coordinator, at=at(1))
    return programme


@pytest.mark.parametrize(
    ("model", "column"), [(LedgerEntry, "action"), (MembershipEvent, "role"), (Remark, "digest")]
)
def test_every_way_in_is_refused(rows, model, column):
    before = list(model.objects.order_by("pk").values())
    assert before
    for name, sql in ways().items():
        statement = sql.format(table=model._meta.db_table, column=column, pk=model._meta.pk.column)
        assert refused(statement), f"{name} went through"
    assert list(model.objects.order_by("pk").values()) == before


def test_the_orm_is_refused_too(rows):
    entry = LedgerEntry.objects.first()
    for attempt in (
        lambda: LedgerEntry.objects.update(action="x"),
        lambda: LedgerEntry.objects.filter(pk=entry.pk)._raw_delete("default"),
        lambda: entry.save(),
        lambda: MembershipEvent.objects.bulk_update(
            [MembershipEvent(pk=MembershipEvent.objects.first().pk, role="director")], ["role"]
        ),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            attempt()


def test_what_may_change_changes_once(rows):
    remark = Remark.objects.get()
    body = LedgerBody.objects.first()
    LedgerBody.objects.filter(pk=body.pk).update(body=None, salt=None)
    with pytest.raises(DatabaseError), transaction.atomic():
        LedgerBody.objects.filter(pk=body.pk).update(body="{}")
    remarks.erase(remark=remark, why="asked for", by=remark.written_by, at=at(2))
    remark.refresh_from_db()
    assert (remark.text, remark.erased_why) == (None, "asked for")
    with pytest.raises(DatabaseError), transaction.atomic():
        Remark.objects.filter(pk=remark.pk).update(text="Depth was wrong.")
    with pytest.raises(DatabaseError), transaction.atomic():
        Remark.objects.filter(pk=remark.pk).update(erased_why="another reason")


def test_triggers_stand_after_migrate_and_the_check_sees_a_lost_one(db):
    assert append_only.missing(connection) == set()
    wanted = {
        name
        for model in append_only.models_of()
        for name in append_only.trigger_names(model, connection.vendor)
    }
    assert append_only.installed(connection) == wanted


def test_a_lost_trigger_is_an_error_that_says_how_to_mend_it(transactional_db):
    from tests.support.database import as_owner

    with as_owner() as owner:
        append_only.remove(MembershipEvent, owner)
        try:
            found = append_only.triggers_stand(None, ["default"])
            assert [e.id for e in found] == ["interspace.E001"]
            assert "migrate" in found[0].hint
        finally:
            append_only.install(MembershipEvent, owner)
    assert append_only.triggers_stand(None, ["default"]) == []
