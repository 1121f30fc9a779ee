"""Rows of whole numbers out of either engine and into it, as arrays.

PostgreSQL gives each column of a query as one string of bytes and takes it as a binary array: no
object a value is made on the way. SQLite gives and takes tuples.
"""

from __future__ import annotations

import datetime as dt
import json
import struct
import uuid
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

_SENT = {"int": ">i4", "long": ">i8", "float": ">f8", "uuid": "V16"}
_TYPE = {"int": "int4", "long": "int8", "float": "float8", "uuid": "uuid"}
_SEND = {"int": "int4send", "long": "int8send", "float": "float8send", "uuid": "uuid_send"}
_OWN = {"int": np.int64, "long": np.int64, "float": np.float64, "uuid": np.dtype("V16")}


def is_postgresql() -> bool:
    return connection.vendor == "postgresql"


def day(column: str) -> str:
    """A date as `date.toordinal()` gives it."""
    if is_postgresql():
        return f"({column} - DATE '0001-01-01' + 1)"
    return f"CAST(julianday({column}) - 1721424.5 AS INTEGER)"


def date(column: str) -> str:
    """The reverse, as the engine keeps a date."""
    if is_postgresql():
        return f"(DATE '0001-01-01' + ({column} - 1))"
    return f"date({column} + 1721424.5)"


def since(column: str) -> str:
    """Days from the first of year one: one less than `day`, and one step less to compute."""
    return f"({column} - DATE '0001-01-01')" if is_postgresql() else f"({day(column)} - 1)"


def second(column: str) -> str:
    """A moment in whole seconds since 1970, rounded down; -1 for none."""
    if is_postgresql():
        return f"COALESCE(floor(extract(epoch FROM {column}))::int8, -1)"
    # Its first nineteen signs: the engine would round what stands behind the second.
    return f"COALESCE(CAST(strftime('%%s', substr({column}, 1, 19)) AS INTEGER), -1)"


def letter(column: str) -> str:
    """The code of a word's first letter."""
    return f"{'ascii' if is_postgresql() else 'unicode'}({column})"


def position(values: Sequence[Any], column: str, *, shift: int = 0) -> str:
    """The place of a column's value in a short list, from 0; -1 where it is not in it."""
    names = " ".join(f"WHEN {_literal(value)} THEN {n << shift}" for n, value in enumerate(values))
    return f"CASE {column} {names} ELSE -1 END"


def word(words: Sequence[str], column: str) -> str:
    """The reverse: the word at that place."""
    names = " ".join(f"WHEN {n} THEN {_literal(value)}" for n, value in enumerate(words))
    return f"CASE {column} {names} END"


def identifier(value: uuid.UUID) -> Any:
    """As a parameter."""
    return value if is_postgresql() else value.hex


def moment(at: dt.datetime) -> Any:
    """As a parameter."""
    return connection.ops.adapt_datetimefield_value(at)


def _quoted(name: str) -> str:
    return connection.ops.quote_name(name)


def _literal(value: Any) -> str:
    """Words and identifiers of our own; nothing that anybody typed."""
    if isinstance(value, uuid.UUID):
        return f"'{value}'::uuid" if is_postgresql() else f"'{value.hex}'"
    if not value.replace("_", "").isalpha() and value:
        raise ValueError(f"{value!r} is not a word of our own")
    return f"'{value}'"


def given(ids: Sequence[uuid.UUID], name: str = "u") -> tuple[str, Any]:
    """(a table of that name of these ids: `n` from 0, `id`; its parameter)."""
    if is_postgresql():
        numbered = "unnest(%s::uuid[]) WITH ORDINALITY v(id, n)"
        return f"(SELECT id, n - 1 AS n FROM {numbered}) {name}", list(ids)  # noqa: S608
    return f"(SELECT value AS id, key AS n FROM json_each(%s)) {name}", json.dumps(  # noqa: S608
        [one.hex for one in ids]
    )


def of_each(table: str, column: str) -> str:
    """Joined to `u`, its rows `s`: along an index, one walk for each."""
    if is_postgresql():
        # OFFSET keeps them apart: a join may hash the whole table for a few of its rows.
        return f"CROSS JOIN LATERAL (SELECT * FROM {table} WHERE {column} = u.id OFFSET 0) s"  # noqa: S608
    return f"JOIN {table} s ON s.{column} = u.id"


class Reading:
    """A query under way, and then its columns, each of a kind: int, long, float or uuid; ints,
    longs or uuids where a row has many of them as `as_bytes` makes them. Nothing is NULL.

    Ahead: on PostgreSQL it runs there, on this connection and in this transaction, while the
    caller computes; whoever asks the connection for something else meanwhile waits for it.
    """

    def __init__(
        self,
        query: str,
        params: Sequence[Any],
        kinds: Mapping[str, str],
        *,
        ahead: Executor | None = None,
    ) -> None:
        self.kinds = kinds
        names = {_quoted(name): kind for name, kind in kinds.items()}
        if not is_postgresql():
            with connection.cursor() as cursor:
                cursor.execute(f"SELECT {', '.join(names)} FROM ({query})", params)  # noqa: S608
                self._rows = cursor.fetchall()
            return
        chosen = ", ".join(as_bytes(*one) for one in names.items())
        asked = _binary(), f"SELECT {chosen} FROM ({query}) r", params  # noqa: S608 - own names
        self._rows = ahead.submit(_execute, *asked) if ahead else _execute(*asked)

    def columns(self) -> dict[str, NDArray[Any]]:
        rows = self._rows.result() if isinstance(self._rows, Future) else self._rows
        if is_postgresql():
            pairs = zip(self.kinds.items(), rows, strict=True)
            return {name: _from_bytes(sent, kind.removesuffix("s")) for (name, kind), sent in pairs}
        return {
            name: _from_values([row[at] for row in rows], kind)
            for at, (name, kind) in enumerate(self.kinds.items())
        }


def as_bytes(column: str, kind: str) -> str:
    """All values of a column, one behind the other."""
    if kind not in _TYPE:
        return f"string_agg({column}, '')"
    return f"string_agg({_SEND[kind]}({column}::{_TYPE[kind]}), '')"


def _execute(cursor: Any, statement: str, params: Sequence[Any]) -> Sequence[Any]:
    given = [_to_array(uuids(one), "uuid") if isinstance(one, list) else one for one in params]
    return cursor.execute(statement, given, binary=True).fetchone()


def _binary() -> Any:
    """A cursor of this transaction that sends and takes binary; the framework's own does not."""
    from psycopg import Cursor

    connection.ensure_connection()
    cursor = Cursor(connection.connection)
    cursor.adapters.register_dumper(_Array, _array_dumper())
    return cursor


def uuids(ids: Sequence[uuid.UUID]) -> NDArray[Any]:
    return np.frombuffer(b"".join([one.int.to_bytes(16, "big") for one in ids]), "V16")


def _from_bytes(sent: bytes | None, kind: str) -> NDArray[Any]:
    return np.frombuffer(sent or b"", _SENT[kind]).astype(_OWN[kind])


def _from_values(values: Sequence[Any], kind: str) -> NDArray[Any]:
    if kind == "uuid":
        return np.frombuffer(bytes.fromhex("".join(values)), "V16")
    return np.array(values, _OWN[kind])


def write(
    statement: str, params: Sequence[Any], columns: Mapping[str, tuple[str, NDArray[Any]]]
) -> None:
    """A statement that reads the rows `r`, here `{rows}`. columns: name -> (kind, values), none
    of them NULL but for NaN, which SQLite takes for it. Parameters stand before the rows."""
    names = ", ".join(columns)
    if is_postgresql():
        arrays = ", ".join(f"%s::{_TYPE[kind]}[]" for kind, _values in columns.values())
        with _binary() as cursor:
            given = [_to_array(values, kind) for kind, values in columns.values()]
            cursor.execute(statement.format(rows=f"unnest({arrays}) r({names})"), [*params, *given])
        return
    marks = ", ".join(f"%s AS {name}" for name in columns)
    lists = [
        [value.tobytes().hex() for value in values] if kind == "uuid" else values.tolist()
        for kind, values in columns.values()
    ]
    with connection.cursor() as cursor:
        cursor.executemany(
            statement.format(rows=f"(SELECT {marks}) r"),
            [[*params, *row] for row in zip(*lists, strict=True)],
        )


@dataclass(frozen=True)
class _Array:
    """A binary array, ready to be sent."""

    data: bytes
    oid: int


_OID = {"int": 23, "long": 20, "float": 701, "uuid": 2950}


def _to_array(values: NDArray[Any], kind: str) -> _Array:
    # An element of a binary array is its length and its value; before the first stand 20 bytes.
    sent = np.empty(len(values), [("size", ">i4"), ("value", _SENT[kind])])
    sent["size"] = sent["value"].itemsize
    sent["value"] = values
    head = struct.pack(">iiiii", 1, 0, _OID[kind], len(values), 1)
    return _Array(head + sent.tobytes(), _OID[kind])


def _array_dumper() -> type:
    from psycopg.adapt import Dumper
    from psycopg.pq import Format

    class Arrays(Dumper):
        format = Format.BINARY

        def dump(self, obj: _Array) -> bytes:
            return obj.data

    return Arrays
