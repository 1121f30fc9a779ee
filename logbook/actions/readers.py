"""Who may read what: the boxes of one page, turned into privileges that begin and end."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts.actions import people
from accounts.actions_base import action
from accounts.errors import Refused
from accounts.models import Privilege
from logbook.models import Application

if TYPE_CHECKING:
    from accounts.models import Person, Programme


@action(ledger=None, why="each privilege that begins or ends writes its own entry")
def set_privileges(
    *,
    programme: Programme,
    person: Person,
    applications: Iterable[str],
    by: Person | None,
    at: dt.datetime,
) -> None:
    """Hold exactly these from today on. What is dropped ended yesterday.

    Raises Refused where an application is not the programme's.
    """
    wanted = set(applications)
    known = set(Application.objects.of(programme).values_list("code", flat=True))
    if unknown := wanted - known:
        raise Refused(_("This programme has no application “%(code)s”.") % {"code": min(unknown)})
    today = programme.local_date(at)
    held = {
        p.application: p
        for p in Privilege.objects.filter(programme=programme, person=person, to_on=None)
    }
    for code in sorted(wanted - held.keys()):
        people.grant(
            programme=programme, person=person, application=code, from_on=today, by=by, at=at
        )
    for code in sorted(held.keys() - wanted):
        people.end_privilege(privilege=held[code], to_on=today - dt.timedelta(days=1), by=by, at=at)
