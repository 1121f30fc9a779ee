"""What a comparison of two answers says, and when it may matter to the patient now. Pure.

Which answers are a pair and agree is ``logbook.answers.compare``; here the disagreement gets its
name, and the urgent ones are told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

from logbook.answers import INDETERMINATE, NEGATIVE, POSITIVE, Answer, compare
from logbook.lung import PNEUMOTHORAX

# What the two answers are to each other.
AGREES, UNCOMMITTED, MISSED, OVERCALLED, WRONG_SIDE, SIDES_DIFFER, PATTERN_DIFFERS, NOT_COMPARED = (
    "agrees",
    "uncommitted",
    "missed",
    "overcalled",
    "wrong_side",
    "sides_differ",
    "pattern_differs",
    "not_compared",
)
OUTCOMES = (
    AGREES,
    UNCOMMITTED,
    MISSED,
    OVERCALLED,
    WRONG_SIDE,
    SIDES_DIFFER,
    PATTERN_DIFFERS,
    NOT_COMPARED,
)
SIDES = ("right", "left")


def outcome(trainee: Answer, reader: Answer) -> str:
    """One of ``OUTCOMES``. Raises ValueError where one is sided and the other a pattern."""
    comparison = compare(trainee, reader)
    if not comparison.pair:
        return NOT_COMPARED
    if comparison.agrees:
        return AGREES
    if not comparison.determinate:
        return UNCOMMITTED
    if reader.pattern:
        return {
            (NEGATIVE, POSITIVE): MISSED,
            (POSITIVE, NEGATIVE): OVERCALLED,
        }.get((trainee.call, reader.call), PATTERN_DIFFERS)
    said, read = _compared(trainee, reader), _compared(reader, reader)
    if not said:
        return MISSED
    if not read:
        return OVERCALLED
    return SIDES_DIFFER if said & read else WRONG_SIDE


def _compared(answer: Answer, reader: Answer) -> frozenset[str]:
    """The sides that the answer calls positive, of those on which the reader committed."""
    return frozenset(
        side
        for side in SIDES
        if getattr(reader, side) in (POSITIVE, NEGATIVE) and getattr(answer, side) == POSITIVE
    )


@dataclass(frozen=True)
class Case:
    """One comparison as the urgent rule sees it. ``on_patient``: clinical, or a patient who
    agreed to be scanned for teaching."""

    application: str
    on_patient: bool
    trainee: Answer
    reader: Answer


def is_urgent(case: Case) -> bool:
    """A disagreement on pneumothorax where either answer is positive, on a patient.

    A wrong side is a disagreement, and so is a trainee's *indeterminate* or *limited* where the
    reader committed. What the reader could not tell is no disagreement: for that, and for
    anything else seen, there is the reader's own tick. Credit, blindness and the exam's age play
    no part.
    """
    if case.application != PNEUMOTHORAX or not case.on_patient:
        return False
    if POSITIVE not in (case.trainee.call, case.reader.call):
        return False
    return any(
        getattr(case.reader, side) not in ("", INDETERMINATE)
        and getattr(case.trainee, side) != getattr(case.reader, side)
        for side in SIDES
    )
