"""The one shape of every change, and what the people and programme actions say."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from accounts import ledger
from accounts.actions import people, programmes
from accounts.actions_base import action
from accounts.errors import LedgerMissing, Refused
from accounts.models import Membership, Notice, Person, PersonEvent, Privilege, Programme, Role
from tests.factories import START, a_coordinator, a_programme, a_reader, a_trainee, at

pytestmark = pytest.mark.django_db


def test_an_action_is_keyword_only_with_actor_and_time():
    with pytest.raises(TypeError):

        @action("thing.done")
        def positional(thing, *, by, at):
            return thing

    with pytest.raises(TypeError):

        @action("thing.done")
        def timeless(*, by):
            return by

    with pytest.raises(TypeError):
        action(ledger=None)


def test_an_action_without_its_entry_fails_and_leaves_nothing():
    @action("thing.done")
    def forgetful(*, by, at):
        Person.objects.create(email="lost@northfield.example", name="Lost")

    with pytest.raises(LedgerMissing):
        forgetful(by=None, at=at(0))
    assert not Person.objects.exists()


def test_an_action_appends_to_one_chain_only():
    first, second = a_programme(), a_programme()

    @action("thing.done")
    def two(*, by, at):
        for programme in (first, second):
            ledger.reserve(programme.chain, at=at).append(subject="thing", body={}, by=by)

    with pytest.raises(LedgerMissing):
        two(by=None, at=at(0))


def test_a_naive_time_is_refused():
    with pytest.raises(TypeError):
        programmes.change(
            programme=a_programme(),
            changes={},
            by=None,
            at=dt.datetime(2026, 1, 1),  # noqa: DTZ001
        )


def test_people_are_added_once_and_told_once():
    programme = a_programme()
    for role in (Role.TRAINEE, Role.FACULTY):
        people.add(
            programme=programme,
            email="Ada.Fenn@northfield.example",
            name="Ada Fenn",
            role=role,
            starts_on=START,
            by=None,
            at=at(0),
        )
    assert Person.objects.filter(email="ada.fenn@northfield.example").count() == 1
    assert Notice.objects.filter(kind="accounts.welcome").count() == 2


def test_overlapping_memberships_are_refused_in_words_and_by_the_database():
    programme = a_programme()
    ada = a_trainee(programme, ends_on=START + dt.timedelta(days=365))
    with pytest.raises(Refused) as refusal:
        people.add(
            programme=programme,
            email=ada.email,
            name=ada.name,
            role=Role.TRAINEE,
            starts_on=START + dt.timedelta(days=300),
            by=None,
            at=at(0),
        )
    assert refusal.value.field == "starts_on"
    with pytest.raises(IntegrityError), transaction.atomic():
        Membership.objects.create(
            programme=programme,
            person=ada,
            role=Role.TRAINEE,
            starts_on=START + dt.timedelta(days=365),
        )
    later = people.add(
        programme=programme,
        email=ada.email,
        name=ada.name,
        role=Role.TRAINEE,
        starts_on=START + dt.timedelta(days=366),
        by=None,
        at=at(0),
    )
    with pytest.raises(IntegrityError), transaction.atomic():
        Membership.objects.filter(pk=later.pk).update(starts_on=START)


def test_an_end_before_the_start_is_refused_where_it_was_typed():
    programme = a_programme()
    ada = a_trainee(programme)
    with pytest.raises(Refused) as refusal:
        people.end(
            membership=ada.memberships.get(),
            ends_on=START - dt.timedelta(days=1),
            by=None,
            at=at(1),
        )
    assert refusal.value.field == "ends_on"


def test_equal_values_write_nothing():
    programme = a_programme(name="Northfield")
    before = ledger.head_of(programme.chain)
    programmes.change(programme=programme, changes={"name": "Northfield"}, by=None, at=at(1))
    assert ledger.head_of(programme.chain) == before


def test_privileges_are_for_faculty_and_end_once():
    programme = a_programme()
    bo = a_reader(programme, may_read=("effusion",))
    privilege = Privilege.objects.get(person=bo)
    people.end_privilege(privilege=privilege, to_on=START, by=None, at=at(1))
    head = ledger.head_of(programme.chain)
    people.end_privilege(privilege=privilege, to_on=START, by=None, at=at(2))
    assert ledger.head_of(programme.chain) == head
    with pytest.raises(Refused):
        people.grant(
            programme=programme,
            person=a_coordinator(programme),
            application="effusion",
            from_on=START,
            by=None,
            at=at(1),
        )


def test_days_are_counted_in_the_zone_in_force():
    """Midnights of Europe/Berlin and Pacific/Auckland by the tz database."""
    programme = a_programme()
    late = dt.datetime(2026, 1, 10, 23, 30, tzinfo=dt.UTC)
    assert programme.local_date(late) == dt.date(2026, 1, 11)
    with pytest.raises(Refused):
        programmes.change_zone(
            programme=programme, time_zone="Pacific/Auckland", from_on=START, by=None, at=at(10)
        )
    programmes.change_zone(
        programme=programme,
        time_zone="Pacific/Auckland",
        from_on=dt.date(2026, 2, 1),
        by=None,
        at=at(10),
    )
    programme = Programme.objects.get(pk=programme.pk)
    assert programme.local_date(late) == dt.date(2026, 1, 11)
    noon = dt.datetime(2026, 2, 10, 12, 0, tzinfo=dt.UTC)
    assert programme.local_date(noon) == dt.date(2026, 2, 11)
    with pytest.raises(Refused):
        programmes.change_zone(
            programme=programme,
            time_zone="Europe/Atlantis",
            from_on=dt.date(2027, 1, 1),
            by=None,
            at=timezone.now(),
        )


@pytest.mark.parametrize(
    ("first", "then"),
    [("Europe/Berlin", "Pacific/Auckland"), ("Pacific/Auckland", "Pacific/Honolulu")],
)
def test_a_change_of_zone_counts_no_moment_again(first, then):
    programme = programmes.create(
        institution="northfield",
        institution_name="Northfield Teaching Hospital",
        code="moves",
        name="Moves",
        time_zone=first,
        by=None,
        at=at(0, 0),
    )
    begins = at(10, 15)
    hours = [begins + dt.timedelta(hours=n) for n in range(-48, 96)]
    counted = [programme.local_date(hour) for hour in hours]
    programmes.change_zone(
        programme=programme,
        time_zone=then,
        from_on=programme.local_date(begins),
        by=None,
        at=begins,
    )
    programme = Programme.objects.get(pk=programme.pk)
    days = [programme.local_date(hour) for hour in hours]
    assert days[:48] == counted[:48]
    assert days == sorted(days)
    assert days[-1] == hours[-1].astimezone(ZoneInfo(then)).date()


# --- how a programme calls a person ---------------------------------------------------------------


def test_a_first_membership_puts_the_person_on_file_and_a_second_keeps_it():
    programme = a_programme()
    ada = a_trainee(programme, "Ada Fenn")
    people.describe(
        programme=programme, person=ada, name="Ada Fenn", legal_name="Adelheid Fenn",
        staff_number="771", by=None, at=at(1),
    )  # fmt: skip
    people.add(
        programme=programme, email=ada.email, name="Ada Fenn", role=Role.FACULTY,
        starts_on=START, by=None, at=at(2),
    )  # fmt: skip
    events = PersonEvent.objects.filter(person=ada).order_by("seq")
    assert [(one.name, one.legal_name, one.staff_number) for one in events] == [
        ("Ada Fenn", "", ""),
        ("Ada Fenn", "Adelheid Fenn", "771"),
    ]


def test_a_new_name_holds_from_its_entry_on_and_an_equal_one_writes_nothing():
    programme = a_programme()
    ada = a_trainee(programme, "Ada Fenn")
    before = ledger.head_of(programme.chain)
    said = {"name": "Ada Vale", "legal_name": "Ada Vale", "staff_number": "771"}
    for _again in range(2):
        people.describe(programme=programme, person=ada, by=None, at=at(1), **said)
    assert ledger.head_of(programme.chain) == before + 1
    events = PersonEvent.objects.filter(programme=programme)
    assert events.newest(seq=before)[ada.pk].name == "Ada Fenn"
    assert events.newest()[ada.pk].said == said
    ada.refresh_from_db()
    assert (ada.name, ada.staff_number) == ("Ada Vale", "771")


def test_another_programme_keeps_its_own_word_on_the_same_person():
    first, second = a_programme(), a_programme()
    ada = a_trainee(first, "Ada Fenn")
    people.add(
        programme=second, email=ada.email, name="Ada Fenn", role=Role.TRAINEE,
        starts_on=START, by=None, at=at(0),
    )  # fmt: skip
    people.describe(
        programme=first, person=ada, name="Ada Vale", legal_name="Ada Vale", staff_number="",
        by=None, at=at(1),
    )  # fmt: skip
    there = PersonEvent.objects.filter(programme=second).newest()[ada.pk]
    assert (there.name, there.legal_name) == ("Ada Fenn", "")


def test_a_stranger_is_not_described():
    first, second = a_programme(), a_programme()
    with pytest.raises(Refused):
        people.describe(
            programme=second, person=a_trainee(first), name="X", legal_name="", staff_number="",
            by=None, at=at(1),
        )  # fmt: skip
