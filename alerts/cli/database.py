"""Commands that copy the database, back it up and restore it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.cli.printing import AsJson, new_table, print_json, show

if TYPE_CHECKING:
    from alerts.services.operating.backup import Restored
    from alerts.store.copying import TableDigest

db_app = typer.Typer(
    name="db", help="Move the database, back it up and restore it.", no_args_is_help=True
)


@db_app.command()
def copy(
    from_url: Annotated[str, typer.Argument(help="address of the database to copy")],
    to_url: Annotated[str, typer.Argument(help="address of an empty one, on either engine")],
    as_json: AsJson = False,
) -> None:
    """Copy everything into an empty database, such as from SQLite to PostgreSQL.

    Stop the service first: what it writes meanwhile stays behind.
    """
    from alerts.services.operating.backup import copy_database

    done = copy_database(from_url, to_url)
    if as_json:
        print_json([asdict(table) for table in done])
        return
    _show(done)
    typer.echo("copied and compared: every table has the same rows on both sides")


@db_app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="SQLite file to write; must not be there yet")],
    as_json: AsJson = False,
) -> None:
    """Back the database of the settings up into one SQLite file, while the service runs.

    The file holds people's numbers and addresses: keep it as safe as the database.
    """
    from alerts.bootstrap import system_clock
    from alerts.services.operating.backup import back_up
    from alerts.settings import read_settings

    done = back_up(read_settings().database_url, file, system_clock())
    if as_json:
        print_json([asdict(table) for table in done])
        return
    _show(done)
    typer.echo(f"{file}: {sum(table.rows for table in done)} rows, read back and compared")


@db_app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="a file that 'cutcall db backup' made")],
    replace: Annotated[
        bool, typer.Option("--replace", help="overwrite what the database holds")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Put a backup into the database of the settings, while the service is stopped.

    Texts that waited then may have left since: the gateway is asked about each before it goes.
    Emails that waited may go once more, with the Message-ID they had. Opt-outs that only the
    overwritten database knew are kept; everything else recorded since the backup is not in it.
    """
    from alerts.bootstrap import system_clock
    from alerts.services.operating.backup import contents, restore
    from alerts.settings import read_settings

    url = read_settings().database_url
    before = contents(url)
    done = restore(url, file, replace=replace, now=system_clock())
    if as_json:
        print_json(asdict(done))
        return
    if before:
        overwritten = ", ".join(f"{name} {rows}" for name, rows in before.items())
        typer.echo(f"overwritten (rows): {overwritten}")
    _show(done.tables)
    _say_what_is_not_known(done)


def _say_what_is_not_known(done: Restored) -> None:
    typer.echo(
        f"restored as of {done.made_at:%Y-%m-%d %H:%M} UTC; results, cuts, answers and opt-outs "
        "that came in after that are not in it, nor the messages first queued after it"
    )
    typer.echo(
        f"{done.doubted.unknown} messages may have left since: the gateway is asked about each "
        "text before it goes out"
    )
    typer.echo(f"{done.doubted.emails} emails may go once more, with the Message-ID they had")
    if done.opt_outs_kept:
        typer.echo(f"{done.opt_outs_kept} opt-outs of the overwritten database were kept")


def _show(tables: Sequence[TableDigest]) -> None:
    shown = new_table("Table", "Rows")
    for table in sorted(tables, key=lambda one: one.name):
        shown.add_row(table.name, str(table.rows))
    show(shown)
