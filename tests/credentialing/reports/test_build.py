"""A report is filled from the record as it stood at its day and ledger position, and stays so."""

import csv
import dataclasses
import datetime as dt
import io

import pypdf
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts import ledger
from accounts.models import BackgroundJob, Membership
from credentialing import planfile
from credentialing.actions import plans
from credentialing.reports import actions, build, content, pdf, table, work
from credentialing.reports.orders import PDF, SCANS, STANDING, Order
from fixtures_demo import measured, people
from fixtures_demo.load import Cast, Loader
from fixtures_demo.pictures import Pictures
from logbook.models import Exam, Scan
from review.models import Attestation
from tests.fixtures_demo.test_bulk import masters

pytestmark = pytest.mark.django_db
NOW = dt.datetime(2026, 11, 25, 10, tzinfo=dt.UTC)


def at_night(day):
    return dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), tzinfo=dt.UTC)


class World:
    """A programme of four trainees with sixty scans, loaded through the actions."""

    def __init__(self):
        company = people.crowd(1, 4)
        self.events = measured.tell(company, trainees=4, scans=60, now=NOW)
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
    refuse = pdf.Unsound("Two numbers contradict each other.")

    def contradicts(content):
        raise refuse

    with monkeypatch.context() as patch:
        patch.setattr(pdf, "check", contradicts)
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
