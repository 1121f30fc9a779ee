"""The cohort as its director looks at it, and the page of one person."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from accounts.models import Membership
from credentialing import case_mix
from credentialing import cohort as shown
from credentialing.actions import record, standing
from review.actions import assessments
from tests import factories as f

pytestmark = pytest.mark.django_db
NOW = f.at(200)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def programme():
    return f.a_programme()


def count(programme):
    standing.recompute(programme=programme, at=NOW)


def url(programme, name="cohort", *args):
    return reverse(f"credentialing:{name}", args=[programme.code, *args])


def names_in(response):
    return re.findall(r'cohort-who"><h2><a [^>]*>(.*?)</a>', response.content.decode())


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def a_cohort(programme):
    """Ending: half a year left of one; new: began this week; open: nobody set an end."""
    f.a_trainee(programme, "Old Hand", level="Year 3", ends_on=NOW.date() + dt.timedelta(days=30))
    f.a_trainee(
        programme, "New Start", level="Year 1", starts_on=NOW.date() - dt.timedelta(days=5),
        ends_on=NOW.date() + dt.timedelta(days=900),
    )  # fmt: skip
    f.a_trainee(programme, "Half Way", level="Year 2", ends_on=f.START + dt.timedelta(days=400))
    count(programme)


def test_whoever_is_furthest_behind_comes_first_and_newcomers_do_not(client, programme):
    a_cohort(programme)
    client.force_login(f.a_director(programme))
    page = client.get(url(programme))
    assert names_in(page) == ["Old Hand", "Half Way", "New Start"]
    assert "100% left, with 12% of the time left" in text(page)
    assert "100% left; began 6 days ago" in text(page)
    assert "It is the risk of not reaching local numbers, not skill." in text(page)


def test_a_view_is_its_address(client, programme):
    a_cohort(programme)
    client.force_login(f.a_director(programme))
    seen = {
        query: names_in(client.get(f"{url(programme)}?{query}"))
        for query in (
            "state=behind", "state=ending", "state=new", "state=meets", "level=Year+2",
            "state=behind&level=Year+2", "application=effusion", "state=%27&level=x&page=99",
        )
    }  # fmt: skip
    assert seen == {
        "state=behind": ["Old Hand", "Half Way"],
        "state=ending": ["Old Hand"],
        "state=new": ["New Start"],
        "state=meets": [],
        "level=Year+2": ["Half Way"],
        "state=behind&level=Year+2": ["Half Way"],
        "application=effusion": ["Old Hand", "Half Way", "New Start"],
        "state=%27&level=x&page=99": ["Old Hand", "Half Way", "New Start"],
    }
    page = client.get(f"{url(programme)}?application=effusion").content.decode()
    labels = re.findall(r'<span class="ruler-label">(.*?)</span>', page)
    assert set(labels) == {"Effusion: credited"}
    nobody = text(client.get(f"{url(programme)}?state=meets"))
    assert "Nobody fits all of that" in nobody


def test_leave_is_not_held_against_anybody(client, programme):
    a_cohort(programme)
    half = Membership.objects.get(person__name="Half Way")
    record.add(
        kind="leave", membership=half,
        says={
            "starts_on": f.START + dt.timedelta(days=5), "ends_on": NOW.date(), "reason": "leave",
        },
        by=None, at=NOW,
    )  # fmt: skip
    client.force_login(f.a_director(programme))
    assert names_in(client.get(f"{url(programme)}?state=behind")) == ["Old Hand"]


def test_numbers_that_are_met_can_be_counted_instead(client, programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    for n in range(10):
        exam = f.waiting_exam(ada, programme, when=f.at(63 + n))
        f.signed_exam(bo, exam, when=f.at(63 + n))
    count(programme)
    client.force_login(f.a_director(programme))
    page = client.get(f"{url(programme)}?met=fold").content.decode()
    labels = re.findall(r'<span class="ruler-label">(.*?)</span>', page)
    assert "Pneumothorax: credited" not in labels
    assert re.search(r"\d of \d (is|are) met", page)


def test_pages_of_a_large_cohort_keep_the_view_and_the_cost(client, programme):
    f.a_trainee(programme, "Trainee 000")
    count(programme)
    client.force_login(f.a_director(programme))

    def queries():
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        with CaptureQueriesContext(connection) as captured:
            page = client.get(f"{url(programme)}?state=open")
        return len(captured), page

    client.get(url(programme))
    one, _page = queries()
    for n in range(1, shown_on_a_page() + 5):
        f.a_trainee(programme, f"Trainee {n:03}")
    count(programme)
    many, page = queries()
    assert many == one
    assert len(names_in(page)) == shown_on_a_page()
    second = re.search(r'href="(\?state=open&amp;page=2)"', page.content.decode())[1]
    rest = client.get(url(programme) + second.replace("&amp;", "&"))
    assert len(names_in(rest)) == 5


def shown_on_a_page():
    from credentialing import cohort_views

    return cohort_views.PAGE


def test_what_later_rooms_tell_stands_in_its_place(client, programme, monkeypatch):
    a_cohort(programme)
    monkeypatch.setattr(
        shown, "BESIDE", [lambda its, them: {m.pk: f"told of {m.person.name}" for m in them}]
    )
    client.force_login(f.a_director(programme))
    assert "told of Half Way" in text(client.get(url(programme)))


# --- one person -----------------------------------------------------------------------------------


@pytest.fixture
def scene(programme):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    for n, said in enumerate(("R- L-", "R+ L-")):
        exam = f.waiting_exam(ada, programme, when=f.at(63 + n))
        f.signed_exam(bo, exam, {"pneumothorax": said}, when=f.at(63 + n))
    unread = f.waiting_exam(ada, programme, zones=("R4",), asks=("effusion",), when=f.at(70))
    count(programme)
    return programme, ada, bo, unread


def test_what_was_seen_and_what_never(scene):
    programme, ada, _bo, _unread = scene
    mix = case_mix.case_mix(programme, ada.pk)
    assert (mix.scans, mix.exams) == (2, 2)
    assert {code: z["word"] for code, z in mix.zones.items() if z["state"] == "imaged"} == {
        "R1": "2", "L1": "2",
    }  # fmt: skip
    assert "R4" in mix.zones_never  # imaged, but nobody has read that exam
    pneumothorax = next(row for row in mix.answers if row["name"] == "Pneumothorax")
    assert dict(zip(mix.answer_columns, pneumothorax["cells"], strict=True)) == {
        "positive": 1, "negative": 1,
    }  # fmt: skip
    hours = next(kind for kind in mix.kinds if kind.title == "Hours")
    assert hours.some == [("morning, 6 to 12", 2)]
    assert "night, 22 to 6" in hours.never


def test_a_case_mix_costs_the_same_for_one_exam_and_for_many(scene, django_assert_max_num_queries):
    programme, ada, bo, _unread = scene
    for n in range(4):
        f.signed_exam(bo, f.waiting_exam(ada, programme, when=f.at(80 + n)), when=f.at(80 + n))
    with django_assert_max_num_queries(7):
        case_mix.case_mix(programme, ada.pk)


def test_a_director_sees_the_whole_person_and_a_coordinator_progress_alone(client, scene):
    programme, ada, bo, unread = scene
    membership = Membership.objects.get(person=ada)
    assessments.sign(
        programme=programme, trainee=ada,
        application=unread.scans.get().application,
        watched=assessments.Watched(4), performed_on=NOW.date(), by=bo, at=NOW,
    )  # fmt: skip
    record.add(
        kind="remediation", membership=membership, says={"begins_on": NOW.date()},
        why="The bases.", by=f.a_director(programme), at=NOW,
    )  # fmt: skip
    record.add(
        kind="document", membership=membership,
        says={"kind": "course", "title": "First lessons", "effective_on": f.START},
        by=None, at=NOW,
    )  # fmt: skip
    page = url(programme, "trainee", membership.pk)
    client.force_login(f.a_director(programme, "Dora Two"))
    whole = text(client.get(page))
    for part in (
        "Level 4 of 5: elsewhere", "First lessons (course)", "Remediation: Every application",
        "Answers and readings", "Never so far", "2 signed scans of 2 exams",
    ):  # fmt: skip
        assert part in whole
    client.force_login(f.a_coordinator(programme))
    progress = text(client.get(page))
    assert "First lessons (course)" in progress
    for part in ("Level 4", "Remediation", "Answers and readings", "Never so far"):
        assert part not in progress


def test_a_trainee_sees_their_own_and_nothing_that_nobody_has_read(client, scene):
    programme, ada, bo, _unread = scene
    client.force_login(ada)
    home = client.get(url(programme, "home")).content.decode()
    for name in ("seen", "own_record"):
        assert url(programme, name) in home
    page = text(client.get(url(programme, "seen")))
    assert "2 signed scans of 2 exams" in page
    assert "Answers and readings" in page
    client.force_login(bo)
    assert client.get(url(programme, "seen")).status_code == 404


# --- the counts -----------------------------------------------------------------------------------


def test_what_the_counts_did(client, programme):
    a_cohort(programme)
    client.force_login(f.a_director(programme))
    assert "No count yet" in text(client.get(url(programme, "runs")))
    run = standing.run_full(programme, at=NOW + dt.timedelta(days=1))
    page = text(client.get(url(programme, "runs")))
    assert "3" in page
    one = text(client.get(url(programme, "run", run.pk)))
    assert "Stored numbers that differed 0" in one


def test_a_failure_is_told_on_the_directors_first_page(client, programme, monkeypatch):
    a_cohort(programme)

    def fails(**_):
        raise RuntimeError("disk full")

    monkeypatch.setattr(standing, "recompute", fails)
    standing.run_full(programme, at=NOW + dt.timedelta(days=1))
    client.force_login(f.a_director(programme))
    first = text(client.get(url(programme)))
    assert "The last full count needs a look" in first
    assert "RuntimeError: disk full" in first
    assert "RuntimeError: disk full" in text(client.get(url(programme, "runs")))
