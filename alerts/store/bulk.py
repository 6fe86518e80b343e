"""Many rows at once, as columns: what a session does for each row takes longer than the database.

Values are turned into what the driver takes, and back, by the columns' own types, each distinct one
once. What goes into a JSON column is given as its text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import JSON, Column, Dialect, Executable, Select, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, SQLModel

from alerts.store import stream

Columns = Mapping[str, Sequence[Any]]
"""Values by the name of their column, all equally many."""


def table_of(model: type[SQLModel]) -> Table:
    return SQLModel.metadata.tables[str(model.__tablename__)]


def fetch(session: Session, query: Select[Any]) -> list[Sequence[Any]]:
    """The columns of a query's rows, in the query's order; all empty where there is no row.

    It passes by the session's own criteria: a query of results says itself which of them count.
    """
    connection = session.connection()
    found = connection.execute(query)
    assert found.cursor is not None
    rows, told = found.cursor.fetchall(), found.cursor.description
    found.close()
    columns = list(query.selected_columns)
    if not rows:
        return [()] * len(columns)
    return [
        _turned(values, column.type.dialect_impl(dialect).result_processor(dialect, kind[1]))
        for dialect in [connection.dialect]
        for column, kind, values in zip(columns, told, zip(*rows, strict=True), strict=True)
    ]


def insert(session: Session, model: type[SQLModel], columns: Columns) -> None:
    """Add rows, in their order, whose keys are new."""
    _put(session, table_of(model), columns, None)


def put(session: Session, model: type[SQLModel], columns: Columns) -> None:
    """Add rows, or replace what those of the same primary key hold in these columns."""
    table = table_of(model)
    _put(session, table, columns, tuple(column.name for column in table.primary_key))


def _put(session: Session, table: Table, columns: Columns, keys: tuple[str, ...] | None) -> None:
    if not any(map(len, columns.values())):
        return
    session.flush()
    connection = session.connection()
    dialect = connection.dialect
    bound = {name: _bound(table.columns[name], values, dialect) for name, values in columns.items()}
    if dialect.name == "postgresql" and len(next(iter(bound.values()))) >= stream.ENOUGH:
        streamed = zip(*bound.values(), strict=True)
        if keys is None:
            stream.insert(connection, table, tuple(bound), streamed)
        else:
            stream.put(connection, table, tuple(bound), keys, streamed)
        return
    statement, order = _statement(dialect, table, tuple(columns), keys)
    rows: list[Any] = list(zip(*(bound[name] for name in order), strict=True))
    if not dialect.positional:
        rows = [dict(zip(order, row, strict=True)) for row in rows]
    connection.exec_driver_sql(statement, rows)


@lru_cache(maxsize=64)
def _statement(
    dialect: Dialect, table: Table, names: tuple[str, ...], keys: tuple[str, ...] | None
) -> tuple[str, tuple[str, ...]]:
    """The text of an insert, and the order in which it takes its columns."""
    statement: Executable = table.insert()
    if keys is not None:
        # Both engines understand the same words, by different modules of the library.
        words = postgresql if dialect.name == "postgresql" else sqlite
        into = words.insert(table)
        new = {name: into.excluded[name] for name in names if name not in keys}
        statement = into.on_conflict_do_update(index_elements=keys, set_=new)
    compiled = statement.compile(dialect=dialect, column_keys=list(names))  # type: ignore[attr-defined]
    return str(compiled), tuple(getattr(compiled, "positiontup", None) or names)


def _bound(column: Column[Any], values: Sequence[Any], dialect: Dialect) -> Sequence[Any]:
    if isinstance(column.type, JSON):
        return values
    return _turned(values, column.type.dialect_impl(dialect).bind_processor(dialect))


def _turned(values: Sequence[Any], turn: Callable[[Any], Any] | None) -> Sequence[Any]:
    return values if turn is None else list(map(_Turned(turn).__getitem__, values))


class _Turned(dict[Any, Any]):
    """What each distinct value becomes."""

    def __init__(self, turn: Callable[[Any], Any]) -> None:
        super().__init__()
        self._turn = turn

    def __missing__(self, value: Any) -> Any:
        turned = self[value] = self._turn(value)
        return turned
