"""Writing a plan, and putting it in force."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable

from django.utils.translation import gettext as _

from accounts import remarks
from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from accounts.ledger.core import canonical
from accounts.models import Membership, Person, Programme
from credentialing import cohorts, drafting
from credentialing.actions import plans
from credentialing.measures import Plan
from credentialing.models import PlanDraft, PlanVersion

WORKED_OUT = "a draft binds nobody; the ledger hears of the version that comes of it"


@action(ledger=None, why=WORKED_OUT)
def start(
    *,
    programme: Programme,
    plan: Plan,
    terms: drafting.Terms,
    based_on: PlanVersion | None = None,
    by: Person | None,
    at: dt.datetime,
) -> PlanDraft:
    return PlanDraft.objects.create(
        programme=programme,
        name=plan.name,
        text=canonical(drafting.to_json(plan, terms)),
        based_on=based_on,
        started_at=at,
        started_by=by,
        saved_at=at,
        saved_by=by,
    )


@action(ledger=None, why=WORKED_OUT)
def save(
    *,
    draft: PlanDraft,
    plan: Plan,
    terms: drafting.Terms,
    version: int,
    by: Person | None,
    at: dt.datetime,
) -> PlanDraft:
    """`version`: the one that was seen. Raises Conflict where somebody saved since."""
    locked = _open(draft, version)
    for text in (terms.override_reason, *(clause.text for clause in plan.clauses)):
        remarks.check(text)
    locked.name = plan.name
    locked.text = canonical(drafting.to_json(plan, terms))
    locked.version += 1
    locked.saved_at, locked.saved_by = at, by
    locked.save(update_fields=["name", "text", "version", "saved_at", "saved_by"])
    return locked


@action(ledger=None, why=WORKED_OUT)
def drop(*, draft: PlanDraft, version: int, by: Person | None, at: dt.datetime) -> PlanDraft:
    locked = _open(draft, version)
    locked.dropped_at, locked.dropped_by = at, by
    locked.save(update_fields=["dropped_at", "dropped_by"])
    return locked


@action(ledger=None, why="its parts write theirs: the version that is published, and who moves")
def publish(*, draft: PlanDraft, version: int, by: Person | None, at: dt.datetime) -> PlanVersion:
    """The draft becomes a version that never changes, and whoever the decision moves is judged by
    it from the day on which it takes effect. Raises Refused with every reason why not."""
    locked = _open(draft, version)
    plan, terms = drafting.from_json(_read(locked.text))
    if terms.effective_on is None:
        raise Refused(_("Say from which day the plan is in force."), code="effective_on")
    made = plans.publish(
        programme=locked.programme,
        plan=plan,
        effective_on=terms.effective_on,
        approved_on=terms.approved_on,
        override_reason=terms.override_reason,
        by_default=terms.by_default,
        cohort=plans.Cohort(
            terms.profession, terms.level, terms.starts_from, terms.moves, terms.grandfather_on
        ),
        sources=terms.sources,
        by=by,
        at=at,
    )
    if PlanDraft.objects.filter(published=made).exists():
        raise Refused(_("Nothing in it differs from the version that is published."), code="same")
    today = locked.programme.local_date(at)
    people = [
        one
        for one in cohorts.members(locked.programme, terms, on=max(today, terms.effective_on))
        if cohorts.moves(one, terms, from_on=terms.effective_on)
    ]
    give(version=made, memberships=people, by=by, at=at)
    locked.published = made
    locked.save(update_fields=["published"])
    return made


@action(ledger=None, why="each assignment writes its own entry")
def give(
    *, version: PlanVersion, memberships: Iterable[Membership], by: Person | None, at: dt.datetime
) -> int:
    """They are judged by the version from the day on which it takes effect, or they begin."""
    from_on: dict[dt.date, list[Membership]] = defaultdict(list)
    for one in memberships:
        from_on[max(version.effective_on, one.starts_on)].append(one)
    for day, some in sorted(from_on.items()):
        plans.assign(version=version, memberships=some, effective_on=day, by=by, at=at)
    return sum(map(len, from_on.values()))


def _read(text: str) -> dict:
    import json

    return json.loads(text)


def _open(draft: PlanDraft, version: int) -> PlanDraft:
    locked = PlanDraft.objects.select_for_update().select_related("programme").get(pk=draft.pk)
    if not locked.is_open:
        raise Refused(_("This draft is shut. Start another from the version."), code="shut")
    if locked.version != version:
        raise Conflict(
            _("Somebody saved this draft since you opened it. Load it again before you change it."),
            code="stale",
        )
    return locked
