"""The exam API: preconditions (RFC 9110 section 13, RFC 6585 for 428), and what it never says."""

import datetime as dt
import json
import threading
import uuid

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from accounts import ledger
from accounts.actions import keys
from logbook.models import Exam
from tests.factories import (
    a_programme,
    a_reader,
    a_trainee,
    archived_capture,
    drafted_exam,
    exam_draft,
    submitted_exam,
)

CREATE = {"If-None-Match": "*"}
NEW = uuid.UUID("0198c0de-0000-7000-8000-000000000001")


def address(exam_id, tail=""):
    return f"/api/v1/exams/{getattr(exam_id, 'pk', exam_id)}{tail}"


def recent(**fields):
    """Requests are answered by the real clock: the exam was an hour ago."""
    return exam_draft(when=timezone.now(), **fields)


@pytest.fixture
def put(client, ines, programme):
    client.force_login(ines)

    def send(exam_id, headers, *, draft=None, tail="", code="em", person=None, body=None):
        if person is not None:
            client.force_login(person)
        if body is None and not tail:
            body = {"programme": code, "draft": draft if draft is not None else FIXED}
        return client.put(address(exam_id, tail), body, "application/json", headers=headers)

    return send


FIXED = recent()


def test_create_edit_repeat(put):
    made = put(NEW, CREATE)
    assert (made.status_code, made["ETag"], made.json()["version"]) == (201, '"1"', 1)
    assert made.json()["draft"]["place"] == "Resuscitation"
    again = put(NEW, CREATE)
    assert (again.status_code, again["ETag"]) == (200, '"1"')
    changed = put(NEW, {"If-Match": '"1"'}, draft={**FIXED, "place": "Ward 4"})
    assert (changed.status_code, changed["ETag"]) == (200, '"2"')
    repeated = put(NEW, {"If-Match": '"1"'}, draft={**FIXED, "place": "Ward 4"})
    assert (repeated.status_code, repeated["ETag"]) == (200, '"2"')


def test_stale_and_different_answers_with_both_versions(put):
    put(NEW, CREATE)
    put(NEW, {"If-Match": '"1"'}, draft={**FIXED, "place": "Ward 4"})
    for headers in ({"If-Match": '"1"'}, CREATE):
        stale = put(NEW, headers, draft={**FIXED, "place": "Ward 5"})
        assert (stale.status_code, stale["ETag"]) == (412, '"2"')
        assert stale.json()["stored"]["draft"]["place"] == "Ward 4"
        assert stale.json()["yours"]["place"] == "Ward 5"
    assert Exam.objects.get(pk=NEW).version == 2


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 428),
        ({"If-Match": "*"}, 400),
        ({"If-Match": '"0"'}, 400),
        ({"If-Match": 'W/"1"'}, 400),
        ({"If-Match": '"1", "2"'}, 400),
        ({"If-None-Match": '"1"'}, 400),
        ({"If-Match": '"1"', "If-None-Match": "*"}, 400),
    ],
)
def test_a_write_names_one_version(put, headers, status):
    put(NEW, CREATE)
    assert put(NEW, headers, draft={**FIXED, "place": "Ward 4"}).status_code == status
    assert Exam.objects.get(pk=NEW).version == 1


def test_anothers_exam_answers_like_a_missing_one_byte_for_byte(put, client, programme, bram):
    mine = drafted_exam(bram, programme)
    reader = a_reader(programme, "Maren Achterberg", ("pneumothorax",))
    read = submitted_exam(bram, programme)

    def answers(exam_id):
        found = [
            put(exam_id, {"If-Match": '"1"'}),
            put(exam_id, {"If-Match": '"1"'}, tail="/submission"),
            client.get(address(exam_id)),
        ]
        return [(r.status_code, r.content, sorted(r.headers)) for r in found]

    nothing = answers(uuid.uuid4())
    assert [status for status, _body, _headers in nothing] == [404, 404, 404]
    assert answers(mine.pk) == nothing
    assert answers(read.pk) == nothing
    client.force_login(reader)
    assert client.get(address(read)).status_code == 404  # blind readers read elsewhere


def test_creating_over_anothers_is_a_bare_conflict(put, programme, bram):
    taken = put(drafted_exam(bram, programme).pk, CREATE)
    assert (taken.status_code, taken.content) == (409, b"")
    assert "ETag" not in taken


def test_a_director_and_a_stranger_record_nothing(put, tove, programme):
    assert put(NEW, CREATE, person=tove).status_code == 403
    assert put(NEW, CREATE, code="nowhere").status_code == 403
    assert not Exam.objects.exists()


@pytest.mark.parametrize(
    "body",
    [
        [],
        {"programme": "em"},
        {"programme": 7, "draft": {}},
        {"programme": "em", "draft": []},
        {"programme": "em", "draft": {"patient": "x"}},
        {"programme": "em", "draft": {"performed_at": "yesterday"}},
        {"programme": "em", "draft": {"performed_at": "2026-03-09T10:00:00"}},
        {"programme": "em", "draft": {"answers": {"effusion": {"limited": "yes"}}}},
        {"programme": "em", "draft": {"place": "\x00"}},
        {"programme": "em", "draft": {"place": "\ud800"}},
    ],
)
def test_what_is_no_draft_is_refused(put, body):
    assert put(NEW, CREATE, body=body).status_code == 400
    assert not Exam.objects.exists()


def test_an_identifier_in_the_note_is_refused_with_its_field(put):
    said = put(NEW, CREATE, draft={**FIXED, "note": "MRN 48213377"})
    assert (said.status_code, said.json()["code"]) == (422, "identifier")
    assert list(said.json()["fields"]) == ["note"]


def test_submission(put, programme):
    put(NEW, CREATE)
    early = put(NEW, {"If-Match": '"1"'}, tail="/submission")
    assert (early.status_code, list(early.json()["fields"])) == (422, ["captures"])
    exam = Exam.objects.get(pk=NEW)
    archived_capture(exam)
    assert put(NEW, {}, tail="/submission").status_code == 428
    stale = put(NEW, {"If-Match": '"9"'}, tail="/submission")
    assert stale.status_code == 412
    done = put(NEW, {"If-Match": '"1"'}, tail="/submission")
    assert (done.status_code, done["ETag"]) == (200, '"2"')
    said = done.json()
    assert (said["state"], said["draft"], said["revision"]) == ("complete", None, 1)
    assert [(s["application"], s["first_answer"]) for s in said["scans"]] == [
        ("pneumothorax", "R- L-")
    ]
    retried = put(NEW, {"If-Match": '"1"'}, tail="/submission")
    assert (retried.status_code, retried["ETag"]) == (200, '"2"')
    assert exam.revisions.count() == 1


def test_disagreement_is_said_after_the_submission_and_never_before(put, programme):
    draft = {**FIXED, "findings": {"R1": {"lung_point": "seen"}, "L1": {"sliding": "present"}}}
    made = put(NEW, CREATE, draft=draft)
    assert "disagreements" not in made.json()
    archived_capture(Exam.objects.get(pk=NEW))
    done = put(NEW, {"If-Match": '"1"'}, tail="/submission")
    assert len(done.json()["disagreements"]) == 1
    assert "right" in done.json()["disagreements"][0]


def test_the_list_is_ones_own_newest_first(client, programme, ines, bram):
    first = drafted_exam(ines, programme)
    second = drafted_exam(ines, programme, when=first.created_at + dt.timedelta(hours=1))
    drafted_exam(bram, programme)
    client.force_login(ines)
    assert [e["id"] for e in client.get("/api/v1/exams").json()] == [
        str(second.pk),
        str(first.pk),
    ]
    older = client.get("/api/v1/exams", {"before": str(second.pk)}).json()
    assert [e["id"] for e in older] == [str(first.pk)]
    assert client.get("/api/v1/exams", {"before": "x"}).status_code == 400


def test_a_session_needs_its_csrf_token_and_a_key_does_not(programme, ines):
    body = {"programme": "em", "draft": FIXED}
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(ines)
    sent = {"content_type": "application/json"}
    assert browser.put(address(NEW), body, headers=CREATE, **sent).status_code == 403
    _token, key = keys.make(person=ines, name="phone", by=ines, at=timezone.now())
    with_key = {**CREATE, "Authorization": f"Bearer {key}"}
    fresh = Client(enforce_csrf_checks=True)
    assert fresh.put(address(NEW), body, headers=with_key, **sent).status_code == 201
    assert Client().put(address(NEW), body, headers=CREATE, **sent).status_code in (401, 403)


def at_once(clients, send):
    """Runs ``send(number, client)`` on every client at the same moment; their answers."""
    answers, start = [], threading.Barrier(len(clients))

    def run(number, one):
        start.wait()
        answers.append(send(number, one))
        connection.close()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers


@pytest.fixture
def eight(transactional_db):
    """Eight signed-in clients of one trainee, and her programme."""
    programme = a_programme(code="em")
    ines = a_trainee(programme, "Ines Haldor")
    clients = [Client() for _ in range(8)]
    for one in clients:
        one.force_login(ines)
    return clients, programme


def test_two_puts_at_once_leave_one_winner(eight):
    """Each round: eight different bodies race, first to create, then to change version 1."""
    clients, _programme = eight
    for headers, won in ((CREATE, 201), ({"If-Match": '"1"'}, 200)):

        def send(number, one, headers=headers, won=won):
            draft = {**FIXED, "place": f"Ward {number}, {won}"}
            body = {"programme": "em", "draft": draft}
            reply = one.put(address(NEW), body, "application/json", headers=headers)
            return reply.status_code, draft["place"]

        answers = at_once(clients, send)
        assert sorted(status for status, _place in answers) == [won] + [412] * 7
        stored = json.loads(Exam.objects.get(pk=NEW).draft)
        assert [place for status, place in answers if status == won] == [stored["place"]]
    assert Exam.objects.get(pk=NEW).version == 2


def test_eight_submissions_at_once_are_one(eight):
    clients, programme = eight
    body = {"programme": "em", "draft": FIXED}
    clients[0].put(address(NEW), body, "application/json", headers=CREATE)
    exam = Exam.objects.get(pk=NEW)
    archived_capture(exam)

    def send(_number, one):
        reply = one.put(
            address(NEW, "/submission"), None, "application/json", headers={"If-Match": '"1"'}
        )
        return reply.status_code, reply["ETag"]

    assert at_once(clients, send) == [(200, '"2"')] * 8
    assert exam.revisions.count() == 1
    actions = [entry.action for entry in ledger.read(programme.chain)]
    assert actions.count("exam.submitted") == 1
