"""A list of people, imported as a whole or not at all."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, datetime

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts import ledger
from accounts.actions import people
from accounts.actions_base import action
from accounts.errors import Refused
from accounts.models import Membership, Person, Programme
from accounts.roster import COLUMNS, Fault, Roster, Row

NEW, BEGINS, CHANGES, SAME = "new", "begins", "changes", "same"
WORDS = {
    NEW: gettext_lazy("new person"),
    BEGINS: gettext_lazy("has an account, begins here"),
    CHANGES: gettext_lazy("changes"),
    SAME: gettext_lazy("stands already"),
}


@dataclass(frozen=True)
class Step:
    """What importing one row would do; `changes` maps a column to (before, after)."""

    row: Row
    what: str
    membership: Membership | None
    changes: dict[str, tuple[str, str]]

    @property
    def word(self) -> str:
        return str(WORDS[self.what])


def dry_run(programme: Programme, roster: Roster, *, today: date) -> list[Step]:
    """What importing would do. Adds to the roster's faults what only the programme knows.

    Three queries for any number of rows; writes nothing.
    """
    addresses = [row.email for row in roster.rows]
    persons = {p.email.lower(): p for p in Person.objects.filter(email__in=addresses)}
    held: dict[tuple, list[Membership]] = {}
    for m in programme.memberships.filter(person__in=persons.values()).order_by("starts_on"):
        held.setdefault((m.person_id, m.role), []).append(m)
    steps = []
    for row in roster.rows:
        person = persons.get(row.email)
        first = row.starts_on or today
        mine = held.get((person.pk, row.role), []) if person else []
        same = [
            m
            for m in mine
            if (m.ends_on is None or m.ends_on >= first)
            and (row.ends_on is None or m.starts_on <= row.ends_on)
        ]
        if len(same) > 1:
            roster.faults.append(
                Fault(row.line, str(COLUMNS[5].label), _("Overlaps two times that stand here."))
            )
        elif same:
            steps.append(_changing(row, same[0], roster))
        elif row.ends_on and row.ends_on < first:
            roster.faults.append(
                Fault(
                    row.line, str(COLUMNS[6].label), _("Is over already: give the first day too.")
                )
            )
        else:
            steps.append(Step(row, BEGINS if person else NEW, None, {}))
    roster.faults.sort(key=lambda fault: fault.line)
    return steps


def _changing(row: Row, m: Membership, roster: Roster) -> Step:
    wanted = {
        name: (getattr(m, name), getattr(row, name))
        for name in ("profession", "level", "starts_on", "ends_on")
        if getattr(row, name) and getattr(row, name) != getattr(m, name)
    }
    last = row.ends_on or m.ends_on
    if last is not None and last < (row.starts_on or m.starts_on):
        roster.faults.append(
            Fault(row.line, str(COLUMNS[6].label), _("The last day lies before the first."))
        )
    changes = {k: (str(a or "–"), str(b)) for k, (a, b) in wanted.items()}
    return Step(row, CHANGES if changes else SAME, m, changes)


@action("roster.imported")
def import_roster(
    *, programme: Programme, roster: Roster, by: Person | None, at: datetime
) -> list[Step]:
    """Everybody of the list, in one transaction. A list that stands already writes nothing.

    Raises Refused where any line has a fault: then nothing was imported.
    """
    Programme.objects.select_for_update().get(pk=programme.pk)
    today = programme.local_date(at)
    steps = dry_run(programme, roster, today=today)
    if roster.faults:
        raise Refused(_("Something changed meanwhile. Look at the list again."), code="faults")
    for step in steps:
        _take(programme, step, today=today, by=by, at=at)
    tally = {what: sum(step.what == what for step in steps) for what in WORDS}
    if not any(tally[what] for what in (NEW, BEGINS, CHANGES)):
        ledger.nothing_changed()
        return steps
    slot = ledger.reserve(programme.chain, at=at)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={**tally, "sha256": hashlib.sha256(roster.text.encode()).hexdigest()},
        by=by,
    )
    return steps


def _take(programme: Programme, step: Step, *, today: date, by, at) -> None:
    row, m = step.row, step.membership
    try:
        if m is None:
            people.add(
                programme=programme,
                name=row.name,
                email=row.email,
                role=row.role,
                profession=row.profession,
                level=row.level,
                staff_number=row.staff_number,
                starts_on=row.starts_on or today,
                ends_on=row.ends_on,
                by=by,
                at=at,
            )
            return
        # The last day first: a later beginning may lie beyond the old one.
        if "ends_on" in step.changes:
            people.end(membership=m, ends_on=row.ends_on, by=by, at=at)
        rest = {k: getattr(row, k) for k in step.changes if k != "ends_on"}
        if rest:
            people.change(membership=m, effective_on=today, by=by, at=at, **rest)
    except Refused as refused:
        raise Refused(
            _("Line %(n)s: %(sentence)s") % {"n": row.line, "sentence": refused.sentence}
        ) from refused
