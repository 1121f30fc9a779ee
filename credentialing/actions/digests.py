"""The monthly letter: who wants it, and putting it into the post once a month."""

from __future__ import annotations

import datetime as dt

from accounts import notices
from accounts.access import ROLES, P
from accounts.actions_base import action
from accounts.errors import Forbidden
from accounts.models import Membership, Notice, Person, Programme, Role
from credentialing import digest
from credentialing.models import DigestChoice

KIND = "credentialing.digest"


@action(ledger=None, why="whether one wants a letter is one's own affair, not part of the record")
def choose(*, programme: Programme, wants: bool, by: Person, at: dt.datetime) -> DigestChoice:
    """Raises Forbidden for whoever may not see the cohort."""
    if by.pk not in {person.pk for person in _may_see(programme, programme.local_date(at))}:
        raise Forbidden("the letter is about the cohort, which you do not see")
    choice, _made = DigestChoice.objects.update_or_create(
        programme=programme, person=by, defaults={"wants": wants}
    )
    return choice


def _may_see(programme: Programme, on: dt.date) -> dict[Person, bool]:
    """Everybody who sees the cohort on a day: person -> whether they direct the programme."""
    roles = [role for role, card in ROLES.items() if P.SEE_COHORT in card.permissions]
    rows = (
        Membership.objects.on(on)
        .filter(programme=programme, role__in=roles, person__is_active=True)
        .select_related("person")
    )
    found: dict[Person, bool] = {}
    for row in rows:
        found[row.person] = found.get(row.person, False) or row.role == Role.DIRECTOR
    return found


def readers(programme: Programme, *, on: dt.date) -> list[Person]:
    """Who gets the letter: directors unless they said no, others if they said yes."""
    chosen = dict(
        DigestChoice.objects.filter(programme=programme).values_list("person_id", "wants")
    )
    return [
        person
        for person, directs in _may_see(programme, on).items()
        if chosen.get(person.pk, directs)
    ]


def gets(programme: Programme, person: Person, *, on: dt.date) -> bool:
    """Whether the person gets the letter; one or two queries."""
    choice = DigestChoice.objects.filter(programme=programme, person=person).first()
    if choice is not None:
        return choice.wants
    directs = Membership.objects.on(on).filter(
        programme=programme, person=person, role=Role.DIRECTOR
    )
    return directs.exists()


@action(ledger=None, why="a letter about the record is no part of it; its row says that it went")
def post(*, programme: Programme, by: None = None, at: dt.datetime) -> int:
    """Queue this month's letters, once each; returns how many. Any day of the month will do, so a
    service that slept over the first of the month catches up."""
    today = programme.local_date(at)
    stem = f"digest:{programme.pk}:{today:%Y-%m}:"
    sent = set(
        Notice.objects.filter(dedup_key__startswith=stem).values_list("person_id", flat=True)
    )
    wanting = [one for one in readers(programme, on=today) if one.pk not in sent]
    if not wanting or not (told := digest.of(programme, on=today)):
        return 0
    for person in wanting:
        notices.queue(
            kind=KIND,
            person=person,
            programme=programme,
            dedup_key=f"{stem}{person.pk}",
            context=told,
            due_at=at,
        )
    return len(wanting)
