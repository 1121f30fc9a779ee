"""The forecast against a textbook, against scipy, and against worlds whose truth is known.

Gelman A, Carlin JB, Stern HS, Dunson DB, Vehtari A, Rubin DB. Bayesian Data Analysis, the asthma
example, quoted from memory: a Gamma(3, 5) prior with 3 deaths in an exposure of 2 is Gamma(6, 7),
mean 0.86, P(rate > 1) = 0.30; with 30 in 20 Gamma(33, 25), mean 1.32, 0.93. Four decimals and the
example of a scan rate were computed with scipy elsewhere.
"""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import minimize

from credentialing.outlook.forecast import Counts, Forecast, steady
from credentialing.outlook.rates import (
    Gamma,
    Past,
    Track,
    dispersion,
    fit,
    marginal,
    posterior,
)

PRIOR = Gamma(3, 5)


def test_the_asthma_example():
    few, many = posterior(PRIOR, 3, 2), posterior(PRIOR, 30, 20)
    assert (few.a, few.b, many.a, many.b) == (6, 7, 33, 25)
    for found, mean, above in ((few, 0.8571, 0.3007), (many, 1.32, 0.9285)):
        assert found.mean == pytest.approx(mean, abs=5e-5)
        assert stats.gamma.sf(1, found.a, scale=1 / found.b) == pytest.approx(above, abs=5e-5)


SCANS = Forecast(posterior(Gamma(2, 0.5), 18, 12), weeks=4)


def test_a_scan_rate():
    """Prior Gamma(2, 0.5 a week), 18 scans in 12 weeks, the next 4 weeks: exact with phi = 1."""
    assert (SCANS.rate.a, SCANS.rate.b) == (20, 12.5)
    assert SCANS.at_least(7) == pytest.approx(0.448460, abs=5e-7)
    cdf = SCANS.cdf(60)
    assert [int(np.argmax(cdf >= q)) for q in (0.05, 0.50, 0.95)] == [2, 6, 12]
    mean = (1 - cdf).sum()
    assert mean == pytest.approx(6.4, abs=1e-9)
    k = np.arange(60)
    assert (np.diff(cdf, prepend=0) * (k - mean) ** 2).sum() == pytest.approx(8.448, abs=1e-6)
    assert cdf == pytest.approx(stats.nbinom.cdf(k, 20, 12.5 / 16.5), rel=1e-12)


@settings(max_examples=30)
@given(st.integers(1, 30), st.floats(0.5, 40))
def test_waiting_for_k_is_counting_k(k, weeks):
    """P(the wait for k exams <= t) = P(at least k in t): the wait is gamma given the rate."""
    rate = Gamma(20, 12.5)
    waited = quad(
        lambda r: stats.gamma.cdf(weeks * r, k) * stats.gamma.pdf(r, rate.a, scale=1 / rate.b),
        0,
        8,
        epsabs=1e-11,
        limit=200,
    )[0]
    assert Forecast(rate, weeks).at_least(k) == pytest.approx(waited, abs=1e-8)


def test_limits_of_the_form():
    # A rate that is known is Poisson; nobody's scans leave the prior alone; phi goes to 1 smoothly.
    known = Forecast(Gamma(2e7, 1e7), weeks=4).cdf(30)
    assert known == pytest.approx(steady(2.0, 4, 30), abs=1e-6)
    assert posterior(PRIOR, 0, 0) == PRIOR
    near = Forecast(SCANS.rate, 4, phi=1.00001).cdf(40)
    assert near == pytest.approx(SCANS.cdf(40), abs=2e-6)


@pytest.mark.parametrize("phi", [1.3, 2.0, 3.0])
def test_dispersion_by_adaptive_quadrature(phi):
    """The same average over the posterior of the rate, by scipy's own integration."""
    rate, weeks = Gamma(20, 12.5), 6

    def given_rate(r, k):
        size = r * weeks / (phi - 1)
        return stats.nbinom.sf(k - 1, size, 1 / phi) * stats.gamma.pdf(r, 20, scale=1 / 12.5)

    for k in (3, 9, 15, 25):
        exact = quad(given_rate, 0, 8, args=(k,), epsabs=1e-10, limit=200)[0]
        assert Forecast(rate, weeks, phi=phi).at_least(k) == pytest.approx(exact, abs=2e-6)


def test_the_chance_to_count_is_integrated_over():
    """With phi = 1, 18 of 20 counted so far: by scipy's beta-weighted integration."""
    counts = Counts(18, 2)

    def given_chance(p, k):
        return stats.nbinom.sf(k - 1, 20, 12.5 / (12.5 + 4 * p)) * stats.beta.pdf(p, 19, 3)

    for k in (2, 6, 11):
        exact = quad(given_chance, 0, 1, args=(k,), epsabs=1e-11)[0]
        found = Forecast(SCANS.rate, 4, counts=counts).at_least(k)
        assert found == pytest.approx(exact, abs=1e-7)


def test_what_waits_is_binomial():
    found = Forecast(SCANS.rate, weeks=0, waiting=(0.8,) * 10).cdf(11)
    assert found == pytest.approx(stats.binom.cdf(np.arange(11), 10, 0.8), abs=1e-12)


# --- prior and dispersion -------------------------------------------------------------------------


def cohort(dice, n, *, a=4.0, b=2.0, weeks=26):
    rates = dice.gamma(a, 1 / b, n)
    return [Past(k, int(y), weeks) for k, y in enumerate(dice.poisson(rates * weeks))]


def test_the_prior_is_the_maximum_of_scipys_negative_binomial():
    past = cohort(np.random.default_rng(5), 40)
    y = np.array([one.count for one in past])
    e = np.array([one.weeks for one in past])
    found = fit(past)

    def loss(at):
        a, b = np.exp(at)
        return -stats.nbinom.logpmf(y, a, b / (b + e)).sum()

    best = minimize(loss, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    assert (found.a, found.b) == pytest.approx(tuple(np.exp(best.x)), rel=1e-3)
    # The constant that ours leaves out does not hang on (a, b).
    ours = marginal(found.a, found.b, y, e) - marginal(2, 1, y, e)
    theirs = -loss(np.log([found.a, found.b])) + loss(np.log([2, 1]))
    assert ours == pytest.approx(theirs, abs=1e-8)


def test_eight_to_nineteen_fit_the_mean_alone():
    past = cohort(np.random.default_rng(6), 12)
    y = np.array([one.count for one in past])
    found = fit(past)
    assert found.a == 2.0

    def slope(b):  # of the log likelihood in b, by the calculus
        return (2 / b - (y + 2) / (26 + b)).sum()

    assert slope(found.b) == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize(("phi", "low", "high"), [(1.0, 1.0, 1.15), (2.5, 2.2, 2.8)])
def test_dispersion_finds_what_it_was_made_with(phi, low, high):
    dice, tracks, start = np.random.default_rng(7), [], dt.date(2025, 1, 6)
    for who in range(120):
        days = []
        for block in range(10):
            y = drawn(dice, 2.0, phi, n=1)[0]
            on = 28 * block + dice.integers(0, 28, y)
            days += [start + dt.timedelta(days=int(n)) for n in on]
        tracks.append(Track(who, start, start + dt.timedelta(days=280), tuple(days)))
    assert low <= dispersion(tracks) <= high


# --- calibration ----------------------------------------------------------------------------------

PEOPLE = 2000
BLOCKS = 3  # of four weeks behind the origin, and as many before it


def drawn(dice, rate, phi, *, n=BLOCKS):
    """Counts of blocks of four weeks."""
    mean = 4 * rate
    if phi <= 1:
        return dice.poisson(mean, n)
    return dice.negative_binomial(mean / (phi - 1), 1 / phi, n)


def bursts(dice, rate, phi, *, n=BLOCKS):
    """A fifth of the weeks has three times the exams, the others half: the same on average."""
    del phi
    weeks = np.where(dice.random(4 * n) < 0.2, 3.0, 0.5)
    return dice.poisson(rate * weeks).reshape(n, 4).sum(axis=1)


def share_inside(n, draw, *, phi=1.0, later=1.0, worth=None, seed=20260301):
    """The share of randomised probability integral transforms in 0.1-0.9. Every 50 trainees get
    40 past ones of their own, from whom prior and dispersion are found as the service finds them.

    worth: exposure of the blocks before and after, in weeks; later: what the rate is multiplied
    by after the origin, which nobody can know."""
    dice = np.random.default_rng(seed)
    before, after = worth or (np.full(BLOCKS, 4.0), np.full(BLOCKS, 4.0))
    inside, done = 0, 0
    while done < n:
        rows = []
        for _ in range(40):
            rate = dice.gamma(4.0, 0.5)
            rows.append(draw(dice, rate, phi, n=7))
        past = [Past(k, int(row.sum()), 28.0) for k, row in enumerate(rows)]
        total, blocks = 0.0, 0
        for row in rows:
            if mean := row.mean():
                total += ((row - mean) ** 2 / mean).sum()
                blocks += len(row) - 1
        found, prior = max(1.0, total / blocks), fit(past)
        for _ in range(min(50, n - done)):
            rate = dice.gamma(4.0, 0.5)
            seen = sum(int(draw(dice, rate * e / 4, phi, n=1).sum()) for e in before)
            comes = sum(int(draw(dice, rate * later * e / 4, phi, n=1).sum()) for e in after)
            own = posterior(prior, seen, before.sum(), found)
            cdf = Forecast(own, after.sum(), phi=found).cdf(comes + 1)
            below = cdf[comes - 1] if comes else 0.0
            u = below + dice.random() * (cdf[comes] - below)
            inside += 0.1 <= u <= 0.9
            done += 1
    return inside / n


def within(found, low, high, n):
    """With fewer than the 2,000 the ends give way by three standard errors of what is run."""
    slack = 0.0 if n >= PEOPLE else 3 * math.sqrt(0.8 * 0.2 / n)
    return low - slack <= found <= high + slack


@pytest.mark.scale
@pytest.mark.parametrize("phi", [1.0, 2.0, 3.0])
def test_calibrated_where_the_truth_is_as_modelled(phi, scale):
    n = scale(PEOPLE)
    found = share_inside(n, drawn, phi=phi)
    print(f"phi {phi}: {found:.3f} of {n} in 0.1-0.9")
    assert within(found, 0.77, 0.83, n)


@pytest.mark.scale
def test_calibrated_enough_under_bursts(scale):
    n = scale(PEOPLE)
    found = share_inside(n, bursts)
    print(f"bursts: {found:.3f} of {n} in 0.1-0.9")
    assert within(found, 0.70, 0.90, n)


@pytest.mark.scale
def test_calibrated_enough_over_rotations(scale):
    """Two of three blocks to come are on a rotation that is worth three tenths."""
    n = scale(PEOPLE)
    worth = (np.array([4.0, 4.0, 1.2]), np.array([1.2, 1.2, 4.0]))
    found = share_inside(n, drawn, phi=2.0, worth=worth)
    print(f"rotations: {found:.3f} of {n} in 0.1-0.9")
    assert within(found, 0.70, 0.90, n)


@pytest.mark.scale
def test_what_no_forecast_can_know_is_printed(scale):
    """Everybody's rate halves after the origin: most land low, and nothing before it says so."""
    n = scale(PEOPLE)
    found = share_inside(n, drawn, phi=2.0, later=0.5)
    print(f"rate halved afterwards: {found:.3f} of {n} in 0.1-0.9")
    assert found < 0.77
