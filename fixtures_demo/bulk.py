"""The same rows as the actions would write, many at once: for measuring at size.

Everything is built in memory in the order of the story and written table by table. What is stated
by a builder of the service (attestations, ledger headers and bodies, lateness, credit) is stated
by the same builder here; a test compares every table with that of the actions at small size.
"""

from __future__ import annotations

import datetime as dt
import json
import secrets
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any, NamedTuple

from django.db import connection, models, transaction
from django.db.models.base import ModelState

from accounts import remarks
from accounts.fields import uuid7
from accounts.ledger import core as ledger
from accounts.ledger.models import LedgerBody, LedgerEntry, LedgerHead
from accounts.models import Notice, Person, Programme, Remark
from fixtures_demo import happenings, references
from fixtures_demo.load import Cast, draft_of
from fixtures_demo.pictures import COPIED
from logbook import drafts
from logbook.codes import new_code
from logbook.models import (
    Application,
    Capture,
    Exam,
    ExamRevision,
    Finding,
    RevisionAnswer,
    Scan,
    SupervisionConfirmation,
)
from logbook.queries import logbook_of
from review import attesting, credit, queries
from review.actions.attestations import body_of
from review.models import Attestation, CreditRule, Discrepancy, Reading, RubricVersion

Masters = Mapping[str, Capture]


class Table:
    """Rows of one model in the order of its columns, without what an instance costs.

    `always`: what every row has; what is neither there nor given has the field's default. The
    primary key is always given.
    """

    def __init__(self, model: type[models.Model], **always: Any) -> None:
        fields = model._meta.concrete_fields
        self.model = model
        self.kept: list[models.Model] = []
        self._rows: list[tuple] = []
        self._in_order = itemgetter(*(one.attname for one in fields))
        self._width = len(fields)
        defaults = {one.attname: one.get_default() for one in fields if not one.primary_key}
        self._always = defaults | always

    def add(self, **given: Any) -> None:
        """One more row that nobody looks at again, by column names."""
        self._rows.append(self._in_order(self._whole(given)))

    def keep(self, *, related: Mapping[str, models.Model], **given: Any) -> Any:
        """One more row that others look at and that may still change; `related` is what it is
        asked for. What an instance's making sets column by column is put there whole."""
        made = self.model.__new__(self.model)
        made._state = ModelState()
        made._state.fields_cache = dict(related)
        vars(made).update(self._whole(given))
        self.kept.append(made)
        return made

    def rows(self) -> list[tuple]:
        return self._rows + [self._in_order(vars(one)) for one in self.kept]

    def _whole(self, given: Mapping[str, Any]) -> dict[str, Any]:
        row = self._always | given
        if len(row) != self._width:
            raise TypeError(f"{self.model.__name__} has other columns than {sorted(row)}")
        return row


class Shown(NamedTuple):
    """A stored capture as far as whoever reads and attests it looks at one."""

    ordinal: int
    zone: str
    kind: str
    master_sha256: str


@dataclass
class Slot:
    """A place in a chain that is being built in memory; looks like the ledger's own."""

    seq: int
    at: dt.datetime


@dataclass
class Chain:
    """One programme's chain from its present head on, in memory."""

    chain: str
    seq: int
    at: dt.datetime
    hash: str
    entries: list[dict[str, Any]] = field(default_factory=list)
    bodies: list[dict[str, str]] = field(default_factory=list)

    @classmethod
    def of(cls, programme: Programme) -> Chain:
        head = LedgerHead.objects.get(chain=programme.chain)
        return cls(head.chain, head.seq, head.at, head.hash)

    def reserve(self, at: dt.datetime) -> Slot:
        return Slot(self.seq + 1, max(at, self.at))

    def append(self, slot: Slot, *, action: str, subject: str, body: dict, by: Person) -> None:
        salt = secrets.token_bytes(32).hex()
        text = ledger.canonical(body)
        header = ledger.header_text(
            chain=self.chain,
            seq=slot.seq,
            at=slot.at,
            actor_id=by.pk,
            action=action,
            subject=subject,
            body_digest=ledger.digest_of_body(salt, text),
            prev=self.hash or ledger.GENESIS,
        )
        self.seq, self.at, self.hash = slot.seq, slot.at, ledger.hash_of(header)
        self.entries.append(
            {
                "seq": slot.seq,
                "at": slot.at,
                "actor_id": by.pk,
                "action": action,
                "subject": subject,
                "header": header,
                "hash": self.hash,
            }
        )
        self.bodies.append({"salt": salt, "body": text})


@dataclass
class Built:
    """One exam with what belongs to it, as it stands in memory."""

    exam: Exam
    revision: ExamRevision
    scans: dict[str, Scan]
    captures: list[Shown]
    imaged: frozenset[str]


class Builder:
    """Rows of one programme, from a story without turns."""

    def __init__(self, programme: Programme, cast: Cast, masters: Masters) -> None:
        self.programme, self.cast = programme, cast
        self.chain = Chain.of(programme)
        self.logbook = logbook_of(programme)
        self.parameters = self.logbook.parameters.text
        self.applications: dict[str, Application] = {
            one.code: one for one in self.logbook.applications
        }
        self.rubric = RubricVersion.objects.in_force(programme)
        self.rule = CreditRule.objects.in_force(programme)
        self.judged_by = self.rule.rule
        self.items: dict[tuple, Mapping[str, str]] = {}
        self.exams: dict[uuid.UUID, Built] = {}
        self.codes: set[str] = set(
            Exam.objects.filter(programme=programme).values_list("code", flat=True)
        )
        self.copied = {
            slug: {name: getattr(master, name) for name in COPIED}
            for slug, master in masters.items()
        }
        self.tables: dict[type[models.Model], Table] = {
            model: Table(model, programme_id=programme.pk) for model in ORDER
        }
        self.tables[LedgerEntry] = Table(LedgerEntry, chain=self.chain.chain)
        self.tables[LedgerBody] = Table(LedgerBody)

    def happen(self, event: happenings.Event) -> None:
        getattr(self, event.kind)(event, event.data)

    def keep(self, row: models.Model) -> models.Model:
        self.tables[type(row)].kept.append(row)
        return row

    def _code(self) -> str:
        while (code := new_code()) in self.codes:
            continue
        self.codes.add(code)
        return code

    def _remark(self, text: str, by: Person, at: dt.datetime) -> Remark | None:
        if not text:
            return None
        salt = secrets.token_bytes(32).hex()
        return self.keep(
            Remark(
                programme_id=self.programme.pk,
                text=text,
                salt=salt,
                digest=remarks.digest_of(salt, text),
                written_at=at,
                written_by_id=by.pk,
            )
        )

    def exam(self, event: happenings.Event, told: happenings.Exam) -> None:
        trainee = self.cast.persons[told.trainee]
        draft = drafts.clean(draft_of(told, self.cast))
        slot = self.chain.reserve(event.at)
        exam = self.tables[Exam].keep(
            related={},
            id=told.id,
            trainee_id=trainee.pk,
            code=self._code(),
            version=2,
            state="complete",
            created_at=told.saved_at,
            first_received_at=slot.at,
            completed_at=slot.at,
        )
        captures = self._captures(exam, told)
        note = self._remark(draft["note"], trainee, slot.at)
        revision = self._revision(exam, draft, note, slot.at)
        exam.revision_id = revision.pk
        scans = {
            code: self.tables[Scan].keep(
                related={
                    "programme": self.programme,
                    "application": application,
                    "revision": revision,
                },
                id=uuid7(),
                exam_id=exam.pk,
                application_id=application.pk,
                trainee_id=trainee.pk,
                moved_at=slot.at,
                received_seq=slot.seq,
                moved_seq=slot.seq,
                revision_id=revision.pk,
                first_answer=drafts.answer_of(draft, code).code,
                first_confidence=draft["answers"][code]["confidence"],
                first_answered_at=revision.answered_at,
                performed_on=revision.performed_on,
            )
            for code, application in self.applications.items()
            if code in draft["applications"]
        }
        for scan in scans.values():
            self.tables[RevisionAnswer].add(
                id=uuid7(),
                revision_id=revision.pk,
                application_id=scan.application_id,
                answer=scan.first_answer,
                confidence=scan.first_confidence,
            )
        findings = self.tables[Finding]
        for (zone, sign), value in drafts.findings_of(draft).items():
            findings.add(id=uuid7(), revision_id=revision.pk, zone=zone, sign=sign, value=value)
        self.exams[told.id] = Built(
            exam, revision, scans, captures, queries.imaged_zones(captures, [])
        )
        self.chain.append(
            slot,
            action="exam.submitted",
            subject=f"exam:{exam.pk}",
            body={
                "code": exam.code,
                "revision": str(revision.pk),
                "n": 1,
                "performed_on": revision.performed_on.isoformat(),
                "answers": {code: scan.first_answer for code, scan in scans.items()},
                "note": {"remark": str(note.pk), "digest": note.digest} if note else None,
            },
            by=trainee,
        )

    def _captures(self, exam: Exam, told: happenings.Exam) -> list[Shown]:
        shown, table = [], self.tables[Capture]
        for ordinal, (zone, slug) in enumerate(told.clips.items(), start=1):
            copied = self.copied[slug]
            table.add(
                **copied,
                id=uuid7(),
                exam_id=exam.pk,
                ordinal=ordinal,
                zone=zone,
                state="ready",
                created_at=told.saved_at,
                ready_at=told.saved_at,
            )
            shown.append(Shown(ordinal, zone, copied["kind"], copied["master_sha256"]))
        return shown

    def _revision(self, exam: Exam, draft: Mapping, note, at: dt.datetime) -> ExamRevision:
        performed = min(drafts.moment(draft["performed_at"]), at)
        return self.tables[ExamRevision].keep(
            related={},
            id=uuid7(),
            exam_id=exam.pk,
            n=1,
            draft_version=1,
            submitted_at=at,
            performed_at=performed,
            performed_on=self.programme.local_date(performed),
            answered_at=min(drafts.moment(draft["answered_at"]) or at, at),
            note_id=note.pk if note else None,
            supervisor_id=uuid.UUID(draft["supervisor"]) if draft["supervisor"] else None,
            knew_result=draft["knew_result"] == "yes",
            parameters=self.parameters,
            **{name: draft[name] for name in drafts.TEXTS},
        )

    def shift(self, event: happenings.Event, shift: happenings.Shift) -> None:
        by = self.cast.persons[shift.by]
        slot = self.chain.reserve(event.at)
        named = [self.exams[one] for one in sorted(shift.exams)]
        effective_on = self.programme.local_date(slot.at)
        for built in named:
            self.tables[SupervisionConfirmation].add(
                id=uuid7(),
                exam_id=built.exam.pk,
                revision_id=built.revision.pk,
                supervision=built.revision.supervision,
                by_person_id=by.pk,
                effective_on=effective_on,
                recorded_at=slot.at,
                seq=slot.seq,
            )
        self.chain.append(
            slot,
            action="supervision.confirmed",
            subject=f"person:{by.pk}",
            body={
                "exams": {str(one.exam.pk): one.revision.supervision for one in named},
                "trainees": sorted({str(one.exam.trainee_id) for one in named}),
            },
            by=by,
        )

    def read(self, event: happenings.Event, told: happenings.Read) -> None:
        built = self.exams[told.exam]
        by = self.cast.persons[told.reader]
        readings = self._reveal(built, event, told, by)
        for index, (code, reading) in enumerate(readings.items()):
            self._sign(built, code, reading, told, by, told.sentence if index == 0 else "")

    def _reveal(self, built: Built, event: happenings.Event, told: happenings.Read, by: Person):
        slot = self.chain.reserve(told.revealed_at)
        readings: dict[str, Reading] = {}
        for code in self.applications:
            if code not in built.scans:
                continue
            readings[code] = self.tables[Reading].keep(
                related={"rubric_version": self.rubric},
                id=uuid7(),
                scan_id=built.scans[code].pk,
                revision_id=built.revision.pk,
                reader_id=by.pk,
                rubric_version_id=self.rubric.pk,
                given_at=min(event.at, slot.at),
                revealed_at=slot.at,
                seq=slot.seq,
                answer=told.answers[code].answer,
                quality=told.quality,
                archive_read="[]",
                blind=True,
                independent=not built.revision.knew_result,
                at_bedside=False,
            )
        self.chain.append(
            slot,
            action="reading.revealed",
            subject=f"exam:{built.exam.pk}",
            body={
                "readings": {
                    str(one.pk): {
                        "scan": str(one.scan_id),
                        "revision": str(one.revision_id),
                        "answer": one.answer,
                        "quality": one.quality,
                        "blind": one.blind,
                        "independent": one.independent,
                    }
                    for one in readings.values()
                }
            },
            by=by,
        )
        return {code: readings[code] for code in told.answers}

    def _sign(self, built: Built, code: str, reading: Reading, told, by: Person, words: str):
        scan, exam = built.scans[code], built.exam
        slot = self.chain.reserve(told.signed_at)
        facts = queries.facts_for_credit(
            scan, exam=exam, quality=reading.quality, imaged=built.imaged
        )
        attestation = attesting.first(
            scan=scan,
            exam=exam,
            reading=reading,
            first_reading=reading,
            rule=self.rule,
            exception=None,
            verdict=(verdict := credit.judge(self.judged_by, facts)),
            late=credit.is_late(self.judged_by, facts),
            credited=verdict.credited,
            items=self._items(told.items),
            words=attesting.Words(feedback=self._remark(words, by, slot.at)),
            captures=built.captures,
            slot=slot,
        )
        self.tables[Attestation].add(**vars(attestation))
        scan.state, scan.moved_at, scan.moved_seq = "attested", slot.at, slot.seq
        discrepancy = None
        if attesting.is_urgent(scan, reading):
            discrepancy = self._urgent(attestation.id, exam, told, by, slot)
        self.chain.append(
            slot,
            action="attestation.signed",
            subject=f"attestation:{attestation.id}",
            body=body_of(attestation, scan.application, discrepancy),
            by=by,
        )

    def _items(self, chosen: Mapping[str, str]) -> Mapping[str, str]:
        key = tuple(sorted(chosen.items()))
        if key not in self.items:
            self.items[key] = self.rubric.rubric.check_items(chosen)
        return self.items[key]

    def _urgent(
        self, attestation: uuid.UUID, exam: Exam, told, by: Person, slot: Slot
    ) -> Discrepancy:
        discrepancy = Discrepancy(
            programme=self.programme,
            attestation_id=attestation,
            trainee_id=exam.trainee_id,
            because="pneumothorax",
            found_at=slot.at,
            telephone=self.programme.duty_telephone,
            told=told.told,
            told_at=slot.at,
            told_by=by,
        )
        self.keep(discrepancy)
        self.keep(
            Notice(
                kind="review.urgent",
                person_id=exam.trainee_id,
                programme=self.programme,
                dedup_key=f"review.urgent:{discrepancy.pk}",
                context=json.dumps({"exam": str(exam.pk), "code": exam.code}),
                due_at=slot.at,
            )
        )
        return discrepancy

    def write(self) -> dict[str, int]:
        """Every row of this programme in one transaction; whole or not at all."""
        with transaction.atomic():
            head = LedgerHead.objects.select_for_update().get(chain=self.chain.chain)
            entries = self.chain.entries
            if entries and head.seq != entries[0]["seq"] - 1:
                raise RuntimeError("the chain has moved since it was read")
            ids = _ledger_ids(len(entries))
            for number, entry, body in zip(ids, entries, self.chain.bodies, strict=True):
                self.tables[LedgerEntry].add(id=number, **entry)
                self.tables[LedgerBody].add(entry_id=number, **body)
            with references.asked_together(ORDER, self.programme.pk):
                written = {model: self._insert(model) for model in ORDER}
            written |= {model: self._insert(model) for model in (LedgerEntry, LedgerBody)}
            head.seq, head.at, head.hash = self.chain.seq, self.chain.at, self.chain.hash
            head.save(update_fields=["seq", "at", "hash"])
        return {model.__name__: count for model, count in written.items()}

    def _insert(self, model: type[models.Model]) -> int:
        return insert(model, self.tables[model].rows())


# A row before the rows that point at it. Exam and revision point at each other: PostgreSQL looks
# at the end of the transaction, and so does SQLite.
ORDER: tuple[type[models.Model], ...] = (
    Remark, Exam, ExamRevision, Finding, RevisionAnswer, Scan, Capture, SupervisionConfirmation,
    Reading, Attestation, Discrepancy, Notice,
)  # fmt: skip


def insert(model: type[models.Model], rows: Sequence[tuple]) -> int:
    """COPY on PostgreSQL, executemany elsewhere: no row by row round trip, every trigger fires.

    `rows`: values in the order of the model's columns. Returns how many.
    """
    fields = model._meta.concrete_fields
    columns = ", ".join(connection.ops.quote_name(one.column) for one in fields)
    table = connection.ops.quote_name(model._meta.db_table)
    if connection.vendor == "postgresql":
        statement = f"COPY {table} ({columns}) FROM STDIN"
        with connection.cursor() as cursor, cursor.copy(statement) as copy:
            for row in rows:
                copy.write_row(row)
        return len(rows)
    prepare: list[Callable] = [one.get_db_prep_save for one in fields]
    marks = ", ".join(["%s"] * len(fields))
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {table} ({columns}) VALUES ({marks})",  # noqa: S608 (names of our own)
            [
                [to(value, connection) for to, value in zip(prepare, row, strict=True)]
                for row in rows
            ],
        )
    return len(rows)


def _ledger_ids(count: int) -> list[int]:
    """Fresh primary keys for so many entries, safe beside other writers."""
    table = LedgerEntry._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)",
                [table, count],
            )
            return [row[0] for row in cursor.fetchall()]
        last = LedgerEntry.objects.aggregate(last=models.Max("id"))["last"] or 0
        return list(range(last + 1, last + 1 + count))
