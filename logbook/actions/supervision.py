"""The attending says that they supervised: a whole shift at once."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts import ledger
from accounts.actions_base import action
from accounts.errors import Refused
from logbook.models import Exam, SupervisionConfirmation
from logbook.queries import unconfirmed_for

if TYPE_CHECKING:
    from accounts.models import Person, Programme


@action("supervision.confirmed")
def confirm_shift(
    *, programme: Programme, exams: Collection[uuid.UUID], by: Person, at: dt.datetime
) -> list[SupervisionConfirmation]:
    """Confirms the exams that name ``by`` as supervising. Confirming again changes nothing.

    Raises Refused where one of them does not name this person.
    """
    list(Exam.objects.select_for_update(of=("self",)).filter(pk__in=exams).order_by("id"))
    waiting = list(unconfirmed_for(by, programme).filter(pk__in=exams).order_by("id"))
    already = SupervisionConfirmation.objects.filter(
        by_person=by, programme=programme, exam__in=exams
    ).values_list("exam_id", flat=True)
    if set(exams) - {exam.pk for exam in waiting} - set(already):
        raise Refused(
            _("You can only confirm exams that name you as the responsible attending."),
            code="not_named",
        )
    if not waiting:
        ledger.nothing_changed()
        return []
    slot = ledger.reserve(programme.chain, at=at)
    made = SupervisionConfirmation.objects.bulk_create(
        SupervisionConfirmation(
            programme=programme,
            exam=exam,
            revision=exam.revision,
            supervision=exam.revision.supervision,
            by_person=by,
            effective_on=programme.local_date(slot.at),
            recorded_at=slot.at,
            seq=slot.seq,
        )
        for exam in waiting
    )
    slot.append(
        subject=f"person:{by.pk}",
        body={
            "exams": {str(exam.pk): exam.revision.supervision for exam in waiting},
            "trainees": sorted({str(exam.trainee_id) for exam in waiting}),
        },
        by=by,
    )
    return made
