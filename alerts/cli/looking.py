"""Commands that show fields and messages."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.cli.printing import AsJson, failure, new_table, print_json, show, shown_day
from alerts.cli.wiring import open_parts

if TYPE_CHECKING:
    from alerts.services.outlooks.read_outlooks import FieldLine


def outlook(
    farm: Annotated[str, typer.Option(help="only this farm")] = "", as_json: AsJson = False
) -> None:
    """Every field with its start date and what its farmer was told."""
    from alerts.scheduler import run_evaluation
    from alerts.services.outlooks.read_outlooks import field_lines

    with open_parts() as parts:
        run_evaluation(parts)
        lines = field_lines(parts.sessions)
    if farm:
        lines = _of_farm(lines, farm)
    if as_json:
        print_json([asdict(line) for line in lines])
        return
    table = new_table(
        "Field", "Farm", "Area", "Cut", "Target", "Results", "Start", "80 % range", "Told"
    )
    for line in lines:
        table.add_row(
            line.field,
            line.farm,
            line.area,
            str(line.cutting),
            f"{line.index.upper()} {line.standing_target:g}",
            str(line.results),
            shown_day(line.start_median),
            f"{line.start_p10} to {line.start_p90}" if line.start_p10 else "-",
            shown_day(line.told),
        )
    show(table)


def _of_farm(lines: list[FieldLine], farm: str) -> list[FieldLine]:
    from alerts.domain.names import name_key

    chosen = [line for line in lines if name_key(line.farm) == name_key(farm)]
    if not chosen:
        known = ", ".join(dict.fromkeys(line.farm for line in lines)) or "none"
        raise failure(f"no farm '{farm}' has open fields; farms that have are: {known}")
    return chosen


def outbox(
    limit: Annotated[int, typer.Option(help="how many, newest first")] = 50,
    failed: Annotated[
        bool, typer.Option("--failed", help="only what did not arrive and waits for somebody")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Messages with what became of them."""
    from alerts.store.operator import whole_failures
    from alerts.store.outbox import recent

    with open_parts() as parts, parts.sessions.read() as session:
        messages = whole_failures(session, limit) if failed else recent(session, limit)
    if as_json:
        print_json(
            [
                message.model_dump(exclude={"html", "attachments", "lease_owner", "lease_until"})
                for message in messages
            ]
        )
        return
    table = new_table("Told on", "Kind", "To", "Status", "Parts", "Text or subject")
    for message in messages:
        table.add_row(
            str(message.told_on),
            message.kind,
            message.to_address,
            message.status,
            str(message.parts or ""),
            message.subject or message.text,
        )
    show(table)
