"""A plan in the making: kept as text, changed piece by piece. Pure; a draft may be in any state."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from typing import Any

from credentialing.measures import Clause, Gate, Plan

# What a new clause says until somebody says otherwise.
FIRST = {"measure": "credited", "bar": 25.0, "unit": "exam"}


@dataclass(frozen=True)
class Terms:
    """What publishing asks beside the numbers: whom it is for, who moves to it, and since when."""

    sources: str = ""
    override_reason: str = ""
    effective_on: dt.date | None = None
    approved_on: dt.date | None = None
    by_default: bool = True
    profession: str = ""
    level: str = ""
    starts_from: dt.date | None = None
    moves: str = "newcomers"
    grandfather_on: dt.date | None = None


def to_json(plan: Plan, terms: Terms) -> dict[str, Any]:
    return {
        "plan": {
            "code": plan.code,
            "name": plan.name,
            "kind": plan.kind,
            "gates": [
                {
                    "title": gate.title,
                    "combine": gate.combine,
                    "window": gate.window,
                    "within_months": gate.within_months,
                    "clauses": [_plain(clause) for clause in gate.clauses],
                }
                for gate in plan.gates
            ],
        },
        "terms": {
            name: value.isoformat() if isinstance(value, dt.date) else value
            for name, value in ((f.name, getattr(terms, f.name)) for f in fields(terms))
        },
    }


def _plain(clause: Clause) -> dict[str, Any]:
    said = {f.name: getattr(clause, f.name) for f in fields(clause) if f.name != "ordinal"}
    return said | {"further": list(clause.further)}


def from_json(data: dict[str, Any]) -> tuple[Plan, Terms]:
    said = data["plan"]
    gates = [
        Gate(
            number,
            tuple(
                Clause(ordinal=0, **clause | {"further": tuple(clause["further"])})
                for clause in gate["clauses"]
            ),
            gate["combine"],
            gate["title"],
            gate["window"],
            gate["within_months"],
        )
        for number, gate in enumerate(said["gates"], start=1)
    ]
    plan = Plan(_counted(gates), said["code"], said["name"], said["kind"])
    days = {"effective_on", "approved_on", "starts_from", "grandfather_on"}
    terms = {
        name: dt.date.fromisoformat(value) if name in days and value else value
        for name, value in data["terms"].items()
    }
    return plan, Terms(**terms)


def _counted(gates: Iterable[Gate]) -> tuple[Gate, ...]:
    """Numbered from 1 on, without touching what clauses say of one another."""
    out, ordinal = [], 0
    for number, gate in enumerate(gates, start=1):
        clauses = []
        for clause in gate.clauses:
            ordinal += 1
            clauses.append(replace(clause, ordinal=ordinal))
        out.append(replace(gate, ordinal=number, clauses=tuple(clauses)))
    return tuple(out)


# ---------------------------------------------------------------------------------------------
# Changing the order, adding and taking out


def changed(plan: Plan, what: str) -> Plan:
    """`what`: gate-add, gate-remove:N, gate-up:N, gate-down:N, clause-add:GATE, clause-remove:N,
    clause-up:N, clause-down:N. A clause at the edge of its gate goes over to the next one. Numbers
    in clauses that speak of others follow; one that spoke of a clause taken out no longer does.
    Anything else changes nothing."""
    verb, _, number = what.partition(":")
    at = int(number) if number.isdecimal() else 0
    gates = [list(gate.clauses) for gate in plan.gates]
    heads = list(plan.gates)
    if verb == "gate-add":
        heads.append(Gate(0, ()))
        gates.append([Clause(0, **FIRST, transfer_share=plan.transfer_share)])
    elif verb.startswith("gate-") and 1 <= at <= len(heads):
        _shift(verb.removeprefix("gate-"), heads, at - 1, gates)
    elif verb == "clause-add" and 1 <= at <= len(heads):
        gates[at - 1].append(Clause(0, **FIRST, transfer_share=plan.transfer_share))
    elif verb.startswith("clause-"):
        _shift_clause(verb.removeprefix("clause-"), gates, at)
    return _renumbered(plan, heads, gates)


def place_after(plan: Plan, what: str) -> int | None:
    """The number that the clause added or moved by `what` has once it is done; None where `what`
    adds and moves none. `plan`: as it was before."""
    verb, _, number = what.partition(":")
    at = int(number) if number.isdecimal() else 0
    if verb == "clause-add" and 1 <= at <= len(plan.gates):
        return 1 + sum(len(gate.clauses) for gate in plan.gates[:at])
    for gate in plan.gates:
        ordinals = [clause.ordinal for clause in gate.clauses]
        if at in ordinals and verb == "clause-up":
            return at - (at != ordinals[0])  # over the edge of its gate it keeps its number
        if at in ordinals and verb == "clause-down":
            return at + (at != ordinals[-1])
    return None


def _shift(verb: str, heads: list[Gate], at: int, gates: list[list[Clause]]) -> None:
    if verb == "remove":
        del heads[at], gates[at]
        return
    other = at + {"up": -1, "down": 1}.get(verb, 0)
    if 0 <= other < len(heads):
        heads[at], heads[other] = heads[other], heads[at]
        gates[at], gates[other] = gates[other], gates[at]


def _shift_clause(verb: str, gates: list[list[Clause]], ordinal: int) -> None:
    for g, clauses in enumerate(gates):
        for c, clause in enumerate(clauses):
            if clause.ordinal != ordinal:
                continue
            if verb == "remove":
                del clauses[c]
            elif verb == "up" and c:
                clauses[c - 1], clauses[c] = clauses[c], clauses[c - 1]
            elif verb == "up" and g:
                gates[g - 1].append(clauses.pop(c))
            elif verb == "down" and c + 1 < len(clauses):
                clauses[c + 1], clauses[c] = clauses[c], clauses[c + 1]
            elif verb == "down" and c + 1 == len(clauses) and g + 1 < len(gates):
                gates[g + 1].insert(0, clauses.pop(c))
            return


def _renumbered(plan: Plan, heads: list[Gate], gates: list[list[Clause]]) -> Plan:
    flat = [clause for clauses in gates for clause in clauses]
    now = {clause.ordinal: n for n, clause in enumerate(flat, start=1) if clause.ordinal}
    told = [
        [
            replace(
                clause,
                further=tuple(sorted(now[n] for n in clause.further if n in now)),
                after=now.get(clause.after) if clause.after is not None else None,
            )
            for clause in clauses
        ]
        for clauses in gates
    ]
    put = [replace(head, clauses=tuple(some)) for head, some in zip(heads, told, strict=True)]
    return replace(plan, gates=_counted(put))


# ---------------------------------------------------------------------------------------------
# Two plans side by side

SAME, CHANGED, ONLY = "same", "changed", "only"


@dataclass(frozen=True)
class Pair:
    """A clause of each plan that ask the same thing, or one of which the other has none."""

    left: Clause | None
    right: Clause | None

    @property
    def what(self) -> str:
        if self.left is None or self.right is None:
            return ONLY
        return SAME if _sense(self.left) == _sense(self.right) else CHANGED


def _sense(clause: Clause) -> Clause:
    return replace(clause, ordinal=0, text="", source="")


def paired(left: Plan, right: Plan) -> list[Pair]:
    """In the order of the left plan, then what only the right one asks."""
    rest = list(right.clauses)
    pairs = []
    for clause in left.clauses:
        like = [one for one in rest if _subject(one) == _subject(clause)]
        found = next((one for one in like if _sense(one) == _sense(clause)), None)
        found = found or (like[0] if like else None)
        if found is not None:
            rest.remove(found)
        pairs.append(Pair(clause, found))
    return [*pairs, *(Pair(None, one) for one in rest)]


def _subject(clause: Clause) -> tuple[str, ...]:
    return (
        clause.measure, clause.direction, clause.application, clause.group, clause.finding,
        clause.kind.partition(":")[0],
    )  # fmt: skip
