"""Engine and sessions: one code path for SQLite and PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, event, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry
from sqlmodel import Session, create_engine

from alerts.domain.errors import ConfigurationError
from alerts.store.change import ChangeMark
from alerts.store.seen import Seen, Watch
from alerts.store.withdrawn import leave_out

T = TypeVar("T")

MIGRATIONS = Path(__file__).parent / "migrations"

CONNECTIONS = 15
"""To an SQLite file, kept once they are open: to open one takes as long as some pages do."""

TURN, MIGRATING, LEADING = 7_430_001, 7_430_002, 7_430_003
"""Numbers of our advisory locks in a PostgreSQL database."""


def build_engine(url: str) -> Engine:
    """An engine for ``url``; on SQLite a write transaction takes its lock at BEGIN.

    A transaction that reads first and writes after another commit fails at once on SQLite, however
    long the busy timeout; taking the lock at the start lets it wait instead.
    """
    try:
        engine = create_engine(url, **_pool(url))
    except (ArgumentError, ModuleNotFoundError) as error:
        raise ConfigurationError(
            f"CUTCALL_DATABASE_URL: cannot use this address ({error}); "
            "give for example sqlite:///cutcall.db"
        ) from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        event.listen(engine, "connect", _prepare_postgresql)
    return engine


def _pool(url: str) -> dict[str, Any]:
    if not url.startswith("sqlite"):
        # A connection that a server closed meanwhile is found out before it is used.
        return {"pool_pre_ping": True}
    in_memory = make_url(url).database in (None, "", ":memory:")
    return {} if in_memory else {"pool_size": CONNECTIONS, "max_overflow": 0}


def _prepare_sqlite(connection: DBAPIConnection, record: ConnectionPoolEntry) -> None:
    # The driver must not open transactions of its own accord; _begin_sqlite does.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=NORMAL",
        "foreign_keys=ON",
        "busy_timeout=15000",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _prepare_postgresql(connection: DBAPIConnection, record: ConnectionPoolEntry) -> None:
    # By default it holds a page anywhere to be four times as dear as the next one, as on a disk
    # that turns, and so reads whole tables where a look asks for a twelfth of their rows.
    cursor = connection.cursor()
    cursor.execute("SET random_page_cost = 1.1")
    cursor.close()
    connection.commit()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


_TAKE_LOCK = text("SELECT pg_advisory_xact_lock(:number)")  # given back with the transaction


class Sessions:
    """Hands out sessions; a service opens one, does one thing, and it commits or rolls back.

    SQLite has one writer at a time. On PostgreSQL `write` waits for its turn likewise, so that
    whoever looks first and adds after is right on both. Workers of which many run at once use
    `write_beside`; there a query locks the rows it will change. So that nobody waits in a circle,
    rows are locked in this order: gateway, outbox, area.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writer = engine.execution_options(writes=True)
        # On SQLite, a transaction that reads sees one moment of its own accord.
        moment = {} if engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
        self._at_one_moment = engine.execution_options(**moment)
        self._changes = ChangeMark(engine)

    def mark(self) -> str:
        """Another one once anybody has committed a change to the database."""
        return self._changes.now()

    def close(self) -> None:
        """Close every connection; one that is asked for later is opened anew."""
        self._changes.close()
        self.engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Session]:
        with self._reading(self.engine) as session:
            yield session

    @contextmanager
    def _reading(self, engine: Engine) -> Iterator[Session]:
        with Session(engine, expire_on_commit=False, autoflush=False) as session:
            event.listen(session, "do_orm_execute", leave_out)
            yield session

    def read_watched(self, read: Callable[[Session], T]) -> tuple[T, Callable[[], bool]]:
        """What ``read`` gives, and what tells later on whether it would read the same again."""
        with self._reading(self._at_one_moment) as session:
            watch = Watch(session.connection())
            found = read(session)
            seen = watch.seen()
        return found, lambda: self._still_so(seen)

    def _still_so(self, seen: Seen) -> bool:
        with self._at_one_moment.begin() as connection:
            return seen.is_so_on(connection)

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Commit at the end; roll back on any error. One at a time over all processes."""
        with self.write_beside() as session:
            if self.engine.dialect.name == "postgresql":
                session.connection().execute(_TAKE_LOCK, {"number": TURN})
            yield session

    @contextmanager
    def write_beside(self) -> Iterator[Session]:
        """The same beside others who write, for what locks the rows it changes."""
        with Session(self._writer, expire_on_commit=False) as session, session.begin():
            event.listen(session, "do_orm_execute", leave_out)
            yield session


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Bring the database's tables to ``revision``; of several processes that start, one does it.

    ConfigurationError when the database cannot be reached, or is none.
    """
    _check_reachable(engine)
    if revision == "head" and _is_newest(engine):
        return
    # Loaded for a change of tables only: each start would wait for it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine.execution_options(writes=True).begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(_TAKE_LOCK, {"number": MIGRATING})
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


def newest_by_name() -> str:
    """The newest revision, as the names of the revisions' files say it."""
    return max(file.name for file in (MIGRATIONS / "versions").glob("[0-9]*.py")).partition("_")[0]


def _is_newest(engine: Engine) -> bool:
    try:
        with engine.connect() as connection:
            found = connection.execute(text("SELECT version_num FROM alembic_version")).scalars()
            return found.all() == [newest_by_name()]
    except DBAPIError:  # no such table
        return False


def _check_reachable(engine: Engine) -> None:
    try:
        with engine.connect():
            pass
    except DBAPIError as error:
        raise ConfigurationError(
            f"CUTCALL_DATABASE_URL: cannot open the database at "
            f"{engine.url.render_as_string(hide_password=True)} ({error.orig}); "
            "check the address, and that its folder or server is there"
        ) from error


def downgrade(engine: Engine, revision: str) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, revision)
