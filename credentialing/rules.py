"""Who may write in a trainee's record, and what may stand there.

Each ``check_*`` raises ``accounts.errors.Refused`` with a sentence for the user.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from accounts import access, remarks
from accounts.access import P
from accounts.errors import Conflict, Forbidden, Refused
from accounts.models import Role

if TYPE_CHECKING:
    from accounts.models import Membership, Person
    from credentialing.models import Record

# What changes numbers by a decision, or may not be seen by everybody, is the director's.
DIRECTORS_OWN = frozenset({"transfer", "remediation"})


def permission_for(kind: str) -> P:
    return P.MANAGE_PLANS if kind in DIRECTORS_OWN else P.MANAGE_PEOPLE


def check_may_record(kind: str, membership: Membership, person: Person | None, *, on: dt.date):
    """`person` None is the service itself: the demonstration, a command."""
    if membership.role != Role.TRAINEE:
        raise Refused(_("A record is kept of trainees."), code="no_trainee")
    if person is None:
        return
    if membership.person_id == person.pk:
        raise Forbidden(_("Nobody keeps their own record."), code="oneself")
    standing = access.standing_of(person, membership.programme, on=on)
    if permission_for(kind) not in standing.rights:
        raise Forbidden(_("This part of the record is the director's."), code="not_yours")


def check_may_decide(membership: Membership, person: Person, *, on: dt.date) -> None:
    """Who may say what follows from an alarm of a curve."""
    if membership.person_id == person.pk:
        raise Forbidden(_("Nobody decides about their own curve."), code="oneself")
    standing = access.standing_of(person, membership.programme, on=on)
    if P.MANAGE_PLANS not in standing.rights:
        raise Forbidden(_("An alarm is for the director to decide."), code="not_yours")


def check_current(row: Record) -> None:
    if row.superseded_on is not None or row.revoked:
        raise Conflict(_("This line has been changed already. Reload the page."), code="changed")


def check_says(kind: str, membership: Membership, says: dict[str, Any], *, today: dt.date) -> None:
    """What the columns cannot refuse, or refuse without words."""
    for name in ("grantor", "title"):
        if says.get(name):
            remarks.check(says[name], field=name)
    if kind == "transfer":
        _check_transfer(membership, says, today=today)
    elif kind == "document":
        _in_order(says["effective_on"], says.get("valid_until"), "valid_until")
        _not_to_come(says["effective_on"], today, "effective_on")
    elif kind == "procedure":
        _not_to_come(says["effective_on"], today, "effective_on")
    elif kind == "leave":
        _in_order(says["starts_on"], says["ends_on"], "ends_on")
    elif kind == "remediation":
        _in_order(says["begins_on"], says.get("ends_on"), "ends_on")
    elif kind == "extension":
        if membership.ends_on is None:
            raise Refused(
                _("This person's time has no last day, so there is nothing to extend."),
                code="no_end",
                field="ends_on",
            )
        if says["ends_on"] <= says["before_on"]:
            raise Refused(
                _("Training ends on %(day)s already: give a later day.")
                % {"day": says["before_on"].isoformat()},
                code="not_longer",
                field="ends_on",
            )
    elif kind == "completion":
        _in_order(membership.starts_on, says["effective_on"], "effective_on")


def _check_transfer(membership: Membership, says: dict[str, Any], *, today: dt.date) -> None:
    _in_order(says["performed_from"], says["performed_to"], "performed_to")
    _not_to_come(says["performed_to"], today, "performed_to")
    needs_application = says["measure"] != "document"
    if needs_application and says.get("application") is None:
        raise Refused(_("Say which application."), code="no_application", field="application")
    if says["measure"] == "assessed" and says.get("level") not in range(1, 6):
        raise Refused(_("Say which level."), code="no_level", field="level")
    if says["measure"] == "document" and not says.get("kind"):
        raise Refused(_("Say which kind of document."), code="no_kind", field="kind")
    if not says["grantor"].strip():
        raise Refused(_("Say who attested it."), code="no_grantor", field="grantor")
    if says.get("positive", 0) > says.get("count", 1):
        raise Refused(_("More are positive than there are."), code="positive", field="positive")
    application = says.get("application")
    if application is not None and application.programme_id != membership.programme_id:
        raise Refused(_("Say which application."), code="no_application", field="application")


def _in_order(first: dt.date, last: dt.date | None, field: str) -> None:
    if last is not None and last < first:
        raise Refused(_("The last day lies before the first."), code="order", field=field)


def _not_to_come(day: dt.date, today: dt.date, field: str) -> None:
    if day > today:
        raise Refused(_("That day is still to come."), code="future", field=field)
