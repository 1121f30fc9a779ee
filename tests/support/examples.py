"""How many random examples a property is tried on."""

from __future__ import annotations

from hypothesis import settings

THOUSAND = 1000
full = False  # set by the conftest before anything is collected


def examples(usually: int) -> settings:
    """So many, and a thousand with --full."""
    return settings(max_examples=THOUSAND if full else usually)
