"""Recording an exam: its draft, its submissions, its withdrawal.

Locks: the exam first, then the ledger's head.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from logbook import drafts, rules, states
from logbook.actions import scans
from logbook.codes import new_code
from logbook.models import Exam, ExamRevision, Finding, RevisionAnswer, Scan
from logbook.queries import Logbook, logbook_of

if TYPE_CHECKING:
    from accounts.models import Person, Programme

CODE_ATTEMPTS = 20


class Stale(Conflict):
    """The write named another version than the stored one, and says something else."""

    def __init__(self, exam: Exam) -> None:
        self.exam = exam
        super().__init__(
            _("This exam was changed elsewhere since you opened it. Both versions are shown."),
            code="stale",
        )


class Taken(Conflict):
    """The identifier belongs to somebody else's exam; the client takes a new one."""

    def __init__(self) -> None:
        super().__init__(_("This identifier is taken."), code="taken")


class Missing(Conflict):
    """There is no such exam for this person."""

    status = 404

    def __init__(self) -> None:
        super().__init__(_("There is no such exam."), code="missing")


@dataclass(frozen=True)
class Saved:
    exam: Exam
    created: bool = False
    wrote: bool = False


@action(ledger=None, why="a draft is its trainee's own working copy; its submission is entered")
def save_draft(
    *,
    exam_id: uuid.UUID,
    programme: Programme,
    draft: Mapping[str, Any],
    version: int | None,
    by: Person,
    at: dt.datetime,
) -> Saved:
    """Stores a draft under the client's identifier. ``version`` None creates.

    An equal draft is accepted and writes nothing, whatever the version. Raises Stale, Taken,
    Missing; Refused where the exam may not be edited or a text identifies a patient;
    ``drafts.Misshapen`` where it is no draft.
    """
    cleaned = drafts.clean(draft)
    _check_texts(cleaned)
    if version is None:
        made = _create(exam_id, programme, cleaned, by, at)
        if made is not None:
            return Saved(made, created=True, wrote=True)
    exam = _locked(exam_id)
    if exam is None or (exam.trainee_id != by.pk and version is not None):
        raise Missing
    if exam.trainee_id != by.pk or exam.programme_id != programme.pk:
        raise Taken
    text = drafts.canonical(_with_answer_time(cleaned, exam, at))
    if text == exam.draft or _says_what_was_submitted(exam, cleaned):
        return Saved(exam)
    if version != exam.version:
        raise Stale(exam)
    rules.check_editable(exam, at)
    exam.draft = text
    exam.version += 1
    exam.save(update_fields=["draft", "version"])
    return Saved(exam, wrote=True)


def _create(exam_id, programme, cleaned, by, at) -> Exam | None:
    """The new exam, or None where the identifier exists already. Two at once: one wins."""
    text = drafts.canonical(_with_answer_time(cleaned, None, at))
    for _attempt in range(CODE_ATTEMPTS):
        code = new_code()
        if Exam.objects.filter(pk=exam_id).exists():
            return None
        if Exam.objects.filter(programme=programme, code=code).exists():
            continue
        try:
            with transaction.atomic():
                return Exam.objects.create(
                    id=exam_id,
                    programme=programme,
                    trainee=by,
                    code=code,
                    draft=text,
                    created_at=at,
                )
        except IntegrityError:
            continue  # the identifier or the code was taken meanwhile: look again
    raise Refused(_("No exam code could be found. Try again."), code="no_code")


def _locked(exam_id: uuid.UUID) -> Exam | None:
    try:
        return scans.lock_exam(exam_id)
    except Exam.DoesNotExist:
        return None


def _has_answers(draft: Mapping[str, Any]) -> bool:
    return bool(draft["answers"])


def _with_answer_time(cleaned: dict[str, Any], exam: Exam | None, at: dt.datetime) -> dict:
    """The time of the first answer: the phone's own, else when the first one was saved here."""
    if cleaned["answered_at"] or not _has_answers(cleaned):
        return cleaned
    before = drafts.read(exam.draft)["answered_at"] if exam else ""
    return {**cleaned, "answered_at": before or at.astimezone(dt.UTC).isoformat(timespec="seconds")}


def _says_what_was_submitted(exam: Exam, cleaned: Mapping[str, Any]) -> bool:
    """Whether a write repeats the last submission, with nothing unsubmitted in between. Answers
    to what is not asked are not part of a submission."""
    if exam.draft is not None or exam.revision is None or _was_mended(exam):
        return False
    asked = {c: a for c, a in cleaned["answers"].items() if c in cleaned["applications"]}
    submitted = present_draft(exam)
    told = {**cleaned, "answers": asked, "answered_at": submitted["answered_at"]}
    return drafts.canonical(told) == drafts.canonical(submitted)


def _was_mended(exam: Exam) -> bool:
    """Whether what was returned has a capture since: then equal fields are another submission."""
    since = exam.revision.submitted_at
    return (
        exam.state == "needs_you" and exam.captures.present().filter(created_at__gt=since).exists()
    )


def _check_texts(cleaned: Mapping[str, Any]) -> None:
    for field in ("note", "place"):
        remarks.check(cleaned[field], field=field)


def present_draft(exam: Exam) -> dict[str, Any]:
    """The draft that an edit starts from: the stored one, else the last revision as a draft."""
    if exam.draft is not None or exam.revision is None:
        return drafts.read(exam.draft)
    revision = exam.revision
    answers = {
        row.application.code: drafts.answer_parts(row.parsed, row.confidence)
        for row in revision.answers.select_related("application")
    }
    findings: dict[str, dict[str, str]] = {}
    for found in revision.findings.all():
        findings.setdefault(found.zone, {})[found.sign] = found.value
    return drafts.clean(
        {
            **{field: getattr(revision, field) for field in drafts.TEXTS},
            **{field: getattr(revision, field).isoformat() for field in drafts.TIMES},
            "supervisor": str(revision.supervisor_id or ""),
            "same_patient": str(revision.same_patient_id or ""),
            "note": (revision.note.text or "") if revision.note else "",
            "knew_result": "yes" if revision.knew_result else "no",
            "applications": list(answers),
            "answers": answers,
            "findings": findings,
        }
    )


@action("exam.submitted")
def submit(*, exam: Exam, version: int, by: Person, at: dt.datetime) -> ExamRevision:
    """Makes a revision of the draft and, the first time, its scans and their first answers.

    Naming the version that was submitted already gives that revision again and writes nothing.
    Raises Stale, Refused, and ``rules.Incomplete`` with a sentence a field.
    """
    exam = _locked(exam.pk)
    if exam is None or exam.trainee_id != by.pk:
        raise Missing
    done = exam.revisions.filter(draft_version=version).first()
    if done is not None:
        ledger.nothing_changed()
        return done
    if version != exam.version:
        raise Stale(exam)
    rules.check_editable(exam, at)
    if exam.draft is None:
        raise Refused(_("Nothing was changed since the last submission."), code="unchanged")
    draft = drafts.read(exam.draft)
    logbook = logbook_of(exam.programme)
    rules.check_submittable(exam, draft, logbook, at=at)

    slot = ledger.reserve(exam.programme.chain, at=at)
    note = remarks.write(programme=exam.programme, text=draft["note"], by=by, at=slot.at)
    revision = _revise(exam, draft, logbook, note, at=slot.at)
    answers = _answer(exam, revision, draft, logbook)
    _scan(exam, revision, answers, logbook, slot, by=by)
    exam.revision = revision
    exam.first_received_at = exam.first_received_at or slot.at
    exam.draft = None
    exam.version += 1
    if exam.state == "draft":
        states.EXAM.check("draft", "received")
        exam.state = "received"
    exam.save()
    scans.settle(exam, at=slot.at)
    slot.append(
        subject=f"exam:{exam.pk}",
        body={
            "code": exam.code,
            "revision": str(revision.pk),
            "n": revision.n,
            "performed_on": revision.performed_on.isoformat(),
            "answers": {row.application.code: row.answer for row in answers},
            "note": {"remark": str(note.pk), "digest": note.digest} if note else None,
        },
        by=by,
    )
    return revision


def _revise(exam, draft, logbook: Logbook, note, *, at) -> ExamRevision:
    performed = min(drafts.moment(draft["performed_at"]), at)
    answered = min(drafts.moment(draft["answered_at"]) or at, at)
    revision = ExamRevision.objects.create(
        programme=exam.programme,
        exam=exam,
        n=exam.revisions.count() + 1,
        draft_version=exam.version,
        submitted_at=at,
        performed_at=performed,
        performed_on=exam.programme.local_date(performed),
        answered_at=answered,
        note=note,
        supervisor_id=uuid.UUID(draft["supervisor"]) if draft["supervisor"] else None,
        same_patient_id=uuid.UUID(draft["same_patient"]) if draft["same_patient"] else None,
        knew_result=draft["knew_result"] == "yes",
        parameters=logbook.parameters.text,
        **{field: draft[field] for field in drafts.TEXTS},
    )
    Finding.objects.bulk_create(
        Finding(programme=exam.programme, revision=revision, zone=zone, sign=sign, value=value)
        for (zone, sign), value in drafts.findings_of(draft).items()
    )
    return revision


def _answer(exam, revision, draft, logbook: Logbook) -> list[RevisionAnswer]:
    return RevisionAnswer.objects.bulk_create(
        RevisionAnswer(
            programme=exam.programme,
            revision=revision,
            application=application,
            answer=drafts.answer_of(draft, application.code).code,
            confidence=draft["answers"][application.code]["confidence"],
        )
        for application in logbook.applications
        if application.code in draft["applications"]
    )


def _scan(exam, revision, answers, logbook: Logbook, slot: ledger.Slot, *, by) -> None:
    """New scans for what is asked the first time; waiting ones follow the newest revision."""
    existing = {scan.application_id: scan for scan in Scan.objects.filter(exam=exam)}
    for row in answers:
        scan = existing.get(row.application_id)
        if scan is None:
            _first_scan(exam, revision, row, logbook, slot)
        elif scan.state in ("submitted", "returned"):
            scan.revision = revision
            scan.performed_on = revision.performed_on
            scan.save(update_fields=["revision", "performed_on"])
            if scan.state == "returned":
                scans.move(
                    scan=scan,
                    to="submitted",
                    seq=slot.seq,
                    by=by,
                    at=slot.at,
                    because="submitted again",
                )


def _first_scan(exam, revision, row, logbook: Logbook, slot: ledger.Slot) -> Scan:
    # An application that is first asked by a later revision is answered then, not before.
    answered = revision.answered_at if revision.n == 1 else slot.at
    return Scan.objects.create(
        programme=exam.programme,
        exam=exam,
        application=row.application,
        trainee=exam.trainee,
        moved_at=slot.at,
        received_seq=slot.seq,
        moved_seq=slot.seq,
        revision=revision,
        first_answer=row.answer,
        first_confidence=row.confidence,
        first_answered_at=answered,
        performed_on=revision.performed_on,
    )


@action("exam.withdrawn")
def withdraw(*, exam: Exam, by: Person, at: dt.datetime) -> Exam:
    """Takes the exam back, for good. The row stays and is counted; an open draft is emptied."""
    exam = _locked(exam.pk)
    if exam is None or exam.trainee_id != by.pk:
        raise Missing
    rules.check_withdrawable(exam, at)
    slot = ledger.reserve(exam.programme.chain, at=at)
    for scan in Scan.objects.filter(exam=exam, state__in=["submitted", "returned"]):
        scans.move(
            scan=scan, to="withdrawn", seq=slot.seq, by=by, at=slot.at, because="exam withdrawn"
        )
    was = exam.state
    states.EXAM.check(was, "withdrawn")
    exam.state = "withdrawn"
    exam.draft = None
    exam.version += 1
    exam.save(update_fields=["state", "draft", "version"])
    slot.append(subject=f"exam:{exam.pk}", body={"code": exam.code, "was": was}, by=by)
    return exam


@action(ledger=None, why="an unfinished edit is its trainee's own working copy")
def drop_edit(*, exam: Exam, version: int, by: Person, at: dt.datetime) -> Exam:
    """Gives up an edit of a submitted exam; what was submitted stands."""
    exam = _locked(exam.pk)
    if exam is None or exam.trainee_id != by.pk:
        raise Missing
    if version != exam.version:
        raise Stale(exam)
    if exam.revision_id is None:
        raise Refused(_("This draft was never submitted. Withdraw it instead."), code="draft")
    if exam.draft is not None:
        exam.draft = None
        exam.version += 1
        exam.save(update_fields=["draft", "version"])
    return exam
