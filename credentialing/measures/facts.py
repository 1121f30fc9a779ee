"""What a standing is computed from: rows as they were signed, and nothing else."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field

from credentialing.learning_curve import Decision

POSITIVE, NEGATIVE, FOCAL = "positive", "negative", "focal"
DIRECT = "direct"
CLINICAL = "clinical"
RADIOGRAPH = "radiograph"


@dataclass(frozen=True, slots=True)
class AsOf:
    """Performed by `d`, read by `d2`, ledger position `n`. Nothing after them is looked at."""

    d: dt.date
    d2: dt.date
    n: int

    def __post_init__(self) -> None:
        if self.d2 < self.d:
            raise ValueError(f"read by {self.d2} is before performed by {self.d}")


class _Submitted:
    __slots__ = ()

    def received(self, as_of: AsOf) -> bool:
        return (
            self.performed_on <= as_of.d
            and self.received_on <= as_of.d2
            and self.received_seq <= as_of.n
        )


@dataclass(frozen=True, slots=True)
class Fact(_Submitted):
    """One attestation of one scan. Days are local and were frozen when it was signed.

    exam, scan, reader: any hashable that sorts, the same for the same thing (UUIDs).
    patient: the same for exams linked as of one patient; None: this exam's own.
    superseded_on, superseded_seq: when and where on the ledger a later attestation replaced it.
    received_seq: where on the ledger its exam was first submitted; before all of it by default.
    credited: belongs to the set C. in_read: belongs to the set R (first reading, independent).
    reader_call, quality, findings: of the reading in this attestation; measures of C use them.
    first_call, first_quality: of the first reading; measures of R use them, with pair, agrees and
    determinate: first answer against first reading.
    trainee_answer, first_answer: those two as codes of `logbook.answers`; agreement of one kind
    and comparison with a reference need their sides.
    Calls: positive, negative, focal, indeterminate, limited. findings: signs as `sign=value`.
    """

    exam: Hashable
    scan: Hashable
    application: str
    ordinal: int
    performed_on: dt.date
    performed_at: dt.datetime | None
    received_on: dt.date
    signed_on: dt.date
    seq: int
    superseded_on: dt.date | None = None
    superseded_seq: int | None = None
    credited: bool = True
    in_read: bool = True
    quality: int | None = None
    reader_call: str = NEGATIVE
    first_call: str = NEGATIVE
    first_quality: int | None = None
    trainee_call: str = NEGATIVE
    pair: bool = True
    agrees: bool = True
    determinate: bool = True
    supervision: str = ""
    reader: Hashable = ""
    findings: frozenset[str] = frozenset()
    id: Hashable = None
    trainee_answer: str = ""
    first_answer: str = ""
    setting: str = ""
    patient: Hashable = None
    received_seq: int = 0

    def known(self, as_of: AsOf) -> bool:
        return self.performed_on <= as_of.d and self.signed_on <= as_of.d2 and self.seq <= as_of.n

    def replaced(self, as_of: AsOf) -> dt.date | None:
        """The day on which it stopped being current, as far as is known."""
        if self.superseded_on is None or self.superseded_seq is None:
            return None
        if self.superseded_on <= as_of.d2 and self.superseded_seq <= as_of.n:
            return self.superseded_on
        return None


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The attending confirmed the supervision of an exam; `on` is the day it was recorded."""

    exam: Hashable
    supervision: str
    on: dt.date
    seq: int


@dataclass(frozen=True, slots=True)
class Waiting(_Submitted):
    """A scan that was submitted and has no attestation. With `ended_on`, `ended_seq` it left the
    list there unread: set aside, withdrawn or closed."""

    exam: Hashable
    scan: Hashable
    application: str
    performed_on: dt.date
    received_on: dt.date
    performed_at: dt.datetime | None = None
    ended_on: dt.date | None = None
    patient: Hashable = None
    received_seq: int = 0
    ended_seq: int = 0

    def ended(self, as_of: AsOf) -> dt.date | None:
        """The day on which it left the list unread, as far as is known."""
        if self.ended_on is None or self.ended_on > as_of.d2 or self.ended_seq > as_of.n:
            return None
        return self.ended_on


@dataclass(frozen=True, slots=True)
class _Recorded:
    """Something else that is on record, from `recorded_on` until another row takes its place.

    chain: the same for rows that correct each other. `performed_on` is the day it is about.
    """

    id: Hashable
    chain: Hashable
    ordinal: int
    application: str
    performed_on: dt.date
    recorded_on: dt.date
    seq: int
    superseded_on: dt.date | None = None
    superseded_seq: int | None = None

    # What an item of a clause asks of whatever stands behind it.
    @property
    def exam(self) -> Hashable:
        return self.chain

    @property
    def scan(self) -> Hashable:
        return self.chain

    @property
    def signed_on(self) -> dt.date:
        return self.recorded_on

    @property
    def performed_at(self) -> None:
        return None

    def known(self, as_of: AsOf) -> bool:
        return self.performed_on <= as_of.d and self.recorded_on <= as_of.d2 and self.seq <= as_of.n

    def replaced(self, as_of: AsOf) -> dt.date | None:
        if self.superseded_on is None or self.superseded_seq is None:
            return None
        if self.superseded_on <= as_of.d2 and self.superseded_seq <= as_of.n:
            return self.superseded_on
        return None


@dataclass(frozen=True, slots=True)
class Assessment(_Recorded):
    """A bedside assessment at an entrustment level of 1-5, which is an order and no quantity."""

    level: int = 1
    summative: bool = False
    assessor: Hashable = ""


@dataclass(frozen=True, slots=True)
class Document(_Recorded):
    """A dated record: a course, a written test. valid_until: its last day; None for ever."""

    kind: str = ""
    code: str = ""
    valid_until: dt.date | None = None


@dataclass(frozen=True, slots=True)
class Procedure(_Recorded):
    """A procedure under ultrasound."""

    code: str = ""
    supervised: bool = False
    complications: bool = False


@dataclass(frozen=True, slots=True)
class Transfer(_Recorded):
    """Attested elsewhere: `count` of one application, performed from a day to `performed_on`."""

    measure: str = "credited"
    count: int = 1
    level: int = 0
    kind: str = ""
    code: str = ""
    performed_from: dt.date = dt.date.min
    grantor: str = ""


@dataclass(frozen=True, slots=True)
class Remediation(_Recorded):
    """A dated block with numbers of its own from `performed_on`, its first day. Application "":
    all of them."""


@dataclass(frozen=True, slots=True)
class Reference(_Recorded):
    """What a reference said of one side ("right", "left") of a scan: positive or negative. Rows
    of one scan and side make a chain; the newest speaks. `chain` is (scan, side)."""

    side: str = ""
    answer: str = ""
    kind: str = ""

    @property
    def usable(self) -> bool:
        """A radiograph may confirm and never refute."""
        return self.answer in (POSITIVE, NEGATIVE) and not (
            self.kind == RADIOGRAPH and self.answer == NEGATIVE
        )


@dataclass(frozen=True, slots=True)
class History:
    """All facts of one trainee in one programme.

    groups: application -> group. first_received_on: the day on which the first exam arrived.
    ended: scans that left the reading list unread; they held a curve up while they were on it.
    returns: scan -> (from, to): positions between which it lay with its trainee, `to` None while
    it does.
    decisions: what a director recorded about alarms of the curve. Facts may come in any order.
    """

    facts: tuple[Fact, ...] = ()
    confirmations: tuple[Confirmation, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    groups: Mapping[str, str] = field(default_factory=dict)
    first_received_on: dt.date | None = None
    ended: tuple[Waiting, ...] = ()
    assessments: tuple[Assessment, ...] = ()
    documents: tuple[Document, ...] = ()
    procedures: tuple[Procedure, ...] = ()
    transfers: tuple[Transfer, ...] = ()
    remediations: tuple[Remediation, ...] = ()
    references: tuple[Reference, ...] = ()
    decisions: tuple[Decision, ...] = ()
    returns: Mapping[Hashable, Sequence[tuple[int, int | None]]] = field(default_factory=dict)

    def returned(self, scan: Hashable, n: int) -> bool:
        """Whether a scan that waited at position n waited for its trainee."""
        return any(
            since <= n and (until is None or n < until)
            for since, until in self.returns.get(scan, ())
        )

    def begins_on(self, as_of: AsOf) -> dt.date:
        """The first day that is judged. Before it an upper limit would be met for ever."""
        first = self.first_received_on
        return first if first is not None and first <= as_of.d2 else as_of.d2
