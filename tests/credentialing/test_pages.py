"""Home, cohort, the scans behind a number, the plan: what a browser without JavaScript gets."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Membership
from credentialing import queries
from credentialing.actions import standing
from credentialing.models import Assignment, PlanVersion, Standing
from tests import factories as f

pytestmark = pytest.mark.django_db


@pytest.fixture
def programme():
    return f.a_programme(code="northfield")


@pytest.fixture
def ada(programme):
    return f.a_trainee(programme)


@pytest.fixture
def bo(programme):
    return f.a_reader(programme)


def url(name, *args):
    return reverse(f"credentialing:{name}", args=["northfield", *args])


def text_of(response):
    assert response.status_code == 200
    plain = re.sub(r"<svg.*?</svg>|<script.*?</script>", " ", response.content.decode(), flags=re.S)
    return " ".join(re.sub(r"<[^>]+>", " ", plain).split())


def membership_of(person):
    return Membership.objects.get(person=person)


def count_now(programme):
    while standing.follow(programme=programme, at=f.at(70)) is not None:
        pass


def test_a_new_programme_has_the_first_plan_and_a_new_trainee_is_judged_by_it(programme, ada, bo):
    version = PlanVersion.objects.get(programme=programme)
    assert (version.code, version.n, version.by_default) == ("lung-start", 1, True)
    given = Assignment.objects.get()
    assert (given.membership.person, given.version) == (ada, version)
    assert given.effective_on == f.START


def test_home_of_somebody_new_says_what_to_do(client, programme, ada):
    client.force_login(ada)
    said = text_of(client.get(url("home")))
    assert "Your numbers are being counted" in said
    count_now(programme)
    said = text_of(client.get(url("home")))
    assert "0 of 5 numbers met." in said
    assert "25 to go" in said
    assert "Nothing is recorded yet." in said
    assert 'href="/p/northfield/exams/new/"' in client.get(url("home")).content.decode()
