"""The service's turn at a capture: strip it, and once its mask is confirmed, make its master.

No transaction is open while a file is worked on. Each step may be repeated: what was done already
is found done. Locks and refusals are those of the actions.
"""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Callable

import structlog
from django.utils.translation import gettext

from logbook import drafts, keeping
from logbook.actions import captures
from logbook.intake.facts import Day, Facts, Refusal
from logbook.intake.keys import KeyMissing
from logbook.intake.runner import pieces
from logbook.intake.staging import StagingError
from logbook.models import Exam, Upload
from logbook.uploads import ARRIVED

WORKING, PREVIEW, FACTS = "working", "preview", "facts"
Clock = Callable[[], dt.datetime]

log = structlog.get_logger("interspace.captures")


def process(upload: Upload, *, clock: Clock) -> bool:
    """Do what waits to be done with one upload. False where another worker has it, or nothing
    waits. Never raises for what a file does."""
    if not captures.claim(upload=upload, by=None, at=clock()):
        return False
    try:
        key = keeping.key_of(upload)
        step = _strip if upload.stripped_at is None else _finish
        refusal = step(upload, key, clock)
    except (StagingError, KeyMissing) as lost:
        log.warning("staged file lost", upload=str(upload.pk), why=type(lost).__name__)
        refusal = Refusal("lost")
    if refusal is None:
        return True
    log.info("refused", upload=str(upload.pk), code=refusal.code, trace=refusal.trace)
    if refusal.again and captures.let_go(upload=upload, by=None, at=clock()):
        return True
    captures.refuse(upload=upload, sentence=sentence_of(refusal), by=None, at=clock())
    return True


def process_waiting(*, clock: Clock, at_most: int = 100) -> int:
    """What a lost message left behind. Returns how many were worked on."""
    waiting = list(Upload.objects.waiting(at=clock()).order_by("received_at")[:at_most])
    return sum(process(upload, clock=clock) for upload in waiting)


def expire(*, clock: Clock) -> int:
    """Refuses what was not confirmed within a day, and empties staging of what nobody knows."""
    now = clock()
    staging = keeping.staging()
    known = Upload.objects.filter(emptied_at=None)
    for upload in known.filter(received_at__lte=now - dt.timedelta(hours=24)):
        captures.refuse(upload=upload, sentence=sentence_of(Refusal("expired")), by=None, at=now)
    alive = {str(pk) for pk in known.values_list("pk", flat=True)}
    gone = 0
    for staged in staging.listing():
        # One that has just come may not have its row yet.
        if staged.upload not in alive and staged.changed_at <= now - dt.timedelta(hours=1):
            gone += staging.remove(staged.upload)
    return gone


def facts_of(upload: Upload) -> Facts:
    """What step one found out. Raises StagingError or KeyMissing."""
    text = b"".join(keeping.staging().read(str(upload.pk), FACTS, key=keeping.key_of(upload)))
    return Facts.from_json(json.loads(text))


def preview_of(upload: Upload) -> bytes:
    """The picture on which the mask is drawn, a JPEG. Raises StagingError or KeyMissing."""
    return b"".join(keeping.staging().read(str(upload.pk), PREVIEW, key=keeping.key_of(upload)))


def sentence_of(refusal: Refusal) -> str:
    """The refusal in the reader's language."""
    return (
        gettext(refusal.template) % refusal.params if refusal.params else gettext(refusal.template)
    )


def _strip(upload: Upload, key: bytes, clock: Clock) -> Refusal | None:
    staging, name = keeping.staging(), str(upload.pk)
    arrived = staging.read(name, ARRIVED, key=key)
    outcome = keeping.runner().strip(arrived, day=_day(upload.capture.exam))
    if isinstance(outcome, Refusal):
        return outcome
    staging.write(name, WORKING, pieces(outcome.working), key=key)
    staging.write(name, PREVIEW, [outcome.poster], key=key)
    staging.write(name, FACTS, [json.dumps(outcome.facts.as_json()).encode()], key=key)
    staging.remove_part(name, ARRIVED)
    captures.stripped(upload=upload, facts=outcome.facts, by=None, at=clock())
    return None


def _finish(upload: Upload, key: bytes, clock: Clock) -> Refusal | None:
    if upload.mask is None:
        return None
    working = keeping.staging().read(str(upload.pk), WORKING, key=key)
    outcome = keeping.runner().finish(
        working, facts=facts_of(upload), mask=captures.mask_from(upload.mask)
    )
    if isinstance(outcome, Refusal):
        return outcome
    store, programme = keeping.store(), str(upload.programme_id)
    captures.keep(
        upload=upload,
        master=store.put(programme, outcome.master),
        poster=store.put(programme, io.BytesIO(outcome.poster)),
        by=None,
        at=clock(),
    )
    return None


def _day(exam: Exam) -> Day:
    """The day that the exam says it was performed on; a draft says it in its own text."""
    if exam.revision is not None and exam.draft is None:
        performed = exam.revision.performed_at
    else:
        performed = drafts.moment(drafts.read(exam.draft)["performed_at"]) or exam.created_at
    local = exam.programme.local(performed)
    return Day(local.date().isoformat(), round(local.utcoffset().total_seconds() / 60))
