"""Keeping the record by hand: a line written, corrected, taken back, and who may."""

import datetime as dt
import re
import uuid

import pytest
import time_machine
from django.urls import reverse

from accounts.models import Membership
from credentialing.actions import record
from credentialing.models import RECORDS, Document, Remediation
from tests import factories as f

pytestmark = pytest.mark.django_db
DAY = f.NOW.date()


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(f.NOW + dt.timedelta(hours=1), tick=False):
        yield


@pytest.fixture
def scene():
    programme = f.a_programme()
    ada = f.a_trainee(programme, ends_on=dt.date(2028, 12, 31))
    return programme, Membership.objects.get(person=ada), f.a_director(programme)


SENT = {
    "transfer": {
        "measure": "credited", "application": "effusion", "count": "12", "positive": "4",
        "performed_from": "2025-01-01", "performed_to": "2025-09-30",
        "grantor": "Westhaven Ultrasound", "document": "A letter of their director.",
        "effective_on": DAY.isoformat(),
    },
    "document": {"kind": "course", "title": "First lessons", "effective_on": "2025-11-03"},
    "procedure": {
        "code": "pleural-tap", "effective_on": DAY.isoformat(), "supervised": "yes",
        "complications": "no",
    },
    "leave": {"starts_on": "2026-04-01", "ends_on": "2026-04-30", "reason": "research"},
    "extension": {"ends_on": "2029-06-30"},
    "remediation": {"begins_on": "2026-03-09", "why": "The bases, again."},
    "completion": {"outcome": "graduated", "effective_on": "2028-06-30"},
}  # fmt: skip
SHOWN = {
    "transfer": "Effusion: 12 scans, 4 of them positive, performed 1 Jan 2025 to 30 Sep 2025, "
    "attested by Westhaven Ultrasound",
    "document": "First lessons (course), 3 Nov 2025",
    "procedure": "pleural-tap, 9 Mar 2026, supervised, no complications",
    "leave": "research, 1 Apr 2026 to 30 Apr 2026",
    "extension": "until 30 Jun 2029 instead of 31 Dec 2028",
    "remediation": "Every application, from 9 Mar 2026",
    "completion": "completed training, 30 Jun 2028",
}


def address(name, scene, *args):
    programme, membership, _dora = scene
    return reverse(f"credentialing:{name}", args=[programme.code, membership.pk, *args])


def text(response) -> str:
    return response.content.decode()


def form_of(client, url) -> dict[str, str]:
    page = text(client.get(url))
    return {"form_id": re.search(r'name="form_id" value="([^"]+)"', page)[1]}


@pytest.mark.parametrize("kind", RECORDS)
def test_a_line_is_written_corrected_and_taken_back(client, scene, kind):
    _programme, membership, dora = scene
    client.force_login(dora)
    url = address("record_add", scene, kind)
    sent = {**form_of(client, url), **SENT[kind]}
    for _twice in range(2):
        answer = client.post(url, sent)
        assert answer.headers.get("Location") == address("record", scene), text(answer)
    row = RECORDS[kind].objects.get()
    page = text(client.get(address("record", scene)))
    assert SHOWN[kind] in page
    assert dora.name in page

    change = address("record_change", scene, kind, row.pk)
    again = {**SENT[kind], **form_of(client, change), "why": ""}
    assert client.post(change, again).status_code == 422
    assert client.post(change, {**again, "why": "A slip of the pen."}).status_code == 302
    after = RECORDS[kind].objects.current().get()
    assert (after.supersedes, after.recorded_by) == (row, dora)
    taken = address("record_change", scene, kind, after.pk)
    assert client.post(taken, {"do": "take_back", "why": " "}).status_code == 422
    gone = {"do": "take_back", "why": "It was somebody else.", **form_of(client, taken)}
    assert client.post(taken, gone).status_code == 302
    assert not RECORDS[kind].objects.current().exists()
    page = text(client.get(address("record", scene)))
    assert f"<s>{SHOWN[kind]}</s> <strong>taken back</strong>" in page
    assert f"<s>{SHOWN[kind]}</s> <strong>corrected</strong>" in page
    assert client.get(taken).status_code == 409
    membership.refresh_from_db()
    assert membership.ends_on == dt.date(2028, 12, 31)


def test_what_is_refused_stands_beside_its_field(client, scene):
    _programme, _membership, dora = scene
    client.force_login(dora)
    url = address("record_add", scene, "document")
    sent = {**form_of(client, url), **SENT["document"], "valid_until": "2024-01-01"}
    answer = client.post(url, sent)
    assert answer.status_code == 422
    assert "The last day lies before the first." in text(answer)
    assert "First lessons" in text(answer)
    assert not Document.objects.exists()


def test_a_coordinator_neither_sees_nor_writes_remediation(client, scene):
    programme, membership, dora = scene
    record.add(
        kind="remediation", membership=membership, says={"begins_on": DAY},
        why="The bases, again.", by=dora, at=f.NOW,
    )  # fmt: skip
    client.force_login(f.a_coordinator(programme))
    page = text(client.get(address("record", scene)))
    assert "emediation" not in page
    assert "The bases, again." not in page
    row = Remediation.objects.get()
    for url in (
        address("record_add", scene, "remediation"),
        address("record_add", scene, "transfer"),
        address("record_change", scene, "remediation", row.pk),
    ):
        assert (client.get(url).status_code, client.post(url).status_code) == (403, 403)
    client.force_login(membership.person)
    own = text(client.get(reverse("credentialing:own_record", args=[programme.code])))
    assert "The bases, again." in own
    assert "/record/" not in own.split("<main")[1]


def test_an_unknown_kind_or_anothers_line_is_not_there(client, scene):
    programme, _membership, dora = scene
    client.force_login(dora)
    tom = Membership.objects.get(person=f.a_trainee(programme, "Tom Vale"))
    row = record.add(
        kind="leave", membership=tom, says={"starts_on": DAY, "ends_on": DAY, "reason": "leave"},
        by=dora, at=f.NOW,
    )  # fmt: skip
    assert client.get(address("record_add", scene, "diary")).status_code == 404
    assert client.get(address("record_change", scene, "leave", row.pk)).status_code == 404
    assert client.get(address("record_change", scene, "leave", uuid.uuid4())).status_code == 404
