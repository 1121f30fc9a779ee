"""The report as a tagged PDF (PDF/UA-1), laid out by typst from a content alone.

The page never sees markup of ours or of a person: words and numbers go in as JSON. Fonts come
with the package and no other is looked at. The document's date is D2, so the same content gives
the same bytes.
"""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import segno
import typst
from django.utils.translation import gettext as _
from django.utils.translation import override

from accounts.errors import Refused

from . import ruler, sentences
from .content import (
    Accuracy,
    Clause,
    Content,
    Head,
    Outside,
    Trainee,
    check,
    digest,
    in_order,
)
from .orders import OUTSIDE
from .words import call, day, month, not_in_read, percent, short_day

log = logging.getLogger(__name__)
HERE = Path(__file__).parent
LAYOUT = HERE / "report.typ"

CALLS = ("positive", "focal", "negative", "indeterminate", "limited")
COHORT_COLUMNS = 5
PAPERS = {"a4": "a4", "letter": "us-letter"}  # as typst calls them
QUOTED = 60  # signs of a text that a refusal repeats
QR_MASK = 3  # (row + column) mod 3 = 0 (ISO/IEC 18004, table of masks; from memory)


@lru_cache(maxsize=1)
def _fonts() -> typst.Fonts:
    return typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[HERE / "fonts"],
    )


@dataclass(frozen=True)
class Seal:
    """What an issued report prints about itself and no other report does."""

    code: str  # as printed
    url: str  # of the check page, with the code
    address: str  # of the check page, to be typed
    fingerprint: str  # of the certificate


def render(
    content: Content | Outside, *, seal: Seal | None = None, printed: str | None = None
) -> bytes:
    """The PDF of a content: one trainee with the list of scans, the cohort, or an outside copy.

    `printed`: the content's digest, where it is known already. Raises Unsound where the content's
    numbers contradict each other, Refused where a word of it cannot be printed.
    """
    printed = printed or digest(content)
    if content["copy"] != OUTSIDE:
        check(content)  # an outside copy is made from an inside content that was looked at
        content = in_order(content)
    with override(content["language"]):
        sheet = _sheet(content, printed, seal)
    made = datetime.fromisoformat(content["as_of"]["read_by"]).replace(tzinfo=UTC)
    try:
        return _compiled(LAYOUT, timestamp=made, sheet=json.dumps(sheet, ensure_ascii=False))
    except typst.TypstError as failure:
        raise _refusal(sheet) from failure


def _compiled(layout: Path | bytes, *, timestamp: datetime | None = None, **inputs: str) -> bytes:
    return typst.compile(
        input=layout,
        root=HERE,
        font_paths=_fonts(),
        format="pdf",
        sys_inputs=inputs,
        pdf_standards=["ua-1", "1.7"],
        timestamp=timestamp,
    )


# A tagged page may hold no sign that its typefaces lack. Each sign is laid out alone to find out
# which: what typst says is not meant for whoever reads the refusal.
ONE_SIGN = b"""
#set document(title: "-")
#set text(font: "DejaVu Sans", stretch: 75%)
#sys.inputs.sign
"""


def _refusal(sheet: dict[str, Any]) -> Refused:
    """Why a sheet has no page: the first sign that no typeface has, and where it stands."""
    for text in _texts(sheet):
        for sign in dict.fromkeys(text):
            if not _prints(sign):
                start = max(0, min(text.index(sign) - QUOTED // 2, len(text) - QUOTED))
                return Refused(
                    _(
                        "No typeface here has the sign %(sign)s in “%(text)s”. Write it with "
                        "others where it was entered, and issue as of a day from then on."
                    )
                    % {
                        "sign": f"U+{ord(sign):04X}" + (f" ({sign})" if sign.isprintable() else ""),
                        "text": text[start : start + QUOTED],
                    }
                )
    log.exception("a report could not be laid out")
    return Refused(_("This report could not be laid out. Tell the operator: the log says why."))


def _prints(sign: str) -> bool:
    if sign.isascii() and sign.isprintable():
        return True
    try:
        return bool(_compiled(ONE_SIGN, sign=f"x{sign}x"))
    except typst.TypstError:
        return False


def _texts(sheet: Any) -> Iterator[str]:
    """Every text of a sheet, in its order."""
    if isinstance(sheet, str):
        yield sheet
    elif isinstance(sheet, dict | list):
        for part in sheet.values() if isinstance(sheet, dict) else sheet:
            yield from _texts(part)


def _sheet(content: Content | Outside, printed: str, seal: Seal | None) -> dict[str, Any]:
    """Everything that the layout prints, in words."""
    at = content["as_of"]
    outside = content["copy"] == OUTSIDE
    one = content["people"][0] if not outside and content["scope"] == "trainee" else None
    if outside:
        title = _("Lung ultrasound: %(name)s") % {"name": content["person"]["legal_name"]}
    elif one:
        title = _("Lung ultrasound: the record of %(name)s") % {"name": one["name"]}
    else:
        title = _("Lung ultrasound: the cohort of %(programme)s") % {
            "programme": content["programme"]
        }
    said = content["recommendation"]
    reading = [sentences.report()] if outside else sentences.every_sentence(content)
    return {
        "scope": content["scope"],
        "paper": PAPERS[content["sheet"]["paper"]],
        "language": content["language"],
        "title": title,
        "running": content["programme"],
        "institution": content["institution"],
        "heading": content["sheet"]["heading"],
        "stamp": _copy(content) if content["issued"] else _("Not issued"),
        "not_issued": "" if content["issued"] else sentences.not_issued(),
        "recommendation": [sentences.recommendation(said), said["sentence"]] if said else None,
        "recommendation_title": _("What the director says"),
        "as_of": sentences.as_of(at),
        "as_of_short": _("as of %(day)s") % {"day": day(at["read_by"])},
        "fingerprint": _("Content %(digest)s") % {"digest": printed[:16]},
        "page_of": _("Page {page} of {pages}"),
        "cautions_title": _("Cautions"),
        "cautions": sentences.cautions(),
        "caution_short": _("An education record: not the chart, not for diagnosis."),
        "reading_title": _("How to read the numbers"),
        "reading": reading,
        "facts": _outside_facts(content) if outside else _facts(content, one),
        "person": _person(one) if one else None,
        "outside": _outside(content) if outside else None,
        "cohort": None if one or outside else _cohort(content),
        "check": _check(seal, printed) if seal else None,
    }


def _copy(content: Head) -> str:
    return _("Outside copy") if content["copy"] == OUTSIDE else _("Inside copy")


def _check(seal: Seal, printed: str) -> dict[str, Any]:
    drawing = io.BytesIO()
    # Which of the eight masks a code wears is free to choose; to try all costs more than the page.
    segno.make(seal.url, error="m", micro=False, mask=QR_MASK).save(
        drawing, kind="svg", border=2, xmldecl=False
    )
    return {
        "title": _("Check this report"),
        "says": sentences.check(seal.address),
        "rows": [
            [_("Code"), seal.code],
            [_("Content, SHA-256"), printed],
        ],
        "signed": sentences.signed_with(seal.fingerprint),
        "qr": drawing.getvalue().decode(),
        "alt": _("QR code: the address of the check page with this report's code"),
    }


def _outside_facts(content: Outside) -> list[list[str]]:
    person, at = content["person"], content["as_of"]
    about = " · ".join(part for part in (person["profession"], person["level"]) if part)
    period = "–"
    if person["first_month"]:
        period = _("%(start)s to %(end)s") % {
            "start": month(person["first_month"]),
            "end": month(person["last_month"]),
        }
    plan = person["plan"]
    return [
        [_("Legal name"), person["legal_name"]],
        [_("Staff number"), person["staff_number"] or "–"],
        [_("Training"), f"{about}, {_training(person)}" if about else _training(person)],
        [_("Programme"), f"{content['programme']}, {content['institution']}"],
        [_("Scans counted from"), period],
        [_("Record as of"), day(at["read_by"])],
        [_("Plan"), _("%(name)s, version %(version)s") % plan if plan else _("none assigned")],
    ]


def _outside(content: Outside) -> dict[str, Any]:
    person = content["person"]
    return {
        "standing_title": _("Against the plan"),
        "standing": sentences.outside_standing(person),
        "approval": sentences.approval(person),
        "sources": person["plan"]["sources"] if person["plan"] else "",
        "clauses_head": _clauses_head(),
        "gates": [{"name": "", "clauses": [_outside_clause(one) for one in person["clauses"]]}]
        if person["clauses"]
        else [],
        "kept": sentences.outside_kept(person),
        "totals_title": _("What was done"),
        "totals": sentences.outside_totals(person),
        "waiting": _("Waiting to be read: %(n)s.") % {"n": person["waiting_unread"]},
        "applications_head": [_("Application"), _("credited scans"), _("of them read positive")],
        "applications": [
            [one["name"], str(one["scans"]), str(one["positive"])] for one in person["applications"]
        ],
        "places_head": [_("Place"), _("exams")],
        "places": [[name, str(exams)] for name, exams in person["places"]],
        "bands_head": [_("Age of the patients"), _("exams")],
        "bands": [[name, str(exams)] for name, exams in person["age_bands"]],
        "reviewed_title": _("How scans were reviewed"),
        "reviewed": sentences.reviewed(content),
        "contact_title": _("Whom to ring"),
        "contact": sentences.contact(content),
    }


def _clauses_head() -> list[str]:
    return [_("Clause"), _("ruler"), _("has, and is asked"), _("state")]


def _outside_clause(clause: dict[str, Any]) -> dict[str, Any]:
    """A count with the bar that it is held against; no day, no range, no source."""
    met = clause["state"] == "met"
    state = _("met") if met else _("not met")
    value = "–" if clause["value"] is None else str(clause["value"])
    return {"met": met, "notes": [], **_ruled(clause, clause["value"], value, state)}


def _ruled(clause: Any, amount: float | None, value: str, state: str) -> dict[str, Any]:
    """What every clause prints, and its ruler with the same in words."""
    bar = sentences.clause_bar(clause)
    drawn = {
        "value": amount,
        "bar": clause["bar"],
        "share": clause["unit"] == "share",
        "met": clause["state"] == "met",
    }
    return {
        "text": clause["text"],
        "value": value,
        "bar": bar,
        "state": state,
        "ruler": ruler.svg(**drawn, width=200, height=24),
        "small": ruler.svg(**drawn, width=110, height=22),
        "alt": _("Ruler: %(text)s, %(value)s, %(bar)s, %(state)s")
        % {"text": clause["text"], "value": value, "bar": bar, "state": state},
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
    since = _training(one)
    plan = one["plan"]
    return [
        [_("Trainee"), one["name"] + (f" ({one['staff_number']})" if one["staff_number"] else "")],
        [_("Training"), f"{about}, {since}" if about else since],
        *rows,
        [_("Plan"), _("%(name)s, version %(version)s") % plan if plan else _("none assigned")],
    ]


def _training(person: Trainee | dict[str, Any]) -> str:
    if person["ends_on"]:
        return _("%(start)s to %(end)s") % {
            "start": day(person["starts_on"]),
            "end": day(person["ends_on"]),
        }
    return _("since %(day)s") % {"day": day(person["starts_on"])}


def _clause(clause: Clause) -> dict[str, Any]:
    share = clause["unit"] == "share"
    shown = clause["value"] if share else clause["numerator"]
    if clause["value"] is None:
        shown = None
    bounds = ""
    if clause["lower"] is not None and clause["upper"] is not None and clause["value"] is not None:
        bounds = _("range %(lower)s to %(upper)s") % {
            "lower": percent(clause["lower"]),
            "upper": percent(clause["upper"], up=True),
        }
    notes = (
        sentences.clause_reached(clause),
        bounds,
        sentences.clause_mode(clause),
        clause["source"],
    )
    return {
        "met": clause["state"] == "met",
        "notes": [note for note in notes if note],
        **_ruled(clause, shown, sentences.clause_value(clause), sentences.clause_state(clause)),
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
        "clauses_head": _clauses_head(),
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
