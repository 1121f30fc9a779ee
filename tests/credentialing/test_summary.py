"""A month in figures: nobody can be made out, and the file says what the page says."""

import collections
import csv
import datetime as dt
import io
import re

import pytest
import time_machine
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from credentialing import summary
from logbook.actions import scanners
from logbook.actions.programmes import add_value
from tests import factories as f

MARCH = dt.date(2026, 3, 1)


@given(st.lists(st.integers(0, 40), min_size=5, max_size=5))
def test_no_bin_is_small_and_none_is_lost(counts):
    bins = summary.merged_bins(counts)
    assert [i for span, _n in bins for i in span] == [0, 1, 2, 3, 4]
    assert sum(n for _span, n in bins) == sum(counts)
    assert len(bins) == 1 or not any(summary.is_small(n) for _span, n in bins)


@pytest.mark.parametrize(
    ("counts", "bins"),
    [
        ([0, 0, 0, 0, 0], [1, 1, 1, 1, 1]),
        ([0, 2, 10, 20, 9], [1, 2, 1, 1]),
        ([0, 5, 10, 20, 3], [1, 1, 1, 2]),
        ([1, 1, 1, 0, 0], [5]),
    ],
)
def test_bins_by_hand(counts, bins):
    assert [len(span) for span, _n in summary.merged_bins(counts)] == bins


tallies = st.dictionaries(st.sampled_from(summary.OUTCOMES), st.integers(0, 12))


@given(st.lists(tallies, max_size=6))
def test_outcomes_have_no_small_cell_and_lose_nobody(rows):
    named = [(f"application {n}", collections.Counter(c)) for n, c in enumerate(rows)]
    told = summary.outcomes(named, "the others")
    assert sum(one.total for one in told) == sum(c.total() for _n, c in named)
    for one in told:
        if one.total >= summary.LEAST or len(told) > 1:
            small = [n for _kinds, n in one.cells if summary.is_small(n)]
            assert small == [] or [kinds for kinds, _n in one.cells] == [summary.OUTCOMES]
    # No row could be one person's alone, unless nothing else was read.
    assert len(told) == 1 or all(one.total >= summary.LEAST for one in told)


@pytest.fixture
def month(db):
    programme = f.a_programme()
    trainees = [f.a_trainee(programme, f"Ada Fenn {n}") for n in range(6)]
    bo = f.a_reader(programme)
    exams = [f.waiting_exam(one, programme) for one in trainees]
    f.waiting_exam(trainees[0], programme)
    for n, exam in enumerate(exams):
        said = {"pneumothorax": "R- L-"} if n else {"pneumothorax": "R+ L-"}
        f.signed_exam(bo, exam, said, when=f.at(63 + n))
    return programme


def test_the_figures_of_a_month(month):
    told = summary.month_of(month, dt.date(2026, 3, 20), today=dt.date(2026, 3, 20))
    assert (told.exams, told.read, told.waiting, told.readers) == (7, 6, 1, 1)
    assert (told.median_days, told.most_days, told.longest_wait) == (2, 4, 11)
    assert (told.urgent, told.urgent_told, told.urgent_seen) == (1, 0, 0)
    # One positive that differed would be one person: only how many were read is said.
    (one,) = told.outcomes
    assert [(kinds, n) for kinds, n in one.cells] == [(summary.OUTCOMES, 6)]
    assert told.performed is None
    assert summary.month_of(month, dt.date(2026, 2, 1), today=dt.date(2026, 3, 20)).exams == 0


def test_logged_of_performed_where_the_machines_count_is_known(month):
    dora = f.a_director(month)
    add_value(programme=month, list_code="place", text="Resuscitation", by=dora, at=f.NOW)
    scanners.enter_counts(
        programme=month, month=MARCH, counts={"resuscitation": 20}, by=dora, at=f.NOW
    )
    told = summary.month_of(month, MARCH, today=dt.date(2026, 3, 20))
    assert (told.logged, told.performed) == (0, 20)


def test_the_file_says_what_the_page_says_and_neither_a_name(client, month):
    client.force_login(f.a_coordinator(month))
    url = reverse("credentialing:summary", args=[month.code])
    with time_machine.travel(f.at(90), tick=False):
        page = client.get(f"{url}?month=2026-03").content.decode()
        file = client.post(url, {"month": "2026-03"})
    assert file["Content-Disposition"] == f'attachment; filename="{month.code}-2026-03.csv"'
    rows = list(csv.reader(io.StringIO(file.content.decode("utf-8-sig"))))
    shown = re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", page)
    assert [tuple(row[2:]) for row in rows[1:]] == shown
    main = page.split("<main")[1]
    for text in (main, file.content.decode()):
        assert "Ada Fenn" not in text
        assert "Bo Lindqvist" not in text


def test_a_month_costs_the_same_however_much_was_scanned(month, django_assert_num_queries):
    with django_assert_num_queries(11):
        summary.month_of(month, MARCH, today=dt.date(2026, 3, 20))
    with django_assert_num_queries(11):
        summary.month_of(month, dt.date(2025, 3, 1), today=dt.date(2026, 3, 20))
