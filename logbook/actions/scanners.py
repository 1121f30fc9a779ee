"""What a place's machines counted in a month, entered by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts import ledger
from accounts.actions_base import action
from accounts.errors import Refused
from logbook import scanner_counts
from logbook.models import ScannerCount

if TYPE_CHECKING:
    from accounts.models import Person, Programme

MOST = 100_000


@action("scanner_count.entered")
def enter_counts(
    *,
    programme: Programme,
    month: dt.date,
    counts: Mapping[str, int],
    by: Person,
    at: dt.datetime,
) -> list[ScannerCount]:
    """Place -> performed exams in the month of `month`. Values that stand already write nothing.

    Raises Refused for a month to come, an unknown place and a number that cannot be.
    """
    month = month.replace(day=1)
    slot = ledger.reserve(programme.chain, at=at)
    if month > programme.local_date(slot.at):
        raise Refused(_("That month is still to come."), code="future", field="month")
    places = scanner_counts.places_of(programme)
    standing = scanner_counts.counts(programme, [month])
    wanted = {}
    for place, performed in counts.items():
        if place not in places:
            raise Refused(_("Choose one of the programme's places."), code="place", field="place")
        if not 0 <= performed <= MOST:
            raise Refused(_("Give a number from 0 up."), code="number", field=place)
        if standing.get((place, month)) != performed:
            wanted[place] = performed
    if not wanted:
        ledger.nothing_changed()
        return []
    made = ScannerCount.objects.bulk_create(
        ScannerCount(
            programme=programme,
            place=place,
            month=month,
            performed=performed,
            entered_by=by,
            recorded_at=slot.at,
            seq=slot.seq,
        )
        for place, performed in wanted.items()
    )
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"month": month.isoformat(), "counts": wanted},
        by=by,
    )
    return made
