"""Exports as CSV: every number is the content's, and no cell is ever a formula."""

import csv
import io
import zipfile

import openpyxl
import openpyxl.utils.escape
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credentialing.reports import sentences, table
from credentialing.reports.content import digest
from tests.credentialing.reports import example_content as example

# OWASP, "CSV Injection": the starting characters = + - @, tab and carriage return, with their
# full-width forms. Line feed, NUL, other controls, invisible characters and a leading space are
# common practice.
HOSTILE = [
    "=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\0=1", "\tplain", "\rplain", " =1",
    "  @x", "＝1", "＋1", "－1", "＠x", "\u200b=1", "\ufeff=1", "\xa0=1",
    "=HYPERLINK(\"http://x\",\"y\")", "\x0b=1", "\u2066=1", "−1+2",
]  # fmt: skip


def rows_of(data):
    """What a reader of RFC 4180 files sees."""
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_inert_and_keeps_its_words(text):
    ((shown,),) = rows_of(table.write(["h"], [[text]]))[1:]
    assert shown[0] == "'"
    assert shown[1:] == text.replace("\0", "")


@pytest.mark.parametrize(
    "text", ["Ida Marlow", "R+ L-", "O'Neil", "a=b", "", "3 March", "(+)", "é"]
)
def test_plain_text_is_left_alone(text):
    assert table.inert(text) == text


@given(st.text(max_size=20))
def test_no_text_at_all_starts_like_a_formula(text):
    shown = table.inert(text)
    assert shown.lstrip(" \t\r\n\0\x0b\x0c")[:1] not in {"=", "+", "-", "@", "＝", "＋", "－", "＠"}
    assert shown.removeprefix("'") in (
        text.replace("\0", ""),
        text.replace("\0", "").removeprefix("'"),
    )


@given(st.lists(st.lists(st.text(max_size=12), min_size=3, max_size=3), max_size=5))
def test_what_is_written_is_read_back(rows):
    read = rows_of(table.write(["a", "b", "c"], rows))[1:]
    assert read == [[table.inert(text) for text in row] for row in rows]


def test_numbers_stay_numbers():
    (row,) = rows_of(table.write(["a"] * 5, [[-3, 0.825, True, None, "-3"]]))[1:]
    assert row == ["-3", "0.825", "yes", "", "'-3"]


def test_a_spreadsheet_sees_no_formula():
    book = openpyxl.Workbook()
    sheet = book.active
    for row in rows_of(table.write(["h"], [[text] for text in HOSTILE])):
        sheet.append([openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("", value) for value in row])
    assert {cell.data_type for cell in sheet["A"]} == {"s"}


def test_line_ends_and_encoding():
    data = table.write(["a", "b"], [["x,y", 'say "z"']])
    assert data == b'\xef\xbb\xbfa,b\r\n"x,y","say ""z"""\r\n'


def test_standing_rows_equal_the_content():
    content = example.content(example.trainee("Wren Achterberg"), example.trainee("Ida Marlow"))
    head, *rows = rows_of(table.standing(content))
    assert len(rows) == 10
    assert [row[0] for row in rows] == ["Ida Marlow"] * 5 + ["Wren Achterberg"] * 5
    person = content["people"][1]
    for row, clause in zip(rows[:5], person["clauses"], strict=True):
        got = dict(zip(head, row, strict=True))
        for key in ("bar", "numerator", "denominator", "value", "lower", "upper"):
            assert got[key] == ("" if clause[key] is None else repr(clause[key]))
        assert got["clause"] == str(clause["ordinal"])
        assert got["state"] == clause["state"]
        for key, value in person["beside"].items():
            assert got[key] == str(value)
        assert got["waiting_unread"] == "4"
        assert got["issued"] == "no"
        assert got["ledger_position"] == "4117"


def test_scan_rows_equal_the_content():
    content = example.content()
    head, *rows = rows_of(table.scans(content))
    scans = {scan["exam_code"]: scan for scan in content["people"][0]["scans"]}
    assert len(rows) == len(scans) == 60
    for row in rows:
        got = dict(zip(head, row, strict=True))
        scan = scans.pop(got["exam_code"])
        for key in table.SCAN[1:]:
            expected = scan[key]
            if isinstance(expected, bool):
                expected = "yes" if expected else "no"
            assert got[key] == ("" if expected is None else str(expected))


def test_a_hostile_name_is_inert_in_both_tables():
    person = example.trainee("=cmd|'/c calc'!A1")
    person["staff_number"] = "@40117"
    content = example.content(person)
    for data in (table.standing(content), table.scans(content)):
        names = {(row[0], row[2]) for row in rows_of(data)[1:]}
        assert names == {("'=cmd|'/c calc'!A1", "'@40117")}


# --- the spreadsheet ------------------------------------------------------------------------------


def cells_of(data):
    """Sheet -> rows of (value, kind) as another library reads them; kinds: s text, n number."""
    opened = openpyxl.load_workbook(io.BytesIO(data))
    return {
        sheet.title: [[(cell.value, cell.data_type) for cell in row] for row in sheet.rows]
        for sheet in opened
    }


def test_the_spreadsheet_is_the_same_bytes_twice():
    assert table.book(example.content()) == table.book(example.content())


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_text_in_the_spreadsheet(text):
    person = example.trainee(text)
    person["legal_name"] = person["staff_number"] = person["level"] = text
    rows = cells_of(table.book(example.content(person)))["Standing"]
    kinds = {kind for row in rows for _value, kind in row}
    assert kinds == {"s", "n"}
    # What XML cannot hold or would normalise is escaped by the format itself; a reader gives the
    # same characters back.
    assert unescaped(rows[1][0][0]) == text


def unescaped(text):
    return openpyxl.utils.escape.unescape(text)


def test_no_sheet_holds_a_formula_or_a_link():
    data = table.book(example.content(example.trainee('=HYPERLINK("http://x","y")')))
    with zipfile.ZipFile(io.BytesIO(data)) as inside:
        for name in inside.namelist():
            text = inside.read(name)
            assert b"<f>" not in text, name
            assert b"<hyperlink" not in text, name


def test_every_cell_of_the_spreadsheet_is_that_of_the_csv():
    content = example.content()
    book = cells_of(table.book(content))
    for name, made in (("Standing", table.standing_table), ("Scans", table.scans_table)):
        head, rows = made(content)
        assert [value for value, _kind in book[name][0]] == list(head)
        for got, want in zip(book[name][1:], rows, strict=True):
            for (value, kind), told in zip(got, want, strict=True):
                if told in (None, ""):
                    assert value is None
                elif isinstance(told, bool):
                    assert value == table.cell(told)
                else:
                    assert value == told
                    assert kind == ("n" if isinstance(told, int | float) else "s")


def test_the_first_sheet_says_what_it_is():
    content = example.content()
    about = [[value for value, _kind in row] for row in cells_of(table.book(content))["About"]]
    assert ["content_sha256", digest(content)] in about
    assert ["position", 4117] in about
    for sentence in sentences.cautions():
        assert ["caution", sentence] in about
