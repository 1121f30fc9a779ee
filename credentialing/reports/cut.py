"""What all reports as of one (D, D2, N) share: who was a trainee, names, zone, sheet.

Rows hold today's names and the newest membership; here they are as the ledger had them at N.
"""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.utils.translation import gettext as _

from accounts.ledger.models import LedgerEntry
from accounts.models import MembershipEvent, Programme, Role, ZoneChange
from credentialing import measures
from credentialing.models import ReportSheet
from credentialing.reports.content import AsOf, Sheet
from credentialing.reports.orders import Order
from logbook.models import Application, OwnValue
from logbook.value_lists import exam_lists


@dataclass(frozen=True)
class Cut:
    """Each property is read once, in the language that is on then; a fixed number of queries."""

    programme: Programme
    as_of: measures.AsOf

    @classmethod
    def of(cls, order: Order) -> Cut:
        programme = Programme.objects.select_related("institution").get(pk=order.programme)
        return cls(programme, measures.AsOf(order.performed_by, order.read_by, order.position))

    def members(self, people: Iterable[uuid.UUID] | None) -> dict[uuid.UUID, MembershipEvent]:
        """Who of these people (None: of everybody) was a trainee by D2, with the newest word on
        the membership at N."""
        newest: dict[uuid.UUID, MembershipEvent] = {}
        events = MembershipEvent.objects.filter(
            programme=self.programme,
            role=Role.TRAINEE,
            seq__lte=self.as_of.n,
            starts_on__lte=self.as_of.d2,
        )
        if people is not None:
            events = events.filter(person__in=list(people))
        for event in events.order_by("seq"):
            newest[event.membership] = event
        found: dict[uuid.UUID, MembershipEvent] = {}
        for event in sorted(newest.values(), key=lambda one: (one.starts_on, one.seq)):
            found[event.person_id] = event
        return found

    @cached_property
    def applications(self) -> dict[str, tuple[str, str]]:
        """code -> (name, kind), in the programme's order."""
        return {
            code: (_(self._past_names.get(f"application:{pk}", name)), kind)
            for pk, code, name, kind in self._applications
        }

    @cached_property
    def programme_name(self) -> str:
        return self._past_names.get(f"programme:{self.programme.pk}", self.programme.name)

    @cached_property
    def told(self) -> AsOf:
        return {
            "performed_by": self.as_of.d.isoformat(),
            "read_by": self.as_of.d2.isoformat(),
            "position": self.as_of.n,
            "position_hash": self._entry[0],
            "zone": self._zone,
        }

    @property
    def recorded_at(self) -> dt.datetime | None:
        """When entry N was written; None where there is none."""
        return self._entry[1]

    @cached_property
    def end_of_d2(self) -> dt.datetime:
        morning = dt.datetime.combine(self.as_of.d2 + dt.timedelta(days=1), dt.time())
        return morning.replace(tzinfo=self.programme.zone_on(self.as_of.d2))

    @cached_property
    def places(self) -> dict[str, str]:
        own = OwnValue.objects.filter(programme=self.programme, list_code="place")
        places = {one.code: _(one.text) for one in exam_lists()["place"].values}
        return places | dict(own.values_list("code", "text"))

    @cached_property
    def age_bands(self) -> dict[str, str]:
        return {one.code: _(one.text) for one in exam_lists()["age_band"].values}

    def sheet(self, n: int) -> Sheet:
        row = ReportSheet.objects.filter(programme=self.programme, n=n).first()
        if row is None:
            return {"n": 0, "heading": "", "contact": "", "reviewed": "", "paper": "a4"}
        return {
            "n": n,
            "heading": row.heading,
            "contact": row.contact,
            "reviewed": row.reviewed,
            "paper": row.paper,
        }

    @cached_property
    def _applications(self) -> list[tuple[Any, ...]]:
        rows = Application.objects.filter(programme=self.programme).order_by("ordinal")
        return list(rows.values_list("pk", "code", "name", "kind"))

    @cached_property
    def _past_names(self) -> dict[str, str]:
        """subject -> its name at N, for programme and applications renamed since.

        The first change past the position says what it was before.
        """
        names: dict[str, str] = {}
        changes = LedgerEntry.objects.filter(
            chain=self.programme.chain,
            subject__in=[
                f"programme:{self.programme.pk}",
                *(f"application:{row[0]}" for row in self._applications),
            ],
            seq__gt=self.as_of.n,
            action__in=["programme.changed", "application.changed"],
        )
        for subject, body in changes.order_by("seq").values_list("subject", "body__body"):
            before = json.loads(body).get("before", {}) if body else {}
            if before.get("name"):
                names.setdefault(subject, before["name"])
        return names

    @cached_property
    def _entry(self) -> tuple[str, dt.datetime | None]:
        entry = LedgerEntry.objects.filter(chain=self.programme.chain, seq=self.as_of.n)
        return entry.values_list("hash", "at").first() or ("", None)

    @cached_property
    def _zone(self) -> str:
        """The zone of D2 as the ledger had it at N."""
        newest = (
            ZoneChange.objects.filter(
                programme=self.programme, seq__lte=self.as_of.n, from_on__lte=self.as_of.d2
            )
            .order_by("from_on", "seq")
            .values_list("time_zone", flat=True)
            .last()
        )
        return newest or self.programme.time_zone
