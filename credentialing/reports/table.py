"""Exports as comma-separated values (RFC 4180) and as a spreadsheet, safe to open in one.

Spreadsheets run a cell that looks like a formula. So text whose first character that counts could
start one gets an apostrophe in front of it; numbers stay numbers, so that a column can still be
added up. Line ends are CRLF and the encoding is UTF-8 with a byte order mark, which spreadsheets
need to read it.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import xlsxwriter
from django.utils.translation import gettext as _
from xlsxwriter.worksheet import Worksheet

from . import sentences
from .content import Content, Trainee, digest, in_order

MARK = "'"
_STARTERS = frozenset("=+-@|%\u2212")  # the last: MINUS SIGN
# Characters that a spreadsheet may skip or cut before it looks: controls, spaces, invisible marks.
_SKIPPED_CATEGORIES = frozenset({"Cc", "Cf", "Zs", "Zl", "Zp"})

Cell = str | int | float | bool | None


def inert(text: str) -> str:
    """`text` such that no spreadsheet takes it for a formula; text that could not be one
    unchanged.

    Looks through leading controls (tab, CR, LF, NUL), spaces and invisible characters and through
    full-width and other compatibility forms of the starting character. NUL is dropped: no reader
    agrees on what it means.
    """
    clean = text.replace("\0", "")
    if not clean:
        return MARK if text else ""
    if clean != text or unicodedata.category(clean[0]) == "Cc":
        return MARK + clean
    for character in clean:
        if unicodedata.category(character) in _SKIPPED_CATEGORIES:
            continue
        if unicodedata.normalize("NFKC", character)[:1] in _STARTERS:
            return MARK + clean
        break
    return clean


def cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    return inert(value)


def write(head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """The bytes of one table."""
    out = io.StringIO(newline="")
    pen = csv.writer(out, dialect="excel", lineterminator="\r\n")
    pen.writerow([cell(name) for name in head])
    for row in rows:
        pen.writerow([cell(value) for value in row])
    return b"\xef\xbb\xbf" + out.getvalue().encode()


# --- the tables of a content; both forms write these rows and no others ------------------------

WHO = ("trainee", "legal_name", "staff_number")
AS_OF = ("performed_by", "read_by", "ledger_position", "issued")

CLAUSE = (
    "text", "application", "measure", "unit", "direction", "bar", "numerator", "denominator",
    "value", "lower", "upper", "state", "mode", "first_met_on", "met_since", "lost_on",
    "reached_with", "reached_signed_on",
)  # fmt: skip
WAITING = ("waiting_unread", "waiting_returned")
BESIDE = (
    "drafts_old", "withdrawn", "returned", "closed", "set_aside", "late", "not_independent",
    "corrected",
)  # fmt: skip
SCAN = (
    "exam_code", "performed_on", "signed_on", "application", "trainee_answer", "reader_answer",
    "quality", "credited", "credit_reasons", "in_read", "not_in_read_because", "supervision",
    "reader",
)  # fmt: skip
ACCURACY = (
    "application", "name", "read", "pairs", "agree", "lower", "upper", "determinate", "positive",
    "always_negative", "always_positive", "adequate",
)  # fmt: skip
QUALITY = ("quality_1", "quality_2", "quality_3", "quality_4", "quality_5")

STANDING_HEAD = (
    *WHO, "level", "plan", "plan_version", "clause", *CLAUSE, *WAITING, *BESIDE, *AS_OF,
)  # fmt: skip
SCANS_HEAD = (*WHO, *SCAN, *AS_OF)
READINGS_HEAD = (*WHO, *ACCURACY, *QUALITY, *AS_OF)
ABOUT_HEAD = ("what", "value")

Table = tuple[Sequence[str], list[list[Cell]]]


def standing_table(content: Content) -> Table:
    """One row for each person and clause, with what stands beside the readings."""
    rows: list[list[Cell]] = []
    for person in in_order(content)["people"]:
        plan = person["plan"]
        about = [person["level"], plan["name"] if plan else "", plan["version"] if plan else None]
        for clause in person["clauses"]:
            rows.append(
                [
                    *_who(person),
                    *about,
                    clause["ordinal"],
                    *_of(clause, CLAUSE),
                    *_of(person, WAITING),
                    *_of(person["beside"], BESIDE),
                    *_as_of(content),
                ]
            )
    return STANDING_HEAD, rows


def scans_table(content: Content) -> Table:
    """One row for each scan read, of every person of the content that lists them."""
    return SCANS_HEAD, [
        [*_who(person), *_of(scan, SCAN), *_as_of(content)]
        for person in in_order(content)["people"]
        for scan in person.get("scans", [])
    ]


def readings_table(content: Content) -> Table:
    """One row for each person and application: the independent first readings."""
    return READINGS_HEAD, [
        [*_who(person), *_of(one, ACCURACY), *one["quality"], *_as_of(content)]
        for person in in_order(content)["people"]
        for one in person["accuracy"]
    ]


def about_table(content: Content) -> Table:
    """What the tables are: programme, day, position, the content's digest, the cautions."""
    at = content["as_of"]
    return ABOUT_HEAD, [
        ["institution", content["institution"]],
        ["programme", content["programme"]],
        ["heading", content["sheet"]["heading"]],
        *([key, at[key]] for key in ("performed_by", "read_by", "position", "zone")),  # type: ignore[literal-required]
        ["position_hash", at["position_hash"]],
        ["content_sha256", digest(content)],
        ["release", content["release"]],
        ["issued", content["issued"]],
        *(["caution", sentence] for sentence in (sentences.not_issued(), *sentences.cautions())),
        *(["how to read", sentence] for sentence in sentences.every_sentence(content)),
    ]


def standing(content: Content) -> bytes:
    return write(*standing_table(content))


def scans(content: Content) -> bytes:
    return write(*scans_table(content))


def book(content: Content) -> bytes:
    """Every table as one spreadsheet (ISO/IEC 29500), the same bytes for the same content.

    Text goes in as text, whatever it looks like: never a formula, never a link. Control
    characters that XML cannot hold are written as the format's own escapes.
    """
    tables = [
        (_("About"), about_table(content)),
        (_("Standing"), standing_table(content)),
        (_("Readings"), readings_table(content)),
    ]
    if any("scans" in person for person in content["people"]):
        tables.append((_("Scans"), scans_table(content)))
    out = io.BytesIO()
    with xlsxwriter.Workbook(
        out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
              "strings_to_numbers": False},
    ) as made:  # fmt: skip
        # The writer dates the file by the clock unless told; its zip entries are dated 1980.
        day = datetime.fromisoformat(content["as_of"]["read_by"])
        made.set_properties({"created": day, "title": content["programme"]})
        bold = made.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        for name, (head, rows) in tables:
            sheet = made.add_worksheet(name)
            sheet.freeze_panes(1, 1)
            for column, title in enumerate(head):
                sheet.write_string(0, column, title, bold)
                width = max([len(title), *(len(str(row[column])) for row in rows[:200])])
                sheet.set_column(column, column, min(48, width + 2))
            for number, row in enumerate(rows, start=1):
                for column, value in enumerate(row):
                    _write_cell(sheet, number, column, value)
    return out.getvalue()


def _write_cell(sheet: Worksheet, row: int, column: int, value: Cell) -> None:
    if value is None or value == "":
        return
    if isinstance(value, bool):
        sheet.write_string(row, column, cell(value))
    elif isinstance(value, int | float):
        sheet.write_number(row, column, value)
    else:
        sheet.write_string(row, column, value)


def _who(person: Trainee) -> list[Cell]:
    return [person["name"], person["legal_name"], person["staff_number"]]


def _as_of(content: Content) -> list[Cell]:
    at = content["as_of"]
    return [at["performed_by"], at["read_by"], at["position"], content["issued"]]


def _of(row: Mapping[str, Any], names: Sequence[str]) -> list[Cell]:
    return [row[name] for name in names]
