"""A curve out of a history. No query of its own."""

from __future__ import annotations

from credentialing.learning_curve import DEFAULT, Curve, Limits, Stage, curve_of, stages_of
from credentialing.measures import AsOf, History
from credentialing.models import PlanVersion


def limits_of(version: PlanVersion | None, application: str) -> Limits:
    """Those of the plan's clause about the curve of this application, else the default."""
    for clause in version.as_plan().clauses if version else ():
        if clause.measure == "curve" and clause.application in (application, ""):
            return Limits(clause.adequate_rate, clause.inadequate_rate, clause.limit)
    return DEFAULT


def _of(history: History, application: str) -> dict:
    return {
        "facts": [fact for fact in history.facts if fact.application == application],
        "waits": [
            one for one in (*history.waiting, *history.ended) if one.application == application
        ],
        "decisions": [one for one in history.decisions if one.application == application],
    }


def curve_for(
    history: History, application: str, *, as_of: AsOf, limits: Limits = DEFAULT
) -> Curve:
    return curve_of(**_of(history, application), as_of=as_of, limits=limits)


def stages_for(
    history: History, application: str, *, as_of: AsOf, limits: Limits = DEFAULT
) -> list[Stage]:
    return stages_of(**_of(history, application), as_of=as_of, limits=limits)
