"""A list of people as a spreadsheet saves it: read with care, judged before anything is written.

`read(content)` gives the rows; what is wrong with a row names its line and column. Encodings,
separators and byte order marks of the usual programs are taken; nothing is guessed about a date.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.errors import Refused
from accounts.models import Role

LARGEST = 1_000_000  # bytes
MOST_ROWS = 2_000
# Whoever leads or keeps a programme is added by hand, one at a time.
ROLES = {Role.TRAINEE.value: Role.TRAINEE, Role.FACULTY.value: Role.FACULTY}


@dataclass(frozen=True)
class Column:
    key: str
    label: str
    names: frozenset[str]
    longest: int
    needed: bool = False


COLUMNS = (
    Column("name", gettext_lazy("Name"), frozenset({"name", "full name"}), 200, True),
    Column(
        "email",
        gettext_lazy("E-mail"),
        frozenset({"email", "e-mail", "mail", "e-mail address", "email address"}),
        254,
        True,
    ),
    Column("role", gettext_lazy("Role"), frozenset({"role"}), 20),
    Column("profession", gettext_lazy("Profession"), frozenset({"profession"}), 60),
    Column("level", gettext_lazy("Level"), frozenset({"level", "year", "stage"}), 60),
    Column("starts_on", gettext_lazy("From"), frozenset({"from", "starts on", "start"}), 20),
    Column("ends_on", gettext_lazy("To"), frozenset({"to", "until", "ends on", "end"}), 20),
    Column(
        "staff_number",
        gettext_lazy("Staff number"),
        frozenset({"staff number", "staff no", "staff id"}),
        40,
    ),
)
EXAMPLE = (
    "Name,E-mail,Role,Profession,Level,From,To\n"
    "Ada Fenn,ada.fenn@northfield.example,trainee,Physician,Year 1,2026-08-01,2029-07-31\n"
)
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_ACTIVE = ("=", "+", "-", "@")


@dataclass(frozen=True)
class Fault:
    """What is wrong, and where: `line` as a spreadsheet numbers it, from 1."""

    line: int
    column: str
    sentence: str


@dataclass(frozen=True)
class Row:
    """One person as the list has them. Empty means that the list does not say."""

    line: int
    name: str
    email: str
    role: str
    profession: str = ""
    level: str = ""
    starts_on: dt.date | None = None
    ends_on: dt.date | None = None
    staff_number: str = ""


@dataclass
class Roster:
    rows: list[Row] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    text: str = ""


def decoded(content: bytes) -> str:
    """The text of the file. UTF-8 or UTF-16 with its mark, else UTF-8, else Windows-1252."""
    if len(content) > LARGEST:
        raise Refused(_("The file is larger than a list of people can be."), field="file")
    marks = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8-sig"}
    named = next((enc for mark, enc in marks.items() if content.startswith(mark)), None)
    for encoding in (named,) if named else ("utf-8", "cp1252"):
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text.replace("\r\n", "\n").replace("\r", "\n")
    raise Refused(
        _("This is not a list as text. Save it as CSV (UTF-8) and try again."), field="file"
    )


def read(text: str) -> Roster:
    """Every row, or every fault: where one line is wrong nothing is to be imported.

    Raises Refused where the file as a whole is no list of people.
    """
    records = _records(text)
    header = next(records, None)
    if header is None:
        raise Refused(_("The file is empty."), field="file")
    places = _places(header)
    roster = Roster(text=text)
    seen: dict[tuple[str, str], int] = {}
    for line, cells in enumerate(records, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(roster.rows) + len({f.line for f in roster.faults}) >= MOST_ROWS:
            raise Refused(
                _("More than %(n)s people: split the list.") % {"n": MOST_ROWS}, field="file"
            )
        found, faults = _row(line, cells, places, width=len(header))
        if found is not None:
            key = (found.email.lower(), found.role)
            if key in seen:
                faults.append(
                    Fault(
                        line,
                        str(COLUMNS[1].label),
                        _("Stands on line %(n)s already.") % {"n": seen[key]},
                    )
                )
            seen.setdefault(key, line)
        roster.faults += faults
        if found is not None and not faults:
            roster.rows.append(found)
    if not roster.rows and not roster.faults:
        raise Refused(_("There are no people under the first line."), field="file")
    return roster


def _records(text: str) -> Iterator[list[str]]:
    text = text.removeprefix("\ufeff")
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        yield from reader
    except csv.Error as problem:
        raise Refused(
            _("Line %(n)s cannot be read: a quotation mark is missing or too many.")
            % {"n": reader.line_num},
            field="file",
        ) from problem


def _places(header: list[str]) -> dict[str, int]:
    """Column -> its place. Columns that nobody knows are passed over."""
    places: dict[str, int] = {}
    for place, cell in enumerate(header):
        name = " ".join(cell.replace("_", " ").split()).casefold()
        for column in COLUMNS:
            if name in column.names:
                if column.key in places:
                    raise Refused(
                        _("The column “%(name)s” stands there twice.") % {"name": column.label},
                        field="file",
                    )
                places[column.key] = place
    if missing := [str(c.label) for c in COLUMNS if c.needed and c.key not in places]:
        raise Refused(
            _("The first line must name the columns; missing: %(names)s.")
            % {"names": ", ".join(missing)},
            field="file",
        )
    return places


def _row(line, cells, places, *, width) -> tuple[Row | None, list[Fault]]:
    faults: list[Fault] = []
    if len(cells) > width:
        return None, [Fault(line, "", _("This line has more cells than the first one."))]
    values: dict[str, str] = {}
    for column in COLUMNS:
        place = places.get(column.key)
        raw = cells[place] if place is not None and place < len(cells) else ""
        value = " ".join(unicodedata.normalize("NFC", raw).split())
        if sentence := _wrong(column, value, raw):
            faults.append(Fault(line, str(column.label), sentence))
        values[column.key] = value
    role = values["role"].casefold() or Role.TRAINEE.value
    if role not in ROLES:
        faults.append(
            Fault(
                line,
                str(COLUMNS[2].label),
                _("Write trainee or faculty. Others are added one at a time."),
            )
        )
    days: dict[str, dt.date | None] = {}
    for key, column in (("starts_on", COLUMNS[5]), ("ends_on", COLUMNS[6])):
        try:
            days[key] = _day(values[key])
        except ValueError:
            days[key] = None
            faults.append(
                Fault(line, str(column.label), _("Write the day as 2026-08-01 or 1.8.2026."))
            )
    first, last = days["starts_on"], days["ends_on"]
    if first and last and last < first:
        faults.append(Fault(line, str(COLUMNS[6].label), _("The last day lies before the first.")))
    if faults:
        return None, faults
    return Row(line=line, **{**values, "role": role, "email": values["email"].lower(), **days}), []


def _wrong(column: Column, value: str, raw: str) -> str:
    if column.needed and not value:
        return _("This is missing.")
    if len(value) > column.longest:
        return _("Longer than %(n)s characters.") % {"n": column.longest}
    if _HIDDEN.search(raw.replace("\n", " ").replace("\t", " ")):
        return _("Holds characters that cannot be seen.")
    if value.startswith(_ACTIVE):
        return _("Begins like a formula, with %(sign)s.") % {"sign": value[0]}
    if column.key == "email" and value:
        try:
            validate_email(value)
        except ValidationError:
            return _("Is not an e-mail address.")
    return ""


def _day(value: str) -> dt.date | None:
    """2026-08-01 or 1.8.2026; with strokes nobody knows which is the month."""
    if not value:
        return None
    if dotted := _DOTTED.fullmatch(value):
        day, month, year = map(int, dotted.groups())
        return dt.date(year, month, day)
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        raise ValueError(value)
    return dt.date.fromisoformat(value)
