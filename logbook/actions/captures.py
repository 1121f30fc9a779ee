"""What happens to a capture, from its arrival to its master, its removal or its refusal.

Locks: the sender of a file first, for what they may have in staging, then the exam, then the
capture, then the ledger's head. No file is read or written in a transaction; whoever calls has
done that before, or does it after.
"""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

from django.db import transaction
from django.db.models import F, Max, Subquery
from django.utils.translation import gettext as _

from accounts import ledger
from accounts.actions_base import action
from accounts.errors import Conflict
from accounts.ledger.core import canonical
from accounts.models import Person
from logbook import capture_rules, keeping
from logbook.actions.objects import remember
from logbook.actions.scans import lock_exam, settle
from logbook.intake.facts import Facts, Rectangle
from logbook.intake.marks import Marks
from logbook.models import Capture, Exam, Upload
from logbook.models.uploads import CLAIM_LASTS, MOST_ATTEMPTS
from logbook.queries import logbook_of

if TYPE_CHECKING:
    from logbook.intake.arrival import ArrivalMac
    from logbook.intake.store import Stored
    from logbook.uploads import Arrival


@action(ledger=None, why="a file in transit; entered when its master is kept")
def receive(
    *,
    capture_id: uuid.UUID,
    exam: Exam,
    arrival: Arrival,
    zone: str,
    probe: str,
    depth_mm: int | None,
    mode: str,
    by: Person,
    at: dt.datetime,
) -> Capture:
    """A file has arrived whole. The identifier is the sender's: the same one again is the same
    capture, so a send that is repeated makes no second. Raises Refused."""
    lock_sender(by)
    exam = lock_exam(exam.pk)
    if (existing := present(capture_id, exam)) is not None:
        return existing
    capture_rules.check_addable(exam, by, at)
    capture_rules.check_room(exam, by, arrival.size)
    logbook = logbook_of(exam.programme)
    capture_rules.check_description(logbook, zone=zone, probe=probe, mode=mode, depth_mm=depth_mm)
    capture = Capture.objects.create(
        id=capture_id,
        programme=exam.programme,
        exam=exam,
        ordinal=next_ordinal(exam),
        zone=zone,
        probe=probe,
        depth_mm=depth_mm,
        mode=mode,
        kind="still",  # until the decoder has said what it is
        state="received",
        created_at=at,
        arrival_mac=arrival.mac,
        mac_key_id=arrival.mac_key_id,
    )
    Upload.objects.create(
        id=uuid.UUID(arrival.upload_id),
        programme=exam.programme,
        capture=capture,
        sealed_key=arrival.sealed_key,
        sealed_by=arrival.sealed_by,
        size=arrival.size,
        offset=arrival.size,
        received_at=at,
    )
    settle(exam, at=at)
    return capture


@action("capture.archived")
def archive(
    *,
    capture_id: uuid.UUID,
    exam: Exam,
    zone: str,
    probe: str,
    depth_mm: int | None,
    mode: str,
    by: Person,
    at: dt.datetime,
) -> Capture:
    """Says that images of the exam are kept in the department's archive; nothing is stored here."""
    exam = lock_exam(exam.pk)
    existing = Capture.objects.filter(pk=capture_id, exam=exam).first()
    if existing is not None:
        ledger.nothing_changed()
        return existing
    capture_rules.check_addable(exam, by, at)
    logbook = logbook_of(exam.programme)
    capture_rules.check_description(logbook, zone=zone, probe=probe, mode=mode, depth_mm=depth_mm)
    slot = ledger.reserve(exam.programme.chain, at=at)
    capture = Capture.objects.create(
        id=capture_id,
        programme=exam.programme,
        exam=exam,
        ordinal=next_ordinal(exam),
        zone=zone,
        probe=probe,
        depth_mm=depth_mm,
        mode=mode,
        kind="archive",
        state="ready",
        created_at=slot.at,
        ready_at=slot.at,
    )
    settle(exam, at=slot.at)
    slot.append(subject=f"capture:{capture.pk}", body={"exam": str(exam.pk), "zone": zone}, by=by)
    return capture


@action(ledger=None, why="which worker works on it says nothing of the capture")
def claim(*, upload: Upload, by: Person | None, at: dt.datetime) -> bool:
    """Takes an upload for this worker, by compare-and-set. False where another has it."""
    taken = (
        Upload.objects.waiting(at=at)
        .filter(pk=upload.pk, attempts=upload.attempts)
        .update(claimed_at=at, attempts=F("attempts") + 1)
    )
    if taken:
        upload.refresh_from_db()
    return bool(taken)


@action(ledger=None, why="the service's own step; nothing is kept yet")
def stripped(
    *, upload: Upload, facts: Facts, mac: ArrivalMac, by: Person | None, at: dt.datetime
) -> bool:
    """The frames wait for the person. False where the capture has moved on meanwhile.

    ``mac`` has seen the whole file, which in pieces nobody had before.
    """
    capture = _locked(upload)
    if capture.state != "received":
        return False
    capture_rules.check_move(capture, "confirm_mask")
    _describe(capture, facts)
    capture.arrival_mac, capture.mac_key_id = mac.hexdigest(), mac.key_id
    capture.state = "confirm_mask"
    capture.save()
    Upload.objects.filter(pk=upload.pk).update(
        stripped_at=at, claimed_at=None, attempts=0, text_at=mask_text(facts.text)
    )
    settle(capture.exam, at=at)
    return True


@action(ledger=None, why="the master, which this leads to, is entered when it is kept")
def confirm_mask(
    *,
    capture: Capture,
    mask: Sequence[Rectangle],
    marks: Marks | None = None,
    text_answered: bool = False,
    depth_mm: int | None = None,
    by: Person,
    at: dt.datetime,
) -> Capture:
    """The person has said what is to be hidden; making the master is the service's turn.

    `marks` are redrawn beside the picture. `text_answered`: what letters are left name nobody;
    without it every place where letters were found has to be covered. `depth_mm`: the person
    takes over what the file says. Confirming again what was confirmed changes nothing. Raises
    Refused.
    """
    upload = Upload.objects.get(capture=capture)
    capture = _locked(upload)
    text = mask_text(mask)
    if capture.state in ("received", "ready") and Upload.objects.get(pk=upload.pk).mask == text:
        return capture
    capture_rules.check_confirmable(capture, by, mask, at)
    capture_rules.check_letters(mask_from(upload.text_at), mask, answered=text_answered)
    capture.state = "received"
    if depth_mm is not None:
        logbook = logbook_of(capture.exam.programme)
        capture_rules.check_description(
            logbook, zone=capture.zone, probe="", mode="", depth_mm=depth_mm
        )
        capture.depth_mm = depth_mm
    capture.save(update_fields=["state", "depth_mm"])
    Upload.objects.filter(pk=upload.pk).update(
        mask=text,
        marks=canonical(asdict(marks or Marks())),
        text_answered=text_answered,
        claimed_at=None,
        attempts=0,
    )
    settle(capture.exam, at=at)
    return capture


@action("capture.kept")
def keep(
    *,
    upload: Upload,
    master: Stored,
    poster: Stored,
    teaching: Stored | None = None,
    uid_key_id: str = "",
    fingerprint: bytes = b"",
    by: Person | None,
    at: dt.datetime,
) -> bool:
    """The master is stored: the capture is ready, and its hash is on the record.

    False where the capture was removed meanwhile; the caller's objects are then orphans. Raises
    keeping.ObjectGone where a sweep took one of them since: the caller stores them again.
    """
    capture = _locked(upload)
    if capture.state != "received" or upload.mask is None:
        ledger.nothing_changed()
        return False
    capture_rules.check_move(capture, "ready")
    objects = [one.key for one in (master, poster, teaching) if one]
    keeping.check_there(capture.programme_id, objects)
    slot = ledger.reserve(capture.exam.programme.chain, at=at)
    capture.state, capture.ready_at = "ready", slot.at
    capture.master_key, capture.master_sha256 = master.key, master.sha256
    capture.poster_key = poster.key
    capture.play_key = master.key if capture.kind == "clip" else ""
    capture.dicom_key, capture.uid_key_id = teaching.key if teaching else "", uid_key_id
    capture.save()
    remember(capture, fingerprint)
    _empty(upload, at=slot.at)
    settle(capture.exam, at=slot.at)
    slot.append(
        subject=f"capture:{capture.pk}",
        body={
            "exam": str(capture.exam_id),
            "master": master.sha256,
            "kind": capture.kind,
            "frames": capture.frames,
            "hidden": json.loads(upload.mask),
            "redrawn": json.loads(upload.marks),
            "teaching": teaching.sha256 if teaching else None,
            "letters": {
                "found": len(json.loads(upload.text_at)),
                "name_nobody": upload.text_answered,
            },
        },
        by=capture.exam.trainee_id,
    )
    return True


@action("capture.refused")
def refuse(*, upload: Upload, sentence: str, by: Person | None, at: dt.datetime) -> bool:
    """The file cannot be taken; the sentence says why and what to do."""
    capture = _locked(upload)
    if capture.state not in ("uploading", "received", "confirm_mask"):
        ledger.nothing_changed()
        return False
    capture_rules.check_move(capture, "refused")
    slot = ledger.reserve(capture.exam.programme.chain, at=at)
    capture.state, capture.refusal = "refused", sentence[:300]
    capture.save()
    _empty(upload, at=slot.at)
    settle(capture.exam, at=slot.at)
    slot.append(
        subject=f"capture:{capture.pk}",
        body={"exam": str(capture.exam_id), "why": capture.refusal},
        by=by,
    )
    return True


@action(ledger=None, why="tried again by itself; refused, with an entry, when it is given up")
def let_go(*, upload: Upload, by: Person | None, at: dt.datetime) -> bool:
    """Our own fault, not the file's: another try. False where that was the last one."""
    row = Upload.objects.get(pk=upload.pk)
    if row.attempts >= MOST_ATTEMPTS:
        return False
    Upload.objects.filter(pk=upload.pk).update(
        claimed_at=at - CLAIM_LASTS + dt.timedelta(seconds=30)
    )
    return True


@action("capture.removed")
def remove(*, capture: Capture, by: Person, at: dt.datetime) -> Capture:
    """The person takes a capture away. Raises Refused where it was read already."""
    lock_exam(capture.exam_id)
    capture = Capture.objects.select_for_update(of=("self",)).get(pk=capture.pk)
    if capture.state == "removed":
        ledger.nothing_changed()
        return capture
    capture_rules.check_removable(capture, by, at)
    slot = ledger.reserve(capture.exam.programme.chain, at=at)
    was, capture.state = capture.state, "removed"
    hashes = capture.master_sha256
    capture.gone_at, capture.gone_by, capture.gone_because = slot.at, by, "own"
    capture.save()
    upload = Upload.objects.filter(capture=capture, emptied_at=None).first()
    if upload is not None:
        _empty(upload, at=slot.at)
    settle(capture.exam, at=slot.at)
    slot.append(
        subject=f"capture:{capture.pk}",
        body={"exam": str(capture.exam_id), "was": was, "master": hashes},
        by=by,
    )
    return capture


def mask_text(mask: Sequence[Rectangle]) -> str:
    """The rectangles as canonical text: hundredths of a percent, in their order."""
    rows = [[round(side * 10_000) for side in (r.x0, r.y0, r.x1, r.y1)] for r in mask]
    return json.dumps(rows, separators=(",", ":"))


def mask_from(text: str) -> list[Rectangle]:
    """The inverse of ``mask_text``."""
    return [Rectangle(*(side / 10_000 for side in row)) for row in json.loads(text)]


def lock_sender(person: Person) -> None:
    """Whoever counts what a person has in staging does it alone. Taken before the exam's lock."""
    # Not the row's full lock: rows elsewhere that name the person need not wait.
    Person.objects.select_for_update(no_key=True).get(pk=person.pk)


def present(capture_id: uuid.UUID, exam: Exam) -> Capture | None:
    """The capture of that identifier, where the exam has it already. Raises Conflict where it is
    another's."""
    existing = Capture.objects.select_related("upload").filter(pk=capture_id).first()
    if existing is not None and existing.exam_id != exam.pk:
        raise Conflict(_("This identifier is taken."), code="taken")
    return existing


def _locked(upload: Upload) -> Capture:
    its = Capture.objects.filter(pk=upload.capture_id).order_by()
    exam = lock_exam(Subquery(its.values("exam_id")))
    capture = Capture.objects.select_for_update().get(pk=upload.capture_id)
    capture.exam = exam
    return capture


def next_ordinal(exam: Exam) -> int:
    return (exam.captures.aggregate(last=Max("ordinal"))["last"] or 0) + 1


def _describe(capture: Capture, facts: Facts) -> None:
    capture.kind = facts.kind
    capture.width, capture.height = facts.width, facts.height
    capture.frames, capture.duration_ms = facts.frames, facts.duration_ms
    capture.frame_starts = ",".join(map(str, facts.frame_starts))
    capture.file_date = facts.file_date


def _empty(upload: Upload, *, at: dt.datetime) -> None:
    """The key goes with the commit; the folder, which is noise from then on, after it."""
    Upload.objects.filter(pk=upload.pk).update(sealed_key=None, claimed_at=None, emptied_at=at)
    transaction.on_commit(lambda: keeping.staging().remove(str(upload.pk)))
