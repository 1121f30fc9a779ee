"""A report is filled from the record as it stood at its day and ledger position, and stays so."""

import csv
import dataclasses
import datetime as dt
import html
import io

import openpyxl
import pypdf
import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts import ledger
from accounts.actions import people as people_actions
from accounts.actions import programmes as programme_actions
from accounts.models import BackgroundJob, Membership
from credentialing import measures, planfile, queries, words
from credentialing.actions import plans, standing
from credentialing.models import Standing
from credentialing.reports import actions, build, content, table, work
from credentialing.reports.orders import BOOK, PDF, SCANS, STANDING, Order
from fixtures_demo import measured, people
from fixtures_demo.load import Cast, Loader
from fixtures_demo.pictures import Pictures
from logbook.actions import programmes as logbook_actions
from logbook.models import Exam, Scan
from review.models import Attestation
from tests.credentialing.test_pages import rulers_of
from tests.fixtures_demo.test_bulk import masters

pytestmark = [pytest.mark.django_db, pytest.mark.long(80)]
NOW = dt.datetime(2026, 11, 25, 10, tzinfo=dt.UTC)


def at_night(day):
    return dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), tzinfo=dt.UTC)


class World:
    """A programme of four trainees with three dozen scans, loaded through the actions."""

    def __init__(self):
        company = people.crowd(1, 4)
        self.events = measured.tell(company, trainees=4, scans=36, now=NOW)
        self.early = self.events[len(self.events) // 2].at.date()
        self.cast = Cast.enter(company, self.events[0].at - dt.timedelta(hours=1), NOW.date())
        self.programme = self.cast.programmes["measured-1"]
        pictures = Pictures({})
        pictures.masters = {
            (self.programme.pk, slug): one for slug, one in masters(self.programme).items()
        }
        self.loader = Loader(self.cast, pictures)
        self.director = self.cast.persons["measured-1-director"]
        self.trainee = self.cast.persons["measured-1-trainee-0"]

    def happen(self, until):
        while self.events and self.events[0].at < until:
            self.loader.happen(self.events.pop(0))

    def order(self, *, trainee="", day=None, form=PDF):
        day = day or self.early
        return Order(
            programme=str(self.programme.pk),
            trainee=str(trainee and trainee.pk),
            performed_by=day,
            read_by=day,
            position=build.position_on(self.programme, day),
            form=form,
        )


@pytest.fixture
def world():
    return World()


def test_what_happens_later_changes_nothing_of_an_earlier_day(world):
    world.happen(at_night(world.early))
    orders = [world.order(trainee=world.trainee), world.order(), world.order(form=SCANS)]
    before = [work.make(order) for order in orders]
    world.happen(NOW)
    assert Attestation.objects.filter(signed_on__gt=world.early).exists()
    assert [work.make(order) for order in orders] == before


def test_the_numbers_are_those_of_the_table(world):
    world.happen(NOW)
    told = build.content_of(world.order(day=NOW.date()))
    assert list(content.contradictions(told)) == []
    assert len(told["people"]) == 4
    for person in told["people"]:
        current = Attestation.objects.current().filter(trainee=person["id"])
        assert person["credited_scans"] == current.filter(credited=True).count()
        assert (
            sum(one["read"] for one in person["accuracy"]) == current.filter(in_read=True).count()
        )
        waits = Scan.objects.filter(trainee=person["id"], state="submitted").count()
        assert person["waiting_unread"] == waits
        total = next(c for c in person["clauses"] if c["ordinal"] == 1)
        exams = current.filter(credited=True).values("exam").distinct().count()
        assert total["numerator"] == exams


def test_one_trainee_has_the_list_and_the_cohort_has_not(world):
    world.happen(NOW)
    one = build.content_of(world.order(trainee=world.trainee, day=NOW.date()))["people"]
    assert [person["name"] for person in one] == [world.trainee.name]
    assert len(one[0]["scans"]) == Attestation.objects.filter(trainee=world.trainee).count()
    cohort = build.content_of(world.order(day=NOW.date()))["people"]
    assert all("scans" not in person for person in cohort)


def test_who_came_later_is_not_in_an_earlier_report(world):
    early = world.events[0].at.date() - dt.timedelta(days=300)
    assert build.content_of(world.order(day=early))["people"] == []


def test_the_position_of_a_day_is_its_last_entry(world):
    world.happen(NOW)
    assert build.position_on(world.programme, NOW.date()) == ledger.head_of(world.programme.chain)
    position = build.position_on(world.programme, world.early)
    entries = ledger.read(world.programme.chain, after_seq=position, limit=1)
    assert world.programme.local_date(entries[0].at) > world.early


def test_queries_do_not_grow_with_the_cohort(world):
    world.happen(NOW)
    with CaptureQueriesContext(
        connection,
    ) as one:
        build.content_of(world.order(trainee=world.trainee, day=NOW.date()))
    with CaptureQueriesContext(connection) as all_four:
        build.content_of(world.order(day=NOW.date()))
    assert len(all_four) == len(one)


@pytest.mark.parametrize("copy", ["inside", "outside"])
def test_who_is_read_with_others_has_the_content_that_they_have_alone(world, copy):
    world.happen(NOW)
    order = dataclasses.replace(
        world.order(trainee=world.trainee, day=NOW.date()), form=PDF, copy=copy
    )
    everybody = [pk for pk, _name in build.people_of(world.programme, on=NOW.date())]
    together = build.contents_of(order, everybody)
    assert set(together) == set(everybody)
    assert len(together) == 4
    for person in everybody:
        alone = build.content_of(dataclasses.replace(order, trainee=person))
        assert content.canonical(together[person].sound()) == content.canonical(alone)


def test_a_new_version_of_the_plan_is_not_in_an_older_position(world):
    world.happen(NOW)
    order = world.order(day=NOW.date())
    plan = planfile.parse(planfile.template("lung-start")).plan
    version = plans.publish(
        programme=world.programme, plan=plan, effective_on=NOW.date(), by=world.director, at=NOW
    )
    plans.assign(
        version=version,
        memberships=Membership.objects.filter(programme=world.programme, role="trainee"),
        effective_on=NOW.date(),
        by=world.director,
        at=NOW,
    )
    assert {p["plan"]["code"] for p in build.content_of(order)["people"]} == {"lung-demonstration"}
    newer = dataclasses.replace(order, position=order.position + 3)
    assert {p["plan"]["code"] for p in build.content_of(newer)["people"]} == {"lung-start"}


# --- asking -----------------------------------------------------------------------------------


def test_asking_twice_is_one_job_and_a_lost_worker_is_replaced(world):
    order = world.order(form=STANDING)
    job = actions.ask(programme=world.programme, order=order, by=world.director, at=NOW)
    again = actions.ask(programme=world.programme, order=order, by=world.director, at=NOW)
    assert job.pk == again.pk
    assert actions.claim(job_id=job.pk, by=None, at=NOW) is not None
    assert actions.claim(job_id=job.pk, by=None, at=NOW) is None
    assert work.sweep(at=NOW + dt.timedelta(minutes=1)) == 0
    assert work.sweep(at=NOW + dt.timedelta(minutes=16)) == 1
    job.refresh_from_db()
    assert (job.state, job.error) == ("done", "")


def test_a_failed_job_says_so_and_may_be_asked_again(world, monkeypatch):
    order = world.order(form=PDF)
    job = actions.ask(programme=world.programme, order=order, by=world.director, at=NOW)
    refuse = content.Unsound("Two numbers contradict each other.")

    def contradicts(told):
        raise refuse

    with monkeypatch.context() as patch:
        patch.setattr(build, "check", contradicts)
        assert work.run(job.pk, at=NOW)
    job.refresh_from_db()
    assert (job.state, job.error) == ("failed", "Two numbers contradict each other.")
    again = actions.ask(programme=world.programme, order=order, by=world.director, at=NOW)
    assert (again.pk, again.state) == (job.pk, "waiting")


def test_old_files_are_forgotten(world):
    job = actions.ask(
        programme=world.programme, order=world.order(form=SCANS), by=world.director, at=NOW
    )
    work.run(job.pk, at=NOW)
    work.sweep(at=NOW + dt.timedelta(days=31))
    job.refresh_from_db()
    assert (job.state, job.result) == ("done", "")


def test_names_are_those_of_the_position(world):
    world.happen(NOW)
    order = dataclasses.replace(
        world.order(day=NOW.date(), form=SCANS), position=ledger.head_of(world.programme.chain)
    )
    before = content.canonical(build.content_of(order))
    by = {"by": world.director, "at": NOW}
    people_actions.describe(
        programme=world.programme, person=world.trainee, name="=Ada Renamed",
        legal_name="Ada Legally", staff_number="9", **by,
    )  # fmt: skip
    reader = world.cast.persons["measured-1-reader-0"]
    people_actions.describe(
        programme=world.programme, person=reader, name="Reader Renamed", legal_name="",
        staff_number="", **by,
    )  # fmt: skip
    programme_actions.change(programme=world.programme, changes={"name": "Renamed"}, **by)
    logbook_actions.change_application(
        programme=world.programme, code="pneumothorax", name="Air in the pleura",
        kind="sided", **by,
    )  # fmt: skip
    assert content.canonical(build.content_of(order)) == before
    now = ledger.head_of(world.programme.chain)
    later = build.content_of(dataclasses.replace(order, position=now))
    assert ("=Ada Renamed", "Ada Legally", "9") in {
        (one["name"], one["legal_name"], one["staff_number"]) for one in later["people"]
    }
    scans = [scan for person in later["people"] for scan in person["scans"]]
    assert later["programme"] == "Renamed"
    assert "Air in the pleura" in {scan["application"] for scan in scans}
    assert "Reader Renamed" in {scan["reader"] for scan in scans}


def test_every_exported_number_is_the_screens(world, client):
    """Of each person and clause: the row that screens show, the words on the page, the content,
    the CSV and the spreadsheet."""
    world.happen(NOW)
    standing.recompute(programme=world.programme, at=NOW)
    head = ledger.head_of(world.programme.chain)
    order = dataclasses.replace(world.order(day=NOW.date(), form=BOOK), position=head)
    told = build.content_of(order)
    listed = iter(csv.DictReader(io.StringIO(table.standing(told).decode("utf-8-sig"))))
    sheet = openpyxl.load_workbook(io.BytesIO(table.book(told)))["Standing"].iter_rows(
        min_row=2, values_only=True
    )
    client.force_login(world.director)
    compared = 0
    with time_machine.travel(NOW, tick=False):
        for person in content.in_order(told)["people"]:
            membership = Membership.objects.get(person=person["id"], role="trainee")
            whole, rows = queries.standing_of(membership)
            assert (whole.met, whole.waiting, whole.returned) == (
                person["state"] == "met", person["waiting_unread"], person["waiting_returned"],
            )  # fmt: skip
            beside = queries.beside(world.programme, membership.person_id, NOW)
            assert dataclasses.asdict(beside) == person["beside"]
            as_of = measures.AsOf(NOW.date(), NOW.date(), head)
            assert queries.credited_totals(world.programme, membership.person_id, as_of) == (
                person["credited_scans"], person["credited_exams"],
            )  # fmt: skip
            page = client.get(f"/p/{world.programme.code}/cohort/{membership.pk}/")
            shown = [html.unescape(value) for _label, value, _state in rulers_of(page)]
            for row, clause, ruler in zip(rows, person["clauses"], shown, strict=True):
                compared += 1
                exported = {**next(listed)}
                cells = dict(zip(table.STANDING_HEAD, next(sheet), strict=True))
                for name in ("numerator", "denominator", "value", "lower", "upper"):
                    stored = getattr(row, name)
                    rounded = stored if stored is None else pytest.approx(stored, abs=5e-7)
                    assert clause[name] == rounded, (person["name"], clause["text"], name)
                    assert cells[name] == clause[name]
                    assert exported[name] == ("" if clause[name] is None else repr(clause[name]))
                assert (row.state, row.lost_because) == (clause["state"], clause["lost_because"])
                for name in ("first_met_on", "met_since", "lost_on", "reached_with"):
                    stored = getattr(row, name)
                    assert (stored.isoformat() if stored else None) == clause[name] == cells[name]
                as_exported = Standing(
                    numerator=clause["numerator"], denominator=clause["denominator"],
                    value=clause["value"], lower=clause["lower"], upper=clause["upper"],
                    state=clause["state"],
                )  # fmt: skip
                assert words.value(row.clause, as_exported) == ruler
    assert compared == 4 * len(rows) > 0
    assert next(listed, None) is None


# --- pages ------------------------------------------------------------------------------------


def address(world):
    return f"/p/{world.programme.code}/reports/"


def test_the_director_finds_a_scan_in_the_pdf_and_in_the_csv(world, client):
    world.happen(NOW)
    client.force_login(world.director)
    code = Exam.objects.filter(trainee=world.trainee, scans__state="attested").first().code
    asked = {"who": str(world.trainee.pk), "performed_by": NOW.date().isoformat()}
    printed = client.post(address(world), {**asked, "form": "pdf"})
    assert printed["Content-Type"] == "application/pdf"
    reader = pypdf.PdfReader(io.BytesIO(printed.content))
    assert code in "".join(page.extract_text() for page in reader.pages)
    listed = client.post(address(world), {**asked, "form": "scans"})
    rows = list(csv.DictReader(io.StringIO(listed.content.decode("utf-8-sig"))))
    assert code in {row["exam_code"] for row in rows}
    assert rows[0].keys() == set(table.SCANS_HEAD)


def test_the_cohort_is_made_in_the_background_and_fetched(world, client):
    client.force_login(world.director)
    asked = {"who": "cohort", "performed_by": world.early.isoformat(), "form": "standing"}
    assert client.post(address(world), asked).status_code == 302
    job = BackgroundJob.objects.get()
    work.run(job.pk, at=NOW)
    file = client.get(f"{address(world)}{job.pk}/")
    assert file.content.startswith(b"\xef\xbb\xbftrainee,")
    assert "cohort" in file["Content-Disposition"]
    assert world.trainee.name not in file["Content-Disposition"]


def test_another_persons_file_is_not_there(world, client):
    order = world.order(form=STANDING)
    reader = world.cast.persons["measured-1-reader-0"]
    job = actions.ask(programme=world.programme, order=order, by=reader, at=NOW)
    work.run(job.pk, at=NOW)
    client.force_login(world.director)
    assert client.get(f"{address(world)}{job.pk}/").status_code == 404


@pytest.mark.parametrize("who", ["measured-1-trainee-0", "measured-1-reader-0"])
def test_only_the_director(world, client, who):
    client.force_login(world.cast.persons[who])
    assert client.get(address(world)).status_code == 403
    assert client.post(address(world), {}).status_code == 403


def test_a_future_day_is_refused_with_a_sentence_and_nothing_is_cleared(world, client):
    client.force_login(world.director)
    page = client.post(
        address(world), {"who": "cohort", "performed_by": "2999-01-01", "form": "pdf"}
    )
    assert page.status_code == 422
    assert "This day lies in the future." in page.content.decode()
    assert 'value="2999-01-01"' in page.content.decode()
    assert not BackgroundJob.objects.exists()
