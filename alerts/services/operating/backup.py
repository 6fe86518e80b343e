"""Copying, backing up and restoring the database.

Each reads one moment of its source and writes in one transaction: on any error the other side is
as it was. A backup may be made while the service runs; copying to and restoring into a database
asks that no ticker works on it.

What was recorded after a backup is not in it. `restore` makes the state safe to go on from:

- texts whose time had come, and messages that were being sent, become `unknown`: the gateway is
  asked before anything leaves (`store.restoring`);
- emails that waited may go once more, under the Message-ID they had;
- opt-outs that only the overwritten database knew are kept.

A message that was first queued after the backup is not known at all: the service decides anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from alerts.domain.errors import CopyRefused
from alerts.store import backup_files, copying, opening, restoring, revisions
from alerts.store.copying import TableDigest
from alerts.store.restoring import Doubted
from alerts.store.session import upgrade


@dataclass(frozen=True, slots=True)
class Restored:
    made_at: datetime  # of the backup
    tables: list[TableDigest]
    doubted: Doubted
    opt_outs_kept: int


def copy_database(from_url: str, to_url: str) -> list[TableDigest]:
    """Copy all rows into an empty database, on either engine, and compare both.

    CopyRefused where the source is not ours or not up to date, or the target holds something.
    """
    with (
        opening.opened(from_url, "the database to copy from", is_there=True) as source,
        opening.opened(to_url, "the database to copy to") as target,
        opening.snapshot(source, "the database to copy from") as reading,
    ):
        what, advice = "the database to copy to", "give an empty one"
        with opening.alone(target, what, unless_empty=advice) as writing:
            copying.clear(writing)
            return copying.copy_rows(reading, writing)


def back_up(url: str, path: Path, now: datetime) -> list[TableDigest]:
    """Write one moment of the database into a new SQLite file, while the service goes on.

    It is written beside ``path`` and gets its name once it was checked and is on the disk.
    """
    part = path.with_name(path.name + ".part")
    if path.exists():
        raise CopyRefused(f"{path} is there already; give another name, nothing is overwritten")
    with (
        opening.opened(url, "the database", is_there=True) as source,
        opening.snapshot(source, "the database") as reading,
        backup_files.unfinished(part) as file,
    ):
        upgrade(file)
        with copying.writing(file) as writing:
            done = copying.copy_rows(reading, writing)
            revision = revisions.newest()
            note = backup_files.Note(now, source.dialect.name, revision, done)
            backup_files.put_note(writing, note)
        backup_files.check(file, part)
        backup_files.keep(part, path)
    return done


def restore(url: str, path: Path, *, replace: bool, now: datetime) -> Restored:
    """Put a backup in the place of what the database holds.

    CopyRefused where the file is no backup, is damaged, or is of a newer program; where the
    database holds something and ``replace`` is not set; or where a ticker works on it. A backup
    of an older program is brought up to date on its way; the file itself is never changed.
    """
    advice = "" if replace else "give --replace to overwrite it"
    with backup_files.opened(path) as (note, file), opening.opened(url, "the database") as target:
        alone = opening.alone(target, "the database", unless_empty=advice)
        with copying.reading(file) as reading, alone as writing:
            ledger = restoring.opt_outs(writing)
            copying.clear(writing)
            done = copying.copy_rows(reading, writing)
            if note.revision == revisions.newest() and done != note.tables:
                raise CopyRefused(f"{path} is not as it was made; give another backup")
            kept = restoring.keep_opt_outs(writing, ledger)
            doubted = restoring.doubt_waiting(writing, now)
    return Restored(note.made_at, done, doubted, kept)


def contents(url: str) -> dict[str, int]:
    """Rows of each table that has some; nothing for a database that is new."""
    with opening.opened(url, "the database") as engine, copying.reading(engine) as connection:
        return opening.filled(connection)
