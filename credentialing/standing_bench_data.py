"""Rows at the size of a network, for measuring: attested scans and who is judged by them.

Only what a standing is computed from is written, table by table, into a scratch database whose
foreign keys and secondary indexes are taken away while it fills. Numbers come from a seeded
generator; everything is invented.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import numpy as np
from django.db import connection, models

from accounts import ledger
from accounts.actions import programmes
from accounts.fields import uuid7
from accounts.ledger.models import LedgerHead
from accounts.models import Membership, Person, Programme, Role
from credentialing import measures
from credentialing.actions import plans
from credentialing.models import Assignment, PlanVersion
from logbook.models import Application, Exam, Scan
from review.models import Attestation

APPLICATIONS = ("pneumothorax", "consolidation", "interstitial", "effusion")
EXAMS = 50  # a trainee, each with all four applications
DIFFERENT = 100  # trainees with numbers of their own; on PostgreSQL the others are their copies
UTC = dt.UTC
# As wide as what is signed: the rows that a count passes over are as long as real ones.
STATEMENT, HASHES = "s" * 1300, "h" * 280
CORRECTED = 0.02
POINTS_NOWHERE = (
    "revision_id", "reading_id", "first_reading_id", "rubric_version_id", "credit_rule_id",
)  # fmt: skip
OF_ITS_TRAINEE = ("trainee_id", "exam_id", "scan_id", "supersedes_id")


@dataclass(frozen=True)
class Network:
    programme: Programme
    version: PlanVersion
    trainees: list[uuid.UUID]
    scans: int


def fixed_plan() -> measures.Plan:
    """Five clauses for each of four applications, in one gate an application."""
    gates = []
    for number, application in enumerate(APPLICATIONS):
        first = 5 * number
        gates.append(
            measures.Gate(
                number + 1,
                (
                    measures.Clause(
                        first + 1, "credited", 15, application=application,
                        within_months=12, normal_cap=10,
                    ),
                    measures.Clause(first + 2, "adequate_share", 0.8, application=application),
                    measures.Clause(first + 3, "positive", 10, application=application),
                    measures.Clause(first + 4, "agreement", 0.8, application=application),
                    measures.Clause(first + 5, "quality", 4, application=application),
                ),
            )
        )  # fmt: skip
    return measures.Plan(tuple(gates), code="network", name="Invented numbers of a network")


def network(*, code: str, trainees: int, until: dt.date) -> Network:
    """A programme with so many trainees and two hundred attested scans each."""
    at = dt.datetime.combine(until - dt.timedelta(days=1000), dt.time(8), UTC)
    programme = programmes.create(
        institution="northfield",
        institution_name="Northfield Teaching Hospital",
        code=code,
        name="Northfield Network",
        time_zone="Europe/Berlin",
        duty_telephone="extension 4410",
        by=None,
        at=at,
    )
    version = plans.publish(
        programme=programme,
        plan=fixed_plan(),
        effective_on=at.date(),
        override_reason="Only measured here.",
        by=None,
        at=at,
    )
    filling = _Filling(programme, version, until)
    return filling.fill(trainees)


class _Filling:
    def __init__(self, programme: Programme, version: PlanVersion, until: dt.date) -> None:
        self.programme, self.version, self.until = programme, version, until
        self.began = until - dt.timedelta(days=990)
        self.applications = [
            Application.objects.get(programme=programme, code=code).pk for code in APPLICATIONS
        ]
        self.head = ledger.head_of(programme.chain)
        self.ids = uuid7().int >> 56 << 56
        self.reader = self._people(1, "reader")[0].pk

    def fill(self, trainees: int) -> Network:
        people = self._people(trainees, "trainee")
        memberships = Membership.objects.bulk_create(
            [
                Membership(
                    person=one, programme=self.programme, role=Role.TRAINEE, starts_on=self.began
                )
                for one in people
            ],
            batch_size=1000,
        )
        Assignment.objects.bulk_create(
            [
                Assignment(
                    programme=self.programme,
                    membership=one,
                    version=self.version,
                    effective_on=self.began,
                    recorded_at=dt.datetime.combine(self.began, dt.time(8), UTC),
                    seq=self.head,
                )
                for one in memberships
            ],
            batch_size=1000,
        )
        ids = [one.pk for one in people]
        own = ids[:DIFFERENT] if connection.vendor == "postgresql" else ids
        with _loose(Exam, Scan, Attestation):
            _write(Exam, self._exams(own))
            _write(Scan, self._waiting(own))
            _write(Attestation, self._attestations(own))
            if len(own) < len(ids):
                for model in (Exam, Scan, Attestation):
                    self._copy(model, len(ids))
                self.last = self.head + (self.last - self.head) * (-(-len(ids) // DIFFERENT))
        LedgerHead.objects.filter(chain=self.programme.chain).update(seq=self.last)
        return Network(self.programme, self.version, ids, trainees * EXAMS * len(APPLICATIONS))

    def _copy(self, model: type[models.Model], trainees: int) -> None:
        """The rows of the first DIFFERENT trainees for all the others; in one statement."""
        chosen = []
        for field in model._meta.concrete_fields:
            name = f'"{field.column}"'
            if field.attname in OF_ITS_TRAINEE or field.primary_key:
                number = (
                    f"lpad(to_hex(('x' || substr({name}::text, 25, 6))::bit(24)::int + n), 6, '0')"
                )
                name = f"(left({name}::text, 24) || {number} || right({name}::text, 6))::uuid"
            elif field.attname in ("seq", "superseded_seq"):
                name = f"{name} + n / {DIFFERENT} * {self.last - self.head}"
            elif field.attname == "code":
                name = f"left({name}, 3) || upper(lpad(to_hex(n / {DIFFERENT}), 3, '0'))"
            chosen.append(name)
        columns = ", ".join(f'"{one.column}"' for one in model._meta.concrete_fields)
        table = f'"{model._meta.db_table}"'
        with connection.cursor() as cursor:
            cursor.execute(
                f"INSERT INTO {table} ({columns}) SELECT {', '.join(chosen)} FROM {table}, "  # noqa: S608
                f"generate_series({DIFFERENT}, {trainees - 1}, {DIFFERENT}) n "
                "WHERE programme_id = %s",
                [self.programme.pk],
            )

    def _people(self, count: int, word: str) -> list[Person]:
        code = self.programme.code
        return Person.objects.bulk_create(
            [
                Person(
                    id=self._id(n, 0xFFFF, len(word)), name=f"Invented {word} {n}",
                    email=f"{code}.{word}.{n}@northfield.example",
                )
                for n in range(count)
            ],
            batch_size=1000,
        )  # fmt: skip

    def _dice(self, number: int) -> np.random.Generator:
        return np.random.default_rng([71, number])

    def _days(self, number: int) -> list[int]:
        return sorted(self._dice(number).integers(0, 960, EXAMS).tolist())

    def _exams(self, ids: list[uuid.UUID]) -> Iterator[dict[str, Any]]:
        revision = uuid7()
        for number, trainee in enumerate(ids):
            for exam, day in enumerate(self._days(number)):
                came = self._moment(day, 9)
                yield {
                    "id": self._id(number, exam, 0),
                    "programme_id": self.programme.pk,
                    "trainee_id": trainee,
                    "code": _code(number * EXAMS + exam),
                    "version": 2,
                    "state": "complete",
                    "draft": None,
                    "created_at": came,
                    "first_received_at": came,
                    "completed_at": came,
                    "revision_id": revision,
                }

    def _waiting(self, ids: list[uuid.UUID]) -> Iterator[dict[str, Any]]:
        """Every tenth trainee has one that waits to be read."""
        for number, trainee in enumerate(ids):
            if number % 10 == 0:
                day = self._days(number)[-1]
                yield {
                    "id": self._id(number, EXAMS, 1),
                    "programme_id": self.programme.pk,
                    "exam_id": self._id(number, EXAMS - 1, 0),
                    "application_id": uuid7(),
                    "trainee_id": trainee,
                    "state": "submitted",
                    "moved_at": self._moment(day, 9),
                    "received_seq": 0,
                    "moved_seq": 0,
                    "revision_id": self.reader,
                    "first_answer": "R- L-",
                    "first_confidence": "sure",
                    "first_answered_at": self._moment(day, 9),
                    "performed_on": self._day(day),
                    "late": False,
                }

    def _attestations(self, ids: list[uuid.UUID]) -> Iterator[dict[str, Any]]:
        seq = self.head
        calls = ("negative", "positive", "indeterminate")
        always = {
            "programme_id": self.programme.pk,
            "reader_id": self.reader,
            **dict.fromkeys(POINTS_NOWHERE, self.reader),
            "exception_id": None, "override_reason_id": None, "feedback_id": None,
            "setting": "clinical", "operator": "all", "supervision": "direct",
            "trainee_answer": "R- L-", "trainee_confidence": "sure", "trainee_call": "negative",
            "reader_answer": "R- L-", "first_reader_answer": "R- L-",
            "items": "{}", "credit_reasons": "", "blind": True, "independent": True,
            "capture_hashes": HASHES, "statement": STATEMENT,
        }  # fmt: skip
        for number, trainee in enumerate(ids):
            dice = self._dice(number)
            dice.integers(0, 960, EXAMS)
            n = EXAMS * len(APPLICATIONS)
            waits, marks = dice.integers(1, 25, n).tolist(), dice.integers(2, 6, n).tolist()
            said = dice.choice(3, n, p=[0.6, 0.35, 0.05]).tolist()
            right, credited, fate = (dice.random(n).tolist() for _ in range(3))
            at = 0
            for exam, day in enumerate(self._days(number)):
                for ordinal, application in enumerate(self.applications):
                    seq += 1
                    signed = min(day + waits[at], 985)
                    corrected = fate[at] < CORRECTED
                    pair = said[at] != 2
                    good = credited[at] < 0.9
                    row = always | {
                        "id": self._id(number, exam, 10 + ordinal),
                        "scan_id": self._id(number, exam, 1 + ordinal),
                        "ordinal": 1,
                        "supersedes_id": None,
                        "trainee_id": trainee,
                        "exam_id": self._id(number, exam, 0),
                        "application_id": application,
                        "performed_on": self._day(day),
                        "performed_at": self._moment(day, 8),
                        "received_on": self._day(day),
                        "signed_on": self._day(signed),
                        "signed_at": self._moment(signed, 12),
                        "seq": seq,
                        "superseded_on": self._day(signed + 2) if corrected else None,
                        "superseded_seq": seq + 1 if corrected else None,
                        "reader_call": calls[said[at]],
                        "first_reader_call": calls[said[at]],
                        "quality": marks[at],
                        "first_quality": marks[at],
                        "credited": good,
                        "credit_reasons": "" if good else "quality",
                        "correction_reason_id": None,
                        "in_read": True,
                        "not_in_read_because": "",
                        "pair": pair,
                        "agrees": pair and right[at] < 0.85,
                        "determinate": pair,
                    }
                    yield row
                    if corrected:
                        seq += 1
                        yield row | {
                            "id": self._id(number, exam, 20 + ordinal),
                            "ordinal": 2,
                            "supersedes_id": row["id"],
                            "correction_reason_id": self.reader,
                            "signed_on": self._day(signed + 2),
                            "signed_at": self._moment(signed + 2, 12),
                            "seq": seq,
                            "superseded_on": None,
                            "superseded_seq": None,
                            "reader_call": "negative",
                            "in_read": False,
                            "not_in_read_because": "corrected",
                        }
                    at += 1
        self.last = seq

    def _day(self, offset: int) -> dt.date:
        return self.began + dt.timedelta(days=offset)

    def _id(self, number: int, exam: int, part: int) -> uuid.UUID:
        return uuid.UUID(int=self.ids | number << 24 | exam << 8 | part)

    def _moment(self, offset: int, hour: int) -> dt.datetime:
        return dt.datetime.combine(self._day(offset), dt.time(hour), UTC)


def _code(number: int) -> str:
    digits = []
    for _ in range(6):
        number, digit = divmod(number, 32)
        digits.append(CODE_DIGITS[digit])
    return "".join(digits)


CODE_DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


@contextmanager
def _loose(*tables: type[models.Model]) -> Iterator[None]:
    """Foreign keys are gone for good, secondary indexes until the tables are full."""
    names = [one._meta.db_table for one in tables]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA foreign_keys = OFF")
            yield
            cursor.execute("ANALYZE")
            return
        cursor.execute(
            "SELECT conrelid::regclass::text, conname FROM pg_constraint "
            "WHERE contype = 'f' AND conrelid::regclass::text = ANY(%s)",
            [names],
        )
        for table, name in cursor.fetchall():
            cursor.execute(f'ALTER TABLE "{table}" DROP CONSTRAINT "{name}"')
        cursor.execute(
            "SELECT indexname, indexdef FROM pg_indexes WHERE tablename = ANY(%s) "
            "AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexname::regclass)",
            [names],
        )
        indexes = cursor.fetchall()
        for name, _definition in indexes:
            cursor.execute(f'DROP INDEX "{name}"')
        yield
        cursor.execute("SET maintenance_work_mem = '512MB'")
        for _name, definition in indexes:
            cursor.execute(definition)
        cursor.execute("RESET maintenance_work_mem")
        for name in names:
            cursor.execute(f'VACUUM ANALYZE "{name}"')
        cursor.execute("ANALYZE")


def _write(model: type[models.Model], rows: Iterable[dict[str, Any]]) -> None:
    fields = model._meta.concrete_fields
    names = [one.attname for one in fields]
    pick = itemgetter(*names)
    columns = ", ".join(f'"{one.column}"' for one in fields)
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f'COPY "{table}" ({columns}) FROM STDIN') as copy:
                for row in rows:
                    copy.write_row(pick(row))
            return
        prepare = [one.get_db_prep_save for one in fields]
        marks = ", ".join(["%s"] * len(fields))
        cursor.executemany(
            f'INSERT INTO "{table}" ({columns}) VALUES ({marks})',  # noqa: S608 - our own names
            (
                [to(value, connection) for to, value in zip(prepare, pick(row), strict=True)]
                for row in rows
            ),
        )
