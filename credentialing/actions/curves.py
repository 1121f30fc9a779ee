"""What a director records about an alarm of somebody's curve."""

from __future__ import annotations

import datetime as dt

from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from accounts.models import Membership, Person
from credentialing import queries, rules
from credentialing.curves import reading
from credentialing.models import CurveDecision
from logbook.models import Application


@action("curve.decided")
def decide(
    *,
    membership: Membership,
    application: Application,
    what: str,
    why: str,
    alarm_exam: object,
    by: Person,
    at: dt.datetime,
) -> CurveDecision:
    """Go on, or start again, after the alarm that the scan of `alarm_exam` raised.

    Raises Refused without a reason; Conflict where that alarm does not stand (any more).
    """
    programme = membership.programme
    membership = (
        Membership.objects.select_for_update(of=("self",))
        .select_related("programme", "person")
        .get(pk=membership.pk)
    )
    rules.check_may_decide(membership, by, on=programme.local_date(at))
    if what not in dict(CurveDecision.WHAT):
        raise Refused(_("Choose one of the two."), code="what", field="what")
    if not why.strip():
        raise Refused(_("Say why."), code="no_reason", field="why")
    as_of = queries.now(programme, at)
    history = queries.history_of(programme, membership.person_id, asks=frozenset())
    limits = reading.limits_of(queries.plan_of(membership, on=as_of.d), application.code)
    curve = reading.curve_for(history, application.code, as_of=as_of, limits=limits)
    if curve.alarm is None or curve.alarm.fact.exam != alarm_exam:
        raise Conflict(_("This alarm does not stand any more. Reload the page."), code="no_alarm")
    slot = ledger.reserve(programme.chain, at=at)
    row = CurveDecision.objects.create(
        programme=programme,
        membership=membership,
        application=application,
        what=what,
        alarm_exam=curve.alarm.fact.exam,
        why=remarks.write(programme=programme, text=why, by=by, at=slot.at),
        on=programme.local_date(slot.at),
        recorded_at=slot.at,
        recorded_by=by,
        seq=slot.seq,
    )
    slot.append(
        subject=f"curve:{row.pk}",
        body={
            "trainee": str(membership.person_id),
            "membership": str(membership.pk),
            "application": application.code,
            "what": what,
            "alarm_exam": str(row.alarm_exam),
            "why": {"remark": str(row.why.pk), "digest": row.why.digest},
        },
        by=by,
    )
    return row
