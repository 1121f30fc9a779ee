"""What a bar lets through when it is looked at again and again. Pure, exact.

A lower bound that is judged after every scan passes somebody who sits exactly at the bar far
oftener than one time in forty. So a bound is judged at looks alone, and beside it stand the
chances that are worked out here: the binomial, scan by scan, with those who passed taken out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache

from credentialing.bounds import Z, fewest_passing, wilson

STEP = 25


def looks(by: int, *, step: int = STEP, first: int = STEP) -> range:
    """The sizes at which a bound is judged: multiples of the step, not under `first`."""
    begins = -(-max(first, 1) // step) * step
    return range(begins, by + 1, step)


def chance_of_ever(rate: float, passes: Callable[[int, int], bool], at: Iterable[int]) -> float:
    """The chance that `passes(successes, n)` holds at one of the sizes `at`, each scan a success
    with chance `rate`. Exact; time is the square of the largest size."""
    asked = sorted(set(at))
    alive = [1.0]  # by number of successes, of those who never passed
    passed = 0.0
    for n in range(1, (asked[-1] if asked else 0) + 1):
        more = [0.0] * (n + 1)
        for x, chance in enumerate(alive):
            more[x] += chance * (1 - rate)
            more[x + 1] += chance * rate
        alive = more
        if n == asked[0]:
            asked.pop(0)
            for x in range(n + 1):
                if alive[x] and passes(x, n):
                    passed += alive[x]
                    alive[x] = 0.0
    return passed


def chance_of_passing(
    rate: float, *, bar: float, by: int, step: int = STEP, first: int = STEP
) -> float:
    """The chance that somebody whose true share is `rate` has a lower 95% bound at or above the
    bar at one of the looks up to `by`."""
    return _passing(rate, bar, tuple(looks(by, step=step, first=first)))


@lru_cache(maxsize=512)
def _passing(rate: float, bar: float, at: tuple[int, ...]) -> float:
    impossible = max(at, default=0) + 1
    fewest = {n: fewest_passing(bar, n) or impossible for n in at}
    return chance_of_ever(rate, lambda x, n: x >= fewest[n], at)


def chance_of_staying(
    rate: float, *, bar: float, by: int, step: int = STEP, first: int = STEP
) -> float:
    """The same for a limit: the upper 95% bound of a share at or under the bar, at one look."""
    at = tuple(looks(by, step=step, first=first))
    return chance_of_ever(rate, lambda x, n: wilson(x, n, Z)[1] <= bar, at)
