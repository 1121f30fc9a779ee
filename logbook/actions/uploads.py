"""What happens to a file that comes in pieces, until it is whole.

The offset moves by compare-and-set in a transaction of its own, after the bytes are on disk:
nothing waits for a phone while a row is locked, and what was acknowledged is stored.
"""

from __future__ import annotations

import datetime as dt
import uuid
from typing import TYPE_CHECKING

from django.db.models import F
from django.utils.translation import gettext as _

from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from logbook import capture_rules, keeping
from logbook.actions.captures import lock_sender, next_ordinal, present
from logbook.actions.scans import lock_exam, settle
from logbook.intake.facts import SENTENCES
from logbook.models import Capture, Exam, Upload
from logbook.queries import logbook_of

if TYPE_CHECKING:
    from accounts.models import Person


@action(ledger=None, why="a file in transit; entered when its master is kept")
def begin(
    *,
    capture_id: uuid.UUID,
    exam: Exam,
    size: int,
    zone: str,
    probe: str,
    depth_mm: int | None,
    mode: str,
    by: Person,
    at: dt.datetime,
) -> Upload:
    """Room for a file of that size. The identifier is the sender's: begun again with the same
    size, it is the same upload. Raises Refused."""
    lock_sender(by)
    exam = lock_exam(exam.pk)
    if (existing := present(capture_id, exam)) is not None:
        upload = getattr(existing, "upload", None)
        is_over = upload is not None and upload.emptied_at and upload.offset < size
        if upload is None or upload.size != size or is_over:
            raise Conflict(_("This identifier is taken."), code="taken")
        return upload
    capture_rules.check_addable(exam, by, at)
    if size < 1:
        raise Refused(_(SENTENCES["empty"]), code="empty", field="file")
    capture_rules.check_room(exam, by, size)
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
        state="uploading",
        created_at=at,
    )
    upload = Upload(programme=exam.programme, capture=capture, size=size)
    _key, upload.sealed_key, upload.sealed_by = keeping.fresh_key(str(upload.pk))
    upload.save()
    settle(exam, at=at)
    return upload


@action(ledger=None, why="pieces in transit; entered when the master is kept")
def advance(
    *,
    upload: Upload,
    start: int,
    before: str,
    end: int,
    head: str,
    pieces: int,
    by: Person,
    at: dt.datetime,
) -> bool:
    """Acknowledges what is on disk from ``start`` to ``end``. With the last byte the capture is
    received.

    False where another request was first, or the upload is over: then nothing of it counts.
    """
    whole = end == upload.size
    if whole:
        exam = lock_exam(upload.capture.exam_id)
        capture = Capture.objects.select_for_update(of=("self",)).get(pk=upload.capture_id)
        if capture.state != "uploading":
            return False
    moved = Upload.objects.filter(pk=upload.pk, offset=start, head=before, emptied_at=None).update(
        offset=end,
        head=head,
        pieces=F("pieces") + pieces,
        received_at=at if whole else None,
    )
    if moved and whole:
        capture_rules.check_move(capture, "received")
        capture.state = "received"
        capture.save(update_fields=["state"])
        settle(exam, at=at)
    return bool(moved)
