"""Append-only tables, refused in the database on both engines.

A model declares `mutability = "append_only"`, and may declare
`may_change = {...}`: columns that go once from null to a value, and
`may_erase = {...}`: columns that go once from a value to null.

An ordinary migration makes Django remake an SQLite table and silently drops its triggers, so
they are made again after every migrate; a check and a guard compare the list with the catalogue.
On SQLite the promise is against the application: whoever holds the file can do anything, which
only `ledger verify` and a head kept elsewhere will show.
"""

import re

from django.apps import apps
from django.conf import settings
from django.core.checks import Error, Tags, register
from django.db import connections
from django.db.models.signals import post_migrate

PREFIX = "append_only_"


def models_of(app_config=None) -> list:
    configs = [app_config] if app_config else apps.get_app_configs()
    return [
        model
        for config in configs
        for model in config.get_models()
        if getattr(model, "mutability", None) == "append_only"
    ]


def _columns(model, names) -> set[str]:
    return {model._meta.get_field(name).column for name in names}


def trigger_names(model, vendor: str) -> set[str]:
    table = model._meta.db_table
    verbs = ("update", "delete", "insert") if vendor == "sqlite" else ("row", "truncate")
    return {f"{PREFIX}{table}_{verb}" for verb in verbs}


def install(model, connection) -> None:
    make = _sqlite if connection.vendor == "sqlite" else _postgresql
    with connection.cursor() as cursor:
        make(model, cursor)


def remove(model, connection) -> None:
    """Take the triggers away: for the tests' emptying of tables, as the owner."""
    table = model._meta.db_table
    with connection.cursor() as cursor:
        for name in trigger_names(model, connection.vendor):
            if connection.vendor == "sqlite":
                cursor.execute(f'DROP TRIGGER IF EXISTS "{name}"')
            else:
                cursor.execute(f'DROP TRIGGER IF EXISTS "{name}" ON "{table}"')


def _sqlite(model, cursor) -> None:
    table = model._meta.db_table
    fill = _columns(model, getattr(model, "may_change", ()))
    erase = _columns(model, getattr(model, "may_erase", ()))
    kept = []
    for field in model._meta.local_concrete_fields:
        c = f'"{field.column}"'
        if field.column in fill:
            kept.append(f"(OLD.{c} IS NULL OR NEW.{c} IS OLD.{c})")
        elif field.column in erase:
            kept.append(f"(NEW.{c} IS NULL OR NEW.{c} IS OLD.{c})")
        else:
            kept.append(f"NEW.{c} IS OLD.{c}")
    allowed = " AND ".join(kept) if fill | erase else "0"
    say = f"SELECT RAISE(ABORT, 'append-only: {table}')"
    remove(model, _ConnectionOf(cursor))
    cursor.execute(
        f'CREATE TRIGGER "{PREFIX}{table}_update" BEFORE UPDATE ON "{table}" '
        f"WHEN NOT ({allowed}) BEGIN {say}; END"
    )
    cursor.execute(
        f'CREATE TRIGGER "{PREFIX}{table}_delete" BEFORE DELETE ON "{table}" BEGIN {say}; END'
    )
    # INSERT OR REPLACE deletes without firing a delete trigger: refuse any existing key.
    existing = [
        f'EXISTS (SELECT 1 FROM "{table}" WHERE {match})'  # noqa: S608 - names from the models
        for match in _keys(table, model, cursor)
    ]
    cursor.execute(
        f'CREATE TRIGGER "{PREFIX}{table}_insert" BEFORE INSERT ON "{table}" '
        f"WHEN {' OR '.join(existing)} BEGIN {say}; END"
    )


def _keys(table, model, cursor):
    pk = model._meta.pk.column
    yield f'"{pk}" = NEW."{pk}"'
    cursor.execute(f'PRAGMA index_list("{table}")')
    for _seq, name, unique, _origin, partial in cursor.fetchall():
        if not unique:
            continue
        cursor.execute(f'PRAGMA index_info("{name}")')
        columns = [row[2] for row in cursor.fetchall()]
        if None in columns:
            # A unique index over an expression; REPLACE through it is stopped by
            # recursive_triggers, which the connection switches on.
            continue
        match = " AND ".join(f'"{c}" = NEW."{c}"' for c in columns)
        if partial:
            cursor.execute("SELECT sql FROM sqlite_master WHERE name = %s", [name])
            where = re.split(r"\sWHERE\s", cursor.fetchone()[0], maxsplit=1)[1]
            of_new = re.sub(r'"(\w+)"', r'NEW."\1"', where)
            match = f"{match} AND ({where}) AND ({of_new})"
        yield match


class _ConnectionOf:
    """Lets `remove` reuse a cursor that is open already."""

    vendor = "sqlite"

    def __init__(self, cursor):
        self._cursor = cursor

    def cursor(self):
        return self

    def __enter__(self):
        return self._cursor

    def __exit__(self, *_):
        return False


def _postgresql(model, cursor) -> None:
    table = model._meta.db_table
    fill = sorted(_columns(model, getattr(model, "may_change", ())))
    erase = sorted(_columns(model, getattr(model, "may_erase", ())))
    function = f"{PREFIX}{table}"
    loose = [*fill, *erase]
    if loose:
        minus = " - ".join(["", *(f"'{c}'" for c in loose)])
        tests = [f"(to_jsonb(NEW){minus}) = (to_jsonb(OLD){minus})"]
        tests += [f'(OLD."{c}" IS NULL OR NEW."{c}" IS NOT DISTINCT FROM OLD."{c}")' for c in fill]
        tests += [f'(NEW."{c}" IS NULL OR NEW."{c}" IS NOT DISTINCT FROM OLD."{c}")' for c in erase]
        body = (
            f"IF TG_OP = 'UPDATE' THEN IF {' AND '.join(tests)} THEN RETURN NEW; END IF; END IF; "
        )
    else:
        body = ""
    cursor.execute(
        f'CREATE OR REPLACE FUNCTION "{function}"() RETURNS trigger LANGUAGE plpgsql AS $$ '
        f"BEGIN {body}RAISE EXCEPTION 'append-only: {table}' "
        "USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
    cursor.execute(f'DROP TRIGGER IF EXISTS "{function}_row" ON "{table}"')
    cursor.execute(
        f'CREATE TRIGGER "{function}_row" BEFORE UPDATE OR DELETE ON "{table}" '
        f'FOR EACH ROW EXECUTE FUNCTION "{function}"()'
    )
    cursor.execute(f'DROP TRIGGER IF EXISTS "{function}_truncate" ON "{table}"')
    cursor.execute(
        f'CREATE TRIGGER "{function}_truncate" BEFORE TRUNCATE ON "{table}" '
        f'FOR EACH STATEMENT EXECUTE FUNCTION "{function}"()'
    )


def grant_to(role: str, connection) -> None:
    """What the application's role may do: append-only tables are read and appended to."""
    quote = connection.ops.quote_name
    append_only = {m._meta.db_table: m for m in models_of()}
    with connection.cursor() as cursor:
        cursor.execute(f"GRANT USAGE ON SCHEMA public TO {quote(role)}")
        cursor.execute(f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {quote(role)}")
        for table in connection.introspection.table_names(cursor):
            t = quote(table)
            if table == "django_migrations":
                cursor.execute(f"GRANT SELECT ON {t} TO {quote(role)}")
            elif table in append_only:
                model = append_only[table]
                cursor.execute(f"REVOKE ALL ON {t} FROM {quote(role)}")
                cursor.execute(f"GRANT SELECT, INSERT ON {t} TO {quote(role)}")
                loose = _columns(
                    model, {*getattr(model, "may_change", ()), *getattr(model, "may_erase", ())}
                )
                if loose:
                    columns = ", ".join(quote(c) for c in sorted(loose))
                    cursor.execute(f"GRANT UPDATE ({columns}) ON {t} TO {quote(role)}")
            else:
                cursor.execute(f"GRANT SELECT, INSERT, UPDATE, DELETE ON {t} TO {quote(role)}")


def _overlap(connection) -> None:
    """Two memberships of one person in one role never overlap (PostgreSQL: a constraint)."""
    if connection.vendor != "sqlite":
        return
    test = (
        "EXISTS (SELECT 1 FROM accounts_membership m WHERE m.id <> NEW.id "
        "AND m.person_id = NEW.person_id AND m.programme_id = NEW.programme_id "
        "AND m.role = NEW.role "
        "AND m.starts_on <= COALESCE(NEW.ends_on, '9999-12-31') "
        "AND NEW.starts_on <= COALESCE(m.ends_on, '9999-12-31'))"
    )
    with connection.cursor() as cursor:
        for verb in ("INSERT", "UPDATE"):
            name = f"membership_overlap_{verb.lower()}"
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}")
            cursor.execute(
                f"CREATE TRIGGER {name} BEFORE {verb} ON accounts_membership WHEN {test} "
                "BEGIN SELECT RAISE(ABORT, 'memberships_do_not_overlap'); END"
            )


def _after_migrate(sender, using, **kwargs) -> None:
    connection = connections[using]
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
    for model in models_of(sender):
        if model._meta.db_table in tables:
            install(model, connection)
    if "accounts_membership" in tables and sender.label == "accounts":
        _overlap(connection)
    role = getattr(settings, "DATABASE_APP_ROLE", "")
    # Django sends the signal for apps with models alone.
    last = [config for config in apps.get_app_configs() if config.models_module][-1]
    if role and connection.vendor == "postgresql" and sender is last:
        grant_to(role, connection)


def connect() -> None:
    post_migrate.connect(_after_migrate, dispatch_uid="append_only")


def installed(connection) -> set[str]:
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        else:
            cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal")
        return {row[0] for row in cursor.fetchall() if row[0].startswith(PREFIX)}


def missing(connection) -> set[str]:
    """Triggers that should stand and do not."""
    wanted = set()
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
    for model in models_of():
        if model._meta.db_table in tables:
            wanted |= trigger_names(model, connection.vendor)
    return wanted - installed(connection)


@register(Tags.database)
def triggers_stand(app_configs, databases, **kwargs):
    return [
        Error(
            f"append-only triggers are missing: {', '.join(sorted(lost))}",
            hint="Run `manage.py migrate`: it makes them again.",
            id="interspace.E001",
        )
        for alias in databases or []
        if (lost := missing(connections[alias]))
    ]
