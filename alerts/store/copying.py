"""Copying all rows from one database to another, whatever the engines.

Rows keep their ids. They travel in batches, and a digest of each table is taken as they are read
and taken again from what was stored, so that a value an engine cannot hold is found out. Both are
made of parsed values in order of the primary key, since the engines write JSON, times and numbers
in ways of their own.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time

from sqlalchemy import (
    Column,
    Connection,
    Engine,
    LargeBinary,
    RowMapping,
    String,
    Table,
    bindparam,
    delete,
    func,
    insert,
    inspect,
    null,
    select,
    text,
    update,
)
from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.sql.elements import CollationClause
from sqlmodel import SQLModel

from alerts.domain.errors import CopyRefused
from alerts.store.session import TURN

ROWS_AT_A_TIME = 200
FILES_AT_A_TIME = 4
"""Of a table that holds whole files, which may have tens of MiB each."""

MACHINERY = frozenset({"job_run", "gateway"})
"""Tables that a service fills by running; a database with nothing else counts as empty."""

PATIENCE = "15s"
"""How long to wait on PostgreSQL for those who write."""


@dataclass(frozen=True, slots=True)
class TableDigest:
    """What a table holds: its rows, and a SHA-256 over their values by primary key."""

    name: str
    rows: int
    sha256: str


def tables() -> list[Table]:
    """All tables, each after those that it refers to."""
    return list(SQLModel.metadata.sorted_tables)


# ------------------------------------------------------------------ transactions


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A connection that sees one moment throughout, while others go on writing."""
    options: dict[str, object] = {}
    is_file = engine.dialect.name == "sqlite"
    if not is_file:
        options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    with engine.connect().execution_options(**options) as connection:
        # The moment is that of the first question; SQLite has none before it looks into the file.
        connection.execute(text("SELECT count(*) FROM sqlite_master" if is_file else "SELECT 1"))
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction beside which nobody writes; it keeps all or, on any error, nothing."""
    with engine.execution_options(writes=True).begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text(f"SET LOCAL lock_timeout = '{PATIENCE}'"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:turn)"), {"turn": TURN})
            # Workers take no turn; readers are not held up.
            names = ", ".join(_quoted(connection, table) for table in tables())
            connection.execute(text(f"LOCK TABLE {names} IN EXCLUSIVE MODE"))
        yield connection


def _quoted(connection: Connection, table: Table) -> str:
    return connection.dialect.identifier_preparer.format_table(table)


# --------------------------------------------------------------------------- rows


def row_counts(connection: Connection) -> dict[str, int]:
    """Rows of each table there is, leaving out what a service fills by running."""
    there = set(inspect(connection).get_table_names()) - MACHINERY
    return {
        table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
        for table in tables()
        if table.name in there
    }


def clear(connection: Connection) -> None:
    for table in reversed(tables()):
        connection.execute(delete(table))


def copy_rows(source: Connection, target: Connection) -> list[TableDigest]:
    """Copy every table into an empty database of the same revision, and compare both.

    CopyRefused names the table whose values the target cannot hold or gave back otherwise; the
    caller's transaction must then be rolled back.
    """
    done = []
    for table in tables():
        read = _copy_table(source, target, table)
        stored = digest(target, table)
        if read != stored:
            raise CopyRefused(
                f"the table {table.name} did not arrive as it was read ({read.rows} rows, "
                f"{stored.rows} arrived); nothing was kept, so the copy can be tried again"
            )
        done.append(stored)
    _set_sequences(target)
    return done


def digest(connection: Connection, table: Table) -> TableDigest:
    """What a table holds at this moment."""
    taking = _Digest(table)
    for batch in _batches(connection, table):
        taking.add(batch)
    return taking.taken()


def _copy_table(source: Connection, target: Connection, table: Table) -> TableDigest:
    """Rows that name others of their own table are linked once all of these are there."""
    taking, own = _Digest(table), _links_to_itself(table)
    for batch in _batches(source, table):
        taking.add(batch)
        try:
            target.execute(insert(table), [{**row, **dict.fromkeys(own)} for row in batch])
        except (DataError, IntegrityError) as error:
            raise CopyRefused(
                f"the table {table.name} holds what the other database does not take "
                f"({_first_line(error)}); correct that row and copy again"
            ) from error
    for name in own:
        _link(source, target, table, name)
    return taking.taken()


def _first_line(error: DataError | IntegrityError) -> str:
    return str(error.orig).strip().partition("\n")[0]


def _links_to_itself(table: Table) -> list[str]:
    return [key.parent.name for key in table.foreign_keys if key.column.table is table]


def _link(source: Connection, target: Connection, table: Table, name: str) -> None:
    key, column = next(iter(table.primary_key)), table.c[name]
    setting = update(table).where(key == bindparam("of_row")).values({name: bindparam("to_row")})
    linked = select(key.label("of_row"), column.label("to_row")).where(column.is_not(null()))
    with source.execute(linked.execution_options(yield_per=ROWS_AT_A_TIME)) as found:
        for batch in found.mappings().partitions():
            target.execute(setting, [dict(row) for row in batch])


def _batches(connection: Connection, table: Table) -> Iterator[Sequence[RowMapping]]:
    """All rows by primary key, on both engines in the same order."""
    big = any(isinstance(column.type, LargeBinary) for column in table.c)
    query = (
        select(table)
        .order_by(*(_ordered(connection, column) for column in table.primary_key))
        .execution_options(yield_per=FILES_AT_A_TIME if big else ROWS_AT_A_TIME)
    )
    with connection.execute(query) as rows:
        yield from rows.mappings().partitions()


def _ordered(connection: Connection, column: Column[object]) -> Column[object] | CollationClause:
    """A language's order of words would differ from SQLite's, which is that of the bytes."""
    if connection.dialect.name == "postgresql" and isinstance(column.type, String):
        return column.collate("C")
    return column


def _set_sequences(connection: Connection) -> None:
    """Let the next id follow the greatest; SQLite does so by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table in tables():
        if table.autoincrement_column is None:
            continue
        name = _quoted(connection, table)
        connection.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence(:table, 'id'), "  # noqa: S608 - our tables
                f"(SELECT coalesce(max(id), 0) + 1 FROM {name}), false)"
            ),
            {"table": name},
        )


# ------------------------------------------------------------------------ digests


class _Digest:
    def __init__(self, table: Table) -> None:
        self._name = table.name
        self._columns = [column.name for column in table.c]
        self._rows = 0
        self._hash = hashlib.sha256()

    def add(self, batch: Sequence[RowMapping]) -> None:
        for row in batch:
            values = [_value(row[name]) for name in self._columns]
            line = json.dumps(values, sort_keys=True, default=_in_words, separators=(",", ":"))
            self._hash.update(line.encode() + b"\n")
        self._rows += len(batch)

    def taken(self) -> TableDigest:
        return TableDigest(self._name, self._rows, self._hash.hexdigest())


def _value(value: object) -> object:
    return value + 0.0 if isinstance(value, float) else value  # SQLite knows no zero with a sign


def _in_words(value: object) -> str:
    """A value that JSON has no form of. Floats need none: JSON gives them back exactly."""
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, bytes | memoryview):
        return hashlib.sha256(value).hexdigest()
    raise TypeError(f"no digest of a {type(value).__name__}")
