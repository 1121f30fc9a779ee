"""What publishing refuses, as sentences; and what it says beside a bound. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from credentialing.bounds import fewest_all_successes, fewest_passing
from credentialing.measures import AT_LEAST, AT_MOST, EXAM, ONCE, Clause, Gate, Plan
from credentialing.measures.plans import COUNTS, MEDIANS, MONTHS, SHARES

LEAST_POSITIVES = 10
# Of accuracy: they keep `agreement` from being won by always answering negative.
HONEST = ("positive_agreement", "sensitivity")


def refusals(
    plan: Plan, *, groups: Mapping[str, str] | None = None, override_reason: str = ""
) -> list[str]:
    """Why this plan cannot be published; empty where it can.

    groups: application -> group of the programme; None where they are not known yet.
    override_reason: the director's, for agreement without what keeps it honest.
    """
    found: list[str] = []
    if not plan.gates or not plan.clauses:
        found.append("The plan asks nothing: add a gate with at least one clause.")
    for gate in plan.gates:
        for clause in gate.clauses:
            found += [f"Clause {clause.ordinal}: {why}" for why in _of_clause(clause, gate, groups)]
        if not override_reason.strip():
            found += _of_accuracy(gate)
    return found


def remarks(plan: Plan) -> list[str]:
    """What the page says beside the bounds of a plan that may be published."""
    out = []
    for gate in plan.gates:
        for clause in gate.clauses:
            if not clause.bound or clause.direction != AT_LEAST:
                continue
            fewest = fewest_all_successes(clause.bar)
            if fewest is None:
                continue
            own = _own_count(clause, gate)
            told = f"Clause {clause.ordinal}: at least {fewest} without a miss can pass"
            if own is not None and (needed := fewest_passing(clause.bar, own)) is not None:
                told += f"; of the plan's own {own}, {needed} must agree"
            out.append(told + ". Not protected against repeated checking.")
    return out


def _of_clause(clause: Clause, gate: Gate, groups: Mapping[str, str] | None) -> Iterator[str]:
    measure, bar = clause.measure, clause.bar
    if measure in SHARES:
        if not 0 < bar <= 1:
            yield f"a share lies between 0 and 1, so {bar:g} cannot be its bar."
    elif bar != int(bar):
        yield f"{measure} is a whole number; {bar:g} is not."
    elif clause.direction == AT_LEAST and bar < 1:
        yield "at least 0 asks nothing."
    elif bar < 0:
        yield "a number cannot be under 0."
    if measure in MEDIANS and not 1 <= bar <= 5:
        yield "quality is marked 1 to 5."
    if not 1 <= clause.cut <= 5:
        yield "quality is marked 1 to 5, and so is the cut."
    if clause.within_months is not None and not 1 <= clause.within_months <= 120:
        yield "a window has 1 to 120 months."
    if clause.within_months is not None and measure in MONTHS:
        yield "time that has passed has no window."
    if clause.direction == AT_MOST and clause.mode == ONCE:
        yield "an upper limit must hold still: having kept it once says nothing."
    if clause.normal_cap is not None and measure != "credited":
        yield "a cap on normal scans touches credited ones only."
    if clause.normal_cap is not None and clause.normal_cap < 0:
        yield "a cap cannot be under 0."
    if clause.unit == EXAM and measure not in COUNTS:
        yield "only counts can be of exams."
    if measure == "with_finding" and not clause.finding:
        yield "say which finding is counted."
    if clause.bound and measure not in SHARES:
        yield "only a share has a plausible range."
    if clause.min_n is not None and clause.min_n < 1:
        yield "a value needs at least one scan to be known."
    yield from _unknown_scope(clause, groups)
    if clause.bound and clause.direction == AT_LEAST and 0 < bar <= 1:
        yield from _unreachable(clause, gate)


def _unknown_scope(clause: Clause, groups: Mapping[str, str] | None) -> Iterator[str]:
    if groups is None:
        return
    if clause.application and clause.application not in groups:
        yield f"this programme has no application {clause.application!r}."
    if clause.group and clause.group not in groups.values():
        yield f"this programme has no group {clause.group!r}."


def _unreachable(clause: Clause, gate: Gate) -> Iterator[str]:
    fewest = fewest_all_successes(clause.bar)
    if fewest is None:
        yield "no number of scans gives a lower bound of 1: it cannot be met."
        return
    own = _own_count(clause, gate)
    if own is not None and own < fewest:
        yield (
            f"with the plan's own {own} even {own} of {own} stay under {clause.bar:.0%}; "
            f"it takes {fewest} without a miss. Ask for more scans or lower the bar."
        )


def _own_count(clause: Clause, gate: Gate) -> int | None:
    """How many scans of the same kind the gate itself asks."""
    asked = [
        int(other.bar)
        for other in gate.clauses
        if other.measure in ("credited", "read")
        and other.direction == AT_LEAST
        and (other.application, other.group) == (clause.application, clause.group)
    ]
    return max(asked, default=None)


def _of_accuracy(gate: Gate) -> Iterator[str]:
    measures = {clause.measure for clause in gate.clauses}
    for clause in gate.clauses:
        if clause.measure != "agreement" or clause.direction != AT_LEAST:
            continue
        positives = sum(
            int(other.bar)
            for other in gate.clauses
            if other.measure == "positive"
            and other.direction == AT_LEAST
            and clause.application in ("", other.application)
        )
        if positives < LEAST_POSITIVES or not measures & set(HONEST):
            yield (
                f"Clause {clause.ordinal}: agreement can be had by always answering negative. "
                f"The same gate must ask at least {LEAST_POSITIVES} positive scans and how often "
                "positive ones are found, or the director overrides this with a reason."
            )
