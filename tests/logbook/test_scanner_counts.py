"""Logged of performed: what the machines counted beside what was recorded here."""

import datetime as dt

import pytest
import time_machine
from django.urls import reverse

from accounts import ledger
from accounts.errors import Refused
from logbook import scanner_counts
from logbook.actions import exams, scanners
from logbook.actions.programmes import add_value, retire_value
from logbook.models import OwnValue, ScannerCount
from tests import factories as f

pytestmark = pytest.mark.django_db
MARCH, APRIL = dt.date(2026, 3, 1), dt.date(2026, 4, 1)


@pytest.fixture
def programme():
    made = f.a_programme()
    dora = f.a_director(made)
    for text in ("Resuscitation", "Ward Nine"):
        add_value(programme=made, list_code="place", text=text, by=dora, at=f.at(1))
    return made


def enter(programme, counts, month=MARCH, when=f.NOW):
    return scanners.enter_counts(
        programme=programme,
        month=month,
        counts=counts,
        by=f.a_coordinator(programme),
        at=when,
    )


def test_the_last_entry_stands_and_the_first_is_kept(programme):
    enter(programme, {"resuscitation": 280, "ward_nine": 0})
    enter(programme, {"resuscitation": 290, "ward_nine": 0})
    assert scanner_counts.counts(programme, [MARCH]) == {
        ("resuscitation", MARCH): 290,
        ("ward_nine", MARCH): 0,
    }
    assert ScannerCount.objects.count() == 3
    head = ledger.head_of(programme.chain)
    coordinator = ScannerCount.objects.first().entered_by
    scanners.enter_counts(
        programme=programme, month=MARCH, counts={"resuscitation": 290}, by=coordinator, at=f.NOW
    )
    assert ledger.head_of(programme.chain) == head


@pytest.mark.parametrize(
    ("counts", "month", "says"),
    [
        ({"ward_nine": -1}, MARCH, "from 0 up"),
        ({"ward_nine": 100_001}, MARCH, "from 0 up"),
        ({"ward_ten": 3}, MARCH, "programme's places"),
        ({"ward_nine": 3}, APRIL, "still to come"),
    ],
)
def test_what_cannot_be_is_refused(programme, counts, month, says):
    with pytest.raises(Refused, match=says):
        enter(programme, counts, month)


def test_logged_of_performed_by_place_and_month(programme):
    ada = f.a_trainee(programme)
    for _ in range(2):
        f.waiting_exam(ada, programme, place="resuscitation")
    gone = f.waiting_exam(ada, programme, place="resuscitation")
    exams.withdraw(exam=gone, by=ada, at=f.NOW)
    f.drafted_exam(ada, programme, place="resuscitation")
    f.waiting_exam(ada, programme, place="ward_nine", when=f.at(20))
    enter(programme, {"resuscitation": 5})
    retire_value(value=OwnValue.objects.get(code="ward_nine"), by=f.a_director(programme), at=f.NOW)
    found = scanner_counts.logged_of_performed(programme, [MARCH, dt.date(2026, 1, 1)])
    assert [(row.place, row.month, row.logged, row.performed) for row in found] == [
        ("resuscitation", MARCH, 2, 5),
        ("resuscitation", dt.date(2026, 1, 1), 0, None),
        ("ward_nine", dt.date(2026, 1, 1), 1, None),
    ]


def test_the_cost_does_not_grow_with_months(programme, django_assert_num_queries):
    enter(programme, {"resuscitation": 5})
    months = [dt.date(2025, m, 1) for m in range(1, 13)]
    for some in (months[:1], months):
        with django_assert_num_queries(4):
            scanner_counts.logged_of_performed(programme, some)


def test_the_page_enters_and_shows_them(client, programme):
    ada = f.a_trainee(programme)
    f.waiting_exam(ada, programme, place="resuscitation")
    client.force_login(f.a_coordinator(programme))
    url = reverse("logbook:scanner_counts", args=[programme.code])
    with time_machine.travel(f.NOW, tick=False):
        page = client.get(url).content.decode()
        assert "1 logged" in page
        assert "the machine’s count is not known" in page
        sent = {"month": "2026-03", "place-resuscitation": "4", "place-ward_nine": ""}
        done = client.post(url, sent, follow=True).content.decode()
        assert "1 of 4" in done
        wrong = client.post(url, {**sent, "place-resuscitation": "-1"})
        assert wrong.status_code == 422
        less = client.post(url, {**sent, "place-resuscitation": "0"}, follow=True)
    assert "more than the machine counted" in less.content.decode()
    assert ScannerCount.objects.count() == 2
