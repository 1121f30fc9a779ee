"""The form beside the bed: a name, what was scanned, a level, sign."""

import datetime as dt
import re
import uuid

import pytest
import time_machine
from django.urls import reverse

from accounts.models import Membership, Notice
from logbook.models import Application
from review.actions import assessments as actions
from review.models import Assessment
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
    return programme, f.a_trainee(programme), f.a_reader(programme, may_read=("effusion",))


def address(name, programme, *args):
    return reverse(f"review:{name}", args=[programme.code, *args])


def of(trainee):
    return Membership.objects.get(person=trainee).pk


def text(response) -> str:
    return response.content.decode()


def hidden(page: str) -> dict[str, str]:
    return {
        name: re.search(rf'name="{name}" value="([^"]+)"', page)[1]
        for name in ("form_id", "rubric")
    }


def made(scene, level=4, **more):
    programme, ada, bo = scene
    return actions.sign(
        programme=programme,
        trainee=ada,
        application=Application.objects.get(programme=programme, code="effusion"),
        watched=actions.Watched(level, **more),
        performed_on=DAY,
        by=bo,
        at=f.NOW,
    )


def test_from_the_list_of_names_to_what_the_trainee_sees(client, scene):
    programme, ada, bo = scene
    client.force_login(bo)
    assert ada.name in text(client.get(address("assessments", programme)))
    form = text(client.get(address("assess", programme, of(ada))))
    # The one privilege is chosen already; a level never is.
    assert re.search(r'value="effusion"[^>]*checked', form)
    assert not re.search(r'name="level"[^>]*checked', form)
    sent = {
        **hidden(form),
        "application": "effusion",
        "level": "3",
        "item_image": "prompted",
        "sentence": "Look for the spine above the diaphragm.",
        "performed_on": DAY.isoformat(),
    }
    signed = client.post(address("assess", programme, of(ada)), sent)
    row = Assessment.objects.get()
    assert signed.headers["Location"] == address("assessment", programme, row.pk)
    assert (row.level, row.chosen, row.summative) == (3, {"image": "prompted"}, False)
    again = client.post(address("assess", programme, of(ada)), sent)
    assert again.headers["Location"] == address("assessment", programme, row.pk)
    assert Assessment.objects.count() == 1

    notice = Notice.objects.get(kind="review.assessed")
    assert notice.person == ada
    client.force_login(ada)
    page = text(client.get(address("assessment", programme, row.pk)))
    assert "Look for the spine above the diaphragm." in page
    assert "Level 3 of 5: close by" in page
    assert "needed a prompt" in page
    assert "4 other things were as expected." in page
    assert address("assessment", programme, row.pk) in text(
        client.get(address("assessments", programme))
    )


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"level": ""}, "This field is required"),
        ({"level": "6"}, "Select a valid choice"),
        ({"application": "pneumothorax"}, "Select a valid choice"),
        ({"sentence": "MRN 123456789"}, "record number"),
        ({"performed_on": (DAY + dt.timedelta(days=1)).isoformat()}, "still to come"),
        ({"form_id": "x"}, "Enter a valid UUID"),
    ],
)
def test_what_is_missing_is_said_beside_it_and_nothing_is_lost(client, scene, change, says):
    programme, ada, bo = scene
    client.force_login(bo)
    form = text(client.get(address("assess", programme, of(ada))))
    sent = {
        **hidden(form), "application": "effusion", "level": "3", "item_image": "missed",
        "sentence": "Slower.", "performed_on": DAY.isoformat(), **change,
    }  # fmt: skip
    answer = client.post(address("assess", programme, of(ada)), sent)
    assert answer.status_code == 422
    assert says in text(answer)
    assert re.search(r'value="missed"[^>]*checked', text(answer))
    assert Assessment.objects.count() == 0


def test_a_forged_rubric_is_the_one_in_force(client, scene):
    programme, ada, bo = scene
    client.force_login(bo)
    form = text(client.get(address("assess", programme, of(ada))))
    sent = {
        **hidden(form), "rubric": str(uuid.uuid4()), "application": "effusion", "level": "2",
        "performed_on": DAY.isoformat(),
    }  # fmt: skip
    client.post(address("assess", programme, of(ada)), sent)
    assert Assessment.objects.get().rubric_version.programme == programme


def test_whom_one_supervised_lately_comes_first(client, scene):
    programme, ada, bo = scene
    abe = f.a_trainee(programme, "Abe Orr")
    f.waiting_exam(ada, programme, supervisor=bo)
    client.force_login(bo)
    page = text(client.get(address("assessments", programme)))
    assert page.index(ada.name) < page.index(abe.name)
    assert "with you lately" in page


def test_without_a_privilege_there_is_nothing_to_sign(client, scene):
    programme, ada, _bo = scene
    client.force_login(f.a_reader(programme, "Cy Moran", may_read=()))
    page = text(client.get(address("assessments", programme)))
    assert "You hold no privilege to read yet" in page
    assert client.get(address("assess", programme, of(ada))).status_code == 404


def test_the_assessor_corrects_and_takes_back(client, scene):
    programme, _ada, bo = scene
    row = made(scene, level=2, sentence="Calm.")
    client.force_login(bo)
    form = text(client.get(address("assessment_correct", programme, row.pk)))
    assert re.search(r'name="level" value="2"[^>]*checked', form)
    sent = {**hidden(form), "level": "3", "sentence": "Calm.", "reason": ""}
    assert client.post(address("assessment_correct", programme, row.pk), sent).status_code == 422
    client.post(
        address("assessment_correct", programme, row.pk), {**sent, "reason": "Tapped too low."}
    )
    after = Assessment.objects.current().get()
    assert (after.level, after.supersedes) == (3, row)
    assert "This one was corrected" in text(client.get(address("assessment", programme, row.pk)))
    taken = client.post(
        address("assessment_correct", programme, after.pk),
        {"do": "take_back", "reason": "It was Tom."},
    )
    assert taken.status_code == 302
    assert list(Assessment.objects.current()) == []
    assert "Taken back" in text(client.get(taken.headers["Location"]))


def test_the_list_costs_the_same_for_one_and_for_many(client, scene, django_assert_max_num_queries):
    programme, _ada, bo = scene
    for _ in range(8):
        made(scene, sentence="Calm.")
    for n in range(5):
        f.a_trainee(programme, f"Trainee {n}")
    client.force_login(bo)
    with django_assert_max_num_queries(16):
        client.get(address("assessments", programme))
