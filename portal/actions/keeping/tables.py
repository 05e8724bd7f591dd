"""Tables as lines of text, the same from SQLite and from PostgreSQL, and back.

The tables are those of the migrations that a database has run, not those of this code: a backup before an update, and
one restored after it, need no care.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.core.management.color import no_style
from django.db import DataError, IntegrityError, connection, models, transaction
from django.db.migrations.executor import MigrationExecutor

from portal.actions.keeping.store import PIECE_BYTES, NoBackup

LEFT_OUT = ("sessions.session",)
"""Whoever was logged in at a restored moment logs in again: a log-in ended since must not come back."""
KEYS_A_PIECE = 500
"""Rows whose keys lie so close share pieces: a change writes these anew and no others. No source."""
JUMP = 1_000_000
"""Keys given between a backup and its restore are given to nothing else: links, mails and calendars name them. More
than a firm gives out in years; no source."""

Migration = tuple[str, str]
TableModel = type[models.Model]


def applied() -> set[Migration]:
    """The migrations that the database has run, as far as this code knows them."""
    loader = MigrationExecutor(connection).loader
    ran = set(loader.applied_migrations)
    if unknown := ran - set(loader.disk_migrations):
        raise NoBackup(f"The database belongs to a newer portal ({'.'.join(min(unknown))}): update this one first.")
    return ran


def known() -> set[Migration]:
    """All migrations of this code."""
    return set(MigrationExecutor(connection).loader.disk_migrations)


def tables(ran: Iterable[Migration]) -> list[TableModel]:
    """The tables that these migrations make, in an order of their own."""
    state = MigrationExecutor(connection).loader.project_state(list(ran))
    found = [one for one in state.apps.get_models(include_auto_created=True) if one._meta.managed]
    return sorted(
        (one for one in found if one._meta.label_lower not in LEFT_OUT), key=lambda one: one._meta.label_lower
    )


def migrate_to(ran: set[Migration]) -> None:
    """Make the tables of these migrations in an empty database."""
    executor = MigrationExecutor(connection)
    children = executor.loader.graph.node_map
    last = [
        one
        for one in ran
        if not any(tuple(child.key) in ran and child.key[0] == one[0] for child in children[one].children)
    ]
    executor.migrate(sorted(last))


@contextmanager
def one_moment() -> Iterator[None]:
    """Everything read inside is of one moment, and nobody who writes has to wait."""
    if connection.vendor == "sqlite":
        mode = connection.transaction_mode  # type: ignore[attr-defined]  # of SQLite's wrapper
        connection.transaction_mode = "DEFERRED"  # type: ignore[attr-defined]  # a reader beside the writers
        try:
            with transaction.atomic():
                yield
        finally:
            connection.transaction_mode = mode  # type: ignore[attr-defined]
        return
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


def lines_of(table: TableModel) -> Iterator[tuple[int, bytes]]:
    """A table's rows by key, in pieces: how many, and as lines of JSON."""
    names = [field.attname for field in table._meta.concrete_fields]
    rows = table._base_manager.order_by("pk")
    last: Any = None
    while True:
        rest = rows if last is None else rows.filter(pk__gt=last)
        first = rest.values_list("pk", flat=True).first()
        if first is None:
            return
        if isinstance(first, int):
            last = first - first % KEYS_A_PIECE + KEYS_A_PIECE - 1
            some = rest.filter(pk__lte=last)
        else:
            some, last = rest, rows.values_list("pk", flat=True).last()
        count, size = 0, 0
        lines: list[bytes] = []
        for row in some.values_list(*names).iterator(chunk_size=200):
            line = json.dumps([_said(value) for value in row], ensure_ascii=False, sort_keys=True).encode() + b"\n"
            if lines and size + len(line) > PIECE_BYTES:
                yield count, b"".join(lines)
                count, size, lines = 0, 0, []
            count, size = count + 1, size + len(line)
            lines.append(line)
        if lines:
            yield count, b"".join(lines)


def _said(value: Any) -> Any:
    """A value as JSON can hold it, the same whatever the database."""
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            # Databases differ in the sign of zero and in large whole numbers.
            return int(value) if abs(value) >= 1e15 and value.is_integer() else value + 0.0
        case bytes() | memoryview():
            return base64.b64encode(bytes(value)).decode()
        case datetime() | date() | time():
            return value.isoformat()
        case Decimal() | UUID():
            return str(value)
        case list() | tuple():
            return [_said(one) for one in value]
        case dict():
            return {key: _said(one) for key, one in value.items()}
    raise TypeError(f"{type(value)} cannot be kept in a backup")


def empty(all_tables: Sequence[TableModel]) -> None:
    with connection.cursor() as cursor:
        for table in all_tables:
            cursor.execute(f"DELETE FROM {connection.ops.quote_name(table._meta.db_table)}")


def load_rows(table: TableModel, columns: Sequence[str], lines: bytes) -> None:
    """Put rows into a table, whole and as they were: nothing of them is set anew.

    Raises NoBackup, naming the row, when the database cannot hold one.
    """
    by_name = {field.attname: field for field in table._meta.concrete_fields}
    fields = [by_name[name] for name in columns]
    rows = [
        [_prepared(field, value) for field, value in zip(fields, json.loads(line), strict=True)]
        for line in lines.split(b"\n")
        if line
    ]
    quoted = connection.ops.quote_name
    into = ", ".join(quoted(field.column or "") for field in fields)
    places = ", ".join(["%s"] * len(fields))
    command = f"INSERT INTO {quoted(table._meta.db_table)} ({into}) VALUES ({places})"
    with connection.cursor() as cursor:
        try:
            with transaction.atomic():
                cursor.executemany(command, rows)
        except (DataError, IntegrityError, ValueError):
            for line, row in zip(lines.split(b"\n"), rows, strict=False):
                try:
                    with transaction.atomic():
                        cursor.execute(command, row)
                except (DataError, IntegrityError, ValueError) as problem:
                    raise NoBackup(
                        f"This database cannot hold a row of {table._meta.db_table}: {str(problem).strip()}. "
                        f"It begins {line[:80].decode(errors='replace')}. Nothing was changed."
                    ) from None
            raise


def _prepared(field: models.Field[Any, Any], value: Any) -> Any:
    if value is not None and not isinstance(field, models.JSONField):
        value = field.to_python(value)
    return field.get_db_prep_save(value, connection)


def go_on_above(all_tables: Sequence[TableModel]) -> None:
    """Let keys go on far above those that are held."""
    with connection.cursor() as cursor:
        for command in connection.ops.sequence_reset_sql(no_style(), list(all_tables)):
            cursor.execute(command)
        for table in all_tables:
            key = table._meta.pk
            if not isinstance(key, models.BigAutoField):
                continue
            highest = (table._base_manager.aggregate(highest=models.Max("pk"))["highest"] or 0) + JUMP
            name = table._meta.db_table
            if connection.vendor == "sqlite":
                cursor.execute("DELETE FROM sqlite_sequence WHERE name = %s", [name])
                cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [name, highest])
            else:
                quoted = connection.ops.quote_name(name)
                cursor.execute("SELECT setval(pg_get_serial_sequence(%s, %s), %s)", [quoted, key.column, highest])
