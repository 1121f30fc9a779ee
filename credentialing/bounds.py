"""Two-sided 95% intervals of a share. Pure.

Wilson (Wilson EB. J Am Stat Assoc 1927;22:209-12) wherever a page prints a range;
Clopper-Pearson only where a published figure is to be reproduced.
"""

from __future__ import annotations

import math

Z = 1.959964


def wilson(successes: float, n: float, z: float = Z) -> tuple[float, float]:
    """(lower, upper) of successes / n; (0, 1) where n is 0.

    Takes fractions, which no library's Wilson does: a count shrunk by a design effect goes in
    unrounded. Raises ValueError unless 0 <= successes <= n.
    """
    if not 0 <= successes <= n:
        raise ValueError(f"{successes} of {n} is not a share")
    if n == 0:
        return 0.0, 1.0
    share = successes / n
    denominator = 1 + z * z / n
    middle = (share + z * z / (2 * n)) / denominator
    half = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / denominator
    # The ends are 0 and 1 exactly where nothing, or everything, succeeded.
    lower = 0.0 if successes == 0 else max(0.0, middle - half)
    upper = 1.0 if successes == n else min(1.0, middle + half)
    return lower, upper


def clopper_pearson(successes: int, n: int) -> tuple[float, float]:
    """(lower, upper) by scipy; whole numbers only."""
    from scipy.stats import binomtest  # a second to import, needed rarely

    interval = binomtest(successes, n).proportion_ci(method="exact")
    return float(interval.low), float(interval.high)


def effective_n(n: int, hits: int, clusters: int, xx: int, xm: int, mm: int) -> float:
    """How many independent scans a clustered sample is worth: n / max(1, design effect).

    clusters: how many exams; over exams with m scans of which x succeed, xx, xm and mm are the
    sums of x*x, x*m and m*m. Where the share is 0 or 1, or there is one exam: the number of exams.
    """
    if n == 0:
        return 0.0
    if hits in (0, n) or clusters < 2:
        return float(clusters)
    share = hits / n
    spread = xx - 2 * share * xm + share * share * mm
    variance = clusters / (clusters - 1) * spread / (n * n)
    effect = variance / (share * (1 - share) / n)
    return n / max(1.0, effect)


def fewest_all_successes(bar: float) -> int | None:
    """The smallest n of which n successes have a lower bound at or above the bar; None if none."""
    if bar >= 1:
        return None
    # lower bound of n of n is n / (n + z^2)
    n = 1
    while wilson(n, n)[0] < bar:
        n += 1
    return n


def fewest_passing(bar: float, n: int) -> int | None:
    """The fewest successes of n whose lower bound is at or above the bar; None if not even n."""
    return next((x for x in range(n + 1) if wilson(x, n)[0] >= bar), None)
