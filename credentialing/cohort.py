"""The cohort as its page shows it: who, by which filters, in which order, drawn how."""

from __future__ import annotations

import datetime as dt
import math
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.models import Membership, Programme
from credentialing import pace, presenting, queries, words
from credentialing.models import Leave, PlanVersion
from credentialing.presenting import LAPSED, MET, Line

SOON = dt.timedelta(days=183)
STATES = {
    "behind": gettext_lazy("behind their time"),
    "ending": gettext_lazy("end within six months, not there yet"),
    "lost": gettext_lazy("lost something they had"),
    "waiting": gettext_lazy("have scans waiting to be read"),
    "new": gettext_lazy("began within 90 days"),
    "open": gettext_lazy("do not meet the plan yet"),
    "meets": gettext_lazy("meet the plan"),
}
# What a later floor of knowledge adds to a row: (programme, memberships) -> membership -> words.
# Its own module registers it; the page shows what is there.
BESIDE: list[Callable[[Programme, list[Membership]], Mapping[uuid.UUID, str]]] = []

# And what it adds to the page of one person: (request, membership) -> a mapping with `template`,
# or None. The template gets it as `section`.
SECTIONS: list[Callable[[Any, Membership], Mapping[str, Any] | None]] = []


def _percent(n: int) -> str:
    return _("%(n)s%%") % {"n": n}


@dataclass(frozen=True)
class Person:
    """A row of the cohort: a trainee, the lines of the plan's clauses, and the pace."""

    membership: Membership
    whole: Any
    lines: list[Line]
    pace: pace.Pace
    beside: str = ""

    @property
    def met(self) -> bool:
        return self.whole.met

    @property
    def left_text(self) -> str:
        return _percent(math.ceil(self.pace.left * 100))

    @property
    def pace_text(self) -> str:
        """What is left, beside how much of the time."""
        if self.met:
            return _("meets the plan")
        left = self.left_text
        if self.pace.is_new:
            return _("%(left)s left; began %(days)s days ago") % {
                "left": left,
                "days": self.pace.days_in,
            }
        if self.pace.time_left is None:
            return _("%(left)s left; no last day is set") % {"left": left}
        said = _("%(left)s left, with %(time)s of the time left") % {
            "left": left,
            "time": _percent(math.floor(self.pace.time_left * 100)),
        }
        return f"{said} {_('(usual length)')}" if self.pace.assumed else said

    @property
    def met_count(self) -> int:
        return sum(line.state == MET for line in self.lines)

    def has(self, state: str, *, on: dt.date) -> bool:
        ends = self.membership.ends_on
        return {
            "behind": self.pace.is_behind and not self.met,
            "ending": not self.met and ends is not None and ends - on <= SOON,
            "lost": any(line.state == LAPSED for line in self.lines),
            "waiting": self.whole.waiting > 0,
            "new": self.pace.is_new,
            "open": not self.met,
            "meets": self.met,
        }[state]


def people_of(
    programme: Programme,
    rows: Iterable[queries.CohortRow],
    versions: Mapping[uuid.UUID, PlanVersion],
    names: Mapping[str, str],
    *,
    on: dt.date,
) -> list[Person]:
    """Everybody, whoever may not reach the numbers first; two queries for any number."""
    rows = list(rows)
    away: dict[uuid.UUID, list[pace.Span]] = {}
    for membership, first, last in (
        Leave.objects.current()
        .filter(programme=programme)
        .values_list("membership_id", "starts_on", "ends_on")
    ):
        away.setdefault(membership, []).append((first, last))
    usual = pace.usual_length((r.membership.starts_on, r.membership.ends_on) for r in rows)
    beside: dict[uuid.UUID, str] = {}
    for told in BESIDE:
        beside |= told(programme, [row.membership for row in rows])
    link = _links(programme)
    found = []
    for row in rows:
        m = row.membership
        clauses = presenting.clauses_of(versions[row.whole.version_id])
        lines = [
            Line(
                clause,
                row.standings[clause.pk],
                words.name_of(clause, names),
                link(m.pk, clause.ordinal),
                of=names.get(clause.application, clause.application),
            )
            for clause in clauses
            if clause.pk in row.standings
        ]
        left = sum(line.missing for line in lines) / len(lines) if lines else 1.0
        found.append(
            Person(
                m,
                row.whole,
                lines,
                pace.pace(
                    left, m.starts_on, m.ends_on, on=on, away=away.get(m.pk, ()), usual=usual
                ),
                beside.get(m.pk, ""),
            )
        )
    return in_order(found)


def _links(programme: Programme) -> Callable[[uuid.UUID, int], str]:
    """Addresses of numbers: the resolver is asked once, not two thousand times."""
    sample = uuid.UUID(int=0)
    pattern = reverse("credentialing:number", args=[programme.code, sample, 0])
    before, after = pattern.split(str(sample))
    after = after.removesuffix("0/")
    return lambda membership, ordinal: f"{before}{membership}{after}{ordinal}/"


def in_order(people: Iterable[Person]) -> list[Person]:
    return sorted(
        people,
        key=lambda one: (
            pace.order(one.pace, met=one.met),
            one.membership.person.name,
            one.membership.pk,
        ),
    )


@dataclass(frozen=True)
class View:
    """What the address asks for; a choice that is not offered is as if it were not made."""

    level: str = ""
    profession: str = ""
    plan: str = ""
    state: str = ""
    application: str = ""
    clause: str = ""
    met: str = ""  # "fold": numbers that are met are counted, not drawn

    @classmethod
    def from_query(cls, query: Mapping[str, str], choices: Mapping[str, Iterable[str]]) -> View:
        return cls(
            **{
                name: value
                for name in cls.__dataclass_fields__
                if (value := query.get(name, "")) in {str(code) for code in choices[name]}
            }
        )

    @property
    def query(self) -> str:
        return urlencode({k: v for k, v in self.__dict__.items() if v})

    def keeps(self, one: Person, versions: Mapping[uuid.UUID, PlanVersion], on: dt.date) -> bool:
        m = one.membership
        return (
            self.level in ("", m.level)
            and self.profession in ("", m.profession)
            and self.plan in ("", plan_code(versions[one.whole.version_id]))
            and (not self.state or one.has(self.state, on=on))
        )

    def lines_of(self, one: Person) -> list[Line]:
        return [
            line
            for line in one.lines
            if (not self.application or line.clause.application == self.application)
            and (not self.clause or str(line.clause.ordinal) == self.clause)
        ]


def plan_code(version: PlanVersion) -> str:
    return f"{version.code}.{version.n}"


def choices_of(
    people: list[Person], versions: Mapping[uuid.UUID, PlanVersion], names: Mapping[str, str]
) -> dict[str, dict[str, str]]:
    """Filter -> code -> words; only what somebody of the cohort has."""
    columns = {str(line.clause.ordinal): line.name for one in people for line in one.lines}
    asked = {line.clause.application for one in people for line in one.lines}
    return {
        "level": {m: m for m in sorted({one.membership.level for one in people} - {""})},
        "profession": {m: m for m in sorted({one.membership.profession for one in people} - {""})},
        "plan": {
            plan_code(v): f"{v.name}, {v.n}"
            for v in sorted(versions.values(), key=lambda v: (v.name, v.n))
        },
        "state": {code: str(text) for code, text in STATES.items()},
        "application": {code: name for code, name in names.items() if code in asked},
        "clause": dict(sorted(columns.items(), key=lambda item: int(item[0]))),
        "met": {"fold": _("count those that are met")},
    }


def seen(
    people: list[Person], view: View, versions: Mapping[uuid.UUID, PlanVersion], *, on: dt.date
) -> list[Person]:
    """The people and the lines of a view. Where it looks at some numbers alone, what is left is
    of those, and so is the order."""
    found = []
    for one in people:
        if not view.keeps(one, versions, on):
            continue
        if view.application or view.clause:
            lines = view.lines_of(one)
            if not lines:
                continue
            left = sum(line.missing for line in lines) / len(lines)
            one = replace(one, lines=lines, pace=replace(one.pace, left=left))
        found.append(one)
    return in_order(found) if view.application or view.clause else found


def drawn(people: Iterable[Person]) -> list[Person]:
    """One scale a number over a page of people, so that they compare."""
    people = list(people)
    tops = presenting.tops(line for one in people for line in one.lines)
    return [
        replace(one, lines=[replace(line, top=tops[line.clause.pk]) for line in one.lines])
        for one in people
    ]
