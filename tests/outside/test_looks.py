"""What a bound lets through when it is looked at repeatedly. The values were computed by
enumeration elsewhere; scipy's binomial and a simulation stand beside them here."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom

from credentialing.bounds import fewest_passing, wilson
from credentialing.looks import chance_of_ever, chance_of_passing, chance_of_staying, looks


def test_somebody_exactly_at_the_bar():
    # Computed: after every scan from 25 to 200; every 25th by 100; every 25th by 200.
    assert round(chance_of_passing(0.80, bar=0.80, by=200, step=1), 3) == 0.121
    assert round(chance_of_passing(0.80, bar=0.80, by=100), 3) == 0.062
    assert round(chance_of_passing(0.80, bar=0.80, by=200), 3) == 0.083


def test_a_point_value_looked_at_after_every_scan():
    # Computed: 0.90 from 25 to 200, at a true 0.80 and a true 0.85.
    found = [
        round(chance_of_ever(p, lambda x, n: 10 * x >= 9 * n, range(25, 201)), 2)
        for p in (0.80, 0.85)
    ]
    assert found == [0.17, 0.45]


@pytest.mark.parametrize("rate", [0.75, 0.80, 0.90])
def test_one_look_is_the_binomial(rate):
    fewest = fewest_passing(0.80, 50)
    found = chance_of_passing(rate, bar=0.80, by=50, step=50, first=50)
    assert found == pytest.approx(binom.sf(fewest - 1, 50, rate), rel=1e-9)


@pytest.mark.scale
def test_looks_against_simulation(scale):
    people = scale(400_000)
    dice = np.random.default_rng(25)
    hits = np.cumsum(dice.random((people, 200)) < 0.90, axis=1)
    for by in (100, 200):
        passed = np.zeros(people, dtype=bool)
        for n in range(25, by + 1, 25):
            lower = np.array([wilson(x, n)[0] for x in range(n + 1)])
            passed |= lower[hits[:, n - 1]] >= 0.80
        exact = chance_of_passing(0.90, bar=0.80, by=by)
        assert abs(passed.mean() - exact) <= 3 * math.sqrt(exact * (1 - exact) / people)


def test_where_looks_are():
    assert list(looks(110)) == [25, 50, 75, 100]
    assert list(looks(110, first=40)) == [50, 75, 100]
    assert list(looks(20)) == []
    assert chance_of_passing(0.99, bar=0.80, by=20) == 0.0


def test_a_limit_is_the_mirror_of_a_bar():
    assert chance_of_staying(0.20, bar=0.20, by=100) == pytest.approx(
        chance_of_passing(0.80, bar=0.80, by=100), rel=1e-9
    )
