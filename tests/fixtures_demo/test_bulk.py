"""What is written many at once equals, table by table, what the actions write one by one."""

import contextlib
import datetime as dt
import json
import re
import uuid

import pytest
from django.apps import apps
from django.db import IntegrityError, transaction

from accounts.ledger import core as ledger
from accounts.ledger.models import LedgerEntry, LedgerHead
from accounts.models import Programme, Remark
from accounts.remarks import digest_of
from fixtures_demo import measured, people, references
from fixtures_demo.bulk import ORDER, Builder
from fixtures_demo.clips import CLIPS
from fixtures_demo.load import Cast, Loader
from fixtures_demo.pictures import Pictures
from logbook.models import Capture, Exam, ExamRevision, Scan
from review.models import Attestation, Discrepancy, Reading

NOW = dt.datetime(2026, 11, 25, 10, tzinfo=dt.UTC)
OURS = ("accounts", "ledger", "logbook", "review", "credentialing")
HEX = re.compile(r"[0-9a-f]{64}")
UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")


class Rollback(Exception):
    pass


def masters(programme):
    """Stand-ins for stored pictures: no file is opened while rows are compared."""
    return {
        clip.slug: Capture(
            probe=clip.probe.name,
            depth_mm=clip.depth_mm,
            kind="clip",
            frames=48,
            duration_ms=4000,
            width=320,
            height=240,
            master_key=f"{clip.slug}-master",
            master_sha256=f"{index:064x}",
            poster_key=f"{clip.slug}-poster",
            play_key=f"{clip.slug}-master",
            arrival_mac=f"{index:064x}",
            mac_key_id="key",
        )
        for index, clip in enumerate(CLIPS, start=1)
    }


def by_actions(cast, programme, events):
    pictures = Pictures({})
    pictures.masters = {(programme.pk, slug): one for slug, one in masters(programme).items()}
    loader = Loader(cast, pictures)
    for event in events:
        loader.happen(event)


def at_once(cast, programme, events):
    builder = Builder(programme, cast, masters(programme))
    for event in events:
        builder.happen(event)
    builder.write()


def names():
    """Every generated identifier by what it stands for, so that two databases compare."""
    named = {}
    for exam in Exam.objects.all():
        named[exam.code] = f"<code of {exam.pk}>"
    for model, say in (
        (ExamRevision, lambda one: f"{one.exam_id} {one.n}"),
        (Scan, lambda one: f"{one.exam_id} {one.application.code}"),
        (Capture, lambda one: f"{one.exam_id} {one.ordinal}"),
        (Reading, lambda one: f"{one.scan.exam_id} {one.scan.application.code}"),
        (Attestation, lambda one: f"{one.exam_id} {one.application.code} {one.ordinal}"),
        (Discrepancy, lambda one: f"{one.attestation.exam_id}"),
        (Remark, lambda one: f"{one.written_at.isoformat()} {one.text}"),
    ):
        for row in model.objects.all():
            named[str(row.pk)] = f"<{model.__name__} {say(row)}>"
    for app in OURS:
        for model in apps.get_app_config(app).get_models():
            key = {"Person": "email", "Programme": "code", "Institution": "code"}
            if model.__name__ in key:
                for row in model.objects.all():
                    named[str(row.pk)] = getattr(row, key[model.__name__])
            elif model.__name__ == "Application":
                for row in model.objects.all():
                    named[str(row.pk)] = f"<application {row.code}>"
    return named


RANDOM = {"salt", "digest", "hash", "id", "created_at", "password", "exam_code"}


def table(model, named):
    """Rows as sorted text with names for identifiers and # for what is random by design."""
    rows = []
    for row in model.objects.values():
        told = {
            name: "#" if name in RANDOM and not (model is Exam and name == "id") else str(value)
            for name, value in row.items()
            if name not in ("entry_id",)
        }
        text = json.dumps(told, sort_keys=True)
        for code in re.findall(r"\b[2-9A-HJ-NP-Z]{2}-[2-9A-HJ-NP-Z]{3}\b", text):
            text = text.replace(code, named.get(code, code))
        text = UUID.sub(lambda found: named.get(found[0], found[0]), text)
        # Digests depend on salts; the masters' own start with zeros here and stay.
        text = HEX.sub(lambda found: found[0] if found[0].startswith("0" * 60) else "#", text)
        rows.append(UUID.sub(lambda found: found[0] if known(found[0]) else "?", text))
    return sorted(rows)


def known(identifier):
    return Exam.objects.filter(pk=identifier).exists()


def everything(company, write, events):
    """All tables after one way of writing; the database is as before afterwards."""
    told = {}
    try:
        with transaction.atomic():
            begun = events[0].at - dt.timedelta(hours=1)
            cast = Cast.enter(company, begun, NOW.date())
            programme = cast.programmes[company.programmes[0].code]
            write(cast, programme, events)
            named = names()
            for app in OURS:
                for model in apps.get_app_config(app).get_models():
                    told[model.__name__] = table(model, named)
            told["verdict"] = ledger.verify(programme.chain).true
            told["head is last"] = (
                LedgerHead.objects.get(chain=programme.chain).seq
                == LedgerEntry.objects.filter(chain=programme.chain).count()
            )
            told["remarks have their digest"] = all(
                one.digest == digest_of(one.salt, one.text) for one in Remark.objects.all()
            )
            raise Rollback
    except Rollback:
        assert not Programme.objects.exists()
    return told


@pytest.mark.django_db
def test_table_by_table_like_the_actions():
    company = people.crowd(1, 4)
    events = measured.tell(company, trainees=4, scans=60, now=NOW)
    one_by_one = everything(company, by_actions, events)
    many = everything(company, at_once, events)
    assert one_by_one["verdict"]
    assert one_by_one["head is last"]
    assert {name: len(rows) for name, rows in many.items() if isinstance(rows, list)} == {
        name: len(rows) for name, rows in one_by_one.items() if isinstance(rows, list)
    }
    for name, rows in one_by_one.items():
        assert many[name] == rows, name
    for name in ("Exam", "Attestation", "Discrepancy", "SupervisionConfirmation", "Remark"):
        assert one_by_one[name], f"nothing to compare in {name}"


@pytest.mark.django_db
@pytest.mark.parametrize("lost", ["", "supervisor", "exam"])
def test_what_leads_nowhere_is_found_by_name(lost):
    company = people.crowd(1, 2)
    events = measured.tell(company, trainees=2, scans=4, now=NOW)
    cast = Cast.enter(company, events[0].at - dt.timedelta(hours=1), NOW.date())
    programme = cast.programmes[company.programmes[0].code]
    builder = Builder(programme, cast, masters(programme))
    for event in events:
        builder.happen(event)
    if lost:
        setattr(builder.tables[ExamRevision].kept[0], f"{lost}_id", uuid.uuid4())
    try:
        with transaction.atomic():
            builder.write()
            with expected(lost):
                references.check(ORDER, programme.pk)
            raise Rollback  # the databases themselves would refuse it at the end
    except Rollback:
        assert not Exam.objects.exists()


def expected(lost):
    if lost:
        return pytest.raises(IntegrityError, match=f"ExamRevision.{lost} leads nowhere")
    return contextlib.nullcontext()


def test_exactly_so_many_scans_are_told():
    company = people.crowd(3, 7)
    events = measured.tell(company, trainees=7, scans=501, now=NOW)
    assert sum(len(e.data.answers) for e in events if e.kind == "exam") == 501


def test_parts_add_up():
    assert measured._parts(7, 100) == [(7, 100)]
    parts = measured._parts(101, 1000)
    assert [sum(column) for column in zip(*parts, strict=True)] == [101, 1000]
    assert len(parts) == 3
