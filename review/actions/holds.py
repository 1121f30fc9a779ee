"""Taking the next exam, keeping it while one reads, giving it back.

One row an exam with the exam as its key: two readers are impossible, whatever the engine. On
PostgreSQL exams that somebody is just taking are skipped; on SQLite one writer goes at a time.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db import IntegrityError, connection, transaction
from django.utils.translation import gettext as _

from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from logbook.actions.scans import lock_exam
from logbook.models import Exam
from review import queries, rules
from review.models import Hold

if TYPE_CHECKING:
    from accounts.models import Person, Programme

WHY = "a hold is a lease that lapses by itself; what is read under it is entered"


@action(ledger=None, why=WHY)
def take(
    *, programme: Programme, exam: Exam | None = None, by: Person, at: dt.datetime
) -> Hold | None:
    """Takes the next exam on the person's reading list, or a given one. None: nothing waits.

    An exam that the person still holds is given first, so that one is finished before the next.
    Raises Refused where no duty telephone is set or the given exam is not theirs to read, and
    ``rules.HeldByAnother`` where somebody has it.
    """
    rules.check_duty_telephone(programme)
    if exam is not None:
        return keep(exam=exam, by=by, at=at).hold
    held = queries.held_by(by, programme, at=at)
    if held is not None and _still_waits(held.exam, by, at):
        return _extend(held, at)
    skipped: set = set()
    while (candidate := _next(programme, by, at, skipped)) is not None:
        try:
            return _insert(candidate, by, at)
        except Conflict:
            skipped.add(candidate.pk)
    return None


def _still_waits(exam: Exam, by: Person, at: dt.datetime) -> bool:
    on = exam.programme.local_date(at)
    mine = queries.readable_by(by, exam.programme, on=on).waiting()
    return mine.filter(exam=exam).exists()


def _next(programme: Programme, by: Person, at: dt.datetime, skipped: set) -> Exam | None:
    waiting = (
        queries.waiting_for(by, programme, on=programme.local_date(at))
        .exclude(pk__in=Hold.objects.live(at).filter(programme=programme).values("exam_id"))
        .exclude(pk__in=skipped)
    )
    if connection.features.has_select_for_update_skip_locked:
        waiting = waiting.select_for_update(of=("self",), skip_locked=True)
    return waiting.first()


def _insert(exam: Exam, by: Person, at: dt.datetime) -> Hold:
    """A lapsed hold is taken over by compare-and-set; a new one is a new row: one wins."""
    took = Hold.objects.filter(exam=exam, expires_at__lte=at).update(
        reader=by, taken_at=at, expires_at=at + rules.HOLD
    )
    if took:
        return Hold.objects.select_related("exam").get(exam=exam)
    try:
        with transaction.atomic():
            return Hold.objects.create(
                exam=exam,
                programme=exam.programme,
                reader=by,
                taken_at=at,
                expires_at=at + rules.HOLD,
            )
    except IntegrityError as lost:
        raise Conflict(_("Somebody else took this exam a moment ago.")) from lost


def _extend(hold: Hold, at: dt.datetime) -> Hold:
    hold.expires_at = max(hold.expires_at, at + rules.HOLD)
    Hold.objects.filter(exam=hold.exam_id, reader=hold.reader_id).update(expires_at=hold.expires_at)
    return hold


@dataclass(frozen=True)
class Kept:
    """What lies on the reader's desk, the exam locked and held."""

    desk: queries.OnDesk
    hold: Hold


@action(ledger=None, why=WHY)
def keep(*, exam: Exam, by: Person, at: dt.datetime) -> Kept:
    """Locks the exam and holds it for its reader from now: taken, taken again where the hold had
    lapsed and the exam is still free, or extended. Whoever opens a second gives the first back.

    Raises Refused where nothing in it waits for them, and ``rules.HeldByAnother``.
    """
    locked = lock_exam(exam.pk)  # a submission or a withdrawal under way is seen, or waits
    locked.programme = exam.programme
    desk = queries.on_desk(locked, by, on=locked.programme.local_date(at))
    rules.check_waiting(locked)
    if not desk.scans:
        raise Refused(
            _("There is nothing in this exam that you may read. Take the next one."),
            code="nothing_to_read",
        )
    hold = queries.live_hold(locked, at=at)
    if hold is not None and hold.reader_id != by.pk:
        raise rules.HeldByAnother(hold)
    hold = _insert(locked, by, at) if hold is None else _extend(hold, at)
    # One at a time; the draft of the first stays.
    Hold.objects.filter(reader=by, programme=locked.programme_id).exclude(exam=locked).delete()
    return Kept(desk, hold)


@action(ledger=None, why=WHY)
def release(*, exam: Exam, by: Person, at: dt.datetime) -> bool:
    """Gives the exam back to the list. The draft of the reading stays. True where it was held."""
    return bool(Hold.objects.filter(exam=exam, reader=by).delete()[0])
