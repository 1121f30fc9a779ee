"""How past forecasts did, and whether that is known well enough to show any forecast at all."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

RESAMPLES = 2000
PEOPLE = 20
EACH = 5
GROUPS, IN_A_GROUP, PEOPLE_IN_A_GROUP = 5, 20, 10
ORIGINS = (9, 6, 3)  # months before the end
TOO_FEW, NO_BETTER, SHOWN = "too_few", "no_better", "shown"


@dataclass(frozen=True, slots=True)
class Case:
    """One forecast of one past trainee: chance of reaching, what *present pace continues* says,
    and whether they did."""

    who: Hashable
    months: int
    chance: float
    by_pace: float
    reached: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Forecasts of about the same chance, and how many of their trainees got there."""

    cases: int
    people: int
    mean: float
    reached: int


@dataclass(frozen=True, slots=True)
class Report:
    """verdict: `shown`; `too_few` to test; `no_better` than that the present pace continues.

    brier and its 95% range by resampling trainees; skill against the base rate and against pace
    (1 - brier / theirs; None where theirs is zero). None where there are too few."""

    verdict: str
    cases: int
    people: int
    reached: int
    brier: float | None = None
    low: float | None = None
    high: float | None = None
    against_base: float | None = None
    against_pace: float | None = None
    groups: tuple[Group, ...] = ()


def report(cases: Sequence[Case], *, seed: int = 1) -> Report:
    """Scores of past forecasts; linear in the cases, times the resamples."""
    people = sorted({case.who for case in cases}, key=str)
    got = {case.who for case in cases if case.reached}
    counts = (len(cases), len(people), len(got))
    if len(people) < PEOPLE or len(got) < EACH or len(people) - len(got) < EACH:
        return Report(TOO_FEW, *counts)
    chance = np.array([case.chance for case in cases])
    paced = np.array([case.by_pace for case in cases])
    reached = np.array([case.reached for case in cases], dtype=float)
    brier = float(np.mean((chance - reached) ** 2))
    base = float(np.mean((reached.mean() - reached) ** 2))
    pace = float(np.mean((paced - reached) ** 2))
    low, high = _range(cases, people, (chance - reached) ** 2, seed)
    against_pace = 1 - brier / pace if pace else None
    # A pace that was never wrong cannot be bettered.
    better = against_pace is not None and against_pace > 0
    return Report(
        SHOWN if better else NO_BETTER,
        *counts,
        brier,
        low,
        high,
        1 - brier / base if base else None,
        against_pace,
        calibration(cases),
    )


def _range(
    cases: Sequence[Case], people: Sequence[Hashable], losses: np.ndarray, seed: int
) -> tuple[float, float]:
    at = {who: n for n, who in enumerate(people)}
    sums, sizes = np.zeros(len(people)), np.zeros(len(people))
    for case, loss in zip(cases, losses, strict=True):
        sums[at[case.who]] += loss
        sizes[at[case.who]] += 1
    dice = np.random.default_rng(seed)
    drawn = dice.integers(0, len(people), (RESAMPLES, len(people)))
    means = sums[drawn].sum(axis=1) / sizes[drawn].sum(axis=1)
    low, high = np.quantile(means, [0.025, 0.975])
    return float(low), float(high)


def calibration(cases: Sequence[Case]) -> tuple[Group, ...]:
    """At most five groups by chance, each of at least 20 forecasts of at least 10 trainees; none
    where there are too few for one."""
    ordered = sorted(cases, key=lambda case: (case.chance, str(case.who), case.months))
    for many in range(GROUPS, 0, -1):
        parts = np.array_split(np.arange(len(ordered)), many)
        groups = [[ordered[i] for i in part] for part in parts]
        if all(
            len(some) >= IN_A_GROUP and len({c.who for c in some}) >= PEOPLE_IN_A_GROUP
            for some in groups
        ):
            return tuple(
                Group(
                    len(some),
                    len({c.who for c in some}),
                    float(np.mean([c.chance for c in some])),
                    sum(c.reached for c in some),
                )
                for some in groups
            )
    return ()
