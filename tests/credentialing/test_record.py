"""What stands in a trainee's record beside the scans."""

import datetime as dt
import uuid

import pytest
from django.db import IntegrityError, transaction

from accounts import ledger
from accounts.actions import people
from accounts.errors import Conflict, Forbidden, Refused
from accounts.models import Membership
from credentialing.actions import record, standing
from credentialing.models import (
    RECORDS,
    Completion,
    Document,
    Extension,
    Leave,
    ProcedureDone,
    Remediation,
    TransferCredit,
)
from logbook.models import Application
from tests import factories as f

pytestmark = pytest.mark.django_db
DAY = f.NOW.date()
END = dt.date(2028, 12, 31)


@pytest.fixture
def scene():
    programme = f.a_programme()
    ada = f.a_trainee(programme, ends_on=END)
    return programme, Membership.objects.get(person=ada), f.a_director(programme)


def says(kind, programme):
    day = dt.date(2025, 11, 3)
    return {
        "transfer": {
            "measure": "credited",
            "application": Application.objects.get(programme=programme, code="effusion"),
            "count": 12,
            "positive": 4,
            "performed_from": dt.date(2025, 1, 1),
            "performed_to": dt.date(2025, 9, 30),
            "grantor": "Westhaven Ultrasound",
            "document": "A letter of their director.",
            "effective_on": DAY,
        },
        "document": {"kind": "course", "title": "First lessons", "effective_on": day},
        "procedure": {
            "code": "pleural-tap",
            "effective_on": DAY,
            "supervised": True,
            "complications": False,
        },
        "leave": {"starts_on": DAY, "ends_on": END, "reason": "research"},
        "extension": {"ends_on": dt.date(2029, 6, 30)},
        "remediation": {"begins_on": DAY, "ends_on": dt.date(2026, 6, 30)},
        "completion": {"outcome": "graduated", "effective_on": dt.date(2028, 6, 30)},
    }[kind]


def write(scene, kind, more=None, *, why="", **rest):
    programme, membership, dora = scene
    return record.add(
        kind=kind,
        membership=membership,
        says=says(kind, programme) | (more or {}),
        why=why or ("Depth of the bases." if kind == "remediation" else ""),
        by=dora,
        at=f.NOW,
        **rest,
    )


@pytest.mark.parametrize("kind", RECORDS)
def test_a_line_of_each_kind_is_written_once_and_never_changed(scene, kind):
    programme, membership, _dora = scene
    form = uuid.uuid4()
    row = write(scene, kind, record_id=form)
    head = ledger.head_of(programme.chain)
    assert write(scene, kind, record_id=form) == row
    assert ledger.head_of(programme.chain) == head
    entry = ledger.read(programme.chain)[-1]
    assert (entry.action, entry.subject) == ("record.added", f"record:{row.pk}")
    assert (entry.seq, entry.body["kind"]) == (row.seq, kind)
    assert entry.body["trainee"] == str(membership.person_id)
    assert set(entry.body["says"]) == set(RECORDS[kind].SAYS)
    with pytest.raises(Exception, match=r"append-only|permission denied"), transaction.atomic():
        RECORDS[kind].objects.filter(pk=row.pk).update(effective_on=DAY - dt.timedelta(days=1))


@pytest.mark.parametrize("kind", RECORDS)
def test_a_line_is_taken_back_by_another(scene, kind):
    _programme, membership, dora = scene
    row = write(scene, kind)
    with pytest.raises(Refused, match="why"):
        record.revoke(row=row, why=" ", by=dora, at=f.NOW)
    gone = record.revoke(row=row, why="Of somebody else.", by=dora, at=f.at(70))
    row.refresh_from_db()
    model = RECORDS[kind]
    assert list(model.objects.current()) == []
    assert (row.superseded_on, row.superseded_seq) == (gone.recorded_on, gone.seq)
    holds = max(row.effective_on, f.at(80).date())
    then = {"d": holds, "d2": holds, "seq": row.seq}
    assert list(model.objects.as_of(**then)) == [row]
    assert list(model.objects.as_of(**then | {"seq": gone.seq})) == []
    with pytest.raises(Conflict):
        record.revoke(row=row, why="Twice.", by=dora, at=f.at(70))
    membership.refresh_from_db()
    assert membership.ends_on == END


def test_a_correction_supersedes_and_says_why(scene):
    row = write(scene, "transfer")
    with pytest.raises(Refused, match="why"):
        write(scene, "transfer", {"count": 10}, supersedes=row)
    after = write(scene, "transfer", {"count": 10}, supersedes=row, why="Two were counted twice.")
    assert list(TransferCredit.objects.current()) == [after]
    assert (after.supersedes, after.count, row.count) == (row, 10, 12)
    with pytest.raises(Conflict):
        write(scene, "transfer", {"count": 9}, supersedes=row, why="Again.")


def test_what_was_recorded_later_is_not_known_before(scene):
    row = write(scene, "document")
    before = {"d": DAY, "d2": DAY, "seq": row.seq - 1}
    assert list(Document.objects.as_of(**before)) == []
    assert list(Document.objects.as_of(**before | {"seq": row.seq})) == [row]
    assert list(Document.objects.as_of(d=DAY, d2=DAY - dt.timedelta(days=1), seq=row.seq)) == []
    earlier = row.effective_on - dt.timedelta(days=1)
    assert list(Document.objects.as_of(d=earlier, d2=DAY, seq=row.seq)) == []


def test_an_extension_moves_the_last_day(scene):
    _programme, membership, dora = scene
    row = write(scene, "extension")
    membership.refresh_from_db()
    assert (row.before_on, membership.ends_on) == (END, dt.date(2029, 6, 30))
    people.end(membership=membership, ends_on=dt.date(2030, 1, 1), by=dora, at=f.NOW)
    with pytest.raises(Conflict, match="changed since"):
        record.revoke(row=row, why="Not granted.", by=dora, at=f.NOW)


def test_without_a_last_day_nothing_is_extended(scene):
    programme, _membership, dora = scene
    tom = Membership.objects.get(person=f.a_trainee(programme, "Tom Vale"))
    with pytest.raises(Refused, match="no last day"):
        write((programme, tom, dora), "extension")
    write((programme, tom, dora), "completion")
    tom.refresh_from_db()
    assert tom.ends_on == dt.date(2028, 6, 30)
    record.revoke(row=Completion.objects.get(), why="Stays on.", by=dora, at=f.NOW)
    tom.refresh_from_db()
    assert tom.ends_on is None


@pytest.mark.parametrize(
    ("kind", "more", "sentence"),
    [
        ("transfer", {"count": 2, "positive": 3}, "More are positive"),
        ("transfer", {"grantor": " "}, "who attested"),
        ("transfer", {"application": None}, "which application"),
        ("transfer", {"measure": "assessed"}, "which level"),
        ("transfer", {"measure": "document", "application": None}, "which kind"),
        ("transfer", {"performed_to": dt.date(2024, 1, 1)}, "before the first"),
        ("transfer", {"performed_to": dt.date(2027, 1, 1)}, "still to come"),
        ("document", {"valid_until": dt.date(2025, 1, 1)}, "before the first"),
        ("document", {"title": "MRN 4471234567"}, "record number|long number"),
        ("procedure", {"effective_on": dt.date(2027, 1, 1)}, "still to come"),
        ("leave", {"ends_on": dt.date(2026, 1, 1)}, "before the first"),
        ("extension", {"ends_on": END}, "give a later day"),
        ("completion", {"effective_on": dt.date(2020, 1, 1)}, "before the first"),
    ],
)
def test_what_cannot_be_is_refused_in_words(scene, kind, more, sentence):
    with pytest.raises(Refused, match=sentence):
        write(scene, kind, more)
    assert not RECORDS[kind].objects.exists()


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("transfer", {"count": 1, "positive": 2}),
        ("document", {"valid_until": dt.date(2020, 1, 1)}),
        ("leave", {"ends_on": dt.date(2020, 1, 1)}),
        ("extension", {"ends_on": dt.date(2020, 1, 1)}),
        ("remediation", {"ends_on": dt.date(2020, 1, 1)}),
    ],
)
def test_the_database_refuses_it_as_well(scene, kind, more):
    row = write(scene, kind)
    copy = {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}
    copy |= {"id": uuid.uuid4(), **more}
    with pytest.raises(IntegrityError), transaction.atomic():
        type(row).objects.bulk_create([type(row)(**copy)])


def test_who_may_write_which_kind(scene):
    programme, membership, _dora = scene
    cai = f.a_coordinator(programme)
    may = set()
    for kind in RECORDS:
        try:
            write((programme, membership, cai), kind)
        except Forbidden:
            continue
        may.add(kind)
    assert set(RECORDS) - may == {"transfer", "remediation"}
    for nobody in (f.a_reader(programme), f.a_director(f.a_programme()), membership.person):
        with pytest.raises(Forbidden):
            write((programme, membership, nobody), "leave")


def test_nobody_keeps_their_own_record(scene):
    programme, _membership, dora = scene
    people.add(
        programme=programme, name=dora.name, email=dora.email, role="trainee",
        starts_on=f.START, by=None, at=f.at(0), invite=False,
    )  # fmt: skip
    own = Membership.objects.get(person=dora, role="trainee")
    with pytest.raises(Forbidden, match="their own"):
        write((programme, own, dora), "document")


def test_standing_hears_of_a_new_line(scene):
    programme, membership, _dora = scene
    before = ledger.head_of(programme.chain)
    write(scene, "procedure")
    write(scene, "leave")
    write(scene, "remediation")
    entries = ledger.read(programme.chain, after_seq=before)
    assert standing.people_in(programme, entries) == {membership.person_id}
    assert (ProcedureDone.objects.count(), Leave.objects.count()) == (1, 1)
    assert (Remediation.objects.count(), Extension.objects.count()) == (1, 0)
