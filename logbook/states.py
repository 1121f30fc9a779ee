"""States of exams, scans and captures, and who may move each: data, not code.

Pure. The owner of a state is the one whose turn it is there; final states have none. The actions
in ``logbook.actions`` ask ``check`` before every move, and ``docs/states.md`` is drawn from the
same tables by ``manage.py states``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

TRAINEE, READER, SYSTEM, NOBODY = "trainee", "reader", "the service", ""


@dataclass(frozen=True)
class State:
    code: str
    owner: str
    meaning: str


@dataclass(frozen=True)
class Move:
    source: str
    target: str
    by: str
    because: str


class MoveRefused(ValueError):
    """There is no such move in the table."""

    def __init__(self, thing: str, source: str, target: str) -> None:
        self.thing, self.source, self.target = thing, source, target
        super().__init__(f"{thing}: {source} cannot become {target}")


@dataclass(frozen=True)
class Machine:
    thing: str
    start: str
    states: tuple[State, ...]
    moves: tuple[Move, ...]

    def __iter__(self) -> Iterator[State]:
        return iter(self.states)

    @property
    def codes(self) -> tuple[str, ...]:
        return tuple(state.code for state in self.states)

    def after(self, source: str) -> frozenset[str]:
        return frozenset(move.target for move in self.moves if move.source == source)

    def owner(self, code: str) -> str:
        return next(state.owner for state in self.states if state.code == code)

    def allows(self, source: str, target: str) -> bool:
        return target in self.after(source)

    def check(self, source: str, target: str) -> None:
        if not self.allows(source, target):
            raise MoveRefused(self.thing, source, target)


EXAM = Machine(
    "exam",
    "draft",
    (
        State("draft", TRAINEE, "being recorded; nobody else sees it"),
        State("received", SYSTEM, "submitted; its captures are not all ready"),
        State("complete", READER, "every capture is ready; its scans may be read"),
        State(
            "needs_you",
            TRAINEE,
            "a capture was refused or waits for its mask, or a return",
        ),
        State("withdrawn", NOBODY, "taken back by the trainee; kept and counted"),
    ),
    (
        Move("draft", "received", TRAINEE, "submitted"),
        Move("draft", "withdrawn", TRAINEE, "draft given up"),
        Move("received", "complete", SYSTEM, "every capture is ready"),
        Move(
            "received",
            "needs_you",
            SYSTEM,
            "a capture was refused or waits for its mask",
        ),
        Move("received", "withdrawn", TRAINEE, "withdrawn before it was read"),
        Move("complete", "needs_you", READER, "returned"),
        Move("complete", "received", TRAINEE, "submitted again with captures under way"),
        Move("complete", "withdrawn", TRAINEE, "withdrawn before it was read"),
        Move("needs_you", "received", TRAINEE, "mended, or submitted again"),
        Move("needs_you", "complete", SYSTEM, "nothing is left to do"),
        Move("needs_you", "withdrawn", TRAINEE, "withdrawn before it was read"),
    ),
)

SCAN = Machine(
    "scan",
    "submitted",
    (
        State("submitted", READER, "waits to be read once its exam is complete"),
        State("attested", NOBODY, "read and signed"),
        State("set_aside", NOBODY, "not read at all, with a reason and a name"),
        State("returned", TRAINEE, "zones, captures or fields were asked for"),
        State("withdrawn", NOBODY, "taken back by the trainee"),
        State("closed", NOBODY, "returned and not answered in time; no attestation"),
    ),
    (
        Move("submitted", "attested", READER, "signed"),
        Move("submitted", "set_aside", READER, "set aside"),
        Move("submitted", "returned", READER, "returned"),
        Move("submitted", "withdrawn", TRAINEE, "exam withdrawn"),
        Move("returned", "submitted", TRAINEE, "submitted again"),
        Move("returned", "withdrawn", TRAINEE, "exam withdrawn"),
        Move("returned", "closed", SYSTEM, "not answered in time"),
    ),
)

CAPTURE = Machine(
    "capture",
    "uploading",
    (
        State("uploading", TRAINEE, "pieces are arriving in encrypted staging"),
        State("received", SYSTEM, "whole, in staging, waiting to be stripped or masked"),
        State("confirm_mask", TRAINEE, "stripped; the mask waits to be confirmed"),
        State("ready", READER, "its master is stored, or it is kept in the archive"),
        State("refused", TRAINEE, "could not be taken in; a sentence says why"),
        State("covered", NOBODY, "replaced by a new master that hides more"),
        State("removed", NOBODY, "taken away, with a reason"),
        State("expired", NOBODY, "its time of keeping is over; its hash stays"),
    ),
    (
        Move("uploading", "received", SYSTEM, "the last byte is in"),
        Move("uploading", "refused", SYSTEM, "the upload cannot be used"),
        Move("uploading", "removed", TRAINEE, "given up"),
        Move("received", "confirm_mask", SYSTEM, "stripped"),
        Move("received", "ready", SYSTEM, "its mask is confirmed and its master stored"),
        Move("received", "refused", SYSTEM, "cannot be decoded or stripped"),
        Move("received", "removed", TRAINEE, "given up"),
        Move("confirm_mask", "received", TRAINEE, "mask confirmed"),
        Move("confirm_mask", "refused", SYSTEM, "staging ran out of time"),
        Move("confirm_mask", "removed", TRAINEE, "given up"),
        Move("refused", "removed", TRAINEE, "given up"),
        Move("refused", "uploading", TRAINEE, "sent again"),
        Move("ready", "covered", READER, "something identifying was covered"),
        Move("ready", "removed", READER, "taken out by a reader, or away before it was read"),
        Move("covered", "ready", READER, "put back within ten minutes"),
        Move("removed", "ready", READER, "put back within ten minutes"),
        Move("ready", "expired", SYSTEM, "retention"),
        Move("covered", "removed", SYSTEM, "retention"),
    ),
)

MACHINES: Mapping[str, Machine] = {m.thing: m for m in (EXAM, SCAN, CAPTURE)}


def diagram(machine: Machine) -> str:
    """The machine as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {machine.start}"]
    lines += [f"    {m.source} --> {m.target}: {m.because}" for m in machine.moves]
    lines += [f"    {s.code} --> [*]" for s in machine if not machine.after(s.code)]
    return "\n".join(lines)


def page() -> str:
    """``docs/states.md``: a table and a diagram for each machine."""
    parts = [
        "# States",
        "",
        "Made by `manage.py states` from `logbook/states.py`; a test compares the two.",
    ]
    for machine in MACHINES.values():
        parts += ["", f"## {machine.thing.capitalize()}", ""]
        parts += ["| state | whose turn | meaning |", "|---|---|---|"]
        parts += [f"| {s.code} | {s.owner or 'final'} | {s.meaning} |" for s in machine]
        parts += ["", "| from | to | moved by | because |", "|---|---|---|---|"]
        parts += [f"| {m.source} | {m.target} | {m.by} | {m.because} |" for m in machine.moves]
        parts += ["", "```mermaid", diagram(machine), "```"]
    return "\n".join(parts) + "\n"
