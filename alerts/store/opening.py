"""Databases opened for a copy, and what must hold before: they are ours, and nobody works there.

``what`` names the database in the sentences of CopyRefused.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect
from sqlalchemy.exc import DBAPIError

from alerts.domain.errors import ConfigurationError, CopyRefused
from alerts.store.copying import (
    reading,
    row_counts,
    writing,
)
from alerts.store.leadership import leadership
from alerts.store.revisions import is_known, newest, revision_of
from alerts.store.session import build_engine, upgrade

ADDRESSES = "sqlite:///FILE or postgresql+psycopg://USER@HOST/DATABASE"


@contextmanager
def opened(url: str, what: str, *, is_there: bool = False) -> Iterator[Engine]:
    try:
        engine = build_engine(url)
    except ConfigurationError as error:
        raise CopyRefused(f"{what}: cannot use this address; give {ADDRESSES}") from error
    shown = engine.url.render_as_string(hide_password=True)
    try:
        # SQLite would make the file that it is asked to read.
        file = engine.url.database if engine.dialect.name == "sqlite" else None
        if is_there and file is not None and not Path(file).is_file():
            raise CopyRefused(f"{what}: there is no file {file}; check the address")
        with engine.connect():
            pass
        yield engine
    except DBAPIError as error:
        why = str(error.orig).strip().partition("\n")[0]
        raise CopyRefused(f"{what} at {shown} does not do what it was asked ({why})") from error
    finally:
        engine.dispose()


@contextmanager
def snapshot(engine: Engine, what: str) -> Iterator[Connection]:
    """One moment of a database whose tables are those of this program."""
    with reading(engine) as connection:
        found, known = revision_of(connection), newest()
        if found is None:
            raise CopyRefused(f"{what} holds none of the service's tables; check the address")
        if found != known:
            raise CopyRefused(
                f"{what} is of revision {found}, this program works with {known}; use the "
                "program that runs on it, or bring it up to date with 'cutcall check'"
            )
        yield connection


@contextmanager
def alone(engine: Engine, what: str, *, unless_empty: str = "") -> Iterator[Connection]:
    """A transaction on a database that no ticker works on, and none begins to.

    Its tables are made, or brought up to date. One that holds something is refused with the
    advice ``unless_empty``, where that is given.
    """
    lead = leadership(engine)
    if not lead.holds():
        raise CopyRefused(f"the service runs on {what}; stop all its processes first")
    try:
        with reading(engine) as connection:
            _check_ours(connection, what)
            _refuse_filled(connection, what, unless_empty)
        upgrade(engine)
        with writing(engine) as connection:
            _refuse_filled(connection, what, unless_empty)  # a page may have been filled in
            yield connection
    finally:
        lead.resign()


def filled(connection: Connection) -> dict[str, int]:
    """Rows of each table that has some."""
    return {name: rows for name, rows in row_counts(connection).items() if rows}


def _check_ours(connection: Connection, what: str) -> None:
    revision = revision_of(connection)
    if revision is None and inspect(connection).get_table_names():
        raise CopyRefused(f"{what} holds tables of something else; give one of its own")
    if revision is not None and not is_known(revision):
        raise CopyRefused(f"{what} is of a newer program (revision {revision}); use that one")


def _refuse_filled(connection: Connection, what: str, advice: str) -> None:
    found = filled(connection)
    if found and advice:
        shown = ", ".join(f"{name} {rows}" for name, rows in found.items())
        raise CopyRefused(f"{what} is not empty (rows: {shown}); {advice}")
