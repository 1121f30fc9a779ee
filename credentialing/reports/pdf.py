"""The report as a tagged PDF (PDF/UA-1), laid out by typst from a content alone.

The page never sees markup of ours or of a person: words and numbers go in as JSON. Fonts come
with the package and no other is looked at. The document's date is D2, so the same content gives
the same bytes.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst
from django.utils.translation import gettext as _
from django.utils.translation import override

from . import ruler, sentences
from .content import Accuracy, Clause, Content, Trainee, contradictions, digest, in_order
from .words import call, day, not_in_read, percent, short_day

HERE = Path(__file__).parent
LAYOUT = HERE / "report.typ"

CALLS = ("positive", "focal", "negative", "indeterminate", "limited")
COHORT_COLUMNS = 5


class Unsound(ValueError):
    """The content contradicts itself; no page is made of it."""


@lru_cache(maxsize=1)
def _fonts() -> typst.Fonts:
    return typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[HERE / "fonts"],
    )


def check(content: Content) -> None:
    """Raises Unsound where the content's numbers contradict each other."""
    wrong = list(contradictions(content))
    if wrong:
        raise Unsound(" ".join(wrong))


def render(content: Content) -> bytes:
    """The PDF of a content: one trainee with the list of scans, or the cohort.

    Raises Unsound where the content's numbers contradict each other.
    """
    check(content)
    content = in_order(content)
    with override(content["language"]):
        sheet = _sheet(content)
    made = datetime.fromisoformat(content["as_of"]["read_by"]).replace(tzinfo=UTC)
    return typst.compile(
        input=LAYOUT,
        root=HERE,
        font_paths=_fonts(),
        format="pdf",
        sys_inputs={"sheet": json.dumps(sheet, ensure_ascii=False)},
        pdf_standards=["ua-1", "1.7"],
        timestamp=made,
    )


def _sheet(content: Content) -> dict[str, Any]:
    """Everything that the layout prints, in words."""
    at = content["as_of"]
    one = content["people"][0] if content["scope"] == "trainee" else None
    title = (
        _("Lung ultrasound: the record of %(name)s") % {"name": one["name"]}
        if one
        else _("Lung ultrasound: the cohort of %(programme)s") % {"programme": content["programme"]}
    )
    return {
        "scope": content["scope"],
        "language": content["language"],
        "title": title,
        "running": content["programme"],
        "institution": content["institution"],
        "stamp": "" if content["issued"] else _("Not issued"),
        "not_issued": "" if content["issued"] else sentences.not_issued(),
        "as_of": sentences.as_of(at),
        "as_of_short": _("as of %(day)s") % {"day": day(at["read_by"])},
        "fingerprint": _("Content %(digest)s") % {"digest": digest(content)[:16]},
        "page_of": _("Page {page} of {pages}"),
        "cautions_title": _("Cautions"),
        "cautions": sentences.cautions(),
        "caution_short": _("An education record: not the chart, not for diagnosis."),
        "reading_title": _("How to read the numbers"),
        "reading": sentences.every_sentence(content),
        "facts": _facts(content, one),
        "person": _person(one) if one else None,
        "cohort": None if one else _cohort(content),
    }


def _facts(content: Content, one: Trainee | None) -> list[list[str]]:
    at = content["as_of"]
    rows = [
        [_("Programme"), f"{content['programme']}, {content['institution']}"],
        [_("Performed up to"), day(at["performed_by"])],
        [_("Read up to"), day(at["read_by"])],
        [
            _("Ledger position"),
            f"{at['position']}" + (f" · {at['position_hash'][:16]}" if at["position_hash"] else ""),
        ],
    ]
    if one is None:
        return [*rows, [_("People"), str(len(content["people"]))]]
    about = " · ".join(part for part in (one["profession"], one["level"]) if part)
    since = _("since %(day)s") % {"day": day(one["starts_on"])}
    if one["ends_on"]:
        since = _("%(start)s to %(end)s") % {
            "start": day(one["starts_on"]),
            "end": day(one["ends_on"]),
        }
    plan = one["plan"]
    return [
        [_("Trainee"), one["name"] + (f" ({one['staff_number']})" if one["staff_number"] else "")],
        [_("Training"), f"{about}, {since}" if about else since],
        *rows,
        [_("Plan"), _("%(name)s, version %(version)s") % plan if plan else _("none assigned")],
    ]


def _clause(clause: Clause) -> dict[str, Any]:
    share = clause["unit"] == "share"
    shown = clause["value"] if share else clause["numerator"]
    if clause["value"] is None:
        shown = None
    value, bar, state = (
        sentences.clause_value(clause),
        sentences.clause_bar(clause),
        sentences.clause_state(clause),
    )
    bounds = ""
    if clause["lower"] is not None and clause["upper"] is not None and clause["value"] is not None:
        bounds = _("range %(lower)s to %(upper)s") % {
            "lower": percent(clause["lower"]),
            "upper": percent(clause["upper"], up=True),
        }
    return {
        "text": clause["text"],
        "value": value,
        "bar": bar,
        "state": state,
        "met": clause["state"] == "met",
        "notes": [
            note
            for note in (
                sentences.clause_reached(clause),
                bounds,
                sentences.clause_mode(clause),
                clause["source"],
            )
            if note
        ],
        "ruler": ruler.svg(
            value=shown, bar=clause["bar"], share=share, met=clause["state"] == "met"
        ),
        "small": ruler.svg(
            value=shown,
            bar=clause["bar"],
            share=share,
            met=clause["state"] == "met",
            width=110,
            height=22,
        ),
        "alt": _("Ruler: %(text)s, %(value)s, %(bar)s, %(state)s")
        % {"text": clause["text"], "value": value, "bar": bar, "state": state},
    }


def _gates(clauses: list[Clause]) -> list[dict[str, Any]]:
    gates: dict[str, list[dict[str, Any]]] = {}
    for clause in clauses:
        gates.setdefault(clause["gate"], []).append(_clause(clause))
    return [{"name": name, "clauses": rows} for name, rows in gates.items()]


def _person(person: Trainee) -> dict[str, Any]:
    return {
        "clauses_title": _("Against the plan"),
        "standing": sentences.standing(person),
        "approval": sentences.approval(person),
        "sources": person["plan"]["sources"] if person["plan"] else "",
        "gates": _gates(person["clauses"]),
        "credited": sentences.credited(person),
        "waiting": sentences.waiting(person),
        "read_title": _("By over-read, not by patient outcome"),
        "read_head": [
            _("Application"), _("read"), _("pairs"), _("agreeing"), _("share"), _("range"),
            _("committed"), _("read positive"), _("adequate"),
        ],
        "read_rows": [_accuracy(one) for one in person["accuracy"]],
        "agreement": [sentences.agreement(one) for one in person["accuracy"] if one["pairs"]],
        "tables_title": _("Answers, trainee by reader"),
        "tables": [_table(one) for one in person["accuracy"] if one["read"]],
        "submitted": sentences.submitted(person["name"], person["beside"]),
        "scans_title": _("Scans"),
        "scans_none": _("No scan was read up to that day."),
        "codes": sentences.codes(),
        "scans_head": [
            _("Exam"), _("performed"), _("signed"), _("application"), _("trainee"), _("reader"),
            _("quality"), _("credited"), _("not compared because"),
        ],
        "scans": [
            [
                scan["exam_code"],
                short_day(scan["performed_on"]),
                short_day(scan["signed_on"]),
                scan["application"],
                scan["trainee_answer"],
                scan["reader_answer"],
                "–" if scan["quality"] is None else str(scan["quality"]),
                _("credited") if scan["credited"] else _("not credited"),
                "" if scan["in_read"] else not_in_read(scan["not_in_read_because"]),
            ]
            for scan in person.get("scans", [])
        ],
    }  # fmt: skip


def _accuracy(one: Accuracy) -> list[str]:
    known = one["pairs"] > 0
    return [
        one["name"],
        str(one["read"]),
        str(one["pairs"]),
        str(one["agree"]),
        percent(one["agree"] / one["pairs"]) if known else "–",
        f"{percent(one['lower'])}–{percent(one['upper'], up=True)}"
        if known and one["lower"] is not None and one["upper"] is not None
        else "–",
        str(one["determinate"]),
        str(one["positive"]),
        f"{one['adequate']}",
    ]


def _table(one: Accuracy) -> dict[str, Any]:
    """The full table trainee x reader of one application; calls nobody gave are left out."""
    counts = {(trainee, reader): n for trainee, reader, n in one["table"]}
    rows = [c for c in CALLS if any(t == c for t, _r in counts)]
    columns = [c for c in CALLS if any(r == c for _t, r in counts)]
    return {
        "name": one["name"],
        "corner": _("trainee \\ reader"),
        "columns": [call(c) for c in columns],
        "rows": [
            [call(row), *[str(counts.get((row, column), 0)) for column in columns]] for row in rows
        ],
    }


def _cohort(content: Content) -> list[dict[str, Any]]:
    """One block for each plan version in use, its columns cut into widths that a page holds."""
    by_plan: dict[tuple[str, int], list[Trainee]] = {}
    for person in content["people"]:
        plan = person["plan"]
        by_plan.setdefault((plan["name"], plan["version"]) if plan else ("", 0), []).append(person)
    blocks = []
    for (name, version), people in by_plan.items():
        heads = people[0]["clauses"]
        if not heads:
            blocks.append(_block(name, version, people, [], 0, 1))
        parts = range(0, len(heads), COHORT_COLUMNS)
        for number, start in enumerate(parts):
            chosen = [clause["ordinal"] for clause in heads[start : start + COHORT_COLUMNS]]
            blocks.append(_block(name, version, people, chosen, number, len(parts)))
    return blocks


def _block(
    name: str, version: int, people: list[Trainee], ordinals: list[int], number: int, parts: int
) -> dict[str, Any]:
    title = (
        _("%(name)s, version %(version)s") % {"name": name, "version": version}
        if name
        else _("No plan assigned")
    )
    if parts > 1:
        title += " " + _("(part %(number)s of %(parts)s)") % {"number": number + 1, "parts": parts}
    heads = {clause["ordinal"]: clause for clause in people[0]["clauses"]}
    rows = []
    for person in people:
        clauses = {clause["ordinal"]: clause for clause in person["clauses"]}
        rows.append(
            {
                "name": person["name"],
                "level": person["level"],
                "standing": _("met") if person["state"] == "met" else _("not met"),
                "waiting": _("%(unread)s waiting, %(returned)s returned")
                % {"unread": person["waiting_unread"], "returned": person["waiting_returned"]},
                "cells": [_clause(clauses[ordinal]) for ordinal in ordinals],
            }
        )
    return {
        "title": title,
        "head": [_("Trainee"), _("plan"), *[heads[o]["text"] for o in ordinals]],
        "bars": [sentences.clause_bar(heads[o]) for o in ordinals],
        "rows": rows,
    }
