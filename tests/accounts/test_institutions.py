"""Institution administrators set up programmes and read nothing in them."""

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.urls import reverse

from accounts import ledger
from accounts.actions import institutions, people
from accounts.errors import Forbidden, Refused
from accounts.models import Institution, InstitutionAdministrator, Membership, Notice, Programme
from tests import factories as f

pytestmark = pytest.mark.django_db
TODAY = f.NOW.date()


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(f.NOW, tick=False):
        yield


@pytest.fixture
def place():
    return institutions.found(code="westhaven", name="Westhaven Hospital", by=None, at=f.at(0))


def grant(place, name="Kit Arno", *, by=None, on=f.START):
    email = f"{name.lower().replace(' ', '.')}@westhaven.example"
    return institutions.grant(institution=place, email=email, name=name, on=on, by=by, at=f.NOW)


def set_up(place, by, **more):
    said = {
        "code": "west-lung", "name": "West Lung", "time_zone": "Europe/Berlin",
        "director_email": "dora@westhaven.example", "director_name": "Dora Quist", **more,
    }  # fmt: skip
    return institutions.set_up(institution=place, by=by, at=f.NOW, **said)


def test_a_grant_stands_on_the_institutions_chain_and_once(place):
    kit = grant(place)
    entry = ledger.read(place.chain)[-1]
    assert (entry.action, entry.subject) == ("administrator.granted", f"person:{kit.person_id}")
    head = ledger.head_of(place.chain)
    assert grant(place) == kit
    assert ledger.head_of(place.chain) == head
    assert Notice.objects.get(kind="accounts.welcome").person == kit.person


def test_only_an_administrator_grants_and_ends(place):
    kit = grant(place).person
    lou = grant(place, "Lou Vane", by=kit)
    stranger = f.a_director(f.a_programme())
    with pytest.raises(Forbidden):
        grant(place, "Max Orr", by=stranger)
    with pytest.raises(Forbidden):
        institutions.end(administrator=lou, on=TODAY, by=stranger, at=f.NOW)
    with pytest.raises(Forbidden):
        set_up(place, stranger)
    institutions.end(administrator=lou, on=TODAY, by=kit, at=f.NOW)
    assert not institutions.administers(lou.person, place, on=f.at(70).date())
    only = InstitutionAdministrator.objects.get(person=kit)
    with pytest.raises(Refused, match="only administrator"):
        institutions.end(administrator=only, on=TODAY, by=kit, at=f.NOW)


def test_a_programme_is_set_up_with_its_director_or_not_at_all(place):
    kit = grant(place).person
    programme = set_up(place, kit)
    director = Membership.objects.get(programme=programme)
    assert (director.role, director.person.name) == ("director", "Dora Quist")
    last = ledger.read(programme.chain)[-1]
    assert (last.action, last.actor_id) == ("programme.set_up", kit.pk)
    with pytest.raises(Refused):
        set_up(place, kit)
    with pytest.raises(Refused):
        set_up(place, kit, code="another", time_zone="Mars/Base")
    assert Programme.objects.filter(institution=place).count() == 1


def test_an_administrator_sees_nothing_that_was_recorded(client, place):
    kit = grant(place).person
    programme = set_up(place, kit)
    f.a_trainee(programme, "Ada Fenn")
    client.force_login(kit)
    page = client.get(reverse("accounts:institution", args=[place.code])).content.decode()
    assert "West Lung" in page
    assert "Dora Quist" in page
    assert "Ada Fenn" not in page
    assert client.get(f"/p/{programme.code}/home/").status_code == 404


def test_the_page_sets_up_grants_and_ends(client, place):
    kit = grant(place).person
    client.force_login(kit)
    url = reverse("accounts:institution", args=[place.code])
    assert client.get("/").headers["Location"] == url
    sent = {
        "do": "programme", "programme-name": "West Lung", "programme-code": "west-lung",
        "programme-time_zone": "Europe/Berlin", "programme-director_name": "Dora Quist",
        "programme-director_email": "dora@westhaven.example",
    }  # fmt: skip
    wrong = client.post(url, {**sent, "programme-time_zone": "Mars/Base"})
    assert wrong.status_code == 422
    assert "is not a time zone" in wrong.content.decode()
    assert client.post(url, sent).headers["Location"] == url
    more = {"do": "grant", "grant-name": "Lou Vane", "grant-email": "lou@westhaven.example"}
    assert client.post(url, more).status_code == 302
    lou = InstitutionAdministrator.objects.get(person__name="Lou Vane")
    assert client.post(url, {"do": "end", "administrator": str(lou.pk)}).status_code == 302
    assert client.post(url, {"do": "end", "administrator": "x"}).status_code == 404
    lou.refresh_from_db()
    assert (lou.to_on, lou.ended_by) == (TODAY, kit)


def test_to_others_the_page_does_not_exist(client, place):
    url = reverse("accounts:institution", args=[place.code])
    client.force_login(f.a_director(f.a_programme()))
    assert (client.get(url).status_code, client.post(url).status_code) == (404, 404)


def test_the_first_one_is_granted_at_the_console(capsys):
    call_command(
        "institution", "grant", "westhaven", institution_name="Westhaven Hospital",
        email="kit@westhaven.example", name="Kit Arno",
    )  # fmt: skip
    assert "/institution/westhaven/" in capsys.readouterr().out
    place = Institution.objects.get(code="westhaven")
    assert [e.action for e in ledger.read(place.chain)] == [
        "institution.founded", "administrator.granted",
    ]  # fmt: skip
    call_command("institution", "end", "westhaven", email="kit@westhaven.example")
    assert InstitutionAdministrator.objects.get().to_on is not None
    with pytest.raises(CommandError):
        call_command("institution", "end", "westhaven", email="kit@westhaven.example")


def test_who_keeps_people_makes_no_director():
    programme = f.a_programme()
    cai, dora = f.a_coordinator(programme), f.a_director(programme)
    said = {
        "programme": programme, "email": "new@northfield.example", "name": "New Head",
        "role": "director", "starts_on": f.START, "at": f.NOW,
    }  # fmt: skip
    with pytest.raises(Forbidden, match="Only a director"):
        people.add(by=cai, **said)
    assert people.add(by=dora, **said).role == "director"
