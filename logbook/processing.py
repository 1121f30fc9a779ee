"""The service's turn at a capture: strip it, and once its mask is confirmed, make its master.

No transaction is open while a file is worked on. Each step may be repeated: what was done already
is found done. Locks and refusals are those of the actions.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import json
from collections.abc import Callable, Sequence

import structlog
from django.utils.translation import gettext

from logbook import drafts, keeping
from logbook.actions import captures
from logbook.intake import masks
from logbook.intake.arrival import ArrivalMac
from logbook.intake.facts import Day, Facts, Rectangle, Refusal
from logbook.intake.keys import KeyMissing
from logbook.intake.marks import Marks
from logbook.intake.runner import Cleaned, pieces
from logbook.intake.staging import StagingError
from logbook.models import Exam, LogbookSettings, Upload

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
    """Refuses what did not come whole or was not confirmed within a day, and empties staging of
    what nobody knows."""
    now = clock()
    staging = keeping.staging()
    for upload in Upload.objects.overdue(at=now):
        why = Refusal("expired" if upload.received_at else "unfinished")
        captures.refuse(upload=upload, sentence=sentence_of(why), by=None, at=now)
    known = Upload.objects.filter(emptied_at=None)
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
    mac = ArrivalMac(keeping.arrival_key())
    arrived = mac.watch(keeping.arrived(upload, key))
    exam = Exam.objects.select_related("programme", "revision").get(captures=upload.capture_id)
    outcome = keeping.runner().strip(arrived, day=_day(exam))
    if isinstance(outcome, Refusal):
        return outcome
    facts = _with_letters(outcome.facts, outcome.poster)
    parts = {
        WORKING: pieces(outcome.working),
        PREVIEW: [outcome.poster],
        FACTS: [json.dumps(facts.as_json()).encode()],
    }
    staging.write_together(name, parts, key=key)
    # Killed between these two, the step finds what arrived and is repeated, or has been done.
    captures.stripped(upload=upload, facts=facts, mac=mac, by=None, at=clock())
    if not _is_for_teaching(upload, facts):
        staging.remove_arrived(name)
    return None


def _finish(upload: Upload, key: bytes, clock: Clock) -> Refusal | None:
    if upload.mask is None:
        return None
    working = keeping.staging().read(str(upload.pk), WORKING, key=key)
    facts, mask = facts_of(upload), captures.mask_from(upload.mask)
    outcome = keeping.runner().finish(
        working,
        facts=facts,
        mask=mask,
        marks=Marks(**json.loads(upload.marks)),
    )
    if isinstance(outcome, Refusal):
        return outcome
    cleaned = _cleaned(upload, key, facts, mask)
    for last_try in (False, True):
        store, programme = keeping.store(), str(upload.programme_id)
        outcome.master.seek(0)
        if cleaned is not None:
            cleaned.content.seek(0)
        try:
            captures.keep(
                upload=upload,
                master=store.put(programme, outcome.master),
                poster=store.put(programme, io.BytesIO(outcome.poster)),
                teaching=store.put(programme, cleaned.content) if cleaned else None,
                uid_key_id=keeping.uid_key().id if cleaned else "",
                fingerprint=outcome.fingerprint,
                by=None,
                at=clock(),
            )
            break
        except keeping.ObjectGone:
            if last_try:
                raise
    return None


def _with_letters(facts: Facts, preview: bytes) -> Facts:
    found = keeping.letters_in(preview)
    if found is None:
        return facts
    return dataclasses.replace(facts, text=found[: masks.MOST_RECTANGLES // 2], text_sought=True)


def _is_for_teaching(upload: Upload, facts: Facts) -> bool:
    """Whether the programme asked for cleaned DICOM, and this is any. Until it is made, the file
    as it arrived waits in staging with the rest."""
    return (
        facts.source == "dicom"
        and LogbookSettings.objects.filter(programme=upload.programme_id, keep_dicom=True).exists()
    )


def _cleaned(upload: Upload, key: bytes, facts: Facts, mask: Sequence[Rectangle]) -> Cleaned | None:
    """The copy for the teaching set. That it cannot be made costs the capture nothing."""
    if not _is_for_teaching(upload, facts):
        return None
    secret, programme = keeping.uid_key(), upload.programme_id
    try:
        made = keeping.runner().clean(
            keeping.arrived(upload, key),
            facts=facts,
            mask=mask,
            rename=lambda uid: keeping.new_uid(secret, programme, uid),
        )
    except StagingError:
        return None  # asked for only after this one had come
    if isinstance(made, Refusal):
        log.info("not kept for teaching", upload=str(upload.pk), code=made.code, trace=made.trace)
        return None
    return made


def _day(exam: Exam) -> Day:
    """The day that the exam says it was performed on; a draft says it in its own text."""
    if exam.revision is not None and exam.draft is None:
        performed = exam.revision.performed_at
    else:
        performed = drafts.moment(drafts.read(exam.draft)["performed_at"]) or exam.created_at
    local = exam.programme.local(performed)
    return Day(local.date().isoformat(), round(local.utcoffset().total_seconds() / 60))
