"""What the pages of standings show, ready for the templates."""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from credentialing import measures, words
from credentialing.measures.plans import (
    COUNTS,
    CURVES,
    MEDIANS,
    MONTHS,
    OF_CREDITED,
    OTHER_COUNTS,
    SHARES,
)
from credentialing.measures.tallies import unit_of
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
    of: str = ""  # the name of its application, "" where it has none

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
    def short(self) -> str:
        """A name for a narrow place: what it is of, and what is measured."""
        return words.short(self.clause, self.of)

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
        # That all of them are asked goes without saying.
        combined = "" if gate.combine == measures.ALL else words.combined(gate, len(own))
        found.append(GateLines(gate, combined, own))
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
        "asks_readings": any(
            line.clause.measure not in (*OF_CREDITED, *OTHER_COUNTS, *MONTHS) for line in lines
        ),
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


def clauses_of(version: PlanVersion) -> list[Clause]:
    """In the plan's order; needs `with_clauses`."""
    found = [clause for gate in version.gates.all() for clause in gate.clauses.all()]
    return sorted(found, key=lambda clause: clause.ordinal)


def tops(lines: Iterable[Line]) -> dict[uuid.UUID, float | None]:
    """One scale a column: it ends past the threshold, but not so far that this is lost."""
    found: dict[uuid.UUID, float | None] = {}
    for line in lines:
        clause = line.clause
        if line.kind != "count":
            found[clause.pk] = None
            continue
        reached = min(line.row.numerator + line.outlined, clause.bar * 2)
        found[clause.pk] = max(found.get(clause.pk) or clause.bar * 1.2, reached, clause.bar + 1)
    return found


# --- the scans behind a number --------------------------------------------------------------------


@dataclass(frozen=True)
class ScanLine:
    """One thing behind a number. `code` is "" where whoever looks could still read the exam;
    `record` names what is no scan."""

    code: str
    href: str
    application: str
    performed_on: dt.date
    signed_on: dt.date | None
    record: str = ""


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
            "curve": _("Matched the blind reading"),
            "sensitivity": _("Found"),
            "specificity": _("Ruled out"),
            "clinical_share": _("Part of a patient’s care"),
            "unread_share": _("Not read yet"),
        }.get(clause.measure, _("Counted"))
    return {
        "agreement": _("Did not match"),
        "determinate": _("Did not commit"),
        "adequate_share": _("Not adequate"),
        "quality": _("Under the mark"),
        "curve": _("Did not match"),
        "sensitivity": _("Not found"),
        "specificity": _("Not ruled out"),
        "clinical_share": _("Not part of a patient’s care"),
        "unread_share": _("Read"),
        "positive_agreement": _("Did not match"),
        "negative_agreement": _("Did not match"),
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
                signed_on=getattr(one.fact, "signed_on", None),
                record=words.record(one.fact),
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
    if clause.measure in ("positive_agreement", "negative_agreement", "per_period"):
        return True  # no number of scans
    if clause.measure in CURVES:
        return len(found) == row.seen
    if clause.measure == "readers":
        return len({one.fact.reader for one in counted}) == row.numerator
    own = row.numerator - row.transferred
    if clause.measure in COUNTS and clause.unit != measures.SCAN:
        return len({unit_of(clause)(one.fact) for one in counted}) == own
    if len(counted) != own:
        return False
    return row.denominator is None or len(found) == row.denominator


# --- what a draft would change --------------------------------------------------------------------


def what_if(found, plan, terms, names: Mapping[str, str]) -> dict[str, Any]:
    """The answer of `what_if.run` in words: how many, who, by which number."""
    sentences_of = {clause.ordinal: words.sentence(clause, names) for clause in plan.clauses}
    moving = found.moving
    at_end = [one for one in moving if one.after_at_end is not None]
    changed = [one for one in moving if one.changes or one.changes_at_end]
    order = sorted(
        found.people,
        key=lambda one: (
            not one.moves, not one.loses, not one.changes, not one.changes_at_end,
            one.membership.person.name,
        ),
    )  # fmt: skip
    return {
        "as_of": found.as_of,
        "lead": words.would_change(
            len(moving), len(found.people), len(found.gain), len(found.lose)
        ),
        "shares": [
            (
                _("Now"),
                _side_by_side(
                    len(moving),
                    sum(one.before is not None and one.before.met for one in moving),
                    sum(one.after.met for one in moving),
                ),
            ),
            (
                _("By their end date, of those who have one"),
                _side_by_side(
                    len(at_end),
                    sum(one.before_at_end is not None and one.before_at_end.met for one in at_end),
                    sum(one.after_at_end.met for one in at_end),
                ),
            ),
        ],
        "stops": [(n, sentences_of[ordinal]) for ordinal, n in found.by_clause],
        "changed": [_would_be(one) for one in order if one in changed],
        "same": [_would_be(one) for one in order if one not in changed],
    }


def _side_by_side(whole: int, before: int, after: int) -> list[dict[str, Any]]:
    """How many of `whole` meet the plan they have, and how many would meet the draft."""
    if not whole:
        return []
    return [
        {"label": _("meet the plan they have"), "n": before, "of": whole},
        {"label": _("would meet the draft"), "n": after, "of": whole},
    ]


def _would_be(one) -> dict[str, Any]:
    at_end = _("no end date, or no pace yet")
    if one.after_at_end is not None:
        at_end = words.before_and_after(one.before_at_end, one.after_at_end)
    return {
        "membership": one.membership,
        "moves": one.moves,
        "now": words.before_and_after(one.before, one.after),
        "unmet": ", ".join(map(str, one.after.unmet)) or _("nothing"),
        "at_end": at_end,
    }
