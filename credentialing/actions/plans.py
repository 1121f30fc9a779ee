"""Publishing a plan's version and saying who is judged by it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from django.db.models import Max
from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Refused
from accounts.ledger.core import canonical
from accounts.models import Membership, Person, Programme, Role
from credentialing import measures, planfile, publishing
from credentialing.models import (
    BY_CHOICE,
    NEWCOMERS,
    Assignment,
    Clause,
    Further,
    Gate,
    PlanVersion,
)
from credentialing.queries import groups_of

# The template that a new programme begins with.
FIRST = "lung-start"


@dataclass(frozen=True)
class Cohort:
    """For whom a version is, and who moves to it."""

    profession: str = ""
    level: str = ""
    starts_from: dt.date | None = None
    moves: str = NEWCOMERS
    grandfather_on: dt.date | None = None

    def as_json(self) -> dict:
        return {
            name: value.isoformat() if isinstance(value, dt.date) else value
            for name, value in asdict(self).items()
        }


@action("plan.published")
def publish(
    *,
    programme: Programme,
    plan: measures.Plan,
    effective_on: dt.date,
    approved_on: dt.date | None = None,
    override_reason: str = "",
    by_default: bool = False,
    cohort: Cohort | None = None,
    sources: str = "",
    by: Person | None,
    at: dt.datetime,
) -> PlanVersion:
    """The next version of the plan. One that says the same as the newest writes nothing.

    `by_default`: trainees of the cohort who begin from then on are judged by it. `cohort`: for
    whom it is, and who moves to it; everybody who begins later, without it.
    Raises Refused where the plan is one that must not be published, with the reasons; those of
    agreement alone a director may override with a reason.
    """
    if problems := publishing.refusals(
        plan, groups=groups_of(programme), override_reason=override_reason
    ):
        raise Refused(" ".join(problems), code="plan")
    text = canonical(as_json(plan))
    Programme.objects.select_for_update().get(pk=programme.pk)
    newest = PlanVersion.objects.newest(programme, plan.code)
    cohort = cohort or Cohort()
    if (cohort.moves == BY_CHOICE) != (cohort.grandfather_on is not None):
        raise Refused(_("A choice has a grandfather date, and nothing else has."), code="moves")
    terms = {
        "effective_on": effective_on,
        "by_default": by_default,
        "sources": sources,
        **asdict(cohort),
    }
    if newest is not None and newest.text == text and _same(newest, terms):
        ledger.nothing_changed()
        return newest
    n = (
        PlanVersion.objects.filter(programme=programme, code=plan.code).aggregate(Max("n"))[
            "n__max"
        ]
        or 0
    ) + 1
    slot = ledger.reserve(programme.chain, at=at)
    version = PlanVersion.objects.create(
        programme=programme,
        code=plan.code,
        n=n,
        name=plan.name,
        **terms,
        approved_on=approved_on,
        kind=plan.kind,
        transfer_share=plan.transfer_share,
        text=text,
        override_reason=remarks.write(programme=programme, text=override_reason, by=by, at=slot.at),
        published_by=by,
        recorded_at=slot.at,
        seq=slot.seq,
    )
    for gate in plan.gates:
        row = Gate.objects.create(
            programme=programme,
            version=version,
            ordinal=gate.ordinal,
            title=gate.title,
            combine=str(gate.combine),
            window=gate.window,
            within_months=gate.within_months,
        )
        made = Clause.objects.bulk_create(
            Clause(
                programme=programme,
                version=version,
                gate=row,
                label=clause.text,
                **{name: getattr(clause, name) for name in Clause.COLUMNS},
            )
            for clause in gate.clauses
        )
        Further.objects.bulk_create(
            Further(programme=programme, clause=one, ordinal=ordinal)
            for one, clause in zip(made, gate.clauses, strict=True)
            for ordinal in clause.further
        )
    slot.append(
        subject=f"plan:{version.pk}",
        body={
            "code": plan.code,
            "n": n,
            "effective_on": effective_on.isoformat(),
            "approved_on": approved_on.isoformat() if approved_on else None,
            "by_default": by_default,
            "cohort": cohort.as_json(),
            "sources": sources,
            "plan": as_json(plan),
        },
        by=by,
    )
    return version


@action("plan.assigned")
def assign(
    *,
    version: PlanVersion,
    memberships: Iterable[Membership],
    effective_on: dt.date,
    by: Person | None,
    at: dt.datetime,
) -> list[Assignment]:
    """From a day on these trainees are judged by this version, over their whole history."""
    programme = version.programme
    chosen = list(memberships)
    if any(m.role != Role.TRAINEE or m.programme_id != programme.pk for m in chosen):
        raise Refused(_("A plan is assigned to trainees of its own programme."))
    already = set(
        Assignment.objects.filter(
            version=version, membership__in=chosen, effective_on=effective_on
        ).values_list("membership_id", flat=True)
    )
    chosen = [m for m in chosen if m.pk not in already]
    if not chosen:
        ledger.nothing_changed()
        return []
    slot = ledger.reserve(programme.chain, at=at)
    made = Assignment.objects.bulk_create(
        Assignment(
            programme=programme,
            membership=membership,
            version=version,
            effective_on=effective_on,
            assigned_by=by,
            recorded_at=slot.at,
            seq=slot.seq,
        )
        for membership in chosen
    )
    slot.append(
        subject=f"plan:{version.pk}",
        body={
            "effective_on": effective_on.isoformat(),
            "memberships": sorted(str(m.pk) for m in chosen),
            "trainees": sorted({str(m.person_id) for m in chosen}),
        },
        by=by,
    )
    return made


def _same(newest: PlanVersion, terms: dict) -> bool:
    return all(getattr(newest, name) == value for name, value in terms.items())


# --- what other floors' news brings ---------------------------------------------------------------


def lay_down(sender: object, *, programme: Programme, by: Person | None, at, **_rest) -> None:
    """A new programme begins with a plan; called inside the action that makes it."""
    first = planfile.parse(planfile.template(FIRST))
    publish(
        programme=programme,
        plan=first.plan,
        sources=first.sources,
        effective_on=programme.local_date(at),
        by_default=True,
        by=by,
        at=at,
    )


def give_to_newcomer(
    sender: object, *, membership: Membership, by: Person | None, at, **_rest
) -> None:
    """Whoever begins as a trainee is judged by the plan for newcomers, from their first day."""
    if membership.role != Role.TRAINEE:
        return
    programme = membership.programme
    day = max(membership.starts_on, programme.local_date(at))
    version = PlanVersion.objects.for_newcomers(programme, on=day, membership=membership)
    if version is not None:
        assign(
            version=version,
            memberships=[membership],
            effective_on=membership.starts_on,
            by=by,
            at=at,
        )


def as_json(plan: measures.Plan) -> dict:
    """The plan as plain JSON: what is hashed into the ledger and kept as its text."""
    return {
        "code": plan.code,
        "name": plan.name,
        "kind": plan.kind,
        "transfer_share": plan.transfer_share,
        "gates": [
            {
                "ordinal": gate.ordinal,
                "title": gate.title,
                "combine": gate.combine,
                "window": gate.window,
                "within_months": gate.within_months,
                "clauses": [
                    {
                        **{name: getattr(clause, name) for name in Clause.COLUMNS},
                        "text": clause.text,
                        "further": list(clause.further),
                    }
                    for clause in gate.clauses
                ],
            }
            for gate in plan.gates
        ],
    }
