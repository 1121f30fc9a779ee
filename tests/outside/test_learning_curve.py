"""The two sums against published weights, and the exact error rates against simulation.

Weights: the learning-curve CUSUM of Biau DJ, Williams SM, Schlup MM, Nizard RS, Porcher R. Br J
Surg 2008;95:925-9 and Biau DJ, Porcher R. Stat Med 2010 (doi 10.1002/sim.3947), as written out at
bio-protocol.org, minidetail 9325945: log((1-p0)/(1-p0-d)) for a success, log(p0/(p0+d)) for a
failure. No numeric table of limits is published: the tables below were computed by enumeration
elsewhere and are marked so; the simulation here shares nothing with the code but the weights.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from credentialing.learning_curve import (
    Limits,
    chance_of_alarm,
    chance_of_signal,
    passes_the_inadequate,
    smallest_h,
)

DEFAULT = Limits()


@pytest.mark.parametrize(
    ("p0", "d", "success", "failure"),
    [
        (0.10, 0.10, 0.1178, -0.6931),
        (0.10, 0.20, 0.2513, -1.0986),
        (0.10, 0.15, 0.1823, -0.9163),
    ],
)
def test_weights_as_published(p0, d, success, failure):
    limits = Limits(p0, p0 + d)
    assert limits.success == pytest.approx(math.log((1 - p0) / (1 - p0 - d)))
    assert limits.failure == pytest.approx(math.log(p0 / (p0 + d)))
    assert (round(limits.success, 4), round(limits.failure, 4)) == (success, failure)


def test_weights_against_the_standard_chart():
    # Wald's chart (slideplayer.com/amp/8374547): P = ln(p1/p0), Q = ln((1-p0)/(1-p1)),
    # s = Q/(P+Q). (0.10, 0.20): s 0.1452, (0.20, 0.40): 0.2933, computed from its formula.
    for p0, p1, s in [(0.05, 0.15, 0.0919), (0.10, 0.20, 0.1452), (0.20, 0.40, 0.2933)]:
        limits = Limits(p0, p1)
        assert limits.success / (limits.success - limits.failure) == pytest.approx(s, abs=5e-5)


# Computed. Rates of disagreement; chances by 25, 50, 100, 200 scans.
COMPUTED = [
    (0.10, (0.072, 0.578, 0.944, 0.999)),
    (0.15, (0.017, 0.225, 0.601, 0.899)),
    (0.20, (0.004, 0.063, 0.215, 0.455)),
    (0.25, (0.001, 0.014, 0.050, 0.119)),
]


@pytest.mark.parametrize(("rate", "chances"), COMPUTED)
def test_chance_of_a_signal_with_the_default_limits(rate, chances):
    found = tuple(round(chance_of_signal(DEFAULT, rate, n), 3) for n in (25, 50, 100, 200))
    assert found == pytest.approx(chances, abs=6e-4)


# Computed. p0, p1, h, shortest run; chances by 25, 50, 100 at p0 and at p1.
EASY = [
    (0.10, 0.20, 1.25, 11, (0.7727, 0.9719, 0.9996), (0.3473, 0.6531, 0.9026)),
    (0.10, 0.20, 2.00, 17, (0.3897, 0.8014, 0.9814), (0.0718, 0.2343, 0.4842)),
    (0.10, 0.30, 1.25, 5, (0.9984, 1.0000, 1.0000), (0.8168, 0.9733, 0.9994)),
]


@pytest.mark.parametrize(("p0", "p1", "h", "run", "adequate", "inadequate"), EASY)
def test_limits_that_pass_the_inadequate(p0, p1, h, run, adequate, inadequate):
    limits = Limits(p0, p1, h)
    assert limits.shortest_run == run
    for rate, expected in ((p0, adequate), (p1, inadequate)):
        found = tuple(round(chance_of_signal(limits, rate, n), 4) for n in (25, 50, 100))
        assert found == expected
    assert passes_the_inadequate(limits) == pytest.approx(inadequate[2], abs=5e-5)


def test_the_default_does_not_pass_them():
    assert passes_the_inadequate(DEFAULT) is None
    assert DEFAULT.shortest_run == 25
    # With one positive in ten, answering "negative" always has a signal by 50 like this (computed).
    assert round(chance_of_signal(DEFAULT, 0.10, 50), 2) == 0.58


# Computed: the smallest h on a grid of 0.05 with a chance of at most 0.05 by 100 at p1.
SMALLEST = [
    (0.10, 0.25, 4.40),
    (0.10, 0.20, 3.70),
    (0.10, 0.30, 4.95),
    (0.15, 0.30, 4.25),
    (0.05, 0.15, 4.05),
]


@pytest.mark.parametrize(("p0", "p1", "h"), SMALLEST)
def test_smallest_h(p0, p1, h):
    assert smallest_h(p0, p1) == h
    assert chance_of_signal(Limits(p0, p1, h), p1, 100) <= 0.05
    assert chance_of_signal(Limits(p0, p1, h - 0.05), p1, 100) > 0.05


def test_drift_after_a_signal():
    # Computed: false alarms by 100 and 200; found at 0.25 within 25, 50, 100.
    false = tuple(round(chance_of_alarm(DEFAULT, 0.10, n), 3) for n in (100, 200))
    assert false == pytest.approx((0.042, 0.094), abs=6e-4)
    found = tuple(chance_of_alarm(DEFAULT, 0.25, n) for n in (25, 50, 100))
    assert found == pytest.approx((0.29, 0.71, 0.96), abs=6e-3)


def simulated(up, down, h, chance_up, by, people, seed):
    """The share of people whose sum reaches h, as a vectorised running float: another way."""
    dice = np.random.default_rng(seed)
    score, reached = np.zeros(people), np.zeros(people, dtype=bool)
    for _ in range(by):
        score = np.maximum(0, score + np.where(dice.random(people) < chance_up, up, down))
        reached |= score >= h - 1e-9
    return reached.mean()


CHARTS = [(0.10, 0.25, 4.40), *[(p0, p1, h) for p0, p1, h, *_ in EASY]]


@pytest.mark.parametrize(("p0", "p1", "h"), CHARTS)
@pytest.mark.parametrize("by", [25, 50, 100])
@pytest.mark.scale
def test_enumeration_against_simulation(p0, p1, h, by, scale):
    """Within three standard errors of the simulation."""
    limits, people = Limits(p0, p1, h), scale(1_000_000)
    for rate, seed in ((p0, 20260101 + by), (p1, 20260202 + by)):
        exact = chance_of_signal(limits, rate, by)
        found = simulated(limits.success, limits.failure, h, 1 - rate, by, people, seed)
        # Where nearly everybody does, or nobody, the error is that of one in all.
        error = max(math.sqrt(exact * (1 - exact) / people), 1 / people)
        assert abs(found - exact) <= 3 * error


@pytest.mark.scale
def test_drift_against_simulation(scale):
    people = scale(1_000_000)
    for rate, by in ((0.10, 100), (0.25, 50)):
        exact = chance_of_alarm(DEFAULT, rate, by)
        found = simulated(-DEFAULT.failure, -DEFAULT.success, DEFAULT.drift_h, rate, by, people, by)
        assert abs(found - exact) <= 3 * math.sqrt(exact * (1 - exact) / people)
