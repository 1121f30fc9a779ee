"""Intervals of a share against published rows and two libraries."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from credentialing.bounds import (
    clopper_pearson,
    effective_n,
    fewest_all_successes,
    fewest_passing,
    wilson,
)

# Newcombe RG. Stat Med 1998;17:857-72, two of its test cases. The four decimals are quoted from
# memory; statsmodels and scipy below give the same.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
]


@pytest.mark.parametrize(("x", "n", "score", "exact"), NEWCOMBE)
def test_newcombe_1998(x, n, score, exact):
    assert tuple(round(limit, 4) for limit in wilson(x, n)) == score
    assert tuple(round(limit, 4) for limit in clopper_pearson(x, n)) == exact


def test_row_carried_by_statsmodels():
    # statsmodels/stats/tests/test_proportion.py, 19 of 38.
    assert wilson(19, 38) == pytest.approx((0.348499283643951, 0.651500716356049), abs=1e-8)


# Suttels V et al. BMC Med Educ 2024;24:939: printed intervals of 35 trainees' results.
SUTTELS = [(19, (0.37, 0.71)), (22, (0.45, 0.79)), (25, (0.54, 0.85))]


@pytest.mark.parametrize(("x", "printed"), SUTTELS)
def test_suttels_2024_is_clopper_pearson(x, printed):
    assert tuple(round(limit, 2) for limit in clopper_pearson(x, 35)) == printed
    assert tuple(round(limit, 2) for limit in wilson(x, 35)) != printed


@settings(deadline=None, max_examples=200)
@given(st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_two_libraries_agree(case):
    x, n = case
    ours = wilson(x, n)
    theirs = binomtest(x, n).proportion_ci(method="wilson")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-7)
    assert ours == pytest.approx(proportion_confint(x, n, method="wilson"), abs=1e-7)
    assert clopper_pearson(x, n) == pytest.approx(proportion_confint(x, n, method="beta"))


def test_25_of_25_and_the_fewest_that_can_pass():
    # Computed: n of n has the lower bound n / (n + z^2).
    assert wilson(25, 25)[0] == pytest.approx(0.867, abs=5e-4)
    assert [fewest_all_successes(bar) for bar in (0.80, 0.90)] == [16, 35]
    assert fewest_all_successes(1.0) is None
    # Computed: 24/25 and 31/33 pass 0.80, 52/53 and 67/69 pass 0.90; one fewer does not.
    assert [fewest_passing(0.80, n) for n in (16, 25, 33)] == [16, 24, 31]
    assert [fewest_passing(0.90, n) for n in (35, 50, 53, 69)] == [35, 50, 52, 67]
    assert fewest_passing(0.90, 34) is None


def test_nothing_looked_at_says_nothing():
    assert wilson(0, 0) == (0.0, 1.0)
    with pytest.raises(ValueError, match="is not a share"):
        wilson(3, 2)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(st.integers(1, 4), st.integers(0, 4)), min_size=1, max_size=30))
def test_effective_n_is_the_ratio_of_two_variances(exams):
    """The linearised variance of a ratio over clusters against the binomial one (Cochran WG.
    Sampling Techniques, 3rd ed., 1977, chapter 3; from memory), written with numpy."""
    import numpy as np

    m = np.array([size for size, _ in exams])
    x = np.array([min(size, hits) for size, hits in exams])
    n, k = int(m.sum()), len(exams)
    ours = effective_n(
        n, int(x.sum()), k, int((x * x).sum()), int((x * m).sum()), int((m * m).sum())
    )
    p = x.sum() / n
    if k < 2 or p in (0, 1):
        assert ours == k
        return
    clustered = np.var(x - p * m, ddof=1) * k / n**2
    assert ours == pytest.approx(n / max(1.0, clustered / (p * (1 - p) / n)))
