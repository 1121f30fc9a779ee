"""What the pages of standings show, ready for the templates."""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from credentialing import measures, queries, words
from credentialing.measures.plans import COUNTS, MEDIANS, MONTHS, OF_CREDITED, SHARES
from credentialing.models import Clause, Gate, PlanVersion, Standing
from credentialing.reports import sentences
from credentialing.reports.content import Accuracy
from credentialing.reports.words import call
from logbook.answers import CALLS

OPEN, MET, LAPSED, UNKNOWN = "open", "met", "lapsed", "unknown"


@dataclass(frozen=True)
class Line:
    """One clause of a standing as a ruler draws it. Shares are percent, as the ruler has them."""

    clause: Clause
    row: Standing
    name: str
    href: str
    top: float | None = None  # the end of the scale, where a column of rulers compares

    @property
    def kind(self) -> str:
        if self.clause.measure in SHARES:
            return "share"
        return "ordinal" if self.clause.measure in MEDIANS else "count"

    def _drawn(self, number: float | None) -> float | None:
        return number * 100 if number is not None and self.kind == "share" else number

    @property
    def value(self) -> float | None:
        return self._drawn(self.row.value)

    @property
    def needed(self) -> float:
        return self._drawn(self.clause.bar)

    @property
    def low(self) -> float | None:
        return self._drawn(self.row.lower) if self.row.value is not None else None

    @property
    def high(self) -> float | None:
        return self._drawn(self.row.upper) if self.row.value is not None else None

    @property
    def at_most(self) -> bool:
        return self.clause.direction == measures.AT_MOST

    @property
    def outlined(self) -> int:
        """Waiting ones that may come to lie beyond the fill."""
        return self.row.waiting if self.clause.measure in COUNTS else 0

    @property
    def state(self) -> str:
        if self.row.state == measures.MET:
            return MET
        if self.row.state == measures.NOT_YET_KNOWN:
            return UNKNOWN
        return LAPSED if self.row.lost_on else OPEN

    @property
    def value_text(self) -> str:
        return words.value(self.clause, self.row)

    @property
    def state_word(self) -> str:
        return words.state(self.clause, self.row)

    @property
    def waiting_text(self) -> str:
        return words.waiting(self.clause, self.row)

    @property
    def note(self) -> str:
        return words.notes(self.clause, self.row)

    @property
    def brief(self) -> words.Brief:
        """The words for a cell of the cohort."""
        return words.brief(self.clause, self.row)

    @property
    def missing(self) -> float:
        """The share of what is asked that is still missing: 0 where it is met, 1 where nothing is
        there or nothing is known. The transparent order of the cohort."""
        if self.row.state == measures.MET:
            return 0.0
        if self.row.left is not None and self.clause.bar:
            return min(1.0, self.row.left / self.clause.bar)
        return 1.0


@dataclass(frozen=True)
class GateLines:
    gate: Gate
    combined: str
    lines: list[Line]


def by_gate(lines: Iterable[Line]) -> list[GateLines]:
    """Lines in the plan's order, under the gates that judge them together."""
    found = []
    for _key, some in itertools.groupby(lines, key=lambda line: line.clause.gate_id):
        own = list(some)
        gate = own[0].clause.gate
        found.append(GateLines(gate, words.combined(gate, len(own)), own))
    return found


def own_lines(programme, rows: Iterable[Standing], names: Mapping[str, str]) -> list[Line]:
    return [
        Line(
            row.clause,
            row,
            words.name_of(row.clause, names),
            reverse("credentialing:own_number", args=[programme.code, row.clause.ordinal]),
        )
        for row in rows
    ]


def lines_of(
    programme, membership_id: uuid.UUID, rows: Iterable[Standing], names: Mapping[str, str]
) -> list[Line]:
    return [
        Line(
            row.clause,
            row,
            words.name_of(row.clause, names),
            reverse(
                "credentialing:number", args=[programme.code, membership_id, row.clause.ordinal]
            ),
        )
        for row in rows
    ]


def standing(whole, lines: list[Line]) -> dict[str, Any]:
    """What home and the page of one trainee have in common."""
    met = sum(line.state == MET for line in lines)
    return {
        "whole": whole,
        "lead": words.whole(whole, met, len(lines)),
        "gates": by_gate(lines),
        "as_of": words.as_of(whole),
        "asks_agreement": any(line.clause.measure == "agreement" for line in lines),
        "asks_bound": any(line.clause.bound for line in lines),
        "asks_readings": any(line.clause.measure not in (*OF_CREDITED, *MONTHS) for line in lines),
    }


@dataclass(frozen=True)
class Asked:
    """One clause of a plan in words."""

    ordinal: int
    sentence: str
    label: str
    source: str


def gates_of(version: PlanVersion, names: Mapping[str, str]) -> list[tuple[Gate, str, list[Asked]]]:
    """A plan as sentences; needs `with_clauses`."""
    told = []
    for gate in sorted(version.gates.all(), key=lambda gate: gate.ordinal):
        clauses = sorted(gate.clauses.all(), key=lambda clause: clause.ordinal)
        asked = [
            Asked(one.ordinal, words.sentence(one, names), one.label, one.source) for one in clauses
        ]
        told.append((gate, words.combined(gate, len(clauses)), asked))
    return told


# --- the cohort -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Person:
    """A row of the cohort: a trainee and the lines of the plan's clauses in their order."""

    membership: Any
    whole: Any
    lines: list[Line]
    left: float

    @property
    def left_text(self) -> str:
        if not self.left:
            return _("nothing left")
        return _("%(share)s left") % {"share": words.percent(self.left, up=True)}


@dataclass(frozen=True)
class Block:
    """Everybody who is judged by one version of a plan: their rows have the same columns."""

    version: PlanVersion
    clauses: list[Clause]
    people: list[Person]


def people_of(
    programme,
    rows: Iterable[queries.CohortRow],
    versions: Mapping[uuid.UUID, PlanVersion],
    names: Mapping[str, str],
) -> list[Person]:
    """Whoever may not reach the numbers comes first: most left relative to what is asked, on
    average over the clauses; then by name. The order is not one of skill."""
    found = []
    for row in rows:
        clauses = clauses_of(versions[row.whole.version_id])
        stored = [row.standings[c.pk] for c in clauses if c.pk in row.standings]
        lines = lines_of(programme, row.membership.pk, stored, names)
        left = sum(line.missing for line in lines) / len(lines) if lines else 1.0
        found.append(Person(row.membership, row.whole, lines, left))
    return sorted(found, key=lambda one: (-one.left, one.membership.person.name, one.membership.pk))


def clauses_of(version: PlanVersion) -> list[Clause]:
    """In the plan's order; needs `with_clauses`."""
    found = [clause for gate in version.gates.all() for clause in gate.clauses.all()]
    return sorted(found, key=lambda clause: clause.ordinal)


def only(people: Iterable[Person], ordinal: int) -> list[Person]:
    """The column of one clause alone, ordered by what is left of it."""
    found = []
    for one in people:
        lines = [line for line in one.lines if line.clause.ordinal == ordinal]
        if lines:
            found.append(Person(one.membership, one.whole, lines, lines[0].missing))
    return sorted(found, key=lambda one: (-one.left, one.membership.person.name, one.membership.pk))


def _tops(lines: Iterable[Line]) -> dict[uuid.UUID, float | None]:
    """One scale a column: it ends past the threshold, but not so far that this is lost."""
    tops: dict[uuid.UUID, float | None] = {}
    for line in lines:
        clause = line.clause
        if line.kind != "count":
            tops[clause.pk] = None
            continue
        reached = min(line.row.numerator + line.outlined, clause.bar * 2)
        tops[clause.pk] = max(tops.get(clause.pk) or clause.bar * 1.2, reached, clause.bar + 1)
    return tops


def blocks(people: Iterable[Person], versions: Mapping[uuid.UUID, PlanVersion]) -> list[Block]:
    """Tables of a page of people, one a plan version, in the order of their first person."""
    found: dict[uuid.UUID, list[Person]] = {}
    for one in people:
        found.setdefault(one.whole.version_id, []).append(one)
    for some in found.values():
        tops = _tops(line for one in some for line in one.lines)
        some[:] = [
            replace(one, lines=[replace(line, top=tops[line.clause.pk]) for line in one.lines])
            for one in some
        ]
    return [
        Block(versions[pk], [line.clause for line in some[0].lines], some)
        for pk, some in found.items()
    ]


# --- the scans behind a number --------------------------------------------------------------------


@dataclass(frozen=True)
class ScanLine:
    """One scan behind a number. `code` is "" where whoever looks could still read the exam."""

    code: str
    href: str
    application: str
    performed_on: dt.date
    signed_on: dt.date


@dataclass(frozen=True)
class Part:
    title: str
    lines: list[ScanLine]
    exams: int


PARTS = {
    measures.COUNTED: "counted",
    measures.OF_THE_REST: "of_the_rest",
    measures.OVER_THE_CAP: "over_the_cap",
}


def title_of(part: str, clause: Clause) -> str:
    if part == measures.OVER_THE_CAP:
        return _("Normal, beyond the cap: not counted")
    if part == measures.COUNTED:
        return {
            "agreement": _("Matched the blind reading"),
            "determinate": _("Committed to an answer"),
            "adequate_share": _("Adequate images"),
            "quality": _("At the mark or better"),
        }.get(clause.measure, _("Counted"))
    return {
        "agreement": _("Did not match"),
        "determinate": _("Did not commit"),
        "adequate_share": _("Not adequate"),
        "quality": _("Under the mark"),
    }.get(clause.measure, _("Not counted"))


def parts_of(
    clause: Clause,
    found: Iterable[measures.Behind],
    *,
    codes: Mapping[uuid.UUID, str],
    names: Mapping[str, str],
    link: str,
    programme,
    whole: bool,
) -> list[Part]:
    """The scans under what they do for the number. `codes`: exams that may be named. `link`: the
    page of an exam, "" for none. `whole` False: readings are not told apart."""
    grouped: dict[str, list[measures.Behind]] = {}
    for one in found:
        part = one.part if whole or clause.measure in OF_CREDITED else ""
        grouped.setdefault(part, []).append(one)
    parts = []
    for part in ("", *PARTS):
        if part not in grouped:
            continue
        lines = [
            ScanLine(
                code=codes.get(one.fact.exam, ""),
                href=reverse(link, args=[programme.code, one.fact.exam])
                if link and one.fact.exam in codes
                else "",
                application=names.get(one.fact.application, one.fact.application),
                performed_on=one.fact.performed_on,
                signed_on=one.fact.signed_on,
            )
            for one in grouped[part]
        ]
        exams = len({one.fact.exam for one in grouped[part]})
        title = title_of(part, clause) if part else _("Read independently")
        parts.append(Part(title, lines, exams))
    return parts


def accuracy_of(rows: Iterable[Accuracy]) -> list[dict[str, Any]]:
    """Agreement told with what stands beside it always: the table and the two dull answers."""
    told = []
    for one in rows:
        table = {(said, read): n for said, read, n in one["table"]}
        columns = [code for code in CALLS if any(read == code for _said, read in table)]
        body = [
            (call(said), [table.get((said, read), 0) for read in columns])
            for said in CALLS
            if any(row == said for row, _read in table)
        ]
        told.append(
            {
                "name": one["name"],
                "sentence": sentences.agreement(one),
                "columns": [call(code) for code in columns],
                "rows": body,
            }
        )
    return told


def adds_up(clause: Clause, row: Standing, found: Iterable[measures.Behind]) -> bool:
    """Whether the list is exactly what the number says."""
    if clause.measure in MONTHS:
        return True
    found = list(found)
    counted = [one for one in found if one.part == measures.COUNTED]
    if clause.measure in COUNTS and clause.unit == measures.EXAM:
        return len({one.fact.exam for one in counted}) == row.numerator
    if len(counted) != row.numerator:
        return False
    return row.denominator is None or len(found) == row.denominator
