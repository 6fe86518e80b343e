"""Many rows into PostgreSQL as one stream (COPY): thousands at some half of what a statement for
each costs both sides."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Column, Connection, MetaData, Table, select
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import DBAPIError

ENOUGH = 500
"""Rows from which on a stream is the faster way: the table that `put` makes and drops takes as long
as some hundreds of rows do."""

Row = Sequence[Any]
"""What the driver takes for each of the columns named."""


def insert(connection: Connection, table: Table, names: Sequence[str], rows: Iterable[Row]) -> None:
    """Add rows whose keys are new; IntegrityError where one is not."""
    words = connection.dialect.identifier_preparer
    columns = ", ".join(map(words.quote, names))
    statement = f"COPY {words.format_table(table)} ({columns}) FROM STDIN"
    driver: Any = connection.connection.dbapi_connection
    with (
        _errors_of(connection, statement),
        driver.cursor() as cursor,
        cursor.copy(statement) as stream,
    ):
        for row in rows:
            stream.write_row(row)


def put(
    connection: Connection,
    table: Table,
    names: Sequence[str],
    keys: Sequence[str],
    rows: Iterable[Row],
) -> None:
    """Add rows, or replace what those of the same keys hold in these columns.

    A stream adds only, so it fills a table that nobody else sees and that is gone afterwards.
    """
    columns = [Column(name, table.columns[name].type) for name in names]
    beside = Table("put_beside", MetaData(), *columns, prefixes=["TEMPORARY"])
    beside.create(connection, checkfirst=False)
    insert(connection, beside, names, rows)
    into = postgresql.insert(table).from_select(names, select(beside), include_defaults=False)
    new = {name: into.excluded[name] for name in names if name not in keys}
    connection.execute(into.on_conflict_do_update(index_elements=keys, set_=new))
    beside.drop(connection, checkfirst=False)


@contextmanager
def _errors_of(connection: Connection, statement: str) -> Iterator[None]:
    """What the driver raises, as the library would raise it were the statement its own."""
    base: Any = connection.dialect.loaded_dbapi.Error
    try:
        yield
    except base as error:
        raise DBAPIError.instance(
            statement, None, error, base, dialect=connection.dialect
        ) from error
