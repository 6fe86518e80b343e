"""The command that shows whether the computer's clock is believed."""

from __future__ import annotations

from typing import Annotated

import typer

from alerts.cli.wiring import open_parts


def clock(
    trust: Annotated[
        bool, typer.Option("--trust", help="the clock is right: go on with the work by it")
    ] = False,
) -> None:
    """Whether the computer's clock is believed; after a leap of over a day the work is held."""
    from alerts.services.operating import clock_check

    with open_parts() as parts:
        now = parts.clock()
        if trust:
            clock_check.trust(parts.sessions, now)
        with parts.sessions.read() as session:
            state = clock_check.clock_state(session, now)
    held = "doubted, nothing is sent or read" if state.held else "believed"
    typer.echo(f"the clock shows {now:%Y-%m-%d %H:%M} UTC: {held}")
    if state.note:
        typer.echo(f"  {state.note.rstrip('.')}")
    if state.held:
        typer.echo("  set the clock; or if it is right as it is: cutcall clock --trust")
