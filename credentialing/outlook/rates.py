"""How fast somebody scans: exposed weeks, what past trainees say, and what their own weeks add."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import gammaln

DAY = dt.timedelta(days=1)
BLOCK = dt.timedelta(weeks=4)
WEEK = 7
# Past trainees: below FEW nothing is fitted, below MANY the shape is not.
FEW, MANY = 8, 20
SHAPE = 2.0
SHAPES = (0.5, 50.0)
LEAST_WEEKS = 12
OWN_WEEKS = 8
YEARS_BACK = 3
# A rotation has a factor of its own from so many trainees and weeks on.
ROTATION_TRAINEES, ROTATION_WEEKS = 5, 40


# --- exposure -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Away:
    """From a day to a day, both included. kind "": leave, no exposure; else a rotation, whose
    factor says how much a week there is worth."""

    starts_on: dt.date
    ends_on: dt.date
    kind: str = ""


def worth(day: dt.date, away: Iterable[Away], factors: Mapping[str, float]) -> float:
    """The exposure of a day present, in days: 1, or that of the least of what covers it."""
    found = 1.0
    for one in away:
        if one.starts_on <= day <= one.ends_on:
            found = min(found, factors.get(one.kind, 1.0) if one.kind else 0.0)
    return found


def days_worth(
    start: dt.date, end: dt.date, away: Sequence[Away], factors: Mapping[str, float]
) -> np.ndarray:
    """The exposure of each day of [start, end), in days."""
    length = max(0, (end - start).days)
    found = np.ones(length)
    for one in away:
        first = max(0, (one.starts_on - start).days)
        last = min(length, (one.ends_on - start).days + 1)
        if first < last:
            factor = factors.get(one.kind, 1.0) if one.kind else 0.0
            found[first:last] = np.minimum(found[first:last], factor)
    return found


def exposed_weeks(
    start: dt.date,
    end: dt.date,
    away: Sequence[Away] = (),
    factors: Mapping[str, float] | None = None,
) -> float:
    """Exposed weeks of [start, end): days present / 7 x the factor of the rotation."""
    return float(days_worth(start, end, away, factors or {}).sum()) / WEEK


@dataclass(frozen=True, slots=True)
class Track:
    """One trainee's scanning until a day: days on which an exam was submitted (one entry an exam),
    from `start` up to, not including, `end`."""

    who: Hashable
    start: dt.date
    end: dt.date
    days: tuple[dt.date, ...]
    away: tuple[Away, ...] = ()

    def weeks(self, factors: Mapping[str, float] | None = None) -> float:
        return exposed_weeks(self.start, self.end, self.away, factors)

    @property
    def count(self) -> int:
        return sum(self.start <= day < self.end for day in self.days)


def rotation_factors(tracks: Iterable[Track]) -> dict[str, float]:
    """kind -> pooled rate there / pooled rate elsewhere, where enough trainees and weeks say so."""
    tracks = list(tracks)
    at_home_days = at_home_exams = 0
    days: dict[str, int] = {}
    exams: dict[str, int] = {}
    who: dict[str, set[Hashable]] = {}
    for track in tracks:
        kinds = [""] * max(0, (track.end - track.start).days)
        for one in track.away:
            for n in range((one.ends_on - one.starts_on).days + 1):
                at = (one.starts_on - track.start).days + n
                if 0 <= at < len(kinds):
                    kinds[at] = one.kind or "leave"
        for kind in kinds:
            if not kind:
                at_home_days += 1
            elif kind != "leave":
                days[kind] = days.get(kind, 0) + 1
                who.setdefault(kind, set()).add(track.who)
        for day in track.days:
            at = (day - track.start).days
            if 0 <= at < len(kinds):
                if not kinds[at]:
                    at_home_exams += 1
                elif kinds[at] != "leave":
                    exams[kinds[at]] = exams.get(kinds[at], 0) + 1
    if not at_home_exams:
        return {}
    usual = at_home_exams / at_home_days
    return {
        kind: exams.get(kind, 0) / n / usual
        for kind, n in days.items()
        if len(who[kind]) >= ROTATION_TRAINEES and n >= ROTATION_WEEKS * WEEK
    }


# --- the prior ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Past:
    """A past trainee's exams and exposed weeks, until the day their last count was met."""

    who: Hashable
    count: int
    weeks: float


@dataclass(frozen=True, slots=True)
class Gamma:
    """A rate of exams an exposed week: shape a, and b exposed weeks. trainees: behind it; pooled:
    what was thrown together to find them ("", "stages", "applications")."""

    a: float
    b: float
    trainees: int = 0
    pooled: str = ""

    @property
    def mean(self) -> float:
        return self.a / self.b


def marginal(a: float, b: float, counts: np.ndarray, weeks: np.ndarray) -> float:
    """The log likelihood of the counts, each negative binomial after a gamma rate is integrated
    out, without what does not hang on (a, b)."""
    return float(
        np.sum(
            gammaln(counts + a) - gammaln(a) + a * math.log(b) - (counts + a) * np.log(weeks + b)
        )
    )


def fit(past: Sequence[Past], *, pooled: str = "") -> Gamma | None:
    """(a, b) of maximum marginal likelihood; None under 8 trainees, or where nobody scanned.

    20 or more trainees: both, with a within 0.5-50. 8 to 19: a = 2, and b.
    """
    past = [one for one in past if one.weeks >= LEAST_WEEKS]
    people = len({one.who for one in past})
    counts = np.array([one.count for one in past], dtype=float)
    weeks = np.array([one.weeks for one in past], dtype=float)
    if people < FEW or not counts.sum():
        return None

    def best_b(a: float) -> tuple[float, float]:
        # The rate's mean a/b lies near the pooled one; b is looked for on its logarithm.
        middle = math.log(a * weeks.sum() / counts.sum())
        found = minimize_scalar(
            lambda log_b: -marginal(a, math.exp(log_b), counts, weeks),
            bounds=(middle - 6, middle + 6),
            method="bounded",
            options={"xatol": 1e-8},
        )
        return math.exp(float(found.x)), float(found.fun)

    a = SHAPE
    if people >= MANY:
        found = minimize_scalar(
            lambda log_a: best_b(math.exp(log_a))[1],
            bounds=(math.log(SHAPES[0]), math.log(SHAPES[1])),
            method="bounded",
            options={"xatol": 1e-6},
        )
        a = math.exp(float(found.x))
    return Gamma(a, best_b(a)[0], people, pooled)


def prior_of(
    own: Sequence[Past], over_stages: Sequence[Past] = (), over_applications: Sequence[Past] = ()
) -> Gamma | None:
    """The prior of an application and stage; with too few, over stages, then applications; with
    still too few None."""
    for past, pooled in (
        (own, ""),
        (over_stages, "stages"),
        (over_applications, "applications"),
    ):
        if (found := fit(past, pooled=pooled)) is not None:
            return found
    return None


# A rate nobody else has a say in: Jeffreys' prior of a Poisson rate, for somebody who has scanned
# for eight exposed weeks where no prior can be had.
NOBODY = Gamma(0.5, 1e-9)


# --- dispersion and posterior ---------------------------------------------------------------------


def blocks_of(track: Track, factors: Mapping[str, float] | None = None) -> list[tuple[int, float]]:
    """(exams, exposed weeks) of each whole block of four weeks that has any exposure."""
    found = []
    start = track.start
    while start + BLOCK <= track.end:
        weeks = exposed_weeks(start, start + BLOCK, track.away, factors)
        if weeks > 0:
            found.append((sum(start <= day < start + BLOCK for day in track.days), weeks))
        start += BLOCK
    return found


def dispersion(tracks: Iterable[Track], factors: Mapping[str, float] | None = None) -> float:
    """How much more four-week counts vary than a steady rate would have them; at least 1."""
    total, blocks, trainees = 0.0, 0, 0
    for track in tracks:
        own = blocks_of(track, factors)
        exams, weeks = sum(y for y, _e in own), sum(e for _y, e in own)
        if not exams:
            continue
        rate = exams / weeks
        total += sum((y - rate * e) ** 2 / (rate * e) for y, e in own)
        blocks += len(own)
        trainees += 1
    return max(1.0, total / (blocks - trainees)) if blocks > trainees else 1.0


def posterior(prior: Gamma, count: float, weeks: float, phi: float = 1.0) -> Gamma:
    return Gamma(prior.a + count / phi, prior.b + weeks / phi, prior.trainees, prior.pooled)


@dataclass(frozen=True, slots=True)
class Pace:
    """What can always be said: exams an exposed week so far, the same that would be needed, and
    the exposed weeks left. needed None: nothing is missing, or no weeks are left."""

    so_far: float | None
    needed: float | None
    weeks_left: float


def pace(count: float, weeks: float, left: float, weeks_left: float) -> Pace:
    return Pace(
        count / weeks if weeks > 0 else None,
        left / weeks_left if left > 0 and weeks_left > 0 else None,
        weeks_left,
    )
