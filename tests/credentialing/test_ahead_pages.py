"""What the pages say about what is to come, and to whom."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Membership
from credentialing import learning_curve
from credentialing.actions import outlook, standing
from credentialing.models import BackTest, CurveDecision, OutlookRun
from tests import factories as f
from tests.credentialing.test_forecasts import ENDS, PLAN, scans
from tests.credentialing.test_standing import assign, publish

pytestmark = pytest.mark.django_db


@pytest.fixture
def programme():
    return f.a_programme(code="northfield")


@pytest.fixture
def bo(programme):
    return f.a_reader(programme)


@pytest.fixture
def ada(programme, bo):
    person = f.a_trainee(programme, ends_on=ENDS)
    assign(publish(programme, PLAN), person)
    scans(bo, person, programme, range(3, 60, 14))
    standing.recompute(programme=programme, at=f.NOW)
    outlook.run(programme, at=f.NOW)
    return person


@pytest.fixture
def dora(programme):
    return f.a_director(programme)


@pytest.fixture(autouse=True)
def today(time_machine):
    time_machine.move_to(f.at(64), tick=False)


def url(name, *args):
    return reverse(f"credentialing:{name}", args=["northfield", *args])


def trainee_url(person, name="trainee", *args):
    return url(name, Membership.objects.get(person=person).pk, *args)


def text_of(response, status=200):
    assert response.status_code == status
    plain = re.sub(r"<svg.*?</svg>|<script.*?</script>", " ", response.content.decode(), flags=re.S)
    return " ".join(re.sub(r"<[^>]+>", " ", plain).split())


def test_the_director_sees_chance_pace_and_what_it_is_not(client, ada, dora):
    client.force_login(dora)
    said = text_of(client.get(trainee_url(ada)))
    assert "Chance of meeting all numbers together by 2 Sep 2026: over 95%." in said
    assert "There are not enough past trainees to test this forecast." in said
    assert "A forecast, not a finding: it is not a ground for adverse action" in said
    assert "0.55 a week so far, 0.04 needed" in said
    assert "Half of the futures are there by" in said
    assert re.search(r"Learning curves Pneumothorax : no signal after 5 scans", said)


def test_the_coordinator_sees_no_curve(client, programme, ada):
    client.force_login(f.a_coordinator(programme))
    said = text_of(client.get(trainee_url(ada)))
    assert "Outlook" in said
    assert "Learning curves" not in said
    assert client.get(trainee_url(ada, "curve", "pneumothorax")).status_code == 403


def test_the_cohort_says_the_chance_unless_pace_says_as_much(client, programme, ada, dora):
    client.force_login(dora)
    assert "outlook over 95%" in text_of(client.get(url("cohort")))
    outlook.write_back_test(programme=programme, told=SCORED, at=f.NOW)
    assert "outlook over 95%" not in text_of(client.get(url("cohort")))


def test_a_trainee_sees_theirs_where_the_director_opens_it(client, programme, ada, dora):
    client.force_login(ada)
    assert "Outlook" not in text_of(client.get(url("home")))
    assert "Not shown in this programme" in text_of(client.get(url("own_curve", "pneumothorax")))
    client.force_login(dora)
    assert client.post(url("outlook"), {"shown": "on"}).status_code == 302
    assert OutlookRun.objects.get().shown_to_trainees is True
    client.force_login(ada)
    said = text_of(client.get(url("home")))
    assert "Outlook" in said
    assert "Learning curves" in said
    assert "5 scans, 0 did not match" in text_of(client.get(url("own_curve", "pneumothorax")))


def test_a_curve_names_its_scans_and_opens_them(client, ada, dora):
    client.force_login(dora)
    response = client.get(trainee_url(ada, "curve", "pneumothorax"))
    html = response.content.decode()
    exams = re.findall(r'<a class="code" href="([^"]+)">', html)
    assert len(exams) == len(set(exams)) == 5
    assert client.get(exams[0]).status_code == 200
    # The drawing leads to the same places, by pointer alone.
    assert re.findall(r'<a href="([^"]+)" tabindex="-1">', html) == exams
    said = text_of(response)
    assert "No signal after 5 scans." in said
    assert "The fewest scans that can signal are 25" in said
    assert "No signal does not mean inadequate" in said


def test_somebody_who_could_still_read_an_exam_is_not_told_whose_it_is(client, programme, bo, ada):
    """A director who reads, too: an exam with a scan left to read has no name and no link."""
    both = f.a_reader(programme, "Eli Norr")
    f.people.add(
        programme=programme, name=both.name, email=both.email, role="director",
        starts_on=f.START, by=None, at=f.at(0), invite=False,
    )  # fmt: skip
    exam = f.waiting_exam(
        ada, programme, when=f.at(62), asks=("pneumothorax", "effusion"), zones=("R1", "L1")
    )
    only = f.a_reader(programme, "Pia Lund", may_read=("pneumothorax",))
    f.signed_exam(only, exam, when=f.at(62, 15))
    client.force_login(both)
    html = client.get(trainee_url(ada, "curve", "pneumothorax")).content.decode()
    assert str(exam.pk) not in html
    assert exam.code not in html
    assert "an exam that you may still read" in html


def test_an_alarm_is_decided_on_its_page(client, programme, bo, ada, dora, monkeypatch):
    quick = learning_curve.Limits(0.2, 0.5, h=1.4, drift_h=1.5)
    monkeypatch.setattr("credentialing.curves.reading.limits_of", lambda version, code: quick)
    scans(bo, ada, programme, (60, 61), answer="R+ L-")
    client.force_login(dora)
    where = trainee_url(ada, "curve", "pneumothorax")
    page = client.get(where)
    said = text_of(page)
    assert "Signal with the scan received" not in said
    assert "then an alarm with the scan received 7 Mar 2026" in said
    # Limits like these are too easy, and the page says so.
    assert "These limits are too easy" in said
    [exam] = re.findall(r'name="alarm_exam" value="([^"]+)"', page.content.decode())
    refused = client.post(where, {"alarm_exam": exam, "what": "continue", "why": ""})
    assert refused.status_code == 422
    answer = client.post(
        where, {"alarm_exam": exam, "what": "start_again", "why": "Two new probes."}
    )
    assert answer.status_code == 302
    assert CurveDecision.objects.get().what == "start_again"
    said = text_of(client.get(where))
    assert "start again (Dora Quist). Two new probes." in said
    assert "An alarm stands" not in said
    assert (
        client.post(where, {"alarm_exam": exam, "what": "continue", "why": "x"}).status_code == 422
    )


def test_a_curve_without_scans_says_so(client, ada, dora):
    client.force_login(dora)
    said = text_of(client.get(trainee_url(ada, "curve", "effusion")))
    assert "No scan is compared yet" in said


def test_too_few_past_trainees_is_said(client, ada, dora):
    client.force_login(dora)
    said = text_of(client.get(url("outlook")))
    assert "There are not enough past trainees to test this forecast" in said
    assert "Forecast again" in said


SCORED = {
    "verdict": "no_better", "cases": 60, "people": 20, "reached": 12, "brier": 0.21, "low": 0.17,
    "high": 0.26, "against_base": 0.1, "against_pace": -0.05,
    "groups": [
        {"cases": 30, "people": 20, "mean": 0.31, "reached": 8},
        {"cases": 30, "people": 20, "mean": 0.88, "reached": 25},
    ],
}  # fmt: skip


@pytest.mark.parametrize("verdict", ["no_better", "shown"])
def test_scores_are_shown_and_a_forecast_that_is_no_better_is_folded(
    client, programme, ada, dora, verdict
):
    outlook.write_back_test(programme=programme, told={**SCORED, "verdict": verdict}, at=f.NOW)
    assert BackTest.objects.get().verdict == verdict
    client.force_login(dora)
    said = text_of(client.get(url("outlook")))
    assert "0.210; 95% range 0.170 to 0.260" in said
    assert "no: worse by 5%" in said
    html = client.get(trainee_url(ada)).content.decode()
    assert ("Hidden, because past forecasts here did no better" in html) == (verdict == "no_better")
    assert ('<details class="fold">' in html) == (verdict == "no_better")
    told = "Of 30 forecasts of past trainees given about 90%, 25 came true."
    assert (told in html) == (verdict == "shown")


def test_queries_do_not_grow_with_the_scans(client, programme, bo, ada, dora):
    client.force_login(dora)

    def counted():
        found = []
        for where in (trainee_url(ada), trainee_url(ada, "curve", "pneumothorax")):
            with CaptureQueriesContext(connection) as context:
                assert client.get(where).status_code == 200
            found.append(len(context))
        return found

    counted()
    before = counted()
    scans(bo, ada, programme, range(40, 60, 4))
    assert counted() == before
