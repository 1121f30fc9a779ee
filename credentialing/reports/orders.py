"""What somebody asks for: whose report, as of when, in which form.

Pure. An order names the ledger position from the moment it is given, so that the file is the same
whenever the work is done, and asking again for the same gives the same job.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import asdict, dataclass, replace
from typing import Self

import rfc8785

PDF, STANDING, SCANS, BOOK, CONTENT = "pdf", "standing", "scans", "book", "content"
FORMS = (PDF, STANDING, SCANS, BOOK, CONTENT)
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
MEDIA = {
    PDF: "application/pdf",
    STANDING: "text/csv",
    SCANS: "text/csv",
    BOOK: XLSX,
    CONTENT: "application/json",
}
ENDING = {PDF: "pdf", STANDING: "csv", SCANS: "csv", BOOK: "xlsx", CONTENT: "json"}
INSIDE, OUTSIDE = "inside", "outside"


@dataclass(frozen=True)
class Order:
    """`trainee` is a person's id, "" for the cohort. `sheet` is the version of what the programme
    prints on its reports, 0 for none. An outside copy is of one trainee, as a page or as content.
    Raises ValueError for what cannot be.
    """

    programme: str
    trainee: str
    performed_by: dt.date  # D
    read_by: dt.date  # D2
    position: int  # N
    form: str
    language: str = "en"
    copy: str = INSIDE
    sheet: int = 0

    def __post_init__(self) -> None:
        if self.form not in FORMS:
            raise ValueError(f"no such form: {self.form!r}")
        if self.copy not in (INSIDE, OUTSIDE):
            raise ValueError(f"no such copy: {self.copy!r}")
        if self.copy == OUTSIDE and not (self.trainee and self.form in (PDF, CONTENT)):
            raise ValueError("an outside copy is of one trainee, and no table")
        if self.read_by < self.performed_by:
            raise ValueError("read up to a day before the last scan")

    @property
    def text(self) -> str:
        values = asdict(self)
        for name in ("performed_by", "read_by"):
            values[name] = values[name].isoformat()
        return rfc8785.dumps(values).decode()

    @classmethod
    def from_text(cls, text: str) -> Self:
        values = json.loads(text)
        for name in ("performed_by", "read_by"):
            values[name] = dt.date.fromisoformat(values[name])
        return cls(**values)

    @property
    def key(self) -> str:
        return f"export:{hashlib.sha256(self.text.encode()).hexdigest()}"

    @property
    def media_type(self) -> str:
        return MEDIA[self.form]

    def filename(self, code: str) -> str:
        """A name without a person in it: files lie about in download folders."""
        whose = "cohort" if not self.trainee else "trainee"
        what = {PDF: "report", BOOK: "report"}.get(self.form, self.form)
        if self.copy == OUTSIDE:
            whose = f"{whose}-outside"
        day = self.read_by.isoformat()
        return f"{code}-{whose}-{what}-{day}-n{self.position}.{ENDING[self.form]}"


@dataclass(frozen=True)
class Entry:
    """One person of a batch. `sentence` is the director's text, or once asked for a remark's id."""

    person: str
    recommends: bool | None
    sentence: str = ""


@dataclass(frozen=True)
class Batch:
    """`order`: what each person's order has in common."""

    order: Order
    origin: str
    copy: str
    entries: tuple[Entry, ...]

    def order_of(self, entry: Entry) -> Order:
        return replace(self.order, trainee=entry.person, copy=self.copy, form=PDF)

    @property
    def text(self) -> str:
        return rfc8785.dumps(
            {
                "order": json.loads(self.order.text),
                "origin": self.origin,
                "copy": self.copy,
                "entries": [[e.person, e.recommends, e.sentence] for e in self.entries],
            }
        ).decode()

    @classmethod
    def from_text(cls, text: str) -> Batch:
        values = json.loads(text)
        return cls(
            order=Order.from_text(json.dumps(values["order"])),
            origin=values["origin"],
            copy=values["copy"],
            entries=tuple(Entry(*entry) for entry in values["entries"]),
        )
