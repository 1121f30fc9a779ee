"""What is signed cannot change: by every way in, on both engines, as the application."""

import datetime as dt

import pytest
from django.db import DatabaseError, connection, transaction

from review.models import (
    Attestation,
    CreditException,
    CreditRule,
    Reading,
    ReadingFinding,
    ReturnRequest,
    RubricVersion,
    SetAside,
)
from tests.factories import NOW, a_director, marks, signed_exam, waiting_exam

LATER = NOW + dt.timedelta(hours=1)


WAYS = [
    "UPDATE {table} SET {column} = {column} || 'x'",
    "UPDATE {table} SET {column} = 'x' WHERE 1 = 1",
    "DELETE FROM {table}",
]
ON_SQLITE = [
    "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
    "REPLACE INTO {table} SELECT * FROM {table}",
    "UPDATE OR REPLACE {table} SET {column} = 'x'",
]
ON_POSTGRESQL = [
    "TRUNCATE {table}",
    "TRUNCATE {table} CASCADE",
    "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT (id) DO UPDATE SET {column} = 'x'",
    "ALTER TABLE {table} DISABLE TRIGGER ALL",
    "DROP TABLE {table} CASCADE",
]


def refused(statement) -> bool:
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    except DatabaseError:
        return True
    return False


@pytest.fixture
def rows(programme, trainee, reader):
    """A row in each of the tables."""
    from review.actions import attestations, holds, programmes, readings, scans

    (first,) = signed_exam(reader, waiting_exam(trainee, programme))
    attestations.supersede(attestation=first, reason="Typo.", by=reader, at=LATER)
    for to in ("returned", "set aside"):
        exam = waiting_exam(trainee, programme, when=LATER)
        holds.take(programme=programme, exam=exam, by=reader, at=LATER)
        scan = exam.scans.get()
        said = marks(findings=[["R1", "sliding", "present"]])
        readings.save(exam=exam, scans={str(scan.pk): said}, by=reader, at=LATER)
        readings.reveal(exam=exam, by=reader, at=LATER)
        if to == "returned":
            programmes.make_exception(
                scan=scan, waives=["quality"], reason="Broken screen.", by=a_director(programme),
                at=NOW,
            )  # fmt: skip
            scans.return_(exam=exam, scan_ids=[scan.pk], zones=["L2"], by=reader, at=LATER)
        else:
            scans.set_aside(exam=exam, scan_ids=[scan.pk], reason="duplicate", by=reader, at=LATER)
    return first


TABLES = [
    (Attestation, "statement"),
    (Reading, "answer"),
    (ReadingFinding, "value"),
    (CreditRule, "text"),
    (CreditException, "waives"),
    (RubricVersion, "text"),
    (ReturnRequest, "zones"),
    (SetAside, "reason"),
]


@pytest.mark.parametrize(("model", "column"), TABLES)
def test_every_way_in_is_refused(rows, model, column):
    before = list(model.objects.order_by("pk").values())
    assert before
    ways = WAYS + (ON_SQLITE if connection.vendor == "sqlite" else ON_POSTGRESQL)
    table = model._meta.db_table
    for sql in ways:
        assert refused(sql.format(table=table, column=column)), sql
    with pytest.raises(DatabaseError), transaction.atomic():
        model.objects.update(**{column: "x"})
    with pytest.raises(DatabaseError), transaction.atomic():
        model.objects.all()._raw_delete(model.objects.db)
    row = model.objects.order_by("pk").first()
    setattr(row, column, "x")
    with pytest.raises(DatabaseError), transaction.atomic():
        row.save()
    assert list(model.objects.order_by("pk").values()) == before


def test_an_attestation_is_superseded_once_and_for_good(rows):
    table = Attestation._meta.db_table
    current = Attestation.objects.current().get(scan=rows.scan)
    for sql in (
        f"UPDATE {table} SET superseded_on = NULL, superseded_seq = NULL",  # noqa: S608
        f"UPDATE {table} SET superseded_seq = superseded_seq + 1 WHERE ordinal = 1",  # noqa: S608
        f"UPDATE {table} SET superseded_on = '2026-12-24' WHERE superseded_on IS NULL",  # noqa: S608
    ):
        assert refused(sql), sql
    assert Attestation.objects.current().get(scan=rows.scan) == current


def test_the_constraints_stand_in_the_database(rows):
    """Each row is the signed one with one thing wrong."""

    def wrong(**changed):
        fields = {
            f.attname: getattr(rows, f.attname)
            for f in Attestation._meta.concrete_fields
            if f.attname not in ("id", "superseded_on", "superseded_seq")
        }
        fields |= {"ordinal": 3, "supersedes_id": current.pk}
        fields |= {"correction_reason_id": current.correction_reason_id}
        with pytest.raises(DatabaseError), transaction.atomic():
            Attestation.objects.create(**fields | changed)

    current = Attestation.objects.current().get(scan=rows.scan)
    wrong()  # a second current one
    wrong(reader_id=rows.trainee_id)
    wrong(ordinal=1)
    wrong(supersedes_id=None)
    wrong(credited=False)
    wrong(quality=6)
    wrong(in_read=False)
    wrong(agrees=True, determinate=False)
    assert Attestation.objects.filter(scan=rows.scan).count() == 2
