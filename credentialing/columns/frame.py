"""The facts of many people as columns of whole numbers. Pure numpy, no Django.

Days are `date.toordinal()`; NEVER is beyond them all. Codes are small numbers. One frame holds a
chunk of people; `person` is the position in it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Days = NDArray[np.int64]
Flags = NDArray[np.bool_]
Numbers = NDArray[Any]

NEVER = dt.date.max.toordinal()
NONE = 0  # no day

# A call by its first letter, which every engine can give: the words begin differently.
CALLS = {
    word: ord(word[0]) for word in ("positive", "negative", "focal", "indeterminate", "limited")
}
POSITIVE, NEGATIVE, FOCAL = CALLS["positive"], CALLS["negative"], CALLS["focal"]


@dataclass(frozen=True)
class Facts:
    """Attestations known at the cut, in the order (person, performed_on, performed_at, exam, scan,
    ordinal): the attestations of a scan stand together.

    first: the scan's first attestation. replaced: the day on which it stopped being current, as
    far as is known at the cut; NEVER while it is. application: position in `applications`.
    quality, first_quality: 0 where there is none. exam: the same number for the same exam, and
    for no other in the frame; only where a clause asks for exams. signs: finding -> whether the
    reading has it.
    """

    person: Numbers
    performed: Numbers
    signed: Numbers
    replaced: Numbers
    application: Numbers
    first: Flags
    credited: Flags
    in_read: Flags
    pair: Flags
    agrees: Flags
    call: Numbers
    first_call: Numbers
    first_quality: Numbers
    determinate: Flags | None = None
    direct: Flags | None = None
    quality: Numbers | None = None
    exam: Numbers | None = None
    signs: Mapping[str, Flags] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.person)


@dataclass(frozen=True)
class Waiting:
    """Scans that were submitted by the cut and have no attestation."""

    person: Numbers
    performed: Numbers
    application: Numbers
    exam: Numbers
    returned: Flags

    def __len__(self) -> int:
        return len(self.person)


@dataclass(frozen=True)
class Frame:
    """A chunk of people.

    applications: code -> its group, in the order of the numbers. first_received: the day on which
    a person's first exam arrived, NONE where none had by the cut. confirmed: exam -> first day on
    which direct supervision was confirmed, by the numbers of `facts.exam`. alone: who has to be
    judged one by one, whatever stands here.
    """

    people: int
    facts: Facts
    waiting: Waiting
    applications: Mapping[str, str]
    first_received: Numbers
    confirmed: Numbers | None = None
    alone: Flags | None = None

    def covered(self, application: str, group: str) -> Sequence[int]:
        """Numbers of the applications that a clause covers."""
        return [
            number
            for number, (code, its) in enumerate(self.applications.items())
            if (code == application if application else not group or its == group)
        ]
