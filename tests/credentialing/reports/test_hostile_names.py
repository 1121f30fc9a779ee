"""Whatever people call themselves and their work, no file that the service hands out is run by the
spreadsheet that opens it: every file, by its own address, opened again.

OWASP, "CSV Injection": a cell that begins with = + - @, a tab or a carriage return, or with a
full-width form of these, may be taken for a formula.
"""

from __future__ import annotations

import csv
import io
import zipfile

import openpyxl
import pytest
import time_machine

from accounts.actions import people
from credentialing.actions import batches as asking
from credentialing.actions import reports as actions
from credentialing.reports import batches, build
from credentialing.reports.orders import INSIDE, PDF, Batch, Entry, Order
from logbook.actions import programmes
from tests import factories as f

pytestmark = pytest.mark.django_db

PERSON = '=HYPERLINK("http://x.example","Ada")'
LEGAL = "@SUM(1+1)*cmd|' /c calc'!A1"
NUMBER = "+771"
LEVEL = "＝1+1"
READER = "-2+3"
WORK = "=1+cmd"
STARTS = tuple("=+-@＝＋－＠\t\r")
DAY = f.NOW.date()


@pytest.fixture
def world(client):
    programme = f.a_programme(code="northfield", name="=A1")
    ada = f.a_trainee(programme, PERSON, level=LEVEL, email="ada@northfield.example")
    bo = f.a_reader(programme, READER, email="bo@northfield.example")
    dora = f.a_director(programme)
    by = {"programme": programme, "by": dora, "at": f.NOW}
    people.describe(person=ada, name=PERSON, legal_name=LEGAL, staff_number=NUMBER, **by)
    programmes.change_application(code="pneumothorax", name=WORK, kind="sided", **by)
    for _exam in range(6):
        f.signed_exam(bo, f.waiting_exam(ada, programme))
    actions.make_key(**by)
    client.force_login(dora)
    with time_machine.travel(f.at(90), tick=False):
        yield programme, ada, dora


def rows_of(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def assert_inert(rows: list[list[str]], *, holds: set[str]) -> None:
    """No cell begins like a formula, numbers apart, and the words are all there behind a mark."""
    cells = {cell for row in rows for cell in row}
    assert {f"'{text}" for text in holds} <= cells
    for cell in cells:
        try:
            float(cell)
        except ValueError:
            assert not cell.lstrip().startswith(STARTS), cell


def fetched(client, programme, ada, form: str) -> bytes:
    asked = {"who": str(ada.pk), "form": form, "performed_by": DAY.isoformat()}
    answer = client.post(f"/p/{programme.code}/reports/", asked)
    assert answer.status_code == 200
    return answer.content


@pytest.mark.parametrize(
    ("form", "holds"),
    [
        ("standing", {PERSON, LEGAL, NUMBER, LEVEL}),
        ("scans", {PERSON, LEGAL, NUMBER, READER, WORK}),
    ],
)
def test_the_tables(client, world, form, holds):
    programme, ada, _dora = world
    assert_inert(rows_of(fetched(client, programme, ada, form)), holds=holds)


def test_the_spreadsheet(client, world):
    programme, ada, _dora = world
    book = openpyxl.load_workbook(io.BytesIO(fetched(client, programme, ada, "book")))
    cells = [cell for sheet in book for row in sheet.rows for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "b"}  # f would be a formula
    assert all(cell.hyperlink is None for cell in cells)
    assert {PERSON, LEGAL, NUMBER, LEVEL, READER, WORK} <= {cell.value for cell in cells}


def test_the_index_of_a_cohort(client, world):
    programme, ada, dora = world
    order = Order(
        programme=str(programme.pk), trainee="", performed_by=DAY, read_by=DAY,
        position=build.position_on(programme, DAY), form=PDF,
    )  # fmt: skip
    batch = Batch(order, "https://lung.example", INSIDE, (Entry(str(ada.pk), None),))
    job = asking.ask(programme=programme, batch=batch, by=dora, at=f.at(90))
    assert batches.run(job.pk, clock=lambda: f.at(90))
    answer = client.get(f"/p/{programme.code}/reports/batch/{job.pk}/zip/")
    with zipfile.ZipFile(io.BytesIO(b"".join(answer.streaming_content))) as made:
        assert_inert(rows_of(made.read("index.csv")), holds={PERSON, LEGAL, NUMBER})


def test_the_minutes(client, world):
    programme, _ada, _dora = world
    there = f"/p/{programme.code}/cohort/month/"
    data = client.post(there, {"month": f"{f.NOW:%Y-%m}"}).content
    assert_inert(rows_of(data), holds=set())
    assert any(WORK in cell for row in rows_of(data) for cell in row)
