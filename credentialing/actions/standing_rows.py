"""Standings written down: what differs from what is stored, a chunk of people in one statement."""

from __future__ import annotations

import datetime as dt

import numpy as np

from accounts.fields import uuid7
from credentialing import measures
from credentialing.columns import engine
from credentialing.columns.frame import NONE, Numbers
from credentialing.columns.judging import STATES
from credentialing.columns.table import (
    DAYS,
    OPTIONAL,
    SHARES,
    STANDING,
    WHOLE,
    WHOLE_COUNTS,
    WHOLE_DAYS,
    WHOLE_SAYS,
    WORDS,
    Rows,
    Table,
)
from credentialing.models import Standing, StandingChange


def write(rows: Rows, stored: Table, found: Table, *, as_of: measures.AsOf, at: dt.datetime) -> int:
    """Store what differs; how many clause rows say something else."""
    differs = stored.differs(found)
    member, clause = np.nonzero(differs)
    if len(member):
        _clauses(rows, found, member, clause, as_of)
    before = np.where(stored.there, stored.clauses["state"], -1)
    _changes(rows, before, found.clauses["state"], as_of, at)
    _wholes(rows, stored, found, as_of)
    return len(member)


def _clauses(
    rows: Rows, found: Table, member: Numbers, clause: Numbers, as_of: measures.AsOf
) -> None:
    columns = {
        "id": ("uuid", _new_ids(len(member))),
        "membership": ("uuid", engine.uuids(rows.memberships)[member]),
        "clause": ("uuid", engine.uuids(rows.clauses)[clause]),
    } | {
        f"s_{name}": ("float" if name in SHARES else "int", values[member, clause])
        for name, values in found.clauses.items()
    }
    names = [f'"{name}"' for name in Standing.SAYS]
    given = [_taken(name) for name in Standing.SAYS]
    cut = ["d", "d2", "n"]
    update = ", ".join(f"{name} = excluded.{name}" for name in [*names, *cut])
    p = "%s::date, %s::date, %s::bigint, %s::uuid" if engine.is_postgresql() else "%s, %s, %s, %s"
    into = ", ".join([*cut, "programme_id", "id", "membership_id", "clause_id", *names])
    engine.write(
        f"INSERT INTO {STANDING} ({into}) "  # noqa: S608 - our own names
        f"SELECT {p}, id, membership, clause, {', '.join(given)} FROM {{rows}} WHERE 1 = 1 "
        f"ON CONFLICT (membership_id, clause_id) DO UPDATE SET {update}",
        [as_of.d, as_of.d2, as_of.n, engine.identifier(rows.programme.pk)],
        columns,
    )


def _changes(
    rows: Rows, before: Numbers, after: Numbers, as_of: measures.AsOf, at: dt.datetime
) -> None:
    member, clause = np.nonzero(before != after)
    if not len(member):
        return
    p = (
        "%s::date, %s::bigint, %s::timestamptz, %s::uuid"
        if engine.is_postgresql()
        else "%s, %s, %s, %s"
    )
    was = f"CASE WHEN was < 0 THEN '' ELSE {engine.word(STATES, 'was')} END"
    engine.write(
        f'INSERT INTO {CHANGE} ("on", n, recorded_at, programme_id, id, membership_id, '  # noqa: S608
        f"clause_id, before, after) SELECT {p}, id, membership, clause, {was}, "
        f"{engine.word(STATES, 'becomes')} FROM {{rows}}",
        [as_of.d2, as_of.n, engine.moment(at), engine.identifier(rows.programme.pk)],
        {
            "id": ("uuid", _new_ids(len(member))),
            "membership": ("uuid", engine.uuids(rows.memberships)[member]),
            "clause": ("uuid", engine.uuids(rows.clauses)[clause]),
            "was": ("int", before[member, clause]),
            "becomes": ("int", after[member, clause]),
        },
    )


def _wholes(rows: Rows, stored: Table, found: Table, as_of: measures.AsOf) -> None:
    cut = {"d": as_of.d.toordinal(), "d2": as_of.d2.toordinal(), "n": as_of.n}
    differs = ~stored.whole_there
    for name, values in found.whole.items():
        if name not in cut:
            differs = differs | (stored.whole[name] != values)
    for name, value in cut.items():
        differs |= stored.whole[name] != value
    at = np.flatnonzero(differs)
    if not len(at):
        return
    names = WHOLE_SAYS
    given = ["s_met = 1"]
    given += [_taken(name) for name in (*WHOLE_DAYS, *WHOLE_COUNTS)]
    fixed = ["version_id", "d", "d2", "n"]
    update = ", ".join(f"{name} = excluded.{name}" for name in [*fixed, *names])
    p = (
        "%s::uuid, %s::date, %s::date, %s::bigint, %s::uuid"
        if engine.is_postgresql()
        else "%s, %s, %s, %s, %s"
    )
    into = ", ".join([*fixed, "programme_id", "id", "membership_id", *names])
    engine.write(
        f"INSERT INTO {WHOLE} ({into}) "  # noqa: S608 - our own names
        f"SELECT {p}, id, membership, {', '.join(given)} FROM {{rows}} WHERE 1 = 1 "
        f"ON CONFLICT (membership_id) DO UPDATE SET {update}",
        [
            engine.identifier(rows.version),
            as_of.d,
            as_of.d2,
            as_of.n,
            engine.identifier(rows.programme.pk),
        ],
        {
            "id": ("uuid", _new_ids(len(at))),
            "membership": ("uuid", engine.uuids(rows.memberships)[at]),
            **{f"s_{name}": ("int", found.whole[name][at]) for name in names},
        },
    )


CHANGE = StandingChange._meta.db_table


def _new_ids(count: int) -> Numbers:
    return engine.uuids([uuid7() for _ in range(count)])


def _taken(name: str) -> str:
    """A number of the rows `r` as the column keeps it."""
    column = f"s_{name}"
    if name in WORDS:
        return engine.word(WORDS[name], column)
    if name in DAYS:
        return f"CASE WHEN {column} = {NONE} THEN NULL ELSE {engine.date(column)} END"
    if name in OPTIONAL:
        return f"NULLIF({column}, -1)"
    if name in SHARES and engine.is_postgresql():
        return f"NULLIF({column}, 'NaN')"
    return column
