"""What a plan would change: the people of its cohort judged by the plan that they have and by the
one in the making, on the same records, by the rules that judge them every night. Reads only.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from accounts.models import Membership, Programme
from credentialing import cohorts, measures, queries, recorded
from credentialing.drafting import Terms
from credentialing.measures import AsOf, History, Plan
from credentialing.models import PlanVersion

DAY = dt.timedelta(days=1)
# A pace is that of the last year, or of what there is of it.
YEAR, SHORTEST = dt.timedelta(days=365), dt.timedelta(days=28)
BEYOND = 10**15  # a ledger position past everything


@dataclass(frozen=True)
class Verdict:
    """met: the whole plan. unmet: ordinals of the clauses that are not met."""

    met: bool
    unmet: tuple[int, ...] = ()


@dataclass(frozen=True)
class Change:
    """One person. before: by the plan that they have; None without one. moves: the decision moves
    them. at the end: if scanning goes on as in the last twelve months; None without an end date
    or a pace."""

    membership: Membership
    moves: bool
    had: PlanVersion | None
    before: Verdict | None
    after: Verdict
    ends_on: dt.date | None = None
    before_at_end: Verdict | None = None
    after_at_end: Verdict | None = None

    @property
    def changes(self) -> bool:
        return (self.before is not None and self.before.met) != self.after.met

    @property
    def loses(self) -> bool:
        return self.before is not None and self.before.met and not self.after.met

    @property
    def changes_at_end(self) -> bool:
        if self.after_at_end is None:
            return False
        return (self.before_at_end is not None and self.before_at_end.met) != self.after_at_end.met


@dataclass(frozen=True)
class WhatIf:
    as_of: AsOf
    people: tuple[Change, ...]

    @property
    def moving(self) -> list[Change]:
        return [one for one in self.people if one.moves]

    @property
    def gain(self) -> list[Change]:
        return [one for one in self.moving if one.changes and one.after.met]

    @property
    def lose(self) -> list[Change]:
        return [one for one in self.moving if one.loses]

    @property
    def by_clause(self) -> list[tuple[int, int]]:
        """(ordinal, how many of those who would no longer meet their plan it stops)."""
        stops = Counter(n for one in self.lose for n in one.after.unmet)
        return sorted(stops.items())


def verdict(plan: Plan, history: History, as_of: AsOf) -> Verdict:
    standing = measures.judge(plan, history, as_of=as_of)
    return Verdict(standing.met, tuple(c.clause.ordinal for c in standing.clauses if not c.met))


def run(programme: Programme, plan: Plan, terms: Terms, *, at: dt.datetime) -> WhatIf:
    """A few queries for each two hundred people."""
    as_of = queries.now(programme, at)
    return WhatIf(as_of, tuple(_people(programme, plan, terms, as_of)))


def _people(programme: Programme, plan: Plan, terms: Terms, as_of: AsOf) -> Iterator[Change]:
    from_on = terms.effective_on or as_of.d
    people = cohorts.members(programme, terms, on=max(as_of.d, from_on))
    judged = {
        one.membership_id: one.version_id
        for one in queries.judged_in(
            programme, on=as_of.d, seq=as_of.n, people=[one.person_id for one in people]
        )
    }
    versions = queries.versions(judged.values())
    plans = {pk: version.as_plan() for pk, version in versions.items()}
    asks = recorded.asked_by([plan, *plans.values()])
    histories = queries.histories(
        programme, dict.fromkeys(one.person_id for one in people), asks=asks
    )
    by_person: dict[object, list[Membership]] = {}
    for one in people:
        by_person.setdefault(one.person_id, []).append(one)
    found = {}
    for person, history in histories:
        for one in by_person[person]:
            had = judged.get(one.pk)
            found[one.pk] = _change(
                one, history, as_of, plan,
                had=versions[had] if had else None,
                had_plan=plans[had] if had else None,
                moves=cohorts.moves(one, terms, from_on=from_on),
            )  # fmt: skip
    yield from (found[one.pk] for one in people)


def _change(
    membership: Membership,
    history: History,
    as_of: AsOf,
    plan: Plan,
    *,
    had: PlanVersion | None,
    had_plan: Plan | None,
    moves: bool,
) -> Change:
    said = Change(
        membership=membership,
        moves=moves,
        had=had,
        before=verdict(had_plan, history, as_of) if had_plan else None,
        after=verdict(plan, history, as_of),
        ends_on=membership.ends_on,
    )
    if membership.ends_on is None or membership.ends_on <= as_of.d:
        return said
    later = continued(history, as_of, membership.ends_on)
    if later is None:
        return said
    then = AsOf(membership.ends_on, membership.ends_on, BEYOND)
    return replace(
        said,
        before_at_end=verdict(had_plan, later, then) if had_plan else None,
        after_at_end=verdict(plan, later, then),
    )


def continued(history: History, as_of: AsOf, until: dt.date) -> History | None:
    """The record if it goes on as it was: what counts of the last year comes again, and again,
    until the day. None where there is less than four weeks of it. What waits stays uncounted;
    assessments and dated records stay as they are."""
    first = history.first_received_on
    if first is None or as_of.d - first < SHORTEST:
        return None
    length = min(YEAR, as_of.d - first + DAY)
    recent = [
        fact
        for fact in history.facts
        if fact.known(as_of)
        and fact.replaced(as_of) is None
        and as_of.d - length < fact.performed_on <= as_of.d
    ]
    supervised = {one.exam: one for one in history.confirmations if one.seq <= as_of.n}
    facts, confirmations = list(history.facts), list(history.confirmations)
    shift = length
    while as_of.d - length + DAY + shift <= until:
        for fact in recent:
            if fact.performed_on + shift > until:
                continue
            exam = (str(fact.exam), shift.days)
            facts.append(
                replace(
                    fact,
                    exam=exam,
                    scan=(str(fact.scan), shift.days),
                    patient=None,
                    ordinal=1,
                    performed_on=fact.performed_on + shift,
                    received_on=min(fact.received_on + shift, until),
                    signed_on=min(fact.signed_on + shift, until),
                    superseded_on=None,
                    superseded_seq=None,
                )
            )
            if fact.exam in supervised:
                day = supervised[fact.exam].on
                confirmations.append(
                    replace(supervised[fact.exam], exam=exam, on=min(day + shift, until))
                )
        shift += length
    return replace(
        history, facts=tuple(facts), confirmations=tuple(confirmations), waiting=(), ended=()
    )
