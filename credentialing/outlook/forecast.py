"""The closed form: how many of the exams to come, and of those that wait, will count.

Given a rate r, exams over e exposed weeks are negative binomial with mean re and variance phi re;
the forecast averages this over the gamma of r, and over the beta of the chance that a submitted
exam comes to count. With phi = 1 and that chance 1 it is the textbook's gamma-Poisson.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.stats import beta, gamma, nbinom, norm, poisson

from credentialing.outlook.rates import Gamma

# Nodes for the rate and for the chance to count, and how many deviations out they go.
RATES, CHANCES, REACH = 96, 48, 7.5
STEADY = 1.0 + 1e-6


@dataclass(frozen=True, slots=True)
class Counts:
    """Beta(1, 1), updated: of the exams of the last twelve months so many came to count."""

    yes: int = 0
    no: int = 0
    certain: bool = False  # every one does

    def nodes(self) -> tuple[np.ndarray, np.ndarray]:
        if self.certain:
            return np.ones(1), np.ones(1)
        at, weights = _nodes(CHANCES)
        return beta.ppf(at, 1 + self.yes, 1 + self.no), weights


CERTAIN = Counts(certain=True)


@lru_cache(maxsize=8)
def _nodes(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Quantiles and weights: Gauss-Legendre in the normal deviate of the quantile, where gammas
    and betas of any shape are smooth to their ends."""
    at, weights = np.polynomial.legendre.leggauss(n)
    deviate = at * REACH
    weights = weights * norm.pdf(deviate)
    return norm.cdf(deviate), weights / weights.sum()


@dataclass(frozen=True, slots=True)
class Forecast:
    """rate: exams an exposed week. weeks: exposed weeks to come. phi: their dispersion. part: the
    share of exams to come that have what is counted. waiting: for each exam that waits to be read,
    the chance that it has that. counts: the chance that either kind comes to count."""

    rate: Gamma
    weeks: float
    phi: float = 1.0
    part: float = 1.0
    waiting: tuple[float, ...] = ()
    counts: Counts = CERTAIN

    def at_least(self, need: int) -> float:
        """P(at least so many come to count)."""
        return 1.0 if need <= 0 else float(1.0 - self.cdf(need)[-1])

    def cdf(self, n: int) -> np.ndarray:
        """P(at most k come to count) for k = 0..n-1."""
        chances, weights = self.counts.nodes()
        total = np.zeros(n)
        for chance, weight in zip(chances, weights, strict=True):
            new = np.diff(self._new(chance, n), prepend=0.0)
            for part in self.waiting:
                new = np.convolve(new, [1 - chance * part, chance * part])[:n]
            total += weight * np.cumsum(new)
        return np.minimum(total, 1.0)

    def _new(self, chance: float, n: int) -> np.ndarray:
        """P(at most k of the exams to come), given the chance to count; k = 0..n-1."""
        k = np.arange(n)
        exposure = self.weeks * self.part * chance
        if exposure <= 0:
            return np.ones(n)
        a, b = self.rate.a, self.rate.b
        if self.phi <= STEADY:
            return nbinom.cdf(k, a, b / (b + exposure))
        at, weights = _nodes(RATES)
        rates = np.maximum(gamma.ppf(at, a, scale=1 / b), 1e-12)
        # Thinning keeps the size and shrinks the mean.
        size = rates * self.weeks / (self.phi - 1)
        mean = rates * exposure
        given = nbinom.cdf(k[:, None], size[None, :], (size / (size + mean))[None, :])
        return given @ weights


def steady(rate: float, weeks: float, n: int) -> np.ndarray:
    """The same for a rate that is known, as a limit to check against: P(at most k), k = 0..n-1."""
    return poisson.cdf(np.arange(n), rate * weeks)
