"""The monthly letter: once a month, to whom it concerns, without a name."""

import datetime as dt

import pytest
import time_machine
from django.core import mail
from django.urls import reverse

from accounts import notices
from accounts.errors import Forbidden
from accounts.models import Notice
from credentialing import tasks
from credentialing.actions import digests, standing
from tests import factories as f

pytestmark = pytest.mark.django_db
NOW = f.at(200)


@pytest.fixture
def scene():
    programme = f.a_programme()
    f.a_trainee(programme, "Old Hand", ends_on=NOW.date() + dt.timedelta(days=30))
    f.a_trainee(programme, "New Start", starts_on=NOW.date() - dt.timedelta(days=5))
    standing.recompute(programme=programme, at=NOW)
    return programme, f.a_director(programme), f.a_coordinator(programme)


def post(programme, at=NOW):
    return digests.post(programme=programme, at=at)


def test_once_a_month_to_the_director(scene):
    programme, dora, _cai = scene
    assert post(programme) == 1
    assert post(programme, NOW + dt.timedelta(minutes=10)) == 0
    assert post(programme, NOW + dt.timedelta(days=31)) == 1
    letters = Notice.objects.filter(kind="credentialing.digest")
    assert [one.person for one in letters] == [dora, dora]


def test_it_says_how_many_and_where_and_names_nobody(scene):
    programme, dora, _cai = scene
    post(programme)
    notices.send_due(at=NOW)
    (letter,) = mail.outbox
    assert letter.to == [dora.email]
    assert "2 trainees, 0 of them meet the plan." in letter.body
    assert "1 behind their time:\n" in letter.body
    assert f"/p/{programme.code}/cohort/?state=behind" in letter.body
    assert "not skill" in letter.body
    for name in ("Old Hand", "New Start"):
        assert name not in letter.subject + letter.body


def test_others_by_choice_and_a_director_may_stop_it(scene, client):
    programme, dora, cai = scene
    url = reverse("credentialing:digest", args=[programme.code])
    with time_machine.travel(NOW, tick=False):
        for person, wants in ((dora, "no"), (cai, "yes")):
            client.force_login(person)
            client.post(url, {"wants": wants})
    assert digests.readers(programme, on=NOW.date()) == [cai]
    post(programme)
    assert Notice.objects.get(kind="credentialing.digest").person == cai
    with pytest.raises(Forbidden):
        digests.choose(programme=programme, wants=True, by=f.a_reader(programme), at=NOW)


def test_who_has_left_gets_no_letter_and_an_empty_cohort_sends_none(scene):
    programme, _dora, cai = scene
    digests.choose(programme=programme, wants=True, by=cai, at=NOW)
    from accounts.actions import people
    from accounts.models import Membership

    gone = Membership.objects.get(person=cai)
    people.end(membership=gone, ends_on=NOW.date() - dt.timedelta(days=1), by=None, at=NOW)
    assert cai not in digests.readers(programme, on=NOW.date())
    empty = f.a_programme()
    f.a_director(empty)
    assert post(empty) == 0


def test_the_tick_posts_it(scene):
    _programme, dora, _cai = scene
    with time_machine.travel(NOW, tick=False):
        tasks.tick()
        tasks.tick()
    assert [n.person for n in Notice.objects.filter(kind="credentialing.digest")] == [dora]
