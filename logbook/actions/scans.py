"""The one door to the state of a scan, and to the state of the exam around it."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import TYPE_CHECKING

from django.db.models import Subquery
from django.utils.translation import gettext as _

from accounts import ledger
from accounts.actions_base import action
from accounts.errors import Refused
from logbook import states
from logbook.models import Exam, LogbookSettings, Scan
from logbook.models.captures import UNFINISHED, WAITS_FOR_PERSON

if TYPE_CHECKING:
    from accounts.models import Person, Programme


@action(ledger=None, why="a part of the caller's action, whose entry says what moved and why")
def move(
    *, scan: Scan, to: str, seq: int, by: Person | None, at: dt.datetime, because: str
) -> Scan:
    """Moves a scan along ``states.SCAN``. Locks exam and scan and refuses a lost race.

    ``because`` goes into the caller's ledger entry, whose position is `seq`; here it only has to be
    said. A caller who reserves it first takes ``lock_exam``: the head is always locked last.
    """
    if not because:
        raise ValueError("say why the scan moves")
    exam = lock_exam(scan.exam_id)
    locked = Scan.objects.select_for_update().get(pk=scan.pk)
    try:
        states.SCAN.check(locked.state, to)
    except states.MoveRefused as refused:
        raise Refused(
            _("This scan is %(state)s now. Reload the page.")
            % {"state": locked.get_state_display()},
            code="moved",
        ) from refused
    locked.state = scan.state = to
    locked.moved_at = scan.moved_at = at
    locked.moved_seq = scan.moved_seq = seq
    locked.save(update_fields=["state", "moved_at", "moved_seq"])
    if to == "returned":
        settle(exam, at=at)
    return scan


def lock_exam(exam_id: uuid.UUID | Subquery) -> Exam:
    """Locks an exam and then its scans, in that order everywhere."""
    exam = Exam.objects.select_for_update(of=("self",)).get(pk=exam_id)
    list(Scan.objects.select_for_update(of=("self",)).filter(exam=exam).order_by("id"))
    return exam


def settle(exam: Exam, *, at: dt.datetime) -> bool:
    """Brings a submitted exam to the state that its captures and returns say. Inside an action.

    True where it moved. Callers: a submission, a return, every change of a capture.
    """
    if exam.state in ("draft", "withdrawn"):
        return False
    captures = set(exam.captures.present().values_list("state", flat=True))
    returned = Scan.objects.filter(exam=exam, state="returned").exists()
    if returned or captures & set(WAITS_FOR_PERSON):
        target = "needs_you"
    elif captures & set(UNFINISHED) or not captures:
        target = "received"
    else:
        target = "complete"
    if target == exam.state:
        return False
    states.EXAM.check(exam.state, target)
    exam.state = target
    if target == "complete":
        exam.completed_at = at
    exam.save(update_fields=["state", "completed_at"])
    return True


@action("scans.closed")
def close_overdue(*, programme: Programme, by: Person | None, at: dt.datetime) -> list[Scan]:
    """Closes scans that were returned and not submitted again in the programme's days."""
    settings = LogbookSettings.objects.filter(programme=programme).first()
    days = (settings or LogbookSettings()).close_returned_after_days
    overdue = list(
        Scan.objects.filter(
            programme=programme, state="returned", moved_at__lt=at - dt.timedelta(days=days)
        )
    )
    if not overdue:
        ledger.nothing_changed()
        return []
    exams = [lock_exam(exam_id) for exam_id in sorted({scan.exam_id for scan in overdue})]
    slot = ledger.reserve(programme.chain, at=at)
    for scan in overdue:
        move(
            scan=scan, to="closed", seq=slot.seq, by=by, at=slot.at, because="not answered in time"
        )
    for exam in exams:
        settle(exam, at=slot.at)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"scans": sorted(str(scan.pk) for scan in overdue), "after_days": days},
        by=by,
    )
    return overdue
