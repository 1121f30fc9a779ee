"""The stored standings of a plan as columns: read, compared and written a chunk of people at once.

A table is memberships x clauses. Nothing is None in it: -1 for no count, NaN for no share, 0 for
no day; words are positions in their lists.
"""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from accounts.models import Programme
from credentialing import measures
from credentialing.columns import engine
from credentialing.columns.frame import NONE, Flags, Numbers
from credentialing.columns.judging import CAUSES, STATES, Judged
from credentialing.models import PlanStanding, Standing

WORDS = {"state": STATES, "lost_because": CAUSES}
SHARES = ("value", "lower", "upper", "largest")
DAYS = (
    "first_met_on", "met_since", "lost_on", "reached_with", "reached_signed_on", "window_ends_on",
)  # fmt: skip
OPTIONAL = ("denominator", "left", "seen")
# What only clauses say that are judged one by one; nothing here says it.
ALONE = ("seen", "skipped", "transferred", "people", "largest", "window_ends_on")
WHOLE_DAYS = ("first_met_on", "met_since", "lost_on")
WHOLE_COUNTS = ("waiting", "returned")
WHOLE_SAYS = ("met", *WHOLE_DAYS, *WHOLE_COUNTS)
CUT = ("d", "d2", "n")
COUNTED = ("skipped", "transferred", "people")
# Whole numbers are read two by two: a column more costs what three steps of computing do.
NUMBERS = ("place", *(name for name in Standing.SAYS if name not in SHARES))
PAIRS = tuple(itertools.zip_longest(NUMBERS[::2], NUMBERS[1::2], fillvalue="place"))
# Columns read what waits today; what waited at an earlier position `measures` works out.
PRESENT = ("waiting", "returned")


@dataclass(frozen=True)
class Table:
    """clauses: Standing's columns, memberships x clauses. whole: PlanStanding's, by membership.
    there, whole_there: which rows are stored (all of them, for what was judged)."""

    clauses: Mapping[str, Numbers]
    whole: Mapping[str, Numbers]
    there: Flags
    whole_there: Flags

    def differs(self, other: Table, *, leaving_out: Sequence[str] = ()) -> Flags:
        """Which clause rows of the two say something else, or stand in one alone."""
        differs = ~(self.there & other.there)
        for name, values in self.clauses.items():
            if name not in leaving_out:
                theirs = other.clauses[name]
                same = values == theirs
                if name in SHARES:
                    same |= np.isnan(values) & np.isnan(theirs)
                differs |= ~same
        return differs

    def some(self, places: Sequence[int]) -> Table:
        return Table(
            {name: values[places] for name, values in self.clauses.items()},
            {name: values[places] for name, values in self.whole.items()},
            self.there[places],
            self.whole_there[places],
        )


def as_of(d: int, d2: int, n: int) -> measures.AsOf:
    return measures.AsOf(dt.date.fromordinal(d), dt.date.fromordinal(d2), n)


def of_judged(judged: Judged, place: Numbers) -> Table:
    """place: of each membership, where its person stands in the frame."""
    shape = (len(place), len(judged.clauses))
    clauses = {
        name: np.full(shape, _encoded(name, 0 if name in COUNTED else None))
        if name in ALONE
        else np.stack([getattr(one, name)[place] for one in judged.clauses], axis=1)
        for name in Standing.SAYS
    }
    whole = {name: getattr(judged.whole, name)[place].astype(np.int64) for name in WHOLE_SAYS}
    return _all_there(clauses, whole)


def empty(memberships: int, clauses: int) -> Table:
    shape = (memberships, clauses)
    return Table(
        {
            name: np.full(shape, np.nan) if name in SHARES else np.zeros(shape, np.int64)
            for name in Standing.SAYS
        },
        {name: np.zeros(memberships, np.int64) for name in (*WHOLE_SAYS, *CUT)},
        np.zeros(shape, bool),
        np.zeros(memberships, bool),
    )


def _all_there(clauses: Mapping[str, Numbers], whole: Mapping[str, Numbers]) -> Table:
    shape = next(iter(clauses.values())).shape
    return Table(clauses, whole, np.ones(shape, bool), np.ones(shape[0], bool))


def put(table: Table, at: int, standing: measures.Standing, says: Sequence[Mapping]) -> None:
    """One membership judged one by one, into its row. says: Standing's columns a clause."""
    for number, said in enumerate(says):
        for name, value in said.items():
            table.clauses[name][at, number] = _encoded(name, value)
    dates = standing.dates
    for name, value in (
        ("met", standing.met),
        ("first_met_on", dates.first_met_on),
        ("met_since", dates.met_since),
        ("lost_on", dates.lost_on),
        ("waiting", standing.waiting),
        ("returned", standing.returned),
    ):
        table.whole[name][at] = _encoded(name, value)
    table.there[at] = table.whole_there[at] = True


def _encoded(name: str, value: object) -> float:
    if name in WORDS:
        return WORDS[name].index(value)
    if isinstance(value, dt.date):
        return value.toordinal()
    if value is None:
        return NONE if name in DAYS else -1 if name in OPTIONAL else np.nan
    return value


# --- stored rows ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rows:
    """Where the rows of a chunk are: memberships of one version, and its clauses in their order."""

    programme: Programme
    version: uuid.UUID
    memberships: Sequence[uuid.UUID]
    clauses: Sequence[uuid.UUID]

    def ask(self, *, ahead: Executor | None = None) -> Stored:
        """Begin to read what is stored now; one query for the clauses and one for the wholes."""
        u, ids = engine.given(self.memberships)
        c, clause_ids = engine.given(self.clauses, "c")
        # A row of an earlier version's clause is not read, and stays as it was.
        of = {name: _stored(name) for name in NUMBERS}
        of["place"] = f"(u.n * {len(self.clauses)} + c.n)"
        pairs = (f"{of[a]} * {1 << 32} + {of[b]} AS {a}_{b}" for a, b in PAIRS)
        clauses = engine.Reading(
            f"SELECT {', '.join(pairs)}, {_columns(SHARES)} "  # noqa: S608 - own names
            f"FROM {u} {engine.of_each(STANDING, 'membership_id')} JOIN {c} ON c.id = s.clause_id",
            [ids, clause_ids],
            {f"{a}_{b}": "long" for a, b in PAIRS} | dict.fromkeys(SHARES, "float"),
            ahead=ahead,
        )
        wholes = engine.Reading(
            f"SELECT u.n AS at, {_columns((*WHOLE_SAYS, *CUT))} "  # noqa: S608
            f"FROM {u} {engine.of_each(WHOLE, 'membership_id')} WHERE s.version_id = %s",
            [ids, engine.identifier(self.version)],
            {"at": "int"} | dict.fromkeys((*WHOLE_SAYS, *CUT), "long"),
            ahead=ahead,
        )
        return Stored(len(self.memberships), len(self.clauses), clauses, wholes)


@dataclass(frozen=True)
class Stored:
    """Rows on their way."""

    memberships: int
    of_each: int
    clauses: engine.Reading
    wholes: engine.Reading

    def table(self) -> Table:
        table = empty(self.memberships, self.of_each)
        rows = self.clauses.columns()
        for a, b in PAIRS:
            both = rows.pop(f"{a}_{b}")
            rows[b] = both.astype(np.int32).astype(np.int64)
            rows[a] = (both - rows[b]) >> 32
        place = rows.pop("place")
        for name, values in rows.items():
            table.clauses[name].reshape(-1)[place] = values
        table.there.reshape(-1)[place] = True
        rows = self.wholes.columns()
        for name in table.whole:
            table.whole[name][rows["at"]] = rows[name]
        table.whole_there[rows["at"]] = True
        return table


STANDING, WHOLE = Standing._meta.db_table, PlanStanding._meta.db_table


def _columns(names: Sequence[str]) -> str:
    return ", ".join(f'{_stored(name)} AS "{name}"' for name in names)


def _stored(name: str) -> str:
    """A stored column as a number."""
    column = f's."{name}"'
    if name == "met":
        return f"CASE WHEN {column} THEN 1 ELSE 0 END"
    if name in ("d", "d2"):
        return engine.day(column)
    if name in WORDS:
        return engine.position(WORDS[name], column)
    if name in DAYS:
        return f"COALESCE({engine.day(column)}, {NONE})"
    if name in OPTIONAL:
        return f"COALESCE({column}, -1)"
    if name in SHARES and engine.is_postgresql():
        return f"COALESCE({column}, 'NaN')"
    return column
