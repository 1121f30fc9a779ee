"""Rows and sentences that the reading room's pages show; templates only place them."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from django.urls import reverse
from django.utils.translation import gettext as _

from logbook.models import Capture, Exam, Scan
from logbook.queries import Logbook
from logbook.value_lists import signs
from review import attesting, covering, outcomes, queries, words
from review.forms import field_name
from review.models import Attestation, Hold, Reading, ReturnRequest

if TYPE_CHECKING:
    from accounts.models import Person, Programme

# What a reader sees of an exam before the reveal, and nothing else of it.
BEFORE_REVEAL = ("indication", "age_band", "position", "breathing")


def list_rows(programme: Programme, person: Person, *, at: dt.datetime, limit: int) -> list[dict]:
    """The reading list: no name, and nothing that comes from an answer. Four queries."""
    on = programme.local_date(at)
    exams = list(queries.waiting_for(person, programme, on=on)[:limit])
    asked: dict = {}
    for scan in (
        queries.readable_by(person, programme, on=on)
        .filter(exam__in=exams, state="submitted")
        .select_related("application")
        .order_by("application__ordinal")
    ):
        asked.setdefault(scan.exam_id, []).append(scan.application.name)
    captures = Counter(
        Capture.objects.ready().filter(exam__in=exams).values_list("exam_id", flat=True)
    )
    held = {
        hold.exam_id: hold
        for hold in Hold.objects.live(at).filter(exam__in=exams).select_related("reader")
    }
    return [
        {
            "exam": exam,
            "asked": asked.get(exam.pk, []),
            "captures": captures[exam.pk],
            "received_at": exam.first_received_at,
            "held_by": held[exam.pk].reader.name if exam.pk in held else "",
            "mine": exam.pk in held and held[exam.pk].reader_id == person.pk,
        }
        for exam in exams
    ]


def signed_together(attestations: Iterable[Attestation]) -> list[list[Attestation]]:
    """Signed readings, newest first, by exam and moment; in each in the order of signing."""
    groups = itertools.groupby(attestations, key=lambda one: (one.exam_id, one.signed_at))
    return [list(group)[::-1] for _key, group in groups]


def anchor_of(capture: Capture) -> str:
    """Its place on the desk."""
    return f"capture-{capture.ordinal}"


def capture_rows(captures: Iterable[Capture], programme: Programme, logbook: Logbook) -> list[dict]:
    def url(name: str, capture: Capture, key: str) -> str:
        return reverse(f"logbook:{name}", args=[programme.code, capture.pk]) if key else ""

    rows = []
    for capture in captures:
        label = [capture.zone, str(capture.get_kind_display())]
        if capture.probe:
            label.append(_(logbook.lists["probe"].text_of(capture.probe)))
        if capture.depth_mm:
            depth = _("%(cm)s\N{NO-BREAK SPACE}cm deep")
            label.append(depth % {"cm": f"{capture.depth_mm / 10:g}"})
        if capture.mode != "b":
            label.append(_(logbook.lists["mode"].text_of(capture.mode)))
        play = url("capture_play", capture, capture.play_key)
        seconds = (capture.duration_ms or 0) / 1000
        if seconds and play:
            label.append(_("%(n)s\N{NO-BREAK SPACE}s") % {"n": f"{seconds:.1f}"})
        rows.append(
            {
                "capture": capture,
                "anchor": anchor_of(capture),
                "label": ", ".join(label),
                "kind": "clip" if play else capture.kind,
                "src": play or url("capture_master", capture, capture.master_key),
                "strip": url("capture_strip", capture, play and capture.play_key),
                "poster": url("capture_poster", capture, capture.poster_key),
                "frames": capture.frames or 0,
                "rate": round((capture.frames or 0) / seconds, 3) if seconds else 25,
                "starts": capture.frame_starts,
                "width": capture.width or 640,
                "height": capture.height or 480,
            }
        )
    return rows


def zones_imaged(captures: Iterable[Capture]) -> dict[str, dict[str, str]]:
    counted = Counter(capture.zone for capture in captures)
    return {zone: {"state": "imaged", "word": str(n)} for zone, n in counted.items()}


def facts_before_reveal(exam: Exam, logbook: Logbook) -> list[tuple[str, str]]:
    revision = exam.revision
    return [
        (_(logbook.lists[name].name), _(logbook.lists[name].text_of(getattr(revision, name))))
        for name in BEFORE_REVEAL
        if getattr(revision, name)
    ]


def facts_after_reveal(exam: Exam, logbook: Logbook) -> list[tuple[str, str]]:
    revision = exam.revision
    named = revision.supervisor.name if revision.supervisor else revision.supervisor_typed
    rows = [
        (_(logbook.lists[name].name), _(logbook.lists[name].text_of(getattr(revision, name))))
        for name in ("setting", "place", "operator", "supervision")
        if getattr(revision, name)
    ]
    rows.append((_("Responsible attending"), named))
    knew = _("yes") if revision.knew_result else _("no")
    rows.append((_("Knew another result or opinion"), knew))
    return [(label, text) for label, text in rows if text]


def findings_of(revision) -> list[str]:
    return [
        f"{f.zone} {_(signs()[f.sign].name)}: {_(signs()[f.sign].text_of(f.value))}"
        for f in revision.findings.all()
        if f.sign in signs()
    ]


def comparison(scan: Scan, reading: Reading, logbook: Logbook) -> dict[str, Any]:
    name = outcomes.outcome(scan.first, reading.parsed)
    return {
        "trainee": scan.first,
        "confidence": _(logbook.lists["confidence"].text_of(scan.first_confidence)),
        "reader": reading.parsed,
        "quality": reading.quality,
        "state": {outcomes.AGREES: "agrees", outcomes.NOT_COMPARED: ""}.get(name, "disagrees"),
        "sentence": words.OUTCOME[name],
        "urgent": attesting.is_urgent(scan, reading),
    }


def supervisor_of(exam: Exam) -> str:
    revision = exam.revision
    return revision.supervisor.name if revision.supervisor else revision.supervisor_typed


def feedback_rows(
    exam: Exam, scans: Iterable[Scan], logbook: Logbook, programme: Programme
) -> list[dict]:
    """The exam with its feedback: what was attested of each scan, or what it waits for."""
    current = queries.current_of(exam)
    gone = {capture.master_sha256: capture for capture in covering.gone_of(exam)}
    returns = {row.scan_id: row for row in ReturnRequest.objects.filter(scan__exam=exam)}
    urgent = queries.discrepancies_of(exam)
    rows = []
    for scan in scans:
        attestation = current.get(scan.pk)
        row = {
            "scan": scan,
            "name": scan.application.name,
            "attestation": attestation,
            "returned": asked_for(returns[scan.pk], logbook)
            if scan.pk in returns and scan.state == "returned"
            else None,
            "aside": scan.aside.get_reason_display() if scan.state == "set_aside" else "",
            "discrepancy": urgent.get(scan.pk),
        }
        if attestation:
            row |= attested(attestation, logbook)
            row["gone_since"] = [
                gone[one["sha256"]]
                for one in json.loads(attestation.capture_hashes)
                if one.get("sha256") in gone
            ]
        rows.append(row)
    return rows


def attested(attestation: Attestation, logbook: Logbook) -> dict[str, Any]:
    rubric = attestation.rubric_version.rubric
    name = outcomes.outcome(attestation.trainee_said, attestation.reader_said)
    return {
        "trainee": attestation.trainee_said,
        "confidence": _(logbook.lists["confidence"].text_of(attestation.trainee_confidence)),
        "reader": attestation.reader_said,
        "same": attestation.trainee_said == attestation.reader_said,
        "state": {outcomes.AGREES: "agrees", outcomes.NOT_COMPARED: ""}.get(name, "disagrees"),
        "sentence": words.OUTCOME[name],
        "word": _(rubric.word(attestation.quality)),
        "cut": rubric.quality_cut,
        "items": [
            (_(item.name), _(item.text_of(choice)))
            for code, choice in json.loads(attestation.items).items()
            if (item := rubric.item(code))
        ],
        "feedback": attestation.feedback.text if attestation.feedback else "",
        "credit_reasons": words.reasons(attestation.reasons),
        "override": attestation.override_reason.text if attestation.override_reason else "",
        "correction": attestation.correction_reason.text if attestation.correction_reason else "",
        "not_in_read": words.NOT_IN_READ.get(attestation.not_in_read_because, ""),
    }


def asked_for(request: ReturnRequest, logbook: Logbook) -> dict[str, Any]:
    return {
        "zones": request.zones.split(),
        "captures": request.captures.split(),
        "fields": [field_name(code) for code in request.fields.split()],
        "text": request.remark.text if request.remark else "",
    }
