"""The pages that say who belongs and how the programme is reached."""

import pytest

from accounts.models import Membership, Person, Privilege, Programme, Token
from tests.factories import a_coordinator, a_director, a_programme, a_reader, a_trainee, outside

pytestmark = pytest.mark.django_db


@pytest.fixture
def programme():
    return a_programme(code="northfield")


def test_a_coordinator_adds_a_person_and_sees_them(client, programme):
    client.force_login(a_coordinator(programme))
    page = {
        "name": "Nia Bell",
        "email": "Nia.Bell@northfield.example",
        "role": "trainee",
        "level": "year 1",
        "starts_on": "2026-02-01",
    }
    assert client.post("/p/northfield/people/new/", page).status_code == 302
    nia = Person.objects.get(email="nia.bell@northfield.example")
    assert nia.memberships.get().level == "year 1"
    assert "Nia Bell" in client.get("/p/northfield/people/").content.decode()


def test_nothing_typed_is_cleared_when_a_date_is_wrong(client, programme):
    client.force_login(a_coordinator(programme))
    page = {
        "name": "Nia Bell",
        "email": "nia@northfield.example",
        "role": "trainee",
        "starts_on": "2026-02-01",
        "ends_on": "2026-01-01",
    }
    answer = client.post("/p/northfield/people/new/", page)
    assert answer.status_code == 422
    assert "The last day lies before the first." in answer.content.decode()
    assert "nia@northfield.example" in answer.content.decode()
    assert not Person.objects.filter(email="nia@northfield.example").exists()


def test_a_membership_ends_and_its_level_changes(client, programme):
    ada = a_trainee(programme)
    client.force_login(a_coordinator(programme))
    its = Membership.objects.get(person=ada)
    url = f"/p/northfield/people/{its.pk}/"
    client.post(url, {"do": "level", "level-level": "year 2", "level-effective_on": "2026-03-01"})
    client.post(url, {"do": "end", "ends_on": "2027-01-01"})
    its.refresh_from_db()
    assert (its.level, its.ends_on.isoformat()) == ("year 2", "2027-01-01")


def test_a_director_gives_the_duty_telephone(client, programme):
    client.force_login(a_director(programme))
    page = {"do": "settings", "name": programme.name, "duty_telephone": "extension 77"}
    assert client.post("/p/northfield/settings/", page).status_code == 302
    assert Programme.objects.get(pk=programme.pk).duty_telephone == "extension 77"


def test_privileges_are_boxes_on_one_page(client, programme):
    bo = a_reader(programme, may_read=("effusion",))
    client.force_login(a_coordinator(programme))
    its = Membership.objects.get(person=bo)
    url = f"/p/northfield/people/{its.pk}/may-read/"
    assert client.get(url).status_code == 200
    client.post(url, {"applications": ["pneumothorax", "consolidation"]})
    held = Privilege.objects.filter(person=bo, to_on=None).values_list("application", flat=True)
    assert set(held) == {"pneumothorax", "consolidation"}
    assert Privilege.objects.filter(person=bo).count() == 3
    assert client.post(url, {"applications": ["liver"]}).status_code == 422


def test_the_list_of_people_costs_the_same_for_many(client, programme, django_assert_num_queries):
    client.force_login(a_coordinator(programme))
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def cost():
        with CaptureQueriesContext(
            connection,
        ) as queries:
            client.get("/p/northfield/people/")
        return len(queries)

    a_reader(programme)
    few = cost()
    for n in range(8):
        a_reader(programme, f"Reader {n}", may_read=("effusion",))
    assert cost() == few


def test_one_person_in_two_programmes_chooses(client, programme):
    second = a_programme(code="southmere", name="Southmere Ward Ultrasound")
    ida = outside(a_reader(programme, "Ida Roth"), second)
    client.force_login(ida)
    page = client.get("/").content.decode()
    assert "/p/northfield/" in page
    assert "/p/southmere/" in page


def test_working_as_another_role_changes_the_start_page_alone(client, programme):
    ida = outside(a_reader(programme, "Ida Roth"), programme)
    client.force_login(ida)
    assert client.get("/p/northfield/exams/new/").status_code == 200
    first = client.get("/p/northfield/").url
    client.post("/p/northfield/work-as/", {"role": "faculty"})
    assert client.get("/p/northfield/").url != first
    assert client.get("/p/northfield/exams/new/").status_code == 200
    assert client.post("/p/northfield/work-as/", {"role": "director"}).status_code == 404


def test_a_key_is_shown_once_and_dies_at_once(client, programme):
    ada = a_trainee(programme)
    client.force_login(ada)
    page = client.post("/keys/", {"do": "make", "name": "phone"}).content.decode()
    token = Token.objects.get(person=ada)
    key = page.split('<p class="code">')[1].split("<")[0]
    assert Token.digest_of(key) == token.digest
    assert key not in client.get("/keys/").content.decode()
    client.logout()
    headers = {"Authorization": f"Bearer {key}"}
    who = client.get("/api/v1/whoami", headers=headers)
    assert who.json()["name"] == "Ada Fenn"
    client.force_login(ada)
    client.post("/keys/", {"do": "revoke", "prefix": token.prefix})
    client.logout()
    assert client.get("/api/v1/whoami", headers=headers).status_code == 401
