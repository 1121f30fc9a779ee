"""A list of people from a spreadsheet: looked at, then imported as a whole or not at all."""

import datetime as dt

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from accounts import ledger, roster
from accounts.actions import people, rosters
from accounts.errors import Refused
from accounts.models import Membership, MembershipEvent, Notice, Person
from tests import factories as f

NOW = f.NOW
TODAY = NOW.date()
LIST = (
    "Name,E-mail,Role,Profession,Level,From,To\n"
    "Ada Fenn,ada@northfield.example,trainee,Physician,Year 1,2026-08-01,2029-07-31\n"
    "Bo Lindqvist,bo@northfield.example,faculty,,,,\n"
)


def rows(text):
    return roster.read(text).rows


def faults(text):
    return [(fault.line, fault.column, fault.sentence) for fault in roster.read(text).faults]


# --- reading --------------------------------------------------------------------------------------


def test_a_list_as_it_is_meant():
    ada, bo = rows(LIST)
    assert ada == roster.Row(
        line=2, name="Ada Fenn", email="ada@northfield.example", role="trainee",
        profession="Physician", level="Year 1", starts_on=dt.date(2026, 8, 1),
        ends_on=dt.date(2029, 7, 31),
    )  # fmt: skip
    assert (bo.role, bo.starts_on, bo.level) == ("faculty", None, "")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_however_a_spreadsheet_saved_it(encoding, separator, ending):
    text = ending.join(
        [separator.join(["E-MAIL", "name"]), separator.join(["zoe@a.example", "Zoë Ångström"]), ""]
    )
    content = text.encode(encoding)
    assert rows(roster.decoded(content)) == [
        roster.Row(line=2, name="Zoë Ångström", email="zoe@a.example", role="trainee")
    ]


def test_a_name_in_two_spellings_of_one_letter_is_one():
    composed = rows("Name,E-mail\nZoë,z@a.example")[0].name
    assert rows("Name,E-mail\nZoe\u0308,z@a.example")[0].name == composed


def test_faults_by_line_and_column():
    text = (
        "Name;E-mail;Role;From;To\n"
        ";ada@a.example;trainee;;\n"
        "Bo;bo at a;trainee;;\n"
        "Cy;cy@a.example;director;;\n"
        "\n"
        "Di;di@a.example;trainee;08/01/2026;\n"
        "Ed;ed@a.example;trainee;2026-08-01;2026-07-01\n"
        "=1+1;ev@a.example;trainee;;\n"
        "Flo;flo@a.example;trainee;2026-02-30;\n"
        "Gu\u202es;gus@a.example;trainee;;\n"
        "Hal;hal@a.example;trainee;;\n"
        "Hal Two;HAL@a.example;trainee;;\n"
        "Ida;ida@a.example;trainee;;;extra;more\n"
    )
    assert faults(text) == [
        (2, "Name", "This is missing."),
        (3, "E-mail", "Is not an e-mail address."),
        (4, "Role", "Write trainee or faculty. Others are added one at a time."),
        (6, "From", "Write the day as 2026-08-01 or 1.8.2026."),
        (7, "To", "The last day lies before the first."),
        (8, "Name", "Begins like a formula, with =."),
        (9, "From", "Write the day as 2026-08-01 or 1.8.2026."),
        (10, "Name", "Holds characters that cannot be seen."),
        (12, "E-mail", "Stands on line 11 already."),
        (13, "", "This line has more cells than the first one."),
    ]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"PK\x03\x04\x00\x00\x00", "not a list as text"),
        (b"\xff\xfe\x00", "not a list as text"),
        (b"hello there", "missing: Name, E-mail"),
        (b"Name,E-mail\n", "no people"),
        (b"Name,Name,E-mail\nA,B,c@d.example", "twice"),
        (b'Name,E-mail\n"Ada,ada@a.example\n', "quotation mark"),
        (b"Name,E-mail\n" + b"A,a@a.example\n" * 2001, "More than 2000"),
        (b"x" * 1_000_001, "larger"),
    ],
)
def test_what_is_no_list_of_people_is_refused_as_a_whole(content, says):
    with pytest.raises(Refused, match=says):
        roster.read(roster.decoded(content))


@given(st.binary(max_size=400))
@settings(max_examples=200)
def test_no_file_breaks_the_reader(content):
    for start in (b"", b"Name,E-mail\n", b"\xef\xbb\xbfName;E-mail;From\n"):
        try:
            found = roster.read(roster.decoded(start + content))
        except Refused:
            continue
        assert found.rows or found.faults


# --- importing ------------------------------------------------------------------------------------


def bring(programme, text, by=None, at=NOW):
    return rosters.import_roster(programme=programme, roster=roster.read(text), by=by, at=at)


@pytest.mark.django_db
def test_the_same_list_twice_writes_nothing():
    programme = f.a_programme()
    first = bring(programme, LIST)
    assert [step.what for step in first] == ["new", "new"]
    entry = ledger.read(programme.chain)[-1]
    assert (entry.action, entry.body["new"]) == ("roster.imported", 2)
    assert "Ada" not in str(entry.body)
    ada = Membership.objects.get(person__email="ada@northfield.example")
    assert (ada.level, ada.starts_on, ada.ends_on) == (
        "Year 1", dt.date(2026, 8, 1), dt.date(2029, 7, 31),
    )  # fmt: skip
    assert Notice.objects.filter(kind="accounts.welcome").count() == 2
    head, events = ledger.head_of(programme.chain), MembershipEvent.objects.count()
    assert [step.what for step in bring(programme, LIST, at=f.at(90))] == ["same", "same"]
    assert (ledger.head_of(programme.chain), MembershipEvent.objects.count()) == (head, events)


@pytest.mark.django_db
def test_a_changed_list_changes_what_differs():
    programme = f.a_programme()
    bring(programme, LIST)
    changed = LIST.replace("Year 1", "Year 2").replace("2029-07-31", "2030-01-31")
    steps = bring(programme, changed)
    assert [(step.what, step.changes) for step in steps] == [
        ("changes", {"level": ("Year 1", "Year 2"), "ends_on": ("2029-07-31", "2030-01-31")}),
        ("same", {}),
    ]
    ada = Membership.objects.get(person__email="ada@northfield.example")
    assert (ada.level, ada.ends_on) == ("Year 2", dt.date(2030, 1, 31))


@pytest.mark.django_db
def test_a_person_of_another_programme_begins_here_under_their_own_name():
    elsewhere = f.a_trainee(f.a_programme(), "Ida Roth", email="ida@a.example")
    programme = f.a_programme()
    steps = bring(programme, "Name,E-mail\nSomebody Else,IDA@a.example\n")
    assert [step.what for step in steps] == ["begins"]
    elsewhere.refresh_from_db()
    assert elsewhere.name == "Ida Roth"
    assert Person.objects.filter(email__iexact="ida@a.example").count() == 1


@pytest.mark.django_db
def test_one_wrong_line_imports_nobody(monkeypatch):
    programme = f.a_programme()
    with pytest.raises(Refused):
        bring(programme, LIST + "Cy,not an address,trainee,,,,\n")
    assert programme.memberships.count() == 0
    # A line that goes wrong half-way through takes the lines before it back.
    original, calls = people.add, []

    def fails_at_the_second(**said):
        calls.append(said)
        if len(calls) == 2:
            raise Refused("no")
        return original(**said)

    monkeypatch.setattr(people, "add", fails_at_the_second)
    with pytest.raises(Refused, match="Line 3"):
        bring(programme, LIST)
    assert (len(calls), programme.memberships.count(), Notice.objects.count()) == (2, 0, 0)


@pytest.mark.django_db
def test_looking_costs_the_same_for_one_and_for_many(django_assert_num_queries):
    programme = f.a_programme()
    bring(programme, LIST)
    long = "Name,E-mail\n" + "".join(f"P {n},p{n}@a.example\n" for n in range(300))
    for text in (LIST, long + "Ada Fenn,ada@northfield.example\n"):
        with django_assert_num_queries(2):
            rosters.dry_run(programme, roster.read(text), today=TODAY)


# --- the page -------------------------------------------------------------------------------------


@pytest.fixture
def page(client, db):
    programme = f.a_programme()
    client.force_login(f.a_coordinator(programme))
    url = reverse("accounts:roster", args=[programme.code])
    with time_machine.travel(NOW, tick=False):
        yield programme, lambda data: client.post(url, data)


def upload(text):
    return {"file": SimpleUploadedFile("people.csv", text.encode(), "text/csv")}


def test_looked_at_and_then_imported(page):
    programme, send = page
    before = programme.memberships.count()
    shown = send(upload(LIST)).content.decode()
    assert "Import these 2 lines" in shown
    assert programme.memberships.count() == before
    done = send({"text": LIST.replace("\n", "\r\n"), "do": "import"})
    assert done.headers["Location"] == reverse("accounts:people", args=[programme.code])
    assert programme.memberships.count() == before + 2


def test_faults_are_shown_and_cannot_be_imported_past(page):
    programme, send = page
    before = programme.memberships.count()
    wrong = LIST + "<script>alert(1)</script>,x@a.example,king,,,,\n"
    for data in (upload(wrong), {"text": wrong, "do": "import"}):
        shown = send(data).content.decode()
        assert "1 thing is wrong: nothing was imported" in shown
        assert "<script>alert" not in shown
        assert "Import these" not in shown
    assert programme.memberships.count() == before


def test_no_file_and_no_list_are_said(page):
    _programme, send = page
    for data, says in (({}, "Choose a file."), (upload("x" * 10), "missing: Name, E-mail")):
        answer = send(data)
        assert answer.status_code == 422
        assert says in answer.content.decode()
