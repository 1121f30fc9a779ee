"""Exports as comma-separated values (RFC 4180), safe to open in a spreadsheet.

Spreadsheets run a cell that looks like a formula. So text whose first character that counts could
start one gets an apostrophe in front of it; numbers stay numbers, so that a column can still be
added up. Line ends are CRLF and the encoding is UTF-8 with a byte order mark, which spreadsheets
need to read it.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Sequence

from .content import Clause, Content, in_order

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


STANDING_HEAD = (
    "trainee", "staff_number", "level", "plan", "plan_version", "performed_by", "read_by",
    "ledger_position", "clause", "text", "application", "measure", "unit", "direction", "bar",
    "numerator", "denominator", "value", "lower", "upper", "state", "mode", "first_met_on",
    "met_since", "lost_on", "reached_with", "reached_signed_on", "waiting_unread",
    "waiting_returned",
    "drafts_old", "withdrawn", "returned", "closed", "set_aside", "late", "not_independent",
    "corrected", "issued",
)  # fmt: skip

SCANS_HEAD = (
    "trainee", "staff_number", "exam_code", "performed_on", "signed_on", "application",
    "trainee_answer", "reader_answer", "quality", "credited", "credit_reasons", "in_read",
    "not_in_read_because", "supervision", "reader", "performed_by", "read_by", "ledger_position",
    "issued",
)  # fmt: skip


def standing(content: Content) -> bytes:
    """One row for each person and clause, with what stands beside the readings."""
    content = in_order(content)
    return write(STANDING_HEAD, _standing_rows(content))


def _standing_rows(content: Content) -> Iterable[list[Cell]]:
    at = content["as_of"]
    for person in content["people"]:
        plan = person["plan"]
        for clause in person["clauses"]:
            yield [
                person["name"],
                person["staff_number"],
                person["level"],
                plan["name"] if plan else "",
                plan["version"] if plan else None,
                at["performed_by"],
                at["read_by"],
                at["position"],
                *_clause_cells(clause),
                person["waiting_unread"],
                person["waiting_returned"],
                *(
                    person["beside"][key]  # type: ignore[literal-required]
                    for key in STANDING_HEAD[-9:-1]
                ),
                content["issued"],
            ]


def _clause_cells(clause: Clause) -> list[Cell]:
    return [
        clause["ordinal"],
        clause["text"],
        clause["application"],
        clause["measure"],
        clause["unit"],
        clause["direction"],
        clause["bar"],
        clause["numerator"],
        clause["denominator"],
        clause["value"],
        clause["lower"],
        clause["upper"],
        clause["state"],
        clause["mode"],
        clause["first_met_on"],
        clause["met_since"],
        clause["lost_on"],
        clause["reached_with"],
        clause["reached_signed_on"],
    ]


def scans(content: Content) -> bytes:
    """One row for each scan read, of every person of the content that lists them."""
    content = in_order(content)
    at = content["as_of"]
    return write(
        SCANS_HEAD,
        (
            [
                person["name"],
                person["staff_number"],
                *(scan[key] for key in SCANS_HEAD[2:15]),  # type: ignore[literal-required]
                at["performed_by"],
                at["read_by"],
                at["position"],
                content["issued"],
            ]
            for person in content["people"]
            for scan in person.get("scans", [])
        ),
    )
