"""Taking the next exam, keeping it while one reads, giving it back.

One row an exam with the exam as its key: two readers are impossible, whatever the engine. On
PostgreSQL exams that somebody is just taking are skipped; on SQLite one writer goes at a time.
"""

from __future__ import annotations

import datetime as dt
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
        return _take(exam, by, at)
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


def _take(exam: Exam, by: Person, at: dt.datetime) -> Hold:
    lock_exam(exam.pk)  # a submission or a withdrawal under way is seen, or waits
    if not _still_waits(exam, by, at):
        rules.check_waiting(Exam.objects.get(pk=exam.pk))
        raise Refused(
            _("There is nothing in this exam that you may read. Take the next one."),
            code="nothing_to_read",
        )
    hold = queries.live_hold(exam, at=at)
    if hold is not None and hold.reader_id == by.pk:
        return _extend(hold, at)
    if hold is not None:
        raise rules.HeldByAnother(hold)
    return _insert(exam, by, at)


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
    Hold.objects.filter(exam=hold.exam_id, reader=hold.reader_id).update(
        expires_at=max(hold.expires_at, at + rules.HOLD)
    )
    hold.refresh_from_db()
    return hold


@action(ledger=None, why=WHY)
def keep(*, exam: Exam, by: Person, at: dt.datetime) -> Hold:
    """Extends the hold by an action of its reader; takes it again where it had lapsed and the
    exam is still free."""
    return _take(exam, by, at)


@action(ledger=None, why=WHY)
def release(*, exam: Exam, by: Person, at: dt.datetime) -> bool:
    """Gives the exam back to the list. The draft of the reading stays. True where it was held."""
    return bool(Hold.objects.filter(exam=exam, reader=by).delete()[0])
