"""Which of several tickers leads: one at a time, and another within seconds of its end.

On PostgreSQL a lock that the server gives back by itself when the leader's connection ends; on
SQLite, which is for one machine, a locked file beside the database.
"""

from __future__ import annotations

import logging
import threading
from pathlib import Path
from typing import IO, Protocol

from sqlalchemy import Connection, Engine, NullPool, create_engine, text
from sqlalchemy.exc import SQLAlchemyError

from alerts.store.session import LEADING

log = logging.getLogger(__name__)

NOTICE_A_DEAD_LINE = {
    "keepalives_idle": 5,
    "keepalives_interval": 5,
    "keepalives_count": 2,
    "tcp_user_timeout": 15_000,
    "connect_timeout": 10,
}
"""libpq's parameters, so that a leader cut off from the server knows it within 15 s."""

SERVER_NOTICES = (
    "SET tcp_keepalives_idle = 5",
    "SET tcp_keepalives_interval = 5",
    "SET tcp_keepalives_count = 2",
)
"""So that the server, too, gives a vanished leader's lock back within 15 s."""


class Leadership(Protocol):
    """Safe to use from several threads."""

    def holds(self) -> bool:
        """Whether this process leads right now; it takes the lead where nobody has it."""
        ...

    def resign(self) -> None: ...


def leadership(engine: Engine) -> Leadership:
    if engine.dialect.name == "postgresql":
        return AdvisoryLock(engine)
    database = engine.url.database
    if not database or database == ":memory:":
        return Alone()
    return LockedFile(Path(f"{database}.leader"))


class Alone(Leadership):
    """A database in memory has no second ticker."""

    def holds(self) -> bool:
        return True

    def resign(self) -> None:
        """Nobody waits for it."""


class AdvisoryLock(Leadership):
    """A lock of a PostgreSQL session, on a connection used for nothing else."""

    def __init__(self, engine: Engine) -> None:
        # Not of the pool, which hands connections on.
        self._engine = create_engine(
            engine.url,
            poolclass=NullPool,
            connect_args=NOTICE_A_DEAD_LINE,
            isolation_level="AUTOCOMMIT",
        )
        self._connection: Connection | None = None
        self._guard = threading.Lock()

    def holds(self) -> bool:
        with self._guard:
            try:
                return self._still_there() or self._taken()
            except SQLAlchemyError as error:
                log.warning("the lead is given up, since the database does not answer: %s", error)
                self._let_go()
                return False

    def resign(self) -> None:
        with self._guard:
            self._let_go()

    def _still_there(self) -> bool:
        if self._connection is None:
            return False
        self._connection.execute(text("SELECT 1"))
        return True

    def _taken(self) -> bool:
        connection = self._engine.connect()
        try:
            taken = connection.execute(
                text("SELECT pg_try_advisory_lock(:number)"), {"number": LEADING}
            ).scalar_one()
            if taken:
                for statement in SERVER_NOTICES:
                    connection.execute(text(statement))
                self._connection = connection
        finally:
            if self._connection is not connection:
                connection.close()
        return bool(taken)

    def _let_go(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            try:
                connection.close()  # the server gives the lock back with it
            except SQLAlchemyError:
                connection.invalidate()


class LockedFile(Leadership):
    """A file locked by the operating system, which unlocks it when the process ends."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: IO[bytes] | None = None
        self._guard = threading.Lock()

    def holds(self) -> bool:
        with self._guard:
            if self._file is None:
                self._file = _locked(self._path)
            return self._file is not None

    def resign(self) -> None:
        with self._guard:
            if self._file is not None:
                self._file.close()
                self._file = None


def _locked(path: Path) -> IO[bytes] | None:
    try:
        import fcntl
    except ImportError:  # no such locks on this system, where one process is the rule
        return path.open("ab")
    file = path.open("ab")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        return None
    return file
