"""Backups: SQLite files with the service's tables and a note on when and of what they were made."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import (
    JSON,
    Column,
    Connection,
    Engine,
    MetaData,
    NullPool,
    String,
    Table,
    create_engine,
    event,
    insert,
    inspect,
    select,
)
from sqlalchemy.exc import DBAPIError

from alerts.domain.errors import CopyRefused
from alerts.store.columns import UtcDateTime
from alerts.store.copying import TableDigest
from alerts.store.revisions import is_known, newest
from alerts.store.session import upgrade

SIGNATURE = b"SQLite format 3\x00"
"""How every such file begins (SQLite documentation, Database File Format, section 1.3)."""

THROWN_AWAY = ("journal_mode=MEMORY", "synchronous=OFF")
"""For a file that nobody needs when it breaks off: no journal beside it, synced once at the end."""

_NOTE = Table(
    "backup_note",
    MetaData(),
    Column("made_at", UtcDateTime, nullable=False),
    Column("engine", String, nullable=False),  # the backup was made of
    Column("revision", String, nullable=False),  # of the tables as they were copied
    Column("tables", JSON, nullable=False),
)


@dataclass(frozen=True, slots=True)
class Note:
    made_at: datetime
    engine: str
    revision: str
    tables: list[TableDigest]


@contextmanager
def unfinished(part: Path) -> Iterator[Engine]:
    """A new backup under its passing name, which nobody but its owner may read.

    It is gone at the end, whether it was given its name (`keep`) or failed. CopyRefused where it
    cannot be made.
    """
    try:
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except FileExistsError as error:
        raise CopyRefused(
            f"{part} is there already: another backup is being written, or one broke off; "
            "remove it if none is"
        ) from error
    except OSError as error:
        raise CopyRefused(f"cannot write {part}: {error.strerror or error}") from error
    try:
        with _engine(part, "rw", THROWN_AWAY) as engine:
            yield engine
    except DBAPIError as error:
        raise CopyRefused(f"cannot finish {part}: {error.orig}") from error
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def opened(path: Path) -> Iterator[tuple[Note, Engine]]:
    """A backup with the tables of this program, whatever program made it; it is never changed.

    CopyRefused where it is none, is damaged, or a newer program made it.
    """
    with _engine(path, "ro", ("query_only=ON",)) as file:
        note = _read_note(file, path)
        if not is_known(note.revision):
            raise CopyRefused(
                f"{path} is of a newer program (revision {note.revision}); use that one"
            )
        if note.revision == newest():
            yield note, file
            return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "backup.db"
        shutil.copyfile(path, copy)
        with _engine(copy, "rw", THROWN_AWAY) as engine:
            upgrade(engine)
            yield note, engine


@contextmanager
def _engine(path: Path, mode: str, pragmas: Sequence[str]) -> Iterator[Engine]:
    def connect() -> sqlite3.Connection:
        address = f"file:{quote(str(path.resolve()))}?mode={mode}"
        # The driver must not open transactions of its own accord.
        connection = sqlite3.connect(
            address, uri=True, isolation_level=None, check_same_thread=False
        )
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}")
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    try:
        yield engine
    finally:
        engine.dispose()


# -------------------------------------------------------------------------- notes


def put_note(connection: Connection, note: Note) -> None:
    _NOTE.create(connection)
    values = {**asdict(note), "tables": [asdict(table) for table in note.tables]}
    connection.execute(insert(_NOTE), values)


def _read_note(engine: Engine, path: Path) -> Note:
    try:
        _check_signature(path)
        with engine.connect() as connection:
            if not inspect(connection).has_table(_NOTE.name):
                raise CopyRefused(
                    f"{path} is no backup but another SQLite file; to take over a database use "
                    "'cutcall db copy'"
                )
            _check_integrity(connection, path)
            row = connection.execute(select(_NOTE)).one()
    except DBAPIError as error:
        raise CopyRefused(f"{path} is damaged ({error.orig}); give another backup") from error
    return Note(
        row.made_at, row.engine, row.revision, [TableDigest(**table) for table in row.tables]
    )


def _check_signature(path: Path) -> None:
    try:
        with path.open("rb") as file:
            start = file.read(len(SIGNATURE))
    except OSError as error:
        raise CopyRefused(f"cannot read {path}: {error.strerror or error}") from error
    if start != SIGNATURE:
        raise CopyRefused(f"{path} is no backup; give a file that 'cutcall db backup' made")


def check(engine: Engine, path: Path) -> None:
    """CopyRefused where SQLite finds a damage in a file just written."""
    with engine.connect() as connection:
        _check_integrity(connection, path)


def _check_integrity(connection: Connection, path: Path) -> None:
    """CopyRefused where SQLite finds a damage, or a row that refers to none."""
    found = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar_one()
    astray = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if found != "ok" or astray is not None:
        what = found if astray is None else f"a row of {astray[0]} refers to nothing"
        raise CopyRefused(f"{path} is damaged ({what}); give another backup")


# ------------------------------------------------------------------------ on disk


def keep(part: Path, path: Path) -> None:
    """Give a finished file its name once the disk has it; CopyRefused where the name is taken."""
    _sync(part)
    try:
        os.link(part, path)  # a rename would overwrite
    except FileExistsError as error:
        raise CopyRefused(f"{path} is there by now; nothing is overwritten") from error
    except OSError:  # a file system without links
        if path.exists():
            raise CopyRefused(f"{path} is there by now; nothing is overwritten") from None
        part.rename(path)
    _sync(path.parent)


def _sync(path: Path) -> None:
    try:
        handle = os.open(path, os.O_RDONLY)
    except PermissionError:  # a folder, on systems that do not open them
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
