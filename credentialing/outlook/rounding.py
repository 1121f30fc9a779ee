"""How exactly a chance may be said. No library, so that a page of stored chances loads none."""

from __future__ import annotations


def rounded(chance: float) -> int:
    """Percent to the nearest 5; 0 for under 5, 100 for over 95: what a page may say."""
    if chance < 0.05:
        return 0
    if chance > 0.95:
        return 100
    return 5 * round(chance * 20)
