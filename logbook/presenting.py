"""Rows and sentences that the logbook's pages show; templates only place them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django.utils.translation import gettext as _

from logbook import drafts, lung, queries, words
from logbook.forms import ExamForm
from logbook.models import Exam
from logbook.queries import Logbook
from logbook.value_lists import signs

# A pause longer than this between two exams ends a shift, and no shift is longer than that.
PAUSE = dt.timedelta(hours=6)
LONGEST_SHIFT = dt.timedelta(hours=16)

OUT_OF_THE_USUAL = {
    "sliding": {"absent"},
    "lung_point": {"seen"},
    "consolidation": {"subpleural", "lobar"},
    "shred": {"seen"},
    "air_bronchogram": {"static", "dynamic"},
    "effusion": {"small", "moderate", "large"},
    "fluid_septa": {"septated"},
    "spine": {"seen"},
}


def names_of(logbook: Logbook) -> dict[str, str]:
    return {a.code: a.name for a in logbook.applications}


def hint_sentences(exam: Exam, logbook: Logbook) -> list[str]:
    names = names_of(logbook)
    return [
        words.hint(hint, names, logbook.parameters) for hint in queries.hints_for(exam, logbook)
    ]


def disagreement_sentences(exam: Exam, logbook: Logbook) -> list[str]:
    if exam.revision is None:
        return []
    names = names_of(logbook)
    return [
        words.disagreement(names.get(code, code), sides)
        for code, sides in queries.disagreements_of(exam.revision).items()
    ]


def map_values(
    findings: Mapping[str, Mapping[str, str]],
    exam: Exam | None,
    logbook: Logbook,
    *,
    missing: bool = False,
) -> dict[str, dict[str, Any]]:
    """The chest map's marks: imaged, with a finding, and on demand what is still missing."""
    imaged = {c.zone for c in exam.captures.present()} if exam else set()
    lacking: set[str] = set()
    if missing and exam:
        for hint in queries.hints_for(exam, logbook):
            lacking |= set(hint.zones) if hint.code == "zones_missing" else set()
    marks = {}
    for zone in logbook.parameters.zones.zones:
        here = findings.get(zone.code, {})
        shown = any(value in OUT_OF_THE_USUAL.get(sign, ()) for sign, value in here.items())
        shown |= bool(
            lung.zone_is_positive(
                {(zone.code, sign): value for sign, value in here.items()},
                zone.code,
                logbook.parameters,
            )
        )
        if shown:
            state = "finding"
        elif here or zone.code in imaged:
            state = "imaged"
        else:
            state = "missing" if zone.code in lacking else ""
        marks[zone.code] = {"state": state}
    return marks


def draft_answers(draft: Mapping[str, Any], logbook: Logbook) -> list[dict[str, Any]]:
    sure = logbook.lists["confidence"]
    return [
        {
            "name": application.name,
            "answer": drafts.answer_of(draft, application.code),
            "confidence": _(sure.text_of(draft["answers"][application.code]["confidence"])),
        }
        for application in logbook.applications
        if application.code in draft["applications"]
    ]


def differences(stored: Exam, form: ExamForm, logbook: Logbook) -> list[str]:
    """The labels of the fields in which what was typed differs from what is stored."""
    if not form.is_valid():
        return []
    there, here = drafts.read(stored.draft), form.draft
    names = {
        "applications": _("What it asks"),
        "answers": _("Answers"),
        "findings": _("Findings"),
        "answered_at": "",
    }
    changed = [field for field in drafts.EMPTY if there[field] != here[field]]
    labels = [
        names[field] if field in names else str(form.fields[field].label) for field in changed
    ]
    return [label for label in labels if label]


def list_row(exam: Exam, logbook: Logbook) -> dict[str, Any]:
    scans = list(exam.scans.all())
    captures = [c for c in exam.captures.all() if c.state not in ("covered", "removed", "expired")]
    when = exam.revision.performed_at if exam.revision else None
    draft = drafts.read(exam.draft)
    return {
        "exam": exam,
        "when": when or drafts.moment(draft["performed_at"]) or exam.created_at,
        "is_draft": exam.state == "draft",
        "is_edited": exam.state != "draft" and exam.is_being_edited,
        "place": _(
            logbook.lists["place"].text_of(exam.revision.place if exam.revision else draft["place"])
        ),
        "scans": [{"name": scan.application.name, "state": scan.state} for scan in scans],
        "captures": len(captures),
    }


def record(exam: Exam, logbook: Logbook, *, whole: bool) -> dict[str, Any]:
    """One exam as submitted. Without ``whole`` nothing of the trainee's answer, findings, note,
    confidence or name is in it: such a reader may still have to read it blind."""
    revision = exam.revision
    scans = list(exam.scans.select_related("application"))
    captures = list(exam.captures.present())
    findings: dict[str, dict[str, str]] = {}
    if whole and revision is not None:
        for found in revision.findings.all():
            findings.setdefault(found.zone, {})[found.sign] = found.value
    scheme = revision.rules.scheme if revision else logbook.settings.scheme
    return {
        "exam": exam,
        "revision": revision,
        "whole": whole,
        "facts": facts(exam, logbook, whole=whole) if revision else [],
        "scans": [
            {
                "name": scan.application.name,
                "state": scan.state,
                "answer": scan.first if whole else None,
                "confidence": _(logbook.lists["confidence"].text_of(scan.first_confidence))
                if whole
                else "",
            }
            for scan in scans
        ],
        "captures": captures,
        "scheme": scheme,
        "map_values": map_values(findings, exam, logbook),
        "zones": [
            {
                "code": zone.code,
                "said": [
                    f"{_(sign.name)}: {_(sign.text_of(findings[zone.code][code]))}"
                    for code, sign in signs().items()
                    if code in findings[zone.code]
                ],
            }
            for zone in lung.schemes()[scheme].zones
            if zone.code in findings
        ],
        "note": revision.note.text if whole and revision and revision.note else "",
        "trainee": exam.trainee if whole else None,
    }


# What a reader may see before the reveal.
BLIND_FACTS = ("place", "age_band", "position", "breathing", "chest_procedure", "indication")


def facts(exam: Exam, logbook: Logbook, *, whole: bool) -> list[tuple[str, str]]:
    """Label and text of what was stated; without ``whole`` only what a blind reader may see."""
    revision = exam.revision
    rows = [
        (_(values.name), _(values.text_of(stated)))
        for field, values in logbook.lists.items()
        if (whole or field in BLIND_FACTS) and (stated := getattr(revision, field, ""))
    ]
    named = revision.supervisor.name if revision.supervisor else revision.supervisor_typed
    if whole and named:
        confirmed = exam.confirmations.filter(supervision=revision.supervision).exists()
        told = _("confirmed") if confirmed else _("claimed")
        rows.append((_("Responsible attending"), f"{named} ({told})"))
    return rows


def shifts(exams: Iterable[Exam], logbook: Logbook) -> list[dict[str, Any]]:
    """Exams that wait for the attending's word, a shift at a time, the newest first. A night over
    midnight is one shift."""
    found = []
    for here in _by_shift(exams):
        rows = [
            {
                "exam": exam,
                "trainee": exam.trainee.name,
                "at": exam.revision.performed_at,
                "place": logbook.lists["place"].text_of(exam.revision.place),
                "supervision": _(logbook.lists["supervision"].text_of(exam.revision.supervision)),
                "asked": [scan.application.name for scan in exam.scans.all()],
            }
            for exam in here
        ]
        first, last = here[0].revision.performed_on, here[-1].revision.performed_on
        found.append({"day": first, "until": last if last != first else None, "rows": rows})
    return found[::-1]


def _by_shift(exams: Iterable[Exam]) -> list[list[Exam]]:
    """In the order of time; a pause ends a shift, and so does its longest length."""
    shifts: list[list[Exam]] = []
    for exam in sorted(exams, key=lambda one: (one.revision.performed_at, one.pk)):
        at = exam.revision.performed_at
        if (
            shifts
            and at - shifts[-1][-1].revision.performed_at <= PAUSE
            and at - shifts[-1][0].revision.performed_at <= LONGEST_SHIFT
        ):
            shifts[-1].append(exam)
        else:
            shifts.append([exam])
    return shifts
