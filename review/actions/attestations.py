"""Signing, and correcting what was signed.

Locks: the exam and its scans, then captures of the same file, then the ledger's head.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from types import SimpleNamespace
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils.translation import gettext as _

from accounts import ledger, notices, remarks
from accounts.actions_base import action
from accounts.errors import Refused
from logbook import duplicates
from logbook.actions import scans as scan_actions
from review import attesting, credit, queries, rules
from review.actions import holds
from review.actions.programmes import open_reading_room
from review.actions.readings import Incomplete, add_findings
from review.models import Attestation, CreditRule, Discrepancy, Reading, ReadingDraft
from review.signals import attested

if TYPE_CHECKING:
    from accounts.models import Person, Programme
    from logbook.answers import Answer
    from logbook.models import Application, Exam, Scan


@dataclass(frozen=True)
class Signature:
    """What the reader adds to one scan after the reveal. ``credited`` None: as the rule says.

    ``urgent`` is the reader's own tick; a disagreement that the rule calls urgent needs none.
    ``told`` is a code of ``Discrepancy.TOLD`` or empty: nobody yet.
    """

    scan_id: uuid.UUID
    items: Mapping[str, str] = field(default_factory=dict)
    feedback: str = ""
    credited: bool | None = None
    override_reason: str = ""
    urgent: bool = False
    told: str = ""
    told_note: str = ""


@dataclass(frozen=True)
class _Ready:
    """One signature with everything looked up and checked."""

    signature: Signature
    scan: Scan
    reading: Reading
    first_reading: Reading
    items: Mapping[str, str]
    judged: Judged
    credited: bool


@dataclass(frozen=True)
class Judged:
    """What the credit rule says about one scan now."""

    rule: CreditRule
    exception: object
    verdict: credit.Verdict
    late: bool


def judge(
    scan: Scan, exam: Exam, reading: Reading, rule: CreditRule, captures, archive_read
) -> Judged:
    """The rule's answer with the director's exception, for the page and for the signature."""
    exception, waived = queries.waived_for(scan)
    facts = queries.facts_for_credit(
        scan,
        exam=exam,
        quality=reading.quality,
        imaged=queries.imaged_zones(captures, archive_read),
        credited_elsewhere=queries.is_credited_elsewhere(scan, exam),
    )
    verdict = credit.judge(rule.rule, facts, waived=waived)
    return Judged(rule, exception, verdict, credit.is_late(rule.rule, facts))


def rule_in_force(programme: Programme, *, at: dt.datetime) -> CreditRule:
    rule = CreditRule.objects.in_force(programme)
    return rule or open_reading_room(programme=programme, by=None, at=at)[1]


@action("attestation.signed")
def sign(
    *, exam: Exam, signatures: Sequence[Signature], by: Person, at: dt.datetime
) -> list[Attestation]:
    """Signs scans of one exam: each its own attestation and entry, all in one transaction.

    Raises Incomplete with a sentence a field, Refused, ``rules.HeldByAnother``, Conflict.
    """
    desk = holds.keep(exam=exam, by=by, at=at).desk
    exam = desk.exam
    if not signatures:
        raise Refused(_("There is nothing to sign."), code="nothing")
    duplicates.lock_same_files(exam)
    ready = _check(desk, signatures, rule_in_force(exam.programme, at=at))
    made = [_attest(one, desk, by=by, at=at) for one in ready]
    if len(made) == len(desk.scans):  # the hold ends with the last scan, and so does the draft
        ReadingDraft.objects.filter(exam=exam, reader=by).delete()
        holds.release(exam=exam, by=by, at=at)
    _nudge(exam.programme, made)
    return made


def _check(desk: queries.OnDesk, signatures: Sequence[Signature], rule: CreditRule) -> list[_Ready]:
    by_scan = {scan.pk: scan for scan in desk.scans}
    readings = {reading.scan_id: reading for reading in desk.readings}
    faults: dict[str, str] = {}
    ready = []
    for signature in signatures:
        scan, reading = by_scan.get(signature.scan_id), readings.get(signature.scan_id)
        if scan is None:
            raise Refused(_("One of these scans is no longer yours to sign."), code="not_on_desk")
        if reading is None:
            raise Refused(
                _("Give your own answer and look at the trainee's before you sign."),
                code="not_revealed",
            )
        rules.check_same_revision(scan, reading)
        scan.programme = desk.exam.programme  # one programme, with its zones read once
        judged = judge(scan, desk.exam, reading, rule, desk.captures, _archive(reading))
        credited = judged.verdict.credited if signature.credited is None else signature.credited
        items = _items(reading, signature.items, f"{scan.pk}-items", faults)
        _check_override(judged, credited, signature.override_reason, f"{scan.pk}-reason", faults)
        _check_texts(signature, faults)
        if signature.told and signature.told not in dict(Discrepancy.TOLD):
            faults[f"{scan.pk}-told"] = _("Choose who was told.")
        first = queries.first_reading_of(scan) or reading
        ready.append(_Ready(signature, scan, reading, first, items, judged, credited))
    if faults:
        raise Incomplete(faults)
    return ready


def _archive(reading: Reading) -> list[int]:
    return json.loads(reading.archive_read)


def _items(reading: Reading, chosen, name: str, faults: dict[str, str]) -> Mapping[str, str]:
    try:
        return reading.rubric_version.rubric.check_items(chosen)
    except ValueError:
        faults[name] = _("Choose again: this is not in the rubric.")
        return {}


def _check_override(judged: Judged, credited: bool, reason: str, name: str, faults) -> None:
    if credited != judged.verdict.credited and not reason.strip():
        faults[name] = _("This differs from the credit rule. Say why.")


def _check_texts(signature: Signature, faults: dict[str, str]) -> None:
    texts = (
        ("feedback", signature.feedback),
        ("reason", signature.override_reason),
        ("told_note", signature.told_note),
    )
    for name, text in texts:
        try:
            remarks.check(text)
        except Refused as refused:
            faults[f"{signature.scan_id}-{name}"] = str(refused.sentence)


def _attest(one: _Ready, desk: queries.OnDesk, *, by: Person, at: dt.datetime) -> Attestation:
    exam, scan, signature = desk.exam, one.scan, one.signature
    slot = ledger.reserve(exam.programme.chain, at=at)
    write = partial(remarks.write, programme=exam.programme, by=by, at=slot.at)
    overrides = one.credited != one.judged.verdict.credited
    signed = attesting.first(
        scan=scan,
        exam=exam,
        reading=one.reading,
        first_reading=one.first_reading,
        rule=one.judged.rule,
        exception=one.judged.exception,
        verdict=one.judged.verdict,
        late=one.judged.late,
        credited=one.credited,
        items=one.items,
        words=attesting.Words(
            feedback=write(text=signature.feedback),
            override=write(text=signature.override_reason) if overrides else None,
        ),
        captures=desk.captures,
        slot=slot,
    )
    attestation = Attestation(**vars(signed))
    # What was looked up stays at hand for whoever goes on with it.
    attestation.programme, attestation.exam = exam.programme, exam
    attestation.scan, attestation.application = scan, scan.application
    attestation.save(force_insert=True)
    scan_actions.move(scan=scan, to="attested", seq=slot.seq, by=by, at=slot.at, because="signed")
    discrepancy = None
    if attesting.is_urgent(scan, one.reading):
        discrepancy = _urgent(attestation, "pneumothorax", signature, by=by, slot=slot)
    elif signature.urgent:
        discrepancy = _urgent(attestation, "reader", signature, by=by, slot=slot)
    slot.append(
        subject=f"attestation:{attestation.pk}",
        body=body_of(attestation, scan.application, discrepancy),
        by=by,
    )
    return attestation


def _urgent(
    attestation: Attestation, because: str, signature: Signature, *, by: Person, slot
) -> Discrepancy:
    programme = attestation.programme
    told = signature.told
    note = signature.told_note if told else ""
    discrepancy = Discrepancy.objects.create(
        programme=programme,
        attestation=attestation,
        trainee_id=attestation.trainee_id,
        because=because,
        found_at=slot.at,
        telephone=programme.duty_telephone,
        told=told,
        told_remark=remarks.write(programme=programme, text=note, by=by, at=slot.at),
        told_at=slot.at if told else None,
        told_by=by if told else None,
    )
    notices.queue(
        kind="review.urgent",
        person=attestation.scan.trainee,
        programme=programme,
        dedup_key=f"review.urgent:{discrepancy.pk}",
        context={"exam": str(attestation.exam_id), "code": attestation.exam.code},
        due_at=slot.at,
    )
    return discrepancy


def body_of(
    attestation: Attestation | SimpleNamespace,
    application: Application,
    discrepancy: Discrepancy | None,
) -> dict:
    """The digest ties every frozen column to the chain; the rest lets a reader of the ledger work
    without the table."""
    return {
        "attestation": str(attestation.id),
        "scan": str(attestation.scan_id),
        "exam": str(attestation.exam_id),
        "trainee": str(attestation.trainee_id),
        "application": application.code,
        "ordinal": attestation.ordinal,
        "supersedes": str(attestation.supersedes_id) if attestation.supersedes_id else None,
        "performed_on": attestation.performed_on.isoformat(),
        "credited": attestation.credited,
        "in_read": attestation.in_read,
        "statement_sha256": hashlib.sha256(attestation.statement.encode()).hexdigest(),
        "urgent": {
            "discrepancy": str(discrepancy.pk),
            "because": discrepancy.because,
            "told": discrepancy.told,
        }
        if discrepancy
        else None,
    }


def _nudge(programme: Programme, made: Sequence[Attestation]) -> None:
    news = {
        "programme_id": programme.pk,
        "trainee_ids": {attestation.trainee_id for attestation in made},
        "seq": max(attestation.seq for attestation in made),
    }
    # A listener that fails must not undo a signature that stands: the sweep finds it.
    transaction.on_commit(lambda: attested.send_robust(sender=Attestation, **news))


# --- corrections ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class OwnReading:
    """The reading of somebody who corrects another's attestation: given with everything in view,
    so never blind."""

    answer: Answer
    quality: int
    findings: list[list[str]] = field(default_factory=list)


@action("attestation.superseded")
def supersede(
    *,
    attestation: Attestation,
    reason: str,
    own: OwnReading | None = None,
    credited: bool | None = None,
    override_reason: str = "",
    items: Mapping[str, str] | None = None,
    feedback: str = "",
    by: Person,
    at: dt.datetime,
) -> Attestation:
    """Signs a correction that takes the place of the current attestation.

    The signer keeps the reading and may change credit, items and sentence; another reader with
    the privilege gives their own. The rule and what happened at the bedside stay as attested.
    Raises Incomplete, Forbidden, Conflict, Refused.
    """
    exam = scan_actions.lock_exam(attestation.exam_id)
    before = (
        Attestation.objects.select_for_update(of=("self",))
        .select_related("programme", "credit_rule", "scan__application", "scan__trainee")
        .get(pk=attestation.pk)
    )
    programme = before.programme
    rules.check_may_correct(before, by, on=programme.local_date(at))
    mine = _reading_at_hand(before, by)
    faults: dict[str, str] = {}
    if not reason.strip():
        faults["reason"] = _("Say why this is corrected.")
    if own is not None and mine is not None:
        faults["answer"] = _("You have read this scan before: your reading stays as it is.")
    if own is None and mine is None:
        faults["answer"] = _("Give your own answer.")
    if own is not None:
        if fault := rules.answer_fault(own.answer, before.scan.application.kind):
            faults["answer"] = fault
        if own.quality not in range(1, 6):
            faults["quality"] = _("Mark the image quality.")
    if faults:
        raise Incomplete(faults)

    duplicates.lock_same_files(exam)
    slot = ledger.reserve(programme.chain, at=at)
    reading = mine or _read_openly(before, own, by, slot)
    kept = _items(reading, items or {}, "items", faults)
    # As attested then: the same revision, rule and captures, whatever was changed since.
    scan = before.scan
    scan.revision, scan.programme = before.revision, programme
    judged = _judge_again(before, scan, exam, reading)
    says = judged.verdict.credited if credited is None else credited
    _check_override(judged, says, override_reason, "override_reason", faults)
    if faults:
        raise Incomplete(faults)
    write = partial(remarks.write, programme=programme, by=by, at=slot.at)
    after = attesting.next_after(
        before,
        reading=reading,
        items=kept,
        verdict=judged.verdict,
        exception=judged.exception,
        credited=says,
        words=attesting.Words(
            feedback=write(text=feedback),
            override=write(text=override_reason) if says != judged.verdict.credited else None,
            correction=write(text=reason),
        ),
        slot=slot,
    )
    before.superseded_on, before.superseded_seq = after.signed_on, slot.seq
    before.save(update_fields=["superseded_on", "superseded_seq"])
    after.save(force_insert=True)
    discrepancy = None
    if reading.pk != before.reading_id and attesting.is_urgent(scan, reading):
        nobody_yet = Signature(scan_id=scan.pk)
        discrepancy = _urgent(after, "pneumothorax", nobody_yet, by=by, slot=slot)
    slot.append(
        subject=f"attestation:{after.pk}", body=body_of(after, scan.application, discrepancy), by=by
    )
    _nudge(programme, [after])
    return after


def _reading_at_hand(before: Attestation, by: Person) -> Reading | None:
    """The reading that a correction by this person keeps: the attested one for its signer, else
    their own of the same scan and revision."""
    if before.reader_id == by.pk:
        return before.reading
    return Reading.objects.filter(
        scan=before.scan_id, revision=before.revision_id, reader=by
    ).first()


def _read_openly(before: Attestation, own: OwnReading, by: Person, slot) -> Reading:
    reading = Reading.objects.create(
        programme=before.programme,
        scan=before.scan,
        revision=before.revision,
        reader=by,
        rubric_version=before.rubric_version,
        given_at=slot.at,
        revealed_at=slot.at,
        seq=slot.seq,
        answer=own.answer.code,
        quality=own.quality,
        archive_read=before.reading.archive_read,
        blind=False,
        independent=False,
        at_bedside=queries.was_at_bedside(by, before.exam),
    )
    add_findings(reading, own.findings)
    return reading


def _judge_again(before: Attestation, scan: Scan, exam: Exam, reading: Reading) -> Judged:
    imaged = frozenset(
        row["zone"]
        for row in json.loads(before.capture_hashes)
        if row["kind"] != "archive" or row["read"]
    )
    exception, waived = queries.waived_for(scan)
    facts = queries.facts_for_credit(
        scan,
        exam=exam,
        quality=reading.quality,
        imaged=imaged,
        credited_elsewhere=queries.is_credited_elsewhere(scan, exam),
    )
    rule = before.credit_rule
    verdict = credit.judge(rule.rule, facts, waived=waived)
    return Judged(rule, exception, verdict, credit.is_late(rule.rule, facts))
