"""What rows point at, looked at once for all of them instead of row by row as they come.

PostgreSQL asks for each reference of each row on its own, which is three fifths of its work in
a large load. Whoever may say so (a superuser, or who was granted the parameter) loads without,
and a set-based look at the same references stands at the end of the same transaction.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from django.db import Error, IntegrityError, connection, models, transaction


@contextmanager
def asked_together(tables: Iterable[type[models.Model]], programme: uuid.UUID) -> Iterator[None]:
    """Inside a transaction: rows of `programme` in `tables`. Raises IntegrityError."""
    if not _left_for_later():
        yield
        return
    yield
    # Whatever comes after in this transaction is asked as ever.
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = origin")
    check(tables, programme)


def check(tables: Iterable[type[models.Model]], programme: uuid.UUID) -> None:
    """Every reference of a programme's rows leads to a row. Raises IntegrityError."""
    for model in tables:
        for field in model._meta.concrete_fields:
            if not isinstance(field, models.ForeignKey):
                continue
            named = field.remote_field.model._base_manager.filter(pk=models.OuterRef(field.attname))
            lost = model._base_manager.filter(
                ~models.Exists(named), programme_id=programme, **{f"{field.name}__isnull": False}
            )
            if lost.exists():
                raise IntegrityError(f"{model.__name__}.{field.name} leads nowhere")


def _left_for_later() -> bool:
    if connection.vendor != "postgresql":
        return False
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET LOCAL session_replication_role = replica")
    except Error:  # not allowed to
        return False
    return True
