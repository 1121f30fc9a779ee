"""Reads and words of the pages of bedside assessments."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Max
from django.utils.translation import gettext as _

from accounts.models import Membership, Privilege, Programme, Role
from logbook.models import Application, Exam
from review.models import Assessment
from review.rubrics import Mark

if TYPE_CHECKING:
    from accounts.models import Person

LATELY = dt.timedelta(days=14)


def trainees_for(programme: Programme, person: Person, *, on: dt.date) -> list[Membership]:
    """Trainees of the day but oneself: first those whose exams one supervised lately, then by
    name. Two queries."""
    supervised = dict(
        Exam.objects.filter(
            programme=programme,
            revision__supervisor=person,
            revision__performed_on__gte=on - LATELY,
        )
        .values_list("trainee")
        .annotate(Max("revision__performed_at"))
    )
    rows = (
        Membership.objects.on(on)
        .filter(programme=programme, role=Role.TRAINEE, person__is_active=True)
        .exclude(person=person)
        .select_related("person")
        .order_by("person__name", "id")
    )
    found = list({row.person_id: row for row in rows}.values())
    for row in found:
        row.supervised_at = supervised.get(row.person_id)
    latest = dt.datetime.min.replace(tzinfo=dt.UTC)
    return sorted(found, key=lambda row: row.supervised_at or latest, reverse=True)


def applications_for(programme: Programme, person: Person, *, on: dt.date) -> list[Application]:
    """What the person may assess: the applications in use that they hold the privilege for."""
    held = Privilege.objects.on(on).filter(programme=programme, person=person)
    return list(
        Application.objects.of(programme).filter(retired=False, code__in=held.values("application"))
    )


def last_application(programme: Programme, trainee: Person, *, beside: Person) -> str:
    """What the trainee's newest exam under this person asked: the likeliest thing to be watched
    next. Of other exams it says nothing: this person could still read them blind."""
    newest = (
        Exam.objects.filter(programme=programme, trainee=trainee, revision__supervisor=beside)
        .order_by("-revision__performed_at", "-id")
        .first()
    )
    if newest is None:
        return ""
    scan = newest.scans.select_related("application").order_by("application__ordinal").first()
    return scan.application.code if scan else ""


@dataclass(frozen=True)
class Shown:
    """An assessment as its page tells it."""

    row: Assessment
    mark: Mark
    items: list[tuple[str, str]]
    as_expected: int

    @property
    def means(self) -> str:
        return _(self.mark.means)

    @property
    def level_text(self) -> str:
        return _("Level %(n)s of 5: %(word)s") % {"n": self.mark.value, "word": _(self.mark.word)}


def shown(row: Assessment) -> Shown:
    """Needs `rubric_version`."""
    rubric = row.rubric_version.rubric
    chosen = row.chosen
    items = [
        (_(item.name), _(item.text_of(chosen[item.code])))
        for item in rubric.items
        if item.code in chosen
    ]
    return Shown(row, rubric.quality[row.level - 1], items, len(rubric.items) - len(items))


def rows_of(rows) -> list[Shown]:
    """For a list; a fixed number of queries."""
    return [
        shown(row)
        for row in rows.select_related(
            "trainee", "assessor", "application", "rubric_version", "remark"
        ).order_by("-performed_on", "-seq")
    ]
