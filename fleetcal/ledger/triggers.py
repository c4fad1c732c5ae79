"""The fence in the database: a table of facts takes inserts and nothing else, on SQLite and on PostgreSQL.

It stops accidents and an application that does not own the tables; an owner can drop it, and then verification shows what was edited.
SQLite drops triggers when a migration rebuilds a table, so they are installed again after every migrate and counted at start-up.
"""

from collections.abc import Iterable
from contextlib import suppress

from django.db import DatabaseError, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

MESSAGE = "this table takes inserts only; record a correction instead"


class FenceMissing(RuntimeError):
    """A table of facts that would take a change or a deletion."""


def install(connection: BaseDatabaseWrapper, tables: Iterable[str]) -> None:
    statements = _postgresql if connection.vendor == "postgresql" else _sqlite
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION fleetcal_insert_only() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{MESSAGE}' USING ERRCODE = 'restrict_violation'; END $$"
            )
        for table in tables:
            for statement in statements(connection, table):
                cursor.execute(statement)


def remove(connection: BaseDatabaseWrapper, tables: Iterable[str]) -> None:
    with connection.cursor() as cursor:
        for table in tables:
            for name in _names(table):
                on = f' ON "{table}"' if connection.vendor == "postgresql" else ""
                cursor.execute(f'DROP TRIGGER IF EXISTS "{name}"{on}')


def unfenced(connection: BaseDatabaseWrapper, tables: Iterable[str]) -> list[str]:
    """Those of *tables* that lack one of their triggers, or have it switched off."""
    if connection.vendor == "postgresql":
        query = "SELECT tgname FROM pg_trigger WHERE tgenabled = 'A'"
    else:
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    with connection.cursor() as cursor:
        cursor.execute(query)
        present = {name for (name,) in cursor.fetchall()}
    wanted = slice(None) if connection.vendor == "sqlite" else slice(0, 2)
    return [table for table in tables if not present.issuperset(_names(table)[wanted])]


def self_test(connection: BaseDatabaseWrapper, table: str) -> None:
    """Try to delete one row of *table* and undo it; `FenceMissing` if the database allowed it. Needs a row to say anything."""
    with suppress(DatabaseError), transaction.atomic(using=connection.alias):
        with connection.cursor() as cursor:
            cursor.execute(f'DELETE FROM "{table}" WHERE id IN (SELECT id FROM "{table}" LIMIT 1)')
            deleted = cursor.rowcount
        transaction.set_rollback(True, using=connection.alias)
        if deleted:
            raise FenceMissing(f"{table}: a row could be deleted")


def _names(table: str) -> list[str]:
    return [f"{table}_keep_rows", f"{table}_keep_all", f"{table}_keep_place"]


def _postgresql(connection: BaseDatabaseWrapper, table: str) -> list[str]:
    rows, everything, _ = _names(table)
    return [
        f'DROP TRIGGER IF EXISTS "{rows}" ON "{table}"',
        f'DROP TRIGGER IF EXISTS "{everything}" ON "{table}"',
        f'CREATE TRIGGER "{rows}" BEFORE UPDATE OR DELETE ON "{table}" FOR EACH ROW EXECUTE FUNCTION fleetcal_insert_only()',
        f'CREATE TRIGGER "{everything}" BEFORE TRUNCATE ON "{table}" FOR EACH STATEMENT EXECUTE FUNCTION fleetcal_insert_only()',
        # ALWAYS: a session that plays a replica would otherwise pass.
        f'ALTER TABLE "{table}" ENABLE ALWAYS TRIGGER "{rows}"',
        f'ALTER TABLE "{table}" ENABLE ALWAYS TRIGGER "{everything}"',
    ]


def _sqlite(connection: BaseDatabaseWrapper, table: str) -> list[str]:
    rows, everything, place = _names(table)
    taken = " OR ".join(_same_unique_key(connection, table))
    return [
        f'DROP TRIGGER IF EXISTS "{rows}"',
        f'DROP TRIGGER IF EXISTS "{everything}"',
        f'DROP TRIGGER IF EXISTS "{place}"',
        f'CREATE TRIGGER "{rows}" BEFORE UPDATE ON "{table}" BEGIN SELECT RAISE(ABORT, \'{MESSAGE}\'); END',
        f'CREATE TRIGGER "{everything}" BEFORE DELETE ON "{table}" BEGIN SELECT RAISE(ABORT, \'{MESSAGE}\'); END',
        # INSERT OR REPLACE overwrites a row without firing the DELETE trigger.
        f'CREATE TRIGGER "{place}" BEFORE INSERT ON "{table}" WHEN EXISTS (SELECT 1 FROM "{table}" WHERE {taken}) '
        f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END",
    ]


def _same_unique_key(connection: BaseDatabaseWrapper, table: str) -> list[str]:
    with connection.cursor() as cursor:
        constraints = connection.introspection.get_constraints(cursor, table).values()
    keys = [c["columns"] for c in constraints if (c["unique"] or c["primary_key"]) and c["columns"]]
    return ["(" + " AND ".join(f'"{column}" = NEW."{column}"' for column in key) + ")" for key in keys]
