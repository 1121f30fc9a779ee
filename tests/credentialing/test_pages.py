"""Home, cohort, the scans behind a number, the plan: what a browser without JavaScript gets."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Membership
from credentialing import measures, queries, words
from credentialing.actions import plans, standing
from credentialing.models import Assignment, PlanVersion, Standing
from credentialing.reports import build
from credentialing.reports.filling import iso
from credentialing.reports.orders import SCANS, Order
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


def a_record(programme, ada, bo, *, exams=3):
    """So many signed exams of two applications: the first is read otherwise than answered, the
    last waits half read."""
    for n in range(exams):
        day = f.at(63 + n % 5, 9, n)
        exam = f.waiting_exam(ada, programme, when=day, asks=("pneumothorax", "effusion"))
        answers = {"pneumothorax": "R+ L-"} if n == 0 else {"effusion": "R+ L-"}
        f.signed_exam(bo, exam, answers, when=day)
    f.waiting_exam(ada, programme, when=f.at(69), asks=("effusion",))


def rulers_of(response):
    """(label, value, state) of each ruler on a page."""
    html = response.content.decode()
    found = []
    for caption in re.findall(r'<figcaption class="ruler-words">(.*?)</figcaption>', html, re.S):
        spans = re.findall(
            r'<span class="ruler-(label|value|state)[^"]*">(.*?)</span>\n', caption, re.S
        )
        said = {kind: " ".join(re.sub(r"<[^>]+>", "", text).split()) for kind, text in spans}
        found.append((said["label"], said["value"].split(",")[0], said["state"]))
    return found


def test_home_shows_the_stored_standing_and_nothing_else(client, programme, ada, bo):
    a_record(programme, ada, bo)
    count_now(programme)
    client.force_login(ada)
    shown = rulers_of(client.get(url("home")))
    assert shown == [
        ("At least 25 credited lung exams", "3 of 25 exams", "22 to go"),
        ("At least 10 credited for pneumothorax", "3 of 10 scans", "7 to go"),
        ("At least 10 credited for consolidation", "0 of 10 scans", "10 to go"),
        ("At least 10 credited for interstitial pattern", "0 of 10 scans", "10 to go"),
        ("At least 10 credited for effusion", "3 of 10 scans", "7 to go"),
    ]
    stored = Standing.objects.order_by("clause__ordinal").values_list("numerator", "left")
    assert [(int(v.split()[0]), int(s.split()[0])) for _l, v, s in shown] == list(stored)
    said = text_of(client.get(url("home")))
    assert (
        "6 scans of 3 exams are credited so far. A number shows exposure, not competence." in said
    )
    assert "1 performed and unread, 0 returned" in said


def test_a_signature_moves_the_number_once_the_ledger_is_followed(client, programme, ada, bo):
    a_record(programme, ada, bo, exams=1)
    count_now(programme)
    client.force_login(ada)
    before = rulers_of(client.get(url("home")))[0]
    exam = f.waiting_exam(ada, programme, when=f.at(69, 11))
    f.signed_exam(bo, exam, when=f.at(69, 12))
    assert rulers_of(client.get(url("home")))[0] == before
    count_now(programme)
    assert before == ("At least 25 credited lung exams", "1 of 25 exams", "24 to go")
    assert rulers_of(client.get(url("home")))[0] == (
        "At least 25 credited lung exams",
        "2 of 25 exams",
        "23 to go",
    )


def listed(response):
    """(exam code, application) of each scan that a page of a number lists."""
    html = response.content.decode()
    rows = re.findall(r"<tr role=\"row\"><th role=\"rowheader\".*?</tr>", html, re.S)
    return [
        (
            " ".join(re.sub(r"<[^>]+>", "", re.search(r"<th.*?</th>", row, re.S)[0]).split()),
            re.search(r'<td role="cell">(.*?)</td>', row)[1],
        )
        for row in rows
    ]


def test_every_number_reconciles_with_its_list(client, programme, ada, bo):
    a_record(programme, ada, bo)
    count_now(programme)
    client.force_login(ada)
    for row in Standing.objects.select_related("clause"):
        page = client.get(url("own_number", row.clause.ordinal))
        found = listed(page)
        units = {code for code, _a in found} if row.clause.unit == "exam" else found
        assert len(units) == row.numerator
        assert "The list and the number differ" not in page.content.decode()
    assert client.get(url("own_number", 6)).status_code == 404


def test_a_number_that_is_not_its_list_is_said_on_the_page(client, programme, ada, bo):
    a_record(programme, ada, bo)
    count_now(programme)
    Standing.objects.filter(clause__ordinal=2).update(numerator=9)
    client.force_login(ada)
    assert "The list and the number differ" in text_of(client.get(url("own_number", 2)))
    assert "The list and the number differ" not in text_of(client.get(url("own_number", 1)))


def test_a_director_opens_the_exams_behind_a_number_and_a_coordinator_sees_progress(
    client, programme, ada, bo
):
    a_record(programme, ada, bo)
    count_now(programme)
    where = url("number", membership_of(ada).pk, 2)
    client.force_login(f.a_director(programme))
    page = client.get(where)
    assert len(listed(page)) == 3
    assert page.content.decode().count("/p/northfield/feedback/") == 3
    client.force_login(f.a_coordinator(programme))
    page = client.get(where)
    assert len(listed(page)) == 3
    assert "/feedback/" not in page.content.decode()


def test_whoever_could_still_read_an_exam_does_not_learn_whose_it_is(client, programme, ada, bo):
    """Faculty who also direct: one scan of the exam is signed by another, theirs still waits."""
    dora = f.a_director(programme)
    edda = f.a_reader(programme, "Edda Marsh", may_read=("pneumothorax",))
    exam = f.waiting_exam(ada, programme, when=f.at(63), asks=("pneumothorax", "effusion"))
    f.signed_exam(edda, exam, when=f.at(64))
    count_now(programme)
    where = url("number", membership_of(ada).pk, 2)
    client.force_login(dora)
    assert listed(client.get(where)) == [(exam.code, "Pneumothorax")]
    f.people.add(
        programme=programme, email=dora.email, name=dora.name, role="faculty",
        starts_on=f.START, by=None, at=f.at(1), invite=False,
    )  # fmt: skip
    f.people.grant(
        programme=programme, person=dora, application="effusion", from_on=f.START, by=None,
        at=f.at(1),
    )  # fmt: skip
    page = client.get(where)
    assert listed(page) == [("an exam that you may still read", "Pneumothorax")]
    assert exam.code not in page.content.decode()
    assert str(exam.pk) not in page.content.decode()


def test_who_may_open_which_page(client, programme, ada, bo):
    count_now(programme)
    membership = membership_of(ada).pk
    people = {
        "trainee": f.a_trainee(programme, "Tom Vale"),
        "faculty": bo,
        "coordinator": f.a_coordinator(programme),
        "director": f.a_director(programme),
        "elsewhere": f.a_director(f.a_programme(code="southmere"), "Hana Wirth"),
    }
    pages = {
        "home": url("home"),
        "cohort": url("cohort"),
        "trainee": url("trainee", membership),
        "number": url("number", membership, 1),
        "plan": url("plan"),
    }
    found = {}
    for who, person in people.items():
        client.force_login(person)
        found[who] = [client.get(where).status_code for where in pages.values()]
    assert found == {
        "trainee": [200, 403, 403, 403, 200],
        "faculty": [200, 403, 403, 403, 200],
        "coordinator": [200, 200, 200, 200, 200],
        "director": [200, 200, 200, 200, 200],
        "elsewhere": [404, 404, 404, 404, 404],
    }
    client.force_login(people["director"])
    bos = membership_of(bo).pk
    assert client.get(url("trainee", bos)).status_code == 404


def queries_for(client, where):
    with CaptureQueriesContext(
        connection,
    ) as found:
        assert client.get(where).status_code == 200
    return len(found)


def test_as_many_queries_for_ten_rows_as_for_one(client, programme, ada, bo):
    dora = f.a_director(programme)
    membership = membership_of(ada).pk
    pages = [
        (ada, url("home")),
        (ada, url("own_number", 1)),
        (dora, url("cohort")),
        (dora, url("trainee", membership)),
        (dora, url("number", membership, 1)),
        (dora, url("plan")),
    ]

    def counted():
        found = []
        for person, where in pages:
            client.force_login(person)
            found.append(queries_for(client, where))
        return found

    a_record(programme, ada, bo, exams=1)
    count_now(programme)
    one = counted()
    a_record(programme, ada, bo, exams=9)
    for n in range(9):
        f.a_trainee(programme, f"Trainee {n}")
    count_now(programme)
    ten = counted()
    print(f"queries: {dict(zip([where for _p, where in pages], ten, strict=True))}")
    assert ten == one


# --- the cohort -----------------------------------------------------------------------------------


def names_in(response):
    return re.findall(r'cohort-who"><h2><a [^>]*>(.*?)</a>', response.content.decode())


def test_most_left_comes_first_and_equal_ones_by_name(client, programme, ada, bo):
    a_record(programme, ada, bo, exams=3)
    f.a_trainee(programme, "Zoe Hart")
    f.a_trainee(programme, "Mia Voss", level="second year")
    count_now(programme)
    client.force_login(f.a_coordinator(programme))
    assert names_in(client.get(url("cohort"))) == ["Mia Voss", "Zoe Hart", "Ada Fenn"]
    assert names_in(client.get(url("cohort") + "?level=second+year")) == ["Mia Voss"]
    one = client.get(url("cohort") + "?clause=2")
    assert names_in(one) == ["Mia Voss", "Zoe Hart", "Ada Fenn"]
    assert [label for label, _v, _s in rulers_of(one)] == ["Pneumothorax: credited"] * 3
    # What nobody ever offered is no filter.
    assert len(names_in(client.get(url("cohort") + "?level=%27&clause=x"))) == 3


def test_the_cohort_tells_of_the_last_full_count(client, programme, ada, bo):
    client.force_login(f.a_director(programme))
    assert "that has not happened yet" in text_of(client.get(url("cohort")))
    run = standing.run_full(programme, at=f.at(70))
    said = text_of(client.get(url("cohort")))
    assert "1 person, 5 numbers moved with the day, none differed." in said
    Standing.objects.update(numerator=7)
    run = standing.run_full(programme, at=f.at(71))
    assert run.differing == 5
    said = text_of(client.get(url("cohort")))
    assert "The last full count needs a look" in said
    assert "5 stored numbers were not what their own day gives" in said


def test_an_empty_cohort_says_when_somebody_appears(client, programme):
    client.force_login(f.a_coordinator(programme))
    said = text_of(client.get(url("cohort")))
    assert "No trainee has a standing here yet" in said


# --- the plan, newcomers, and what is left of whoever leaves --------------------------------------


def test_the_plan_says_what_it_asks_with_its_sources_and_who_is_judged(client, programme, ada):
    client.force_login(ada)
    said = text_of(client.get(url("plan")))
    assert "Lung ultrasound, first numbers, version 1" in said
    assert "Lung applications together: at least 25 exams, credited; once is enough." in said
    assert "local, no published figure" in said
    assert "The local committee decides." in said
    assert "no approval by a committee is recorded" in said
    assert "you; 1 trainee; whoever begins now" in said
    assert "Names of those judged by it" not in said
    client.force_login(f.a_coordinator(programme))
    said = text_of(client.get(url("plan")))
    assert "Names of those judged by it Ada Fenn" in said


def test_faculty_have_no_numbers_and_whoever_left_keeps_theirs(client, programme, ada, bo):
    client.force_login(bo)
    assert "No numbers of your own here" in text_of(client.get(url("home")))
    a_record(programme, ada, bo)
    count_now(programme)
    f.people.end(membership=membership_of(ada), ends_on=f.at(80).date(), by=None, at=f.at(80))
    client.force_login(ada)
    page = client.get(url("home"))
    assert rulers_of(page)[0][1] == "3 of 25 exams"
    assert "Record an exam" not in text_of(page)


def test_an_urgent_disagreement_stands_before_everything(client, programme, ada, bo):
    exam = f.waiting_exam(ada, programme, when=f.at(63))
    f.signed_exam(bo, exam, {"pneumothorax": "R+ L-"}, when=f.at(63, 12))
    client.force_login(ada)
    said = text_of(client.get(url("home")))
    assert said.index("This may matter to a patient now") < said.index("My numbers", 200)
    assert exam.code in said
    assert "telephone the duty clinician now: extension 4410" in said


def test_accuracy_says_what_always_negative_would_have_matched(client, programme, ada, bo):
    """2 of 3 pneumothorax pairs match; the first was read positive on the right."""
    clause = measures.Clause(
        1, "agreement", 0.5, application="pneumothorax", min_n=2, min_each=0, text="Agreement"
    )
    plan = measures.Plan((measures.Gate(1, (clause,)),), "accuracy", "Accuracy")
    version = plans.publish(
        programme=programme, plan=plan, effective_on=f.START, override_reason="For this test.",
        by=None, at=f.at(1),
    )  # fmt: skip
    plans.assign(
        version=version, memberships=[membership_of(ada)], effective_on=f.START, by=None,
        at=f.at(1),
    )  # fmt: skip
    a_record(programme, ada, bo)
    count_now(programme)
    client.force_login(ada)
    assert rulers_of(client.get(url("home"))) == [
        ("Agreement", "66.6% (2 of 3)", f"met {words.day(f.at(64).date())}")
    ]
    said = text_of(client.get(url("own_number", 1)))
    assert "Matched the blind reading: 2 scans of 2 exams" in said
    assert "Did not match: 1 scan of 1 exam" in said
    assert "2 of 3 matched one blind reader, who can be wrong." in said
    assert "always negative would have matched 2 of 3, always positive 0" in said.replace(
        "Answering ", ""
    )
    client.force_login(f.a_coordinator(programme))
    said = text_of(client.get(url("number", membership_of(ada).pk, 1)))
    assert "Read independently: 3 scans of 3 exams" in said
    assert "match the blind reading" in said
    assert "Did not match" not in said


def test_every_number_of_a_report_is_the_number_of_the_page(client, programme, ada, bo):
    """One judgement, stored and exported: as of the stored row's own (D, D2, N)."""
    a_record(programme, ada, bo)
    count_now(programme)
    whole, rows = queries.standing_of(membership_of(ada))
    order = Order(
        programme=str(programme.pk), trainee=str(ada.pk), performed_by=whole.d, read_by=whole.d2,
        position=whole.n, form=SCANS,
    )  # fmt: skip
    (person,) = build.content_of(order)["people"]
    assert [
        (one["ordinal"], one["numerator"], one["denominator"], one["state"], one["met_since"])
        for one in person["clauses"]
    ] == [(r.clause.ordinal, r.numerator, r.denominator, r.state, iso(r.met_since)) for r in rows]
    client.force_login(ada)
    said = text_of(client.get(url("home")))
    totals = words.totals(person["credited_scans"], person["credited_exams"])
    assert totals in said
    assert (
        f"{person['waiting_unread']} performed and unread, "
        f"{person['waiting_returned']} returned" in said
    )
