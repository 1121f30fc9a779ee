"""What a standing is computed from: rows as they were signed, and nothing else."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

POSITIVE, NEGATIVE, FOCAL = "positive", "negative", "focal"
DIRECT = "direct"


@dataclass(frozen=True, slots=True)
class AsOf:
    """Performed by `d`, read by `d2`, ledger position `n`. Nothing after them is looked at."""

    d: dt.date
    d2: dt.date
    n: int

    def __post_init__(self) -> None:
        if self.d2 < self.d:
            raise ValueError(f"read by {self.d2} is before performed by {self.d}")


@dataclass(frozen=True, slots=True)
class Fact:
    """One attestation of one scan. Days are local and were frozen when it was signed.

    exam, scan, reader: any hashable that sorts, the same for the same thing (UUIDs).
    superseded_on, superseded_seq: when and where on the ledger a later attestation replaced it.
    credited: belongs to the set C. in_read: belongs to the set R (first reading, independent).
    reader_call, quality, findings: of the reading in this attestation; measures of C use them.
    first_call, first_quality: of the first reading; measures of R use them, with pair, agrees and
    determinate: first answer against first reading.
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
class Waiting:
    """A scan that was submitted and has no attestation: waiting to be read, or returned."""

    exam: Hashable
    scan: Hashable
    application: str
    performed_on: dt.date
    received_on: dt.date
    returned: bool = False


@dataclass(frozen=True, slots=True)
class History:
    """All facts of one trainee in one programme.

    groups: application -> group. first_received_on: the day on which the first exam arrived.
    Facts may come in any order.
    """

    facts: tuple[Fact, ...] = ()
    confirmations: tuple[Confirmation, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    groups: Mapping[str, str] = field(default_factory=dict)
    first_received_on: dt.date | None = None

    def begins_on(self, as_of: AsOf) -> dt.date:
        """The first day that is judged. Before it an upper limit would be met for ever."""
        first = self.first_received_on
        return first if first is not None and first <= as_of.d2 else as_of.d2
