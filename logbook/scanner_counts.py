"""How many exams were logged of those that a place's machines performed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Count
from django.db.models.functions import TruncMonth

from accounts.models import Programme
from logbook.models import Exam, OwnValue, ScannerCount
from logbook.value_lists import exam_lists


def places_of(programme: Programme, *, retired: bool = True) -> dict[str, str]:
    """code -> name of every place the programme has, or once had."""
    own = OwnValue.objects.filter(programme=programme, list_code="place").order_by("text", "code")
    if not retired:
        own = own.filter(retired=False)
    shipped = {value.code: value.text for value in exam_lists()["place"]}
    return shipped | dict(own.values_list("code", "text"))


def counts(programme: Programme, months: Iterable[dt.date]) -> dict[tuple[str, dt.date], int]:
    """(place, first of the month) -> what was entered last."""
    rows = (
        ScannerCount.objects.filter(programme=programme, month__in=list(months))
        .order_by("seq")
        .values_list("place", "month", "performed")
    )
    return {(place, month): performed for place, month, performed in rows}


@dataclass(frozen=True)
class Logged:
    """One place in one month. `performed` None: nobody has entered it yet."""

    place: str
    name: str
    month: dt.date
    logged: int
    performed: int | None

    @property
    def more_than_performed(self) -> bool:
        return self.performed is not None and self.logged > self.performed


def logged_of_performed(programme: Programme, months: Iterable[dt.date]) -> list[Logged]:
    """Each place in each month, the newest month first; exams that were received and stand.

    Three queries for any number of months.
    """
    months = sorted(months, reverse=True)
    names = places_of(programme)
    if not months:
        return []
    after = (months[0].replace(day=28) + dt.timedelta(days=4)).replace(day=1)
    rows = (
        Exam.objects.filter(
            programme=programme,
            revision__isnull=False,
            revision__performed_on__gte=months[-1],
            revision__performed_on__lt=after,
        )
        .exclude(state="withdrawn")
        .annotate(month=TruncMonth("revision__performed_on"))
        .values_list("revision__place", "month")
        .annotate(Count("pk"))
        .order_by()
    )
    logged = {(place, month): n for place, month, n in rows}
    performed = counts(programme, months)
    current = places_of(programme, retired=False)
    return [
        Logged(place, name, month, logged.get((place, month), 0), performed.get((place, month)))
        for month in months
        for place, name in names.items()
        if place in current or (place, month) in logged or (place, month) in performed
    ]
