"""Sending a scan back, and not reading it at all."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts import ledger, notices, remarks
from accounts.actions_base import action
from accounts.errors import Refused
from logbook.actions import scans as scan_actions
from review import attesting, rules
from review.actions import holds
from review.models import ReadingDraft, ReturnRequest, SetAside

if TYPE_CHECKING:
    from accounts.models import Person
    from logbook.models import Exam, Scan

# What of an exam may be asked for again. The answer is not among it and never will be.
FIELDS = (
    "place",
    "performed_at",
    "age_band",
    "position",
    "breathing",
    "chest_procedure",
    "indication",
    "supervision",
    "supervisor",
    "findings",
)


@action("scans.returned")
def return_(
    *,
    exam: Exam,
    scan_ids: Collection[uuid.UUID],
    zones: Sequence[str] = (),
    captures: Sequence[str] = (),
    fields: Sequence[str] = (),
    text: str = "",
    by: Person,
    at: dt.datetime,
) -> list[ReturnRequest]:
    """Asks the trainee for zones, captures (by number) or fields. The exam leaves the list until
    it is submitted again. Raises Refused, ``rules.HeldByAnother``.

    Something urgent is signed and telephoned, never sent back.
    """
    desk = holds.keep(exam=exam, by=by, at=at).desk
    exam = desk.exam
    rules.check_asks(zones, captures, fields)
    chosen = _chosen(desk.scans, scan_ids)
    scheme = chosen[0].revision.rules.zones
    numbers = {str(c.ordinal) for c in desk.captures}
    if (
        [z for z in zones if z not in scheme]
        or set(captures) - numbers
        or set(fields) - set(FIELDS)
    ):
        raise Refused(_("Choose again: one of these is not part of this exam."), code="unknown")
    readings = {reading.scan_id: reading for reading in desk.readings}
    if any(s.pk in readings and attesting.is_urgent(s, readings[s.pk]) for s in chosen):
        raise Refused(
            _("The answers differ on something urgent. Sign it and telephone; do not return it."),
            code="urgent",
        )
    slot = ledger.reserve(exam.programme.chain, at=at)
    remark = remarks.write(programme=exam.programme, text=text, by=by, at=slot.at)
    made = ReturnRequest.objects.bulk_create(
        ReturnRequest(
            programme=exam.programme,
            scan=scan,
            revision=scan.revision,
            zones=" ".join(z.code for z in scheme.zones if z.code in set(zones)),
            captures=" ".join(sorted(set(captures), key=int)),
            fields=" ".join(f for f in FIELDS if f in set(fields)),
            remark=remark,
            by_person=by,
            recorded_at=slot.at,
            seq=slot.seq,
        )
        for scan in chosen
    )
    for scan in chosen:
        scan_actions.move(
            scan=scan, to="returned", seq=slot.seq, by=by, at=slot.at, because="returned"
        )
    ReadingDraft.objects.filter(exam=exam, reader=by).delete()
    holds.release(exam=exam, by=by, at=at)
    notices.queue(
        kind="review.returned",
        person=chosen[0].trainee,
        programme=exam.programme,
        dedup_key=f"review.returned:{made[0].pk}",
        context={"exam": str(exam.pk), "code": exam.code},
        due_at=slot.at,
    )
    slot.append(
        subject=f"exam:{exam.pk}",
        body={
            "scans": [str(scan.pk) for scan in chosen],
            "zones": made[0].zones.split(),
            "captures": made[0].captures.split(),
            "fields": made[0].fields.split(),
            "remark": {"remark": str(remark.pk), "digest": remark.digest} if remark else None,
        },
        by=by,
    )
    return made


@action("scans.set_aside")
def set_aside(
    *,
    exam: Exam,
    scan_ids: Collection[uuid.UUID],
    reason: str,
    text: str = "",
    by: Person,
    at: dt.datetime,
) -> list[SetAside]:
    """Takes scans off the list unread, with a reason of ``SetAside.REASONS``; reports count them.

    Raises Refused, ``rules.HeldByAnother``.
    """
    desk = holds.keep(exam=exam, by=by, at=at).desk
    exam = desk.exam
    if reason not in dict(SetAside.REASONS):
        raise Refused(_("Choose why it is set aside."), code="no_reason", field="reason")
    chosen = _chosen(desk.scans, scan_ids)
    slot = ledger.reserve(exam.programme.chain, at=at)
    remark = remarks.write(programme=exam.programme, text=text, by=by, at=slot.at)
    made = SetAside.objects.bulk_create(
        SetAside(
            programme=exam.programme,
            scan=scan,
            revision=scan.revision,
            reason=reason,
            remark=remark,
            by_person=by,
            recorded_at=slot.at,
            seq=slot.seq,
        )
        for scan in chosen
    )
    for scan in chosen:
        scan_actions.move(
            scan=scan, to="set_aside", seq=slot.seq, by=by, at=slot.at, because="set aside"
        )
    if len(chosen) == len(desk.scans):
        ReadingDraft.objects.filter(exam=exam, reader=by).delete()
        holds.release(exam=exam, by=by, at=at)
    slot.append(
        subject=f"exam:{exam.pk}",
        body={
            "scans": [str(scan.pk) for scan in chosen],
            "reason": reason,
            "remark": {"remark": str(remark.pk), "digest": remark.digest} if remark else None,
        },
        by=by,
    )
    return made


def _chosen(on_desk: Sequence[Scan], scan_ids: Collection[uuid.UUID]) -> list[Scan]:
    chosen = [scan for scan in on_desk if scan.pk in set(scan_ids)]
    if not chosen or len(chosen) != len(set(scan_ids)):
        raise Refused(_("Choose one of the scans that wait here."), code="no_scan", field="scans")
    return chosen
