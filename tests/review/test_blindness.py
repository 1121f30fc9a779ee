"""What the trainee answered, saw and wrote, and who it was, reaches nobody who could still read
the exam: on no page, in no header, in no address of the API."""

import datetime as dt

import pytest
import time_machine
from django.urls import NoReverseMatch, reverse

from accounts import access
from logbook.answers import Answer
from tests.factories import (
    NOW,
    a_director,
    a_member,
    a_programme,
    a_reader,
    a_trainee,
    revealed_exam,
    signed_exam,
    waiting_exam,
)

NAME, NOTE = "Quillon Vasterby", "heard a canary in the plant room"
CANARIES = {
    "name": NAME,
    "note": NOTE,
    "address": "canary.trainee@northfield.example",
    "confidence": "Fairly sure",
    "finding": "dynamic",  # of no sign that the desk itself offers for what this exam asks
}


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW + dt.timedelta(hours=1), tick=False):
        yield


@pytest.fixture
def planted(db):
    programme = a_programme()
    trainee = a_trainee(programme, NAME, email=CANARIES["address"])
    exam = waiting_exam(
        trainee,
        programme,
        note=NOTE,
        answers={
            "pneumothorax": {"right": "positive", "left": "indeterminate", "confidence": "fairly"}
        },
        findings={"R1": {"air_bronchogram": "dynamic"}},
    )
    return programme, trainee, exam


def addresses(programme, exam):
    """Every address of the access table that takes no argument but these."""
    known = {
        "programme": programme.code,
        "exam_id": exam.pk,
        "capture_id": exam.captures.first().pk,
    }
    found = set()
    for name in access.table():
        for given in ((), ("programme",), ("programme", "exam_id"), ("programme", "capture_id"),
                      ("exam_id",)):  # fmt: skip
            try:
                found.add(reverse(name, kwargs={key: known[key] for key in given}))
            except NoReverseMatch:
                continue
    return sorted(found)


def leaks(client, programme, exam) -> dict[str, list[str]]:
    found, asked = {}, 0
    for address in addresses(programme, exam):
        if address.startswith("/sign-in/"):
            continue
        response = client.get(address)
        asked += 1
        body = b"".join(response) if response.streaming else response.content
        everything = body + str(dict(response.headers)).encode()
        here = [name for name, text in CANARIES.items() if text.encode() in everything]
        if address == reverse("review:assessments", args=[programme.code]):
            # Whoever stands beside a trainee picks them from all names; none is tied to an exam.
            assert str(exam.pk) not in everything.decode()
            assert exam.code not in everything.decode()
            here = [name for name in here if name != "name"]
        if here:
            found[address] = here
    print(f"N = {asked} addresses")
    assert asked > 30
    return found


def test_the_canaries_sing_for_the_trainee(client, planted):
    """The search would find them: the trainee's own page holds every one that a page can hold."""
    programme, trainee, exam = planted
    client.force_login(trainee)
    page = client.get(reverse("logbook:exam", args=[programme.code, exam.pk])).content.decode()
    for canary in ("name", "note", "confidence", "finding"):
        assert CANARIES[canary] in page, canary


def test_nobody_who_could_still_read_it_finds_any(client, planted):
    programme, _trainee, exam = planted
    reader = a_reader(programme)
    client.force_login(reader)
    assert leaks(client, programme, exam) == {}
    client.post(reverse("review:next", args=[programme.code]))
    assert leaks(client, programme, exam) == {}


def test_a_reveal_shows_one_reader_and_no_other(client, planted):
    programme, _trainee, exam = planted
    reader, other = a_reader(programme), a_reader(programme, "Edda Marsh")
    revealed_exam(reader, exam, when=NOW + dt.timedelta(hours=1))
    client.force_login(other)
    assert leaks(client, programme, exam) == {}
    client.force_login(reader)
    desk = reverse("review:desk", args=[programme.code, exam.pk])
    found = leaks(client, programme, exam)
    assert set(found) == {desk}
    assert set(found[desk]) == {"name", "note", "confidence", "finding"}


def test_a_scan_that_is_signed_does_not_open_the_exam_to_who_reads_the_rest(client, db):
    programme = a_programme()
    trainee = a_trainee(programme, NAME, email=CANARIES["address"])
    exam = waiting_exam(trainee, programme, asks=("pneumothorax", "effusion"), note=NOTE)
    pleura = a_reader(programme, "Femi Oduya", may_read=("pneumothorax",))
    fluid = a_reader(programme, "Gro Halden", may_read=("effusion",))
    signed_exam(pleura, exam, when=NOW + dt.timedelta(minutes=30))
    client.force_login(fluid)
    assert leaks(client, programme, exam) == {}
    client.force_login(pleura)
    page = client.get(reverse("review:exam", args=[programme.code, exam.pk])).content.decode()
    assert NAME in page


def test_a_director_who_reads_is_as_blind_as_any_reader(client, planted):
    programme, _trainee, exam = planted
    both = a_reader(programme, "Dora Quist")
    from accounts.actions import people

    people.add(
        programme=programme, name=both.name, email=both.email, role="director",
        starts_on=NOW.date(), by=None, at=NOW, invite=False,
    )  # fmt: skip
    client.force_login(both)
    page = client.get(reverse("review:exam", args=[programme.code, exam.pk])).content.decode()
    assert NAME not in page
    assert NOTE not in page
    client.force_login(a_director(programme, "Hedda Orme"))
    assert (
        NAME in client.get(reverse("review:exam", args=[programme.code, exam.pk])).content.decode()
    )


def test_the_answer_itself_is_on_no_page_before_the_reveal(client, planted):
    programme, _trainee, exam = planted
    client.force_login(a_reader(programme))
    client.post(reverse("review:next", args=[programme.code]))
    page = client.get(reverse("review:desk", args=[programme.code, exam.pk])).content.decode()
    said = Answer.parse(exam.scans.get().first_answer)
    assert said.code not in page
    answering = page[page.index('data-desk="blind"') : page.index("desk-away")]
    assert 'type="radio"' in answering
    assert "checked" not in answering  # nothing is chosen for the reader


RIGHTS = {
    # role: status of the list, of the desk of an exam, of the trainee's page, of the rule's page
    "trainee": (403, 403, 404, 403),
    "faculty without a privilege": (200, 404, 404, 403),
    "coordinator": (403, 403, 404, 403),
    "director": (403, 403, 200, 200),
    "reader": (200, 200, 200, 403),
    "outsider": (404, 404, 404, 404),
}


@pytest.mark.parametrize("role", RIGHTS)
def test_the_rights_of_each_role(client, planted, role):
    programme, _trainee, exam = planted
    person = {
        "trainee": lambda: a_trainee(programme, "Ola Brandt"),
        "faculty without a privilege": lambda: a_reader(programme, "Pia Roth", may_read=()),
        "coordinator": lambda: a_member(programme, "coordinator", "Cai Brandt"),
        "director": lambda: a_director(programme),
        "reader": lambda: a_reader(programme),
        "outsider": lambda: a_reader(a_programme(), "Stig Holm"),
    }[role]()
    client.force_login(person)
    pages = [("list", ()), ("desk", (exam.pk,)), ("exam", (exam.pk,)), ("credit_rule", ())]
    got = tuple(
        client.get(reverse(f"review:{name}", args=[programme.code, *more])).status_code
        for name, more in pages
    )
    assert got == RIGHTS[role]
