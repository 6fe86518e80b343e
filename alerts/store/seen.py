"""What was read from the database, so that it can be told whether it would be read again just so.

Whatever is made of rows alone is the same while every statement that gave them gives the same rows.
To send the statements again and compare is much cheaper than to make it anew, and needs no list of
what it depends on, which a later change might leave incomplete.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b
from sys import intern
from typing import Any

from sqlalchemy import Connection, event


@dataclass(frozen=True, slots=True)
class _Statement:
    sql: str  # as the driver takes it, and its values
    values: Any
    rows: bytes  # a digest


@dataclass(frozen=True, slots=True)
class Seen:
    """Statements in their order, with what they gave."""

    statements: tuple[_Statement, ...]

    def is_so_on(self, connection: Connection) -> bool:
        """Whether they give the same now; the connection is in a transaction that sees one moment.

        Where the first ones do, whoever read would have sent the next one again.
        """
        return all(one.rows == _rows(connection, one.sql, one.values) for one in self.statements)


class Watch:
    """Notes what is read over a connection, in a transaction that sees one moment."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._sent: list[tuple[str, Any]] = []
        event.listen(connection, "before_cursor_execute", self._note)

    def seen(self) -> Seen:
        return Seen(
            tuple(
                _Statement(sql, values, _rows(self._connection, sql, values))
                for sql, values in self._sent
            )
        )

    def _note(
        self, connection: Connection, cursor: Any, sql: str, values: Any, context: Any, many: bool
    ) -> None:
        if not sql.startswith(("SELECT", "WITH")):
            raise ValueError(f"a reading session is to read, but sends {sql[:40]!r}")
        self._sent.append((intern(sql), values))  # many pages send the same


def _rows(connection: Connection, sql: str, values: Any) -> bytes:
    """Past SQLAlchemy, which would look at each statement and value anew."""
    cursor = connection.connection.cursor()
    try:
        cursor.execute(sql, values)
        told = repr(cursor.fetchall())  # unlike ==, it tells 1 from 1.0, and -0.0 from 0.0
    finally:
        cursor.close()
    return blake2b(told.encode("utf-8", "surrogatepass"), digest_size=16).digest()
