"""Who was told of an urgent disagreement, and that the trainee has seen it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Forbidden, Refused
from review.models import Discrepancy

if TYPE_CHECKING:
    from accounts.models import Person


@action("discrepancy.told")
def record_told(
    *, discrepancy: Discrepancy, told: str, note: str = "", by: Person, at: dt.datetime
) -> Discrepancy:
    """Records whom the reader told. A record, not the call itself. Raises Refused, Forbidden."""
    row = _locked(discrepancy)
    if row.attestation.reader_id != by.pk:
        raise Forbidden(_("The reader who signed records whom they told."), code="not_reader")
    if row.told:
        raise Refused(_("This has been recorded already."), code="recorded")
    if told not in dict(Discrepancy.TOLD):
        raise Refused(_("Choose who was told."), code="told", field="told")
    slot = ledger.reserve(row.programme.chain, at=at)
    row.told, row.told_at, row.told_by = told, slot.at, by
    row.told_remark = remarks.write(programme=row.programme, text=note, by=by, at=slot.at)
    row.save(update_fields=["told", "told_at", "told_by", "told_remark"])
    slot.append(
        subject=f"discrepancy:{row.pk}",
        body={
            "told": told,
            "remark": {"remark": str(row.told_remark.pk), "digest": row.told_remark.digest}
            if row.told_remark
            else None,
        },
        by=by,
    )
    return row


@action("discrepancy.acknowledged")
def acknowledge(*, discrepancy: Discrepancy, by: Person, at: dt.datetime) -> Discrepancy:
    """The trainee says that they have seen it. A second time changes nothing."""
    row = _locked(discrepancy)
    if row.trainee_id != by.pk:
        raise Forbidden(_("Only the trainee of this exam says this."), code="not_trainee")
    if row.acknowledged_at is not None:
        ledger.nothing_changed()
        return row
    slot = ledger.reserve(row.programme.chain, at=at)
    row.acknowledged_at = slot.at
    row.save(update_fields=["acknowledged_at"])
    slot.append(subject=f"discrepancy:{row.pk}", body={"acknowledged": True}, by=by)
    return row


def _locked(discrepancy: Discrepancy) -> Discrepancy:
    return (
        Discrepancy.objects.select_for_update(of=("self",))
        .select_related("attestation", "programme")
        .get(pk=discrepancy.pk)
    )
