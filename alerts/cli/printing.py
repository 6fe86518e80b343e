"""How commands print: words, tables, JSON, and one sentence on what is wrong."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.table import Table

    from alerts.services.results.accept_results import IntakeReport

AsJson = Annotated[bool, typer.Option("--json", help="print JSON instead of words")]


def print_json(value: object) -> None:
    typer.echo(json.dumps(value, indent=2, default=str))


def failure(sentence: str) -> typer.Exit:
    typer.echo(f"cutcall: {sentence}", err=True)
    return typer.Exit(1)


def new_table(*columns: str) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def show(table: Table) -> None:
    from rich.console import Console

    # A pipe has no width of its own; rows must not be folded in it.
    console = Console(width=None if sys.stdout.isatty() else 200, highlight=False, markup=False)
    console.print(table)


def shown_day(day: object) -> str:
    return str(day) if day is not None else "-"


def counted(count: int, noun: str) -> str:
    """'1 farm', '2 farms'."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def place_of(row: str, column: str) -> str:
    return f"{row}, {column}" if column else row


def print_report(report: IntakeReport) -> None:
    typer.echo(
        f"{report.document}: {report.accepted} accepted, {report.repeated} repeated, "
        f"{report.corrected} corrected, {report.unmatched} unmatched, "
        f"{len(report.rejected)} rejected"
    )
    for rejection in report.rejected:
        place = place_of(f"  row {rejection.row} rejected", rejection.column)
        typer.echo(f"{place}: {rejection.reason}")
    for note in report.notes:
        typer.echo(f"{place_of(f'  row {note.row}', note.column)}: {note.text}")
