"""The command that looks the service over."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.cli.printing import AsJson, print_json

if TYPE_CHECKING:
    from alerts.services.operating.doctor import Finding


def doctor(
    quick: Annotated[
        bool, typer.Option("--quick", help="settings, database and disk alone; asks no gateway")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Look settings, database, gateways, clock and disk over, and say what to mend.

    Nothing is sent or changed. Ends with 1 where something is wrong.
    """
    import asyncio

    from alerts.bootstrap import build_parts
    from alerts.services.operating.doctor import examine, is_well
    from alerts.settings import read_settings

    parts = build_parts(read_settings(), migrate=False)

    async def look() -> list[Finding]:
        try:
            return await examine(parts.subject(), quick=quick)
        finally:
            await parts.aclose()

    found = asyncio.run(look())
    if as_json:
        print_json([asdict(finding) for finding in found])
    else:
        for finding in found:
            _say(finding)
    raise typer.Exit(0 if is_well(found) else 1)


def _say(finding: Finding) -> None:
    typer.echo(f"{finding.state.value:8}{finding.about}: {finding.said}")
    if finding.fix:
        typer.echo(f"{'':8}  {finding.fix}")
