"""One trainee's outlook, and a programme's back-test, as plain data. Reads only."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from credentialing import measures
from credentialing.forecasts import gather
from credentialing.forecasts.gather import Material, Member, Ready
from credentialing.measures import AsOf, Plan
from credentialing.measures.plans import AT_LEAST, COUNTS
from credentialing.months import minus_months
from credentialing.outlook.futures import NOT_FORECAST, Told, seed, tell
from credentialing.outlook.rates import YEARS_BACK
from credentialing.outlook.testing import ORIGINS, Case, Report, report
from credentialing.reports.build import position_on

READ_BY = dt.timedelta(days=60)


def outlook_of(material: Material, member: Member, plan: Plan, as_of: AsOf, key: str) -> dict:
    """Chances, pace and fans. `key`: the plan version's name, for the random numbers."""
    ready = gather.ready(material, member, plan, as_of)
    history = material.histories.get(member.person_id) or measures.History()
    standing = measures.judge(plan, history, as_of=as_of)
    told = None
    if ready.question is not None:
        told = tell(ready.question, dice_of(material, member, as_of, key))
    return {
        "why": ready.why,
        "joint": None if told is None else round(told.joint, 4),
        "met": standing.met,
        "left_out": [] if told is None else list(told.left_out),
        "exams": ready.exams,
        "weeks": round(ready.weeks, 2),
        "weeks_left": round(ready.weeks_left, 2),
        "phi": round(ready.phi, 3),
        "prior": None
        if ready.prior is None
        else {
            "trainees": ready.prior.trainees,
            "pooled": ready.prior.pooled,
            "mean": round(ready.prior.mean, 3),
        },
        "waiting": 0 if ready.question is None else len(ready.question.waiting),
        "clauses": {str(row.clause.ordinal): _clause(row, ready, told) for row in standing.clauses},
    }


def _clause(row: measures.ClauseStanding, ready: Ready, told: Told | None) -> dict[str, Any]:
    clause = row.clause
    chance = None if told is None else told.clauses.get(clause.ordinal)
    fan = None if told is None else told.fans.get(clause.ordinal)
    count = clause.measure in COUNTS and clause.direction == AT_LEAST
    done = row.value.numerator
    return {
        "met": row.met,
        "chance": None if chance is None else round(chance, 4),
        "forecast": clause.measure not in NOT_FORECAST,
        "left": row.left,
        "so_far": round(done / ready.weeks, 3) if count and ready.weeks > 0 else None,
        "needed": round(row.left / ready.weeks_left, 3)
        if count and row.left and ready.weeks_left > 0
        else None,
        "fan": None
        if fan is None
        else {
            "days": [day.isoformat() for day in fan.days],
            "low": fan.low,
            "middle": fan.middle,
            "high": fan.high,
        },
    }


def dice_of(material: Material, member: Member, as_of: AsOf, key: str):
    return seed(material.programme.pk, member.person_id, as_of.d.isoformat(), as_of.n, key)


# --- the back-test --------------------------------------------------------------------------------


def back_test(material: Material, plans: dict, *, on: dt.date) -> tuple[Report, list[Case]]:
    """Forecasts of trainees whose training has ended, as they would have been told then.

    plans: membership -> (plan, key of its version), of whoever is to be asked.
    """
    cases = [
        case for pk, (plan, key) in plans.items() for case in _cases(material, pk, plan, key, on)
    ]
    return report(cases), cases


def _cases(material: Material, membership_id, plan: Plan, key: str, on: dt.date) -> Iterator[Case]:
    member = material.members.get(membership_id)
    if member is None or member.ends_on is None:
        return
    if not minus_months(on, 12 * YEARS_BACK) <= member.ends_on < on:
        return
    history = material.histories.get(member.person_id)
    if history is None or history.first_received_on is None:
        return
    read_by = min(member.ends_on + READ_BY, on)
    end = AsOf(member.ends_on, read_by, position_on(material.programme, read_by))
    reached = measures.judge(plan, history, as_of=end).met
    for months in ORIGINS:
        origin = minus_months(member.ends_on, months)
        if origin < member.starts_on:
            continue
        as_of = AsOf(origin, origin, position_on(material.programme, origin))
        ready = gather.ready(material, member, plan, as_of)
        if ready.question is None:
            continue
        told = tell(ready.question, dice_of(material, member, as_of, key))
        yield Case(
            str(member.person_id),
            months,
            told.joint,
            _by_pace(plan, history, as_of, ready),
            reached,
        )


def _by_pace(plan: Plan, history: measures.History, as_of: AsOf, ready: Ready) -> float:
    """1 where every count gets there if it goes on as so far, and everything else holds now."""
    holds = {}
    for row in measures.judge(plan, history, as_of=as_of).clauses:
        clause = row.clause
        if row.met or clause.measure in NOT_FORECAST:
            holds[clause.ordinal] = True
        elif clause.measure in COUNTS and clause.direction == AT_LEAST and ready.weeks > 0:
            comes = row.value.numerator / ready.weeks * ready.weeks_left
            holds[clause.ordinal] = row.value.numerator + comes >= clause.bar
        else:
            holds[clause.ordinal] = clause.measure == "elapsed_months"
    return float(
        all(sum(holds[c.ordinal] for c in gate.clauses) >= gate.needs for gate in plan.gates)
    )


def as_json(found: Report) -> dict[str, Any]:
    rounded = {
        name: round(value, 4) if isinstance(value, float) else value
        for name, value in asdict(found).items()
        if name != "groups"
    }
    return {**rounded, "groups": [asdict(group) for group in found.groups]}
