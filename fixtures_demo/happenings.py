"""What can happen in the demonstration, as values. `Event.kind` names the loader's method."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Said:
    """One answer as given: its code and how sure."""

    answer: str
    confidence: str


@dataclass(frozen=True)
class Exam:
    id: uuid.UUID
    programme: str
    trainee: str
    performed_at: dt.datetime
    answered_at: dt.datetime
    submitted_at: dt.datetime | None  # None: still a draft
    saved_at: dt.datetime
    fields: dict[str, str]
    supervisor: str  # key of a person, "" where only typed
    supervisor_typed: str
    answers: dict[str, Said]
    truth: dict[str, str]
    clips: dict[str, str]  # zone -> slug
    findings: dict[str, dict[str, str]]
    note: str
    skill: float


@dataclass(frozen=True)
class Event:
    """Something that happens at a moment. `kind` names the loader's method."""

    at: dt.datetime
    order: int
    kind: str
    programme: str
    data: object = field(compare=False)

    def __lt__(self, other: Event) -> bool:
        return (self.at, self.order) < (other.at, other.order)


@dataclass(frozen=True)
class Read:
    """A whole reading of one exam by one reader, from hold to signature."""

    exam: uuid.UUID
    reader: str
    answers: dict[str, Said]
    quality: int
    items: dict[str, str]
    sentence: str
    told: str  # whom the reader telephones where the answers differ urgently, a code
    revealed_at: dt.datetime
    signed_at: dt.datetime


@dataclass(frozen=True)
class Shift:
    exams: tuple[uuid.UUID, ...]
    by: str


@dataclass(frozen=True)
class Turn:
    """An exam that is not read: withdrawn by the trainee, or returned or set aside by a reader."""

    exam: uuid.UUID
    by: str
    what: str  # "withdrawn", "returned", "set_aside"
    sentence: str
    reason: str = ""


@dataclass(frozen=True)
class Mended:
    """What was asked for is added, and the exam is sent again."""

    exam: uuid.UUID
    clips: dict[str, str]


@dataclass(frozen=True)
class Correction:
    """The signer corrects what they signed about one scan, keeping the reading."""

    exam: uuid.UUID
    application: str
    reader: str
    items: dict[str, str]
    reason: str


@dataclass(frozen=True)
class Watched:
    """A bedside assessment by whoever stood beside the trainee."""

    trainee: str
    by: str
    application: str
    level: int
    items: dict[str, str]
    sentence: str
    summative: bool
    performed_on: dt.date


@dataclass(frozen=True)
class Kept:
    """A line of a trainee's record: a course, a leave, credit from elsewhere."""

    trainee: str
    kind: str
    says: dict[str, object]


@dataclass(frozen=True)
class Counted:
    """What the machines of each place counted in a month: name of the place -> exams."""

    month: dt.date
    counts: dict[str, int]
