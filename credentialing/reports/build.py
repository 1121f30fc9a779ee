"""The content of an order, read from the record as of (D, D2, N).

Everything that is counted comes from rows that never change and carry their ledger position, or
from the ledger itself; what only the present knows (a scan's state today) is worked out from them
as it was at position N. So an order gives the same content whenever it is filled, and whoever is
read together with somebody else has the content that they have alone.

Cost: a fixed number of queries for each queries.CHUNK people, linear in their rows.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass

from django.utils.translation import override

from accounts.ledger.models import LedgerEntry
from accounts.models import Membership, Person, Programme, Role
from credentialing.models import PlanVersion
from credentialing.reports import outside, records
from credentialing.reports.content import (
    RELEASE,
    SCHEMA,
    TEMPLATE,
    Content,
    Head,
    Outside,
    check,
)
from credentialing.reports.cut import Cut
from credentialing.reports.orders import BOOK, OUTSIDE, SCANS, Order


@dataclass(frozen=True)
class Built:
    """One trainee's content, and the plan version that it holds the record against."""

    inside: Content  # what an outside copy is made from
    content: Content | Outside
    version: PlanVersion | None

    def sound(self) -> Content | Outside:
        """The content. Raises Unsound where the numbers behind it contradict each other."""
        check(self.inside)
        return self.content


def people_of(programme: Programme, *, on: dt.date) -> list[tuple[str, str]]:
    """(id, name) of everybody who is or was a trainee by that day, by name."""
    rows = (
        Membership.objects.filter(programme=programme, role=Role.TRAINEE, starts_on__lte=on)
        .order_by("person__name", "person_id")
        .values_list("person_id", "person__name")
        .distinct()
    )
    return [(str(pk), name) for pk, name in rows]


def position_on(programme: Programme, day: dt.date) -> int:
    """The newest ledger position at the end of a local day; 0 where there is none."""
    morning = dt.datetime.combine(day + dt.timedelta(days=1), dt.time())
    end = morning.replace(tzinfo=programme.zone_on(day + dt.timedelta(days=1)))
    return (
        LedgerEntry.objects.filter(chain=programme.chain, at__lt=end)
        .order_by("-seq")
        .values_list("seq", flat=True)
        .first()
        or 0
    )


def content_of(order: Order) -> Content | Outside:
    """Raises Person.DoesNotExist where the trainee never belonged to the programme by then,
    Unsound where numbers contradict each other."""
    if order.trainee:
        built = contents_of(order, [order.trainee])
        if order.trainee not in built:
            raise Person.DoesNotExist(order.trainee)
        return built[order.trainee].sound()
    cut = Cut.of(order)
    with override(order.language):
        told = records.of(cut, cut.members(None), scans=order.form in (SCANS, BOOK))
        people = [one.trainee for _person, one in told]
        content = Content(**_head(cut, order, "cohort"), people=people)
    check(content)
    return content


def contents_of(order: Order, trainees: Iterable[str]) -> dict[str, Built]:
    """What `order` gives for each of these people, read together; who never belonged to the
    programme by then is left out."""
    cut, built = Cut.of(order), {}
    with override(order.language):
        head = _head(cut, order, "trainee")
        members = cut.members(map(uuid.UUID, trainees))
        for person, told in records.of(cut, members, scans=True):
            inside = Content(**head, people=[told.trainee])
            content: Content | Outside = inside
            if order.copy == OUTSIDE:
                content = Outside(**head, person=outside.told(told.trainee, told.done))
            built[str(person)] = Built(inside, content, told.version)
    return built


def _head(cut: Cut, order: Order, scope: str) -> Head:
    return {
        "schema": SCHEMA,
        "template": TEMPLATE,
        "release": RELEASE,
        "language": order.language,
        "copy": order.copy,
        "scope": scope,
        "issued": False,
        "institution": cut.programme.institution.name,
        "programme": cut.programme_name,
        "programme_code": cut.programme.code,
        "as_of": cut.told,
        "sheet": cut.sheet(order.sheet),
        "recommendation": None,
    }
