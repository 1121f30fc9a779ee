"""Issued reports: signed once, kept as signed, checked by anybody, revoked, superseded."""

import csv
import dataclasses
import datetime as dt
import hashlib
import io
import json
import re
import statistics
import time
import zipfile

import pypdf
import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from accounts import ledger
from accounts.actions import people
from accounts.errors import Conflict, Refused
from accounts.models import BackgroundJob, Role
from credentialing.actions import batches as asking
from credentialing.actions import reports as actions
from credentialing.models import Report, ReportFile, SigningKey
from credentialing.reports import batches, build, check_views, content, issuing, signing
from credentialing.reports.orders import OUTSIDE, PDF, Batch, Entry, Order
from deploy.proxies import networks
from logbook.models import Exam
from tests import factories as f

pytestmark = pytest.mark.django_db

LATER = f.NOW + dt.timedelta(days=3)
ORIGIN = "https://lung.example"


class World:
    """A programme with a key, two trainees, and two signed exams of the first."""

    def __init__(self):
        self.programme = f.a_programme(code="northfield")
        self.ada = f.a_trainee(self.programme, "Ada Fenn", level="year 2")
        self.tom = f.a_trainee(self.programme, "Tom Vale", level="year 2")
        self.bo = f.a_reader(self.programme, "Bo Lindqvist")
        self.dora = f.a_director(self.programme, "Dora Quist")
        for _exam in range(2):
            exam = f.waiting_exam(self.ada, self.programme)
            f.signed_exam(self.bo, exam, {"pneumothorax": "R- L-"})
        self.key = actions.make_key(programme=self.programme, by=self.dora, at=f.NOW)
        for person in (self.ada, self.tom):
            people.describe(
                programme=self.programme, person=person, name=person.name,
                legal_name=f"{person.name} Legally", staff_number="771", by=self.dora, at=f.NOW,
            )  # fmt: skip
        self.codes = {}

    def order(self, person=None, *, copy="inside", day=None, **changes):
        day = day or self.programme.local_date(f.NOW)
        return Order(
            programme=str(self.programme.pk),
            trainee=str((person or self.ada).pk),
            performed_by=day,
            read_by=day,
            position=build.position_on(self.programme, day),
            form=PDF,
            copy=copy,
            **changes,
        )

    def issue(self, person=None, *, recommends=None, sentence="", at=f.NOW, order=None, **more):
        report = issuing.issue(
            order=order or self.order(person, **more), recommends=recommends, sentence=sentence,
            origin=ORIGIN, by=self.dora, at=at,
        )  # fmt: skip
        self.codes[report.pk] = code_on(bytes(report.file.data))
        return report


@pytest.fixture
def world():
    return World()


def text_of(data):
    reader = pypdf.PdfReader(io.BytesIO(data))
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))


def code_on(data):
    """The code as somebody reads it off the paper."""
    return re.search(r"Code ((?:[A-Z2-7]{5} ){4}[A-Z2-7]{6})", text_of(data)).group(1)


# --- the signed file ------------------------------------------------------------------------------


def test_the_file_is_signed_by_the_programme_and_stored_as_signed(world):
    report = world.issue(recommends=True, sentence="Careful, asks early.")
    data = bytes(report.file.data)
    assert hashlib.sha256(data).hexdigest() == report.sha256
    assert signing.intact(data, certificates=[world.key.certificate], moment=f.NOW)
    other = signing.make_key(programme="P", institution="I", at=f.NOW).certificate
    assert not signing.intact(data, certificates=[other], moment=f.NOW)
    text = text_of(data)
    for printed in (
        "INSIDE COPY", "Dora Quist, for the programme, recommends this person.",
        "Careful, asks early.", report.content_digest, world.key.fingerprint,
        "https://lung.example/check/",
    ):  # fmt: skip
        assert printed in text
    assert "NOT ISSUED" not in text


def test_tags_for_a_screen_reader_are_there_after_signing(world):
    # ISO 14289-1 (PDF/UA-1) as in test_pdf: what was tagged before the signature is so after it.
    root = pypdf.PdfReader(io.BytesIO(bytes(world.issue().file.data))).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712  (a pypdf BooleanObject)
    assert root["/StructTreeRoot"]["/Type"] == "/StructTreeRoot"
    assert root["/Lang"] == "en"
    metadata = root["/Metadata"].get_object().get_data().decode()
    # The signer writes the same statement in the other of RDF's two spellings.
    assert re.search(r'pdfuaid:part(>|=")1[<"]', metadata)
    (field,) = root["/AcroForm"]["/Fields"]
    field = field.get_object()
    assert field["/FT"] == "/Sig"
    assert field["/TU"] == "Signature of the programme"
    assert field["/F"] & 2  # hidden: nothing is drawn that would need a tag


def test_a_changed_byte_anywhere_is_found(world, scale):
    data = bytes(world.issue().file.data)
    moment, certificates = f.NOW, [world.key.certificate]
    step = max(1, len(data) // scale(2000))
    spared = []
    for place in range(0, len(data), step):
        altered = bytearray(data)
        altered[place] ^= 1
        if hashlib.sha256(altered).hexdigest() == hashlib.sha256(data).hexdigest():
            spared.append(place)
        elif signing.intact(bytes(altered), certificates=certificates, moment=moment):
            # The signature's own container is zero-filled past its end; nothing there is read.
            start = data.index(b"/Contents <")
            if not start < place < data.index(b">", start):
                spared.append(place)
    assert spared == []


def test_a_byte_added_at_the_end_is_found(world):
    data = bytes(world.issue().file.data)
    appended = data + b"\n% more\n"
    assert not signing.intact(appended, certificates=[world.key.certificate], moment=f.NOW)


def test_the_content_can_be_made_again_whatever_happened_since(world):
    report = world.issue(recommends=False, sentence="Needs more scans.")
    exam = f.waiting_exam(world.ada, world.programme, when=LATER)
    f.signed_exam(world.bo, exam, {"pneumothorax": "R+ L-"}, when=LATER)
    people.describe(
        programme=world.programme, person=world.dora, name="Dora Renamed", legal_name="",
        staff_number="", by=world.dora, at=LATER,
    )  # fmt: skip
    actions.change_sheet(
        programme=world.programme, heading="New", contact="New", reviewed="New",
        by=world.dora, at=LATER,
    )  # fmt: skip
    report = Report.objects.select_related("sentence").get(pk=report.pk)
    assert content.digest(issuing.remade(report)) == report.content_digest


def test_the_stored_file_and_the_report_refuse_change(world):
    report = world.issue()
    for change in (
        lambda: ReportFile.objects.filter(report=report).update(data=b"x"),
        lambda: ReportFile.objects.filter(report=report).delete(),
        lambda: Report.objects.filter(pk=report.pk).update(sha256="0" * 64),
        lambda: SigningKey.objects.filter(pk=world.key.pk).update(certificate="x"),
    ):
        with pytest.raises(Exception, match=r"append-only|permission denied"), transaction.atomic():
            change()


def test_the_ledger_says_what_was_signed(world):
    report = world.issue(recommends=True, sentence="Careful.")
    entry = ledger.read(world.programme.chain)[-1]
    assert (entry.action, entry.subject) == ("report.issued", f"report:{report.pk}")
    assert entry.body["sha256"] == report.sha256
    assert "Careful." not in json.dumps(entry.body)


# --- keys -----------------------------------------------------------------------------------------


def test_the_private_part_is_sealed_and_erased_when_the_key_is_replaced(world):
    private = actions.private_part(world.key)
    assert private not in bytes(world.key.sealed)
    report = world.issue()
    new = actions.rotate_key(
        programme=world.programme, why="The secret changed.", by=world.dora, at=LATER
    )
    old = SigningKey.objects.get(pk=world.key.pk)
    assert (old.sealed, old.retired_at, new.n) == (None, LATER, 2)
    with pytest.raises(Refused, match="Its private part is gone"):
        actions.private_part(old)
    data = bytes(report.file.data)
    assert signing.intact(data, certificates=[old.certificate], moment=LATER)
    later = world.issue(world.tom)
    assert later.key == new


def test_a_key_under_another_secret_says_so(world, settings):
    settings.SIGNING_KEYS = "another-secret-of-at-least-32-characters"
    with pytest.raises(Refused, match="INTERSPACE_SIGNING_KEYS"):
        world.issue()
    assert not Report.objects.exists()


def test_without_a_key_nothing_is_issued(world):
    other = f.a_programme(code="keyless")
    trainee = f.a_trainee(other)
    order = dataclasses.replace(
        world.order(trainee), programme=str(other.pk), position=ledger.head_of(other.chain)
    )
    with pytest.raises(Refused, match="no key to sign with"):
        world.issue(order=order)


def test_a_key_that_was_replaced_while_a_report_was_made_is_not_used(world):
    signed = actions.Signed(
        order="{}", person=world.ada, copy="inside", performed_by=f.NOW.date(),
        read_by=f.NOW.date(), position=1, version_id=None, recommends=None, code="A" * 26,
        content_digest="0" * 64, sha256="0" * 64, data=b"%PDF", key=world.key,
    )  # fmt: skip
    actions.rotate_key(programme=world.programme, why="Lost.", by=world.dora, at=f.NOW)
    with pytest.raises(Conflict):
        actions.issue(
            programme=world.programme, signed=signed, said_by="x", by=world.dora, at=f.NOW
        )


# --- superseding and revoking ---------------------------------------------------------------------


def test_a_later_one_supersedes_the_same_copy_of_the_same_person(world):
    first, outside = world.issue(), world.issue(copy=OUTSIDE, recommends=True)
    toms = world.issue(world.tom)
    second = world.issue(day=world.programme.local_date(LATER), at=LATER)
    states = {r.pk: (r.state, r.superseding_id) for r in Report.objects.all()}
    assert states == {
        first.pk: ("superseded", second.pk),
        second.pk: ("issued", None),
        outside.pk: ("issued", None),
        toms.pk: ("issued", None),
    }


def test_one_as_of_an_earlier_day_is_refused_while_a_later_one_stands(world):
    later = world.issue(day=world.programme.local_date(LATER), at=LATER)
    with pytest.raises(Refused, match="Revoke it before"):
        world.issue()
    actions.revoke(report=later, why="Too early.", by=world.dora, at=LATER)
    assert world.issue().state == "issued"


def test_revoking_needs_a_reason_and_happens_once(world):
    report = world.issue()
    with pytest.raises(Refused, match="Say why"):
        actions.revoke(report=report, why=" ", by=world.dora, at=LATER)
    actions.revoke(report=report, why="Wrong person.", by=world.dora, at=LATER)
    head = ledger.head_of(world.programme.chain)
    again = actions.revoke(report=report, why="Again.", by=world.dora, at=LATER)
    assert (again.state, str(again.revoked_why)) == ("revoked", "Wrong person.")
    assert ledger.head_of(world.programme.chain) == head


# --- the outside copy -----------------------------------------------------------------------------


def test_the_outside_copy_has_totals_and_months_and_nothing_of_the_readings(world):
    actions.change_sheet(
        programme=world.programme, heading="Confidential under local law.",
        contact="Ultrasound office, extension 4410", reviewed="", by=world.dora, at=f.NOW,
    )  # fmt: skip
    report = world.issue(copy=OUTSIDE, recommends=False, sentence="Needs more scans.", sheet=1)
    text = text_of(bytes(report.file.data))
    for printed in (
        "Ada Fenn Legally", "771", "OUTSIDE COPY", "Confidential under local law.",
        "Ultrasound office, extension 4410", "Dora Quist, for the programme, does not recommend",
        "Needs more scans.", "2 scans of 2 exams credited", "1 reader", "Resuscitation",
        "18 to 64 years", "March 2026",
    ):  # fmt: skip
        assert printed in text, printed
    for kept_in in ("agree", "match", "K2-", "Exam performed", "outlook", "curve", "discrepan"):
        assert kept_in not in text, kept_in
    assert [one.code for one in Exam.objects.all() if one.code in text] == []


OUTSIDE_KEYS = {
    "legal_name", "staff_number", "profession", "level", "starts_on", "ends_on", "plan", "state",
    "met_month", "clauses", "clauses_inside", "credited_scans", "credited_exams",
    "waiting_unread", "first_month", "last_month", "applications", "places", "age_bands",
    "readers",
}  # fmt: skip


def test_the_outside_content_holds_these_fields_and_no_day_of_an_exam(world):
    told = build.content_of(world.order(copy=OUTSIDE))
    assert told["person"].keys() == OUTSIDE_KEYS
    exam_day = f.waiting_exam(world.tom, world.programme).scans.first().performed_on
    training = {told["person"]["starts_on"], told["as_of"]["read_by"]}
    days = set(re.findall(r"\d{4}-\d\d-\d\d", json.dumps(told))) - training
    assert exam_day.isoformat() not in days


def test_an_outside_copy_needs_a_recommendation_and_a_legal_name_known_by_then(world):
    with pytest.raises(Refused, match="says whether you recommend Ada Fenn"):
        world.issue(copy=OUTSIDE)
    before = dataclasses.replace(world.order(copy=OUTSIDE), position=world.key.seq)
    with pytest.raises(Refused, match="entered after that day"):
        world.issue(order=before, recommends=True)
    new = f.a_trainee(world.programme, "Uma Strand", when=f.NOW)
    with pytest.raises(Refused, match="Uma Strand has no legal name yet"):
        world.issue(new, copy=OUTSIDE, recommends=True)


# --- the check page -------------------------------------------------------------------------------


def bare(answer):
    """An answer without its token against forgery and its filling."""
    return re.sub(rb'value="[A-Za-z0-9]{64}"', b"", answer.content).rstrip(b"\n")


def ask(client, code, **more):
    return client.post("/check/", {"code": code}, **more)


def test_whoever_holds_the_code_reads_whether_it_stands(world, client):
    report = world.issue()
    code = world.codes[report.pk]
    for typed in (code, code.lower(), code.replace(" ", "-"), code.replace(" ", "")):
        answer = ask(client, typed).content.decode()
        assert "Issued, and it stands" in answer
        assert report.sha256 in answer
        assert report.content_digest in answer
        assert world.ada.name not in answer
        assert str(world.ada.pk) not in answer
    world.issue(day=world.programme.local_date(LATER), at=LATER)
    answer = ask(client, code).content.decode()
    assert "Superseded: ask the programme" in answer
    actions.revoke(report=report, why="A private reason.", by=world.dora, at=LATER)
    answer = ask(client, code).content.decode()
    assert "Revoked: do not rely on it" in answer
    assert "A private reason." not in answer


def test_what_is_no_code_and_what_was_never_issued_get_the_same_bytes(world, client):
    world.issue()
    answers = {bare(ask(client, code)) for code in ("", "x", signing.draw_code(), "é" * 40, "' OR")}
    assert len(answers) == 1
    assert b"No report has this code" in answers.pop()


def test_a_get_looks_nothing_up_and_says_the_same_to_every_code(world, client):
    report = world.issue()
    known = world.codes[report.pk].replace(" ", "")
    unknown = signing.draw_code()
    with CaptureQueriesContext(connection) as queries:
        first = client.get("/check/", {"code": known})
    assert not [one for one in queries if "report" in one["sql"]]
    second = client.get("/check/", {"code": unknown})
    assert bare(first).replace(known.encode(), b"") == bare(second).replace(unknown.encode(), b"")


def test_every_answer_has_one_length_and_costs_the_same_queries(world, client):
    report = world.issue()
    lengths, costs = set(), []
    for code in (world.codes[report.pk], signing.draw_code(), "x"):
        with CaptureQueriesContext(connection) as queries:
            lengths.add(len(ask(client, code).content))
        costs.append(sum("credentialing_" in one["sql"] for one in queries))
    actions.revoke(report=report, why="Wrong.", by=world.dora, at=LATER)
    lengths.add(len(ask(client, world.codes[report.pk]).content))
    assert lengths == {check_views.LENGTH}
    assert costs == [2, 2, 2]


def test_wrong_codes_are_limited_exactly_and_right_ones_do_not_count(world, client):
    report = world.issue()
    for _right in range(check_views.LIMIT + 5):
        assert ask(client, world.codes[report.pk]).status_code == 200
    statuses = [ask(client, signing.draw_code()).status_code for _ in range(check_views.LIMIT + 3)]
    assert statuses == [200] * check_views.LIMIT + [429] * 3
    limited = ask(client, world.codes[report.pk])
    assert limited.status_code == 429
    assert bare(limited) == bare(ask(client, signing.draw_code()))
    assert ask(client, world.codes[report.pk], REMOTE_ADDR="192.0.2.7").status_code == 200


def test_a_network_that_one_customer_has_whole_is_one_place(client):
    for number in range(check_views.LIMIT):
        ask(client, "x", REMOTE_ADDR=f"2001:db8:1:2::{number:x}")
    assert ask(client, "x", REMOTE_ADDR="2001:db8:1:2:ffff::1").status_code == 429
    assert ask(client, "x", REMOTE_ADDR="2001:db8:1:3::1").status_code == 200


def test_behind_our_proxy_its_word_on_the_address_counts(client, settings):
    settings.PROXIES = networks(["10.0.0.9"])
    proxy = {"REMOTE_ADDR": "10.0.0.9"}
    for number in range(check_views.LIMIT):
        said = f"203.0.113.{number}, 192.0.2.7"  # what the caller claimed, and who it was
        ask(client, "x", headers={"x-forwarded-for": said}, **proxy)
    refused = ask(client, "x", headers={"x-forwarded-for": "198.51.100.1, 192.0.2.7"}, **proxy)
    assert refused.status_code == 429
    assert ask(client, "x", headers={"x-forwarded-for": "192.0.2.8"}, **proxy).status_code == 200


def test_a_strangers_word_on_the_address_does_not(client, settings):
    settings.PROXIES = networks(["10.0.0.9"])
    for number in range(check_views.LIMIT):
        ask(client, "x", headers={"x-forwarded-for": f"192.0.2.{number}"}, REMOTE_ADDR="10.0.0.8")
    refused = ask(client, "x", headers={"x-forwarded-for": "192.0.2.99"}, REMOTE_ADDR="10.0.0.8")
    assert refused.status_code == 429


def test_how_long_an_answer_takes_says_nothing(world, client, scale, monkeypatch):
    # A guess that is nearly right takes as long as one that is not: under 5 ms between the medians
    # (common practice). Time of this thread, which a busy machine does not lengthen.
    monkeypatch.setattr(check_views, "LIMIT", 10**6)
    known = world.codes[world.issue().pk].replace(" ", "")
    nearly = known[:-1] + ("A" if known[-1] != "A" else "Q")
    taken = {nearly: [], signing.draw_code(): []}
    for _round in range(max(15, scale(500))):
        for code, times in taken.items():
            started = time.thread_time()
            ask(client, code)
            times.append(time.thread_time() - started)
    one, other = (statistics.median(times) * 1000 for times in taken.values())
    print(f"N = {len(taken[nearly])} each, medians {one:.2f} and {other:.2f} ms")
    assert abs(one - other) < 5


def test_codes_are_128_bits_and_never_stored(world):
    report = world.issue()
    code = world.codes[report.pk].replace(" ", "")
    row = Report.objects.filter(pk=report.pk).values().get()
    assert code not in json.dumps(row, default=str)
    codes = {signing.draw_code() for _ in range(1000)}
    assert len(codes) == 1000
    assert {len(one) for one in codes} == {26}  # 26 * 5 bits hold 128


# --- who gets the file ----------------------------------------------------------------------------


def file_of(world, report):
    return f"/p/{world.programme.code}/reports/issued/{report.pk}/file/"


def test_the_bytes_served_are_the_bytes_stored_to_whom_they_belong(world, client):
    report = world.issue()
    for who, status in ((world.dora, 200), (world.ada, 200), (world.tom, 404), (world.bo, 404)):
        client.force_login(who)
        answer = client.get(file_of(world, report))
        assert answer.status_code == status, who
        if status == 200:
            assert hashlib.sha256(answer.content).hexdigest() == report.sha256
            assert world.ada.name not in answer["Content-Disposition"]


def test_whoever_left_keeps_the_signed_copy(world, client):
    report = world.issue()
    membership = world.ada.memberships.get(role=Role.TRAINEE)
    people.end(membership=membership, ends_on=f.START, by=world.dora, at=f.NOW)
    client.force_login(world.ada)
    assert client.get(file_of(world, report)).status_code == 200
    page = client.get(f"/p/{world.programme.code}/home/reports/").content.decode()
    assert file_of(world, report) in page


# --- pages ----------------------------------------------------------------------------------------


def issue_page(world):
    return f"/p/{world.programme.code}/reports/issue/"


def test_the_director_issues_from_the_page_and_twice_is_once(world, client):
    client.force_login(world.dora)
    page = client.get(f"{issue_page(world)}?who={world.ada.pk}").content.decode()
    position = re.search(r'name="position" value="(\d+)"', page).group(1)
    sent = {
        "who": world.ada.pk, "copy": "outside", "recommends": "yes", "position": position,
        "performed_by": "2026-03-09", "read_by": "2026-03-09", "sentence": "Careful.",
    }  # fmt: skip
    first = client.post(issue_page(world), sent)
    assert first.status_code == 302, first.content.decode()[-3000:]
    assert client.post(issue_page(world), sent).url == first.url
    report = Report.objects.get()
    assert (report.recommends, str(report.sentence)) == (True, "Careful.")
    shown = client.get(first.url).content.decode()
    assert "It stands." in shown
    assert report.sha256 in shown


def test_a_refusal_stands_at_its_field_and_nothing_is_cleared(world, client):
    client.force_login(world.dora)
    sent = {
        "who": world.ada.pk, "copy": "outside", "recommends": "none", "sentence": "Careful.",
        "performed_by": "2026-03-09", "read_by": "",
    }  # fmt: skip
    page = client.post(issue_page(world), sent)
    assert page.status_code == 422
    assert "says whether you recommend" in page.content.decode()
    assert "Careful." in page.content.decode()
    assert not Report.objects.exists()


def test_revoking_from_the_page(world, client):
    report = world.issue()
    client.force_login(world.dora)
    there = f"/p/{world.programme.code}/reports/issued/{report.pk}/"
    assert client.post(f"{there}revoke/", {"why": ""}).status_code == 422
    assert client.post(f"{there}revoke/", {"why": "Wrong person."}).status_code == 302
    assert "Wrong person." in client.get(there).content.decode()


def test_keys_are_made_and_replaced_from_the_page(world, client):
    client.force_login(world.dora)
    there = f"/p/{world.programme.code}/reports/keys/"
    assert world.key.fingerprint in client.get(there).content.decode()
    assert client.post(there, {"do": "rotate", "why": ""}).status_code == 422
    assert client.post(there, {"do": "rotate", "why": "Operator left."}).status_code == 302
    assert SigningKey.objects.filter(retired_at=None).get().n == 2
    given = client.get(f"{there}{world.key.pk}/")
    assert given.content.decode() == world.key.certificate


def test_what_stands_on_every_report_is_a_setting_and_blank_by_default(world, client):
    client.force_login(world.dora)
    assert build.content_of(world.order())["sheet"]["heading"] == ""
    there = f"/p/{world.programme.code}/settings/reports/"
    sent = {"heading": "Confidential.", "contact": "4410", "reviewed": "", "paper": "a4"}
    assert client.post(there, sent).status_code == 302
    assert client.post(there, sent).status_code == 302
    assert actions.sheet_of(world.programme).n == 1
    assert build.content_of(world.order(sheet=1))["sheet"]["heading"] == "Confidential."


# --- a cohort -------------------------------------------------------------------------------------


def a_batch(world, *people, copy="outside", recommends=True):
    entries = tuple(Entry(str(one.pk), recommends, "Careful.") for one in people)
    order = dataclasses.replace(world.order(), trainee="")
    return Batch(order=order, origin=ORIGIN, copy=copy, entries=entries)


def test_a_cohort_is_issued_once_and_fetched_as_one_zip(world, client):
    asked = {"programme": world.programme, "by": world.dora, "at": f.NOW}
    both = a_batch(world, world.ada, world.tom)
    job = asking.ask(batch=both, **asked)
    assert asking.ask(batch=both, **asked).pk == job.pk
    assert batches.run(job.pk, clock=lambda: f.NOW)
    assert not batches.run(job.pk, clock=lambda: f.NOW)
    job.refresh_from_db()
    assert (job.state, job.done, job.total) == ("done", 2, 2)
    client.force_login(world.dora)
    there = f"/p/{world.programme.code}/reports/batch/{job.pk}/zip/"
    first, second = (b"".join(client.get(there).streaming_content) for _ in range(2))
    assert first == second
    with zipfile.ZipFile(io.BytesIO(first)) as made:
        index = list(csv.DictReader(io.StringIO(made.read("index.csv").decode("utf-8-sig"))))
        assert [row["name"] for row in index] == ["Ada Fenn", "Tom Vale"]
        for row in index:
            assert hashlib.sha256(made.read(row["file"])).hexdigest() == row["sha256"]
            assert row["name"] not in row["file"]
        assert len(made.namelist()) == 3


def test_a_batch_with_one_who_cannot_be_issued_is_refused_whole(world):
    new = f.a_trainee(world.programme, "Uma Strand", when=f.NOW)
    with pytest.raises(Refused, match="Uma Strand has no legal name yet"):
        asking.ask(
            programme=world.programme, batch=a_batch(world, world.ada, new), by=world.dora, at=f.NOW
        )
    assert not BackgroundJob.objects.filter(kind=asking.KIND).exists()


def test_a_worker_that_died_is_followed_by_one_that_goes_on(world, monkeypatch):
    job = asking.ask(
        programme=world.programme, batch=a_batch(world, world.ada, world.tom), by=world.dora,
        at=f.NOW,
    )  # fmt: skip
    real, calls = issuing.Press.sign, []

    class Killed(BaseException):
        pass

    def dies_at_the_second(press, laid):
        calls.append(laid)
        if len(calls) == 2:
            raise Killed
        return real(press, laid)

    with monkeypatch.context() as patch:
        patch.setattr(issuing.Press, "sign", dies_at_the_second)
        with pytest.raises(Killed):
            batches.run(job.pk, clock=lambda: f.NOW)
    assert Report.objects.filter(batch=job).count() == 1
    assert asking.due(at=f.NOW) == []
    late = f.NOW + asking.LOST_AFTER * 2
    assert asking.due(at=late) == [job.pk]
    assert batches.run(job.pk, clock=lambda: late)
    job.refresh_from_db()
    assert (job.state, job.done) == ("done", 2)
    assert sorted(Report.objects.filter(batch=job).values_list("person__name", flat=True)) == [
        "Ada Fenn",
        "Tom Vale",
    ]


def test_one_batch_never_holds_two_reports_of_a_person(world):
    job = asking.ask(
        programme=world.programme, batch=a_batch(world, world.ada), by=world.dora, at=f.NOW
    )
    entry = Batch.from_text(job.arguments).order_of(Entry(str(world.ada.pk), True))
    more = {"order": entry, "recommends": True, "sentence": "", "origin": ORIGIN}
    issuing.issue(**more, by=world.dora, at=f.NOW, batch=job)
    with pytest.raises(IntegrityError), transaction.atomic():
        issuing.issue(**more, by=world.dora, at=f.NOW, batch=job)


def test_who_could_not_be_issued_after_all_is_said_and_tried_again(world, monkeypatch):
    job = asking.ask(
        programme=world.programme, batch=a_batch(world, world.ada, world.tom), by=world.dora,
        at=f.NOW,
    )  # fmt: skip
    real = issuing.Press.lay

    def unsound_for_tom(press, trainee, **said):
        if trainee == str(world.tom.pk):
            raise content.Unsound("Two numbers contradict each other.")
        return real(press, trainee, **said)

    with monkeypatch.context() as patch:
        patch.setattr(issuing.Press, "lay", unsound_for_tom)
        batches.run(job.pk, clock=lambda: f.NOW)
    job.refresh_from_db()
    assert (job.state, job.error) == (
        "failed",
        "1 report could not be issued. Tom Vale: Two numbers contradict each other.",
    )  # fmt: skip
    asking.again(job=job, by=world.dora, at=f.NOW)
    batches.run(job.pk, clock=lambda: f.NOW)
    job.refresh_from_db()
    assert (job.state, Report.objects.filter(batch=job).count()) == ("done", 2)


def test_a_sign_that_cannot_be_printed_is_named_and_the_others_go_on(world, client):
    people.describe(
        programme=world.programme, person=world.tom, name="Tom \U00020bb7", legal_name="Tom Vale",
        staff_number="771", by=world.dora, at=f.NOW,
    )  # fmt: skip
    with pytest.raises(
        Refused, match=r"the sign U\+20BB7 \(\U00020bb7\) in “Lung.*Tom \U00020bb7”"
    ):
        world.issue(world.tom)
    assert not Report.objects.exists()
    job = asking.ask(
        programme=world.programme, batch=a_batch(world, world.tom, world.ada, copy="inside"),
        by=world.dora, at=f.NOW,
    )  # fmt: skip
    assert batches.run(job.pk, clock=lambda: f.NOW)
    job.refresh_from_db()
    assert job.state == "failed"
    assert job.error.startswith(
        "1 report could not be issued. Tom \U00020bb7: No typeface here has"
    )
    assert [one.person for one in Report.objects.filter(batch=job)] == [world.ada]
    client.force_login(world.dora)
    there = f"/p/{world.programme.code}/reports/batch/{job.pk}/"
    assert "Download all as one ZIP" in client.get(there).content.decode()
    with zipfile.ZipFile(io.BytesIO(b"".join(client.get(f"{there}zip/").streaming_content))) as its:
        assert len(its.namelist()) == 2


def test_the_page_of_a_cohort_asks_for_every_person_and_shows_progress(world, client):
    client.force_login(world.dora)
    there = f"/p/{world.programme.code}/reports/batch/"
    page = client.get(f"{there}?preset=inside").content.decode()
    assert page.count('<option value="none" selected>') == 2
    sent = {
        "copy": "inside", "performed_by": "2026-03-09", "read_by": "",
        f"say-{world.ada.pk}": "none", f"say-{world.tom.pk}": "leave",
    }  # fmt: skip
    progress = client.post(there, sent)
    assert progress.status_code == 302, progress.content.decode()[-3000:]
    waiting = client.get(progress.url)
    assert waiting["Refresh"] == "3"
    assert "0 of 1 issued" in waiting.content.decode()
    assert "Refresh" not in client.get(f"{progress.url}?still")
    batches.run(BackgroundJob.objects.get(kind=asking.KIND).pk, clock=lambda: f.NOW)
    done = client.get(progress.url)
    assert "1 of 1 issued" in done.content.decode()
    assert "Refresh" not in done
    assert Report.objects.get().person == world.ada
