"""What an attestation says, from what is known when it is signed: columns by name, nothing stored.

One builder for whoever signs: the actions, and a loader that writes many at once.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from accounts.fields import uuid7
from accounts.ledger.core import canonical
from logbook.answers import compare
from logbook.models import Capture, Exam, Scan
from logbook.value_lists import exam_lists
from review import credit, outcomes
from review.models import Attestation, CreditException, CreditRule, Reading

if TYPE_CHECKING:
    from accounts.ledger import Slot
    from accounts.models import Remark


@dataclass(frozen=True)
class Words:
    """The remarks of one attestation."""

    feedback: Remark | None = None
    override: Remark | None = None
    correction: Remark | None = None

    @property
    def columns(self) -> dict[str, uuid.UUID | None]:
        return {
            "feedback_id": self.feedback and self.feedback.pk,
            "override_reason_id": self.override and self.override.pk,
            "correction_reason_id": self.correction and self.correction.pk,
        }


def capture_hashes(captures: Iterable[Capture], archive_read: Iterable[int]) -> str:
    """Canonical text of what was there to be read: each master by its SHA-256, or *read in the
    department's archive* as the reader ticked it."""
    read = set(archive_read)
    rows: list[dict[str, Any]] = []
    for capture in sorted(captures, key=lambda c: c.ordinal):
        row = {"ordinal": capture.ordinal, "zone": capture.zone, "kind": capture.kind}
        if capture.kind == "archive":
            row["read"] = capture.ordinal in read
        else:
            row["sha256"] = capture.master_sha256
        rows.append(row)
    return canonical(rows)


def is_urgent(scan: Scan, reading: Reading) -> bool:
    on_patient = scan.revision.setting in exam_lists()["setting"].where("patient")
    return outcomes.is_urgent(
        outcomes.Case(scan.application.code, on_patient, scan.first, reading.parsed)
    )


def not_in_read_because(scan: Scan, first: Reading, *, late: bool, corrected: bool) -> str:
    """Why the scan is out of the set that accuracy uses; empty where it is in."""
    if corrected:
        return "corrected"
    if not first.blind:
        return "not_blind"
    if scan.revision.knew_result:
        return "knew"
    if not first.independent:
        return "not_independent"
    return "late" if late else ""


def first(
    *,
    scan: Scan,
    exam: Exam,
    reading: Reading,
    first_reading: Reading,
    rule: CreditRule,
    exception: CreditException | None,
    verdict: credit.Verdict,
    late: bool,
    credited: bool,
    items: Mapping[str, str],
    words: Words,
    captures: Iterable[Capture],
    slot: Slot,
) -> SimpleNamespace:
    """Every column of the first attestation of a scan. ``scan`` brings revision and application."""
    revision, programme = scan.revision, scan.programme
    comparison = compare(scan.first, first_reading.parsed)
    because = not_in_read_because(scan, first_reading, late=late, corrected=False)
    signed = SimpleNamespace(
        id=uuid7(),
        programme_id=programme.pk,
        scan_id=scan.pk,
        ordinal=1,
        supersedes_id=None,
        superseded_on=None,
        superseded_seq=None,
        trainee_id=scan.trainee_id,
        exam_id=exam.pk,
        application_id=scan.application_id,
        performed_on=scan.performed_on,
        performed_at=revision.performed_at,
        received_on=programme.local_date(exam.first_received_at),
        signed_on=programme.local_date(slot.at),
        signed_at=slot.at,
        seq=slot.seq,
        revision_id=revision.pk,
        reading_id=reading.pk,
        first_reading_id=first_reading.pk,
        reader_id=reading.reader_id,
        rubric_version_id=reading.rubric_version_id,
        credit_rule_id=rule.pk,
        exception_id=exception.pk if exception and verdict.waived else None,
        setting=revision.setting,
        operator=revision.operator,
        supervision=revision.supervision,
        trainee_answer=scan.first_answer,
        trainee_confidence=scan.first_confidence,
        trainee_call=scan.first.call,
        reader_answer=reading.answer,
        reader_call=reading.parsed.call,
        quality=reading.quality,
        first_reader_answer=first_reading.answer,
        first_reader_call=first_reading.parsed.call,
        first_quality=first_reading.quality,
        items=canonical(dict(items)),
        credited=credited,
        credit_reasons=" ".join(verdict.reasons),
        **words.columns,
        blind=reading.blind,
        independent=reading.independent,
        in_read=not because,
        not_in_read_because=because,
        pair=comparison.pair,
        agrees=comparison.agrees,
        determinate=comparison.determinate,
        capture_hashes=capture_hashes(captures, json.loads(reading.archive_read)),
    )
    signed.statement = statement_of(signed, words)
    return signed


def next_after(
    before: Attestation,
    *,
    reading: Reading,
    items: Mapping[str, str],
    verdict: credit.Verdict,
    exception: CreditException | None,
    credited: bool,
    words: Words,
    slot: Slot,
) -> Attestation:
    """A correction. What happened at the bedside and the rule stay as they were attested; another
    reading takes the scan out of accuracy, for good."""
    programme = before.programme
    corrected = reading.pk != before.reading_id
    after = Attestation(
        **{
            field.attname: getattr(before, field.attname)
            for field in Attestation._meta.concrete_fields
            if field.attname not in ("id", "superseded_on", "superseded_seq")
        }
    )
    after.programme = programme
    after.ordinal, after.supersedes = before.ordinal + 1, before
    after.signed_on, after.signed_at = programme.local_date(slot.at), slot.at
    after.seq = slot.seq
    after.reading, after.reader_id = reading, reading.reader_id
    after.rubric_version_id = reading.rubric_version_id
    after.reader_answer, after.reader_call = reading.answer, reading.parsed.call
    after.quality = reading.quality
    after.blind, after.independent = reading.blind, reading.independent
    after.items = canonical(dict(items))
    after.credited = credited
    after.credit_reasons = " ".join(verdict.reasons)
    after.exception = exception if exception and verdict.waived else None
    for name, remark_id in words.columns.items():
        setattr(after, name, remark_id)
    if corrected:
        after.in_read, after.not_in_read_because = False, "corrected"
    after.statement = statement_of(after, words)
    return after


def statement_of(a: Attestation | SimpleNamespace, words: Words) -> str:
    """What is signed, verbatim, as canonical text. Holds the digests of its remarks, never their
    words, so that these can be erased and the statement stays true."""
    return canonical(
        {
            "statement": _(
                "I looked at the captures listed here and gave my own answer. The answer, the "
                "image quality and whether this scan is credited are as stated. This is an "
                "education record: not the patient's chart, and not for diagnosis."
            ),
            "attestation": str(a.id),
            "ordinal": a.ordinal,
            "supersedes": str(a.supersedes_id) if a.supersedes_id else None,
            "programme": str(a.programme_id),
            "exam": str(a.exam_id),
            "scan": str(a.scan_id),
            "application": str(a.application_id),
            "revision": str(a.revision_id),
            "trainee": str(a.trainee_id),
            "reader": str(a.reader_id),
            "performed_on": a.performed_on.isoformat(),
            "received_on": a.received_on.isoformat(),
            "signed_on": a.signed_on.isoformat(),
            "setting": a.setting,
            "operator": a.operator,
            "supervision": a.supervision,
            "rubric_version": str(a.rubric_version_id),
            "credit_rule": str(a.credit_rule_id),
            "exception": str(a.exception_id) if a.exception_id else None,
            "trainee_answer": a.trainee_answer,
            "trainee_confidence": a.trainee_confidence,
            "reading": str(a.reading_id),
            "reader_answer": a.reader_answer,
            "quality": a.quality,
            "first_reading": str(a.first_reading_id),
            "first_reader_answer": a.first_reader_answer,
            "first_quality": a.first_quality,
            "items": json.loads(a.items),
            "blind": a.blind,
            "independent": a.independent,
            "in_read": a.in_read,
            "not_in_read_because": a.not_in_read_because,
            "pair": a.pair,
            "agrees": a.agrees,
            "determinate": a.determinate,
            "credited": a.credited,
            "credit_reasons": a.credit_reasons.split(),
            "override_reason": _named(words.override),
            "feedback": _named(words.feedback),
            "correction_reason": _named(words.correction),
            "captures": json.loads(a.capture_hashes),
        }
    )


def _named(remark: Remark | None) -> dict[str, str] | None:
    return {"remark": str(remark.pk), "digest": remark.digest} if remark else None
