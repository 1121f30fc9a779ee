"""Benchmarks: ours beside a bare base, measured in one run, the same machine, the same data.

A floor puts functions into `<app>/benches.py`, marked `@bench("name")`; each yields Measures.
Nothing here is a test: a machine's load decides times, a ratio of one run says what we add.
"""

import importlib
import statistics
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass

from django.apps import apps
from django.db import connection


@dataclass(frozen=True)
class Measure:
    """Medians of one run. `ratio` is ours / base; `n` says of how much; `note` explains."""

    bench: str
    case: str
    ours: float
    base: float
    unit: str
    n: int
    note: str = ""

    @property
    def ratio(self) -> float:
        return self.ours / self.base if self.base else float("inf")

    def row(self) -> dict:
        kept = {k: v for k, v in asdict(self).items() if k != "note" or v}
        rounded = {k: round(v, 3) if isinstance(v, float) else v for k, v in kept.items()}
        return {**rounded, "ratio": round(self.ratio, 3), "engine": connection.vendor}


Bench = Callable[..., Iterable[Measure]]  # size=, where it can be run smaller
REGISTRY: dict[str, Bench] = {}


def bench(name: str) -> Callable[[Bench], Bench]:
    def declare(function: Bench) -> Bench:
        REGISTRY[name] = function
        return function

    return declare


def load() -> dict[str, Bench]:
    for config in apps.get_app_configs():
        name = f"{config.name}.benches"
        try:
            importlib.import_module(name)
        except ModuleNotFoundError as missing:
            if missing.name != name:
                raise
    return REGISTRY


def median_ms(do: Callable[[], object], *, times: int = 5, warm: int = 1) -> float:
    """Milliseconds, the median of `times` runs after `warm` uncounted ones."""
    for _ in range(warm):
        do()
    taken = []
    for _ in range(times):
        started = time.perf_counter()
        do()
        taken.append((time.perf_counter() - started) * 1000)
    return statistics.median(taken)


@contextmanager
def scratch_database() -> Iterator[None]:
    """An empty database of the configured engine, taken away afterwards. Never somebody's data."""
    before = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        yield
    finally:
        connection.creation.destroy_test_db(before, verbosity=0)
