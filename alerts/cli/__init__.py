"""The ``cutcall`` command. Each command wires the parts up, calls one service and prints."""

from __future__ import annotations

import typer

from alerts.backtest import commands
from alerts.cli import (
    access,
    clocks,
    database,
    doctor,
    fields,
    giving,
    looking,
    people,
    running,
    waiting,
)

app = typer.Typer(
    name="cutcall",
    help="Tells a forage grower by text or email when to start cutting.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

for _command in (
    commands.backtest,
    commands.simulate,
    running.serve,
    running.tick,
    running.demo,
    giving.enrol,
    giving.intake,
    fields.name,
    fields.cut,
    fields.close,
    giving.weather,
    looking.outlook,
    waiting.unmatched,
    waiting.rejected,
    looking.outbox,
    access.link,
    access.links,
    running.check,
    clocks.clock,
    doctor.doctor,
):
    app.command()(_command)
app.add_typer(access.token_app)
app.add_typer(people.person_app)
app.add_typer(database.db_app)
