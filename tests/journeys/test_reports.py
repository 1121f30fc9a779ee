"""A report from the director's desk to somebody who holds it: issued, checked, altered, revoked;
then a cohort as one ZIP."""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from pathlib import Path

import pytest
from django.utils import timezone

from accounts.actions import people
from credentialing.models import Report
from tests import factories as f
from tests.journeys.conftest import DESK, PHONE
from tests.journeys.hands import code_on
from tests.journeys.looks import looked_at

pytestmark = pytest.mark.journey


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="em")


@pytest.fixture
def tove(programme):
    return f.a_director(programme, "Tove Lindqvist")


@pytest.fixture
def trainees(programme, tove):
    reader = f.a_reader(programme, "Maren Achterberg")
    made = []
    for name in ("Ines Haldor", "Jorun Vale", "Kit Sandoval"):
        person = f.a_trainee(programme, name, level="year 2")
        people.describe(
            programme=programme, person=person, name=name, legal_name=f"{name} Legally",
            staff_number="771", by=tove, at=timezone.now(),
        )  # fmt: skip
        f.signed_exam(reader, f.waiting_exam(person, programme), {"pneumothorax": "R- L-"})
        made.append(person)
    return made


def test_a_report_is_issued_checked_altered_and_revoked_and_a_cohort_is_fetched(
    programme, tove, trainees, screen, worker, tmp_path
):
    ines = trainees[0]
    desk = screen(tove, **DESK, accept_downloads=True)
    desk.goto("/p/em/reports/")
    looked_at(desk)
    desk.click("a:has-text('Make one')")
    desk.click("button:has-text('Make the key')")

    desk.goto(f"/p/em/reports/issue/?who={ines.pk}")
    desk.check("input[name=recommends][value=none]", force=True)
    desk.click("button:has-text('Sign and issue')")
    assert desk.locator("text=says whether you recommend").count() >= 1
    looked_at(desk)
    assert [said for said in screen.complaints if "422" not in said] == []
    screen.complaints.clear()  # the refusal's own status
    desk.check("input[name=recommends][value=yes]", force=True)
    desk.fill("[name=sentence]", "Careful, and asks early.")
    desk.click("button:has-text('Sign and issue')")
    desk.wait_for_selector("text=It stands.")
    with desk.expect_download() as coming:
        desk.click("a:has-text('Download the signed file')")
    genuine = tmp_path / "report.pdf"
    coming.value.save_as(genuine)
    report = Report.objects.get()
    assert hashlib.sha256(genuine.read_bytes()).hexdigest() == report.sha256
    code = code_on(genuine.read_bytes())

    holder = screen(**PHONE)  # nobody: not signed in
    sent = []
    holder.on("request", lambda request: sent.append((request.method, request.url)))
    holder.goto(f"/check/?code={code}")
    looked_at(holder)
    holder.click("button:has-text('Look it up')")
    holder.wait_for_selector("text=Issued, and it stands")
    before = len(sent)
    altered = tmp_path / "altered.pdf"
    data = bytearray(genuine.read_bytes())
    data[len(data) // 2] ^= 1
    altered.write_bytes(data)
    for file, says in ((genuine, "The same"), (altered, "Not the same")):
        holder.set_input_files("#compare-file", file)
        holder.wait_for_selector(f"[data-compare-says]:has-text('{says}')")
    looked_at(holder)
    assert sent[before:] == []  # the file went nowhere
    holder.fill("#code", "A" * 26)
    holder.click("button:has-text('Look it up')")
    holder.wait_for_selector("text=No report has this code")
    looked_at(holder)

    plain = screen(**PHONE, java_script_enabled=False)
    plain.goto("/check/")
    plain.fill("#code", code)
    plain.click("button:has-text('Look it up')")
    assert plain.locator("text=sha256sum").is_visible()
    assert plain.locator("#sha256").inner_text() == report.sha256
    assert not plain.locator("#compare-file").is_visible()

    mine = screen(ines, **PHONE, accept_downloads=True)
    mine.goto("/p/em/home/reports/")
    with mine.expect_download() as coming:
        mine.click("main li a")
    assert hashlib.sha256(Path(coming.value.path()).read_bytes()).hexdigest() == report.sha256

    desk.fill("[name=why]", "Made for the wrong term.")
    desk.click("button:has-text('Revoke this report')")
    desk.wait_for_selector("text=Revoked. Whoever checks it reads so from now on.")
    holder.fill("#code", code.lower())
    holder.click("button:has-text('Look it up')")
    holder.wait_for_selector("text=Revoked: do not rely on it")
    assert "wrong term" not in holder.inner_text("body")

    desk.goto("/p/em/reports/batch/?preset=inside")
    desk.check("input[name=copy][value=inside]", force=True)
    desk.click("button:has-text('Sign and issue them')")
    looked_at(desk)
    desk.wait_for_selector("a:has-text('Download all as one ZIP')", timeout=60_000)
    with desk.expect_download() as coming:
        desk.click("a:has-text('Download all as one ZIP')")
    with zipfile.ZipFile(coming.value.path()) as made:
        index = list(csv.DictReader(io.StringIO(made.read("index.csv").decode("utf-8-sig"))))
        assert [row["name"] for row in index] == [one.name for one in trainees]
        for row in index:
            assert hashlib.sha256(made.read(row["file"])).hexdigest() == row["sha256"]
