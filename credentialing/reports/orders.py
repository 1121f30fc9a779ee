"""What somebody asks for: whose report, as of when, in which form.

Pure. An order names the ledger position from the moment it is given, so that the file is the same
whenever the work is done, and asking again for the same gives the same job.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import asdict, dataclass
from typing import Self

import rfc8785

PDF, STANDING, SCANS = "pdf", "standing", "scans"
FORMS = (PDF, STANDING, SCANS)
MEDIA = {PDF: "application/pdf", STANDING: "text/csv", SCANS: "text/csv"}
ENDING = {PDF: "pdf", STANDING: "csv", SCANS: "csv"}


@dataclass(frozen=True)
class Order:
    """`trainee` is a person's id, "" for the cohort. Raises ValueError for what cannot be."""

    programme: str
    trainee: str
    performed_by: dt.date  # D
    read_by: dt.date  # D2
    position: int  # N
    form: str
    language: str = "en"

    def __post_init__(self) -> None:
        if self.form not in FORMS:
            raise ValueError(f"no such form: {self.form!r}")
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
        what = {PDF: "report", STANDING: "standing", SCANS: "scans"}[self.form]
        day = self.read_by.isoformat()
        return f"{code}-{whose}-{what}-{day}-n{self.position}.{ENDING[self.form]}"
