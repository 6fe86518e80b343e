"""Commands that say something of a field: what a name means, that it was cut or given up."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from alerts.cli.printing import failure
from alerts.cli.wiring import open_parts


def name(
    label: Annotated[str, typer.Argument(help="the name as the lab wrote it")],
    field: Annotated[str, typer.Option(help="the field it means")],
    farm: Annotated[str, typer.Option(help="the farm of that field")] = "",
    farm_label: Annotated[
        str | None, typer.Option(help="the farm as the lab wrote it, where results of several wait")
    ] = None,
) -> None:
    """Say which field a name means; results that waited for it flow on."""
    from alerts.scheduler import run_evaluation
    from alerts.services.results.match_results import name_field

    with open_parts() as parts:
        matched = name_field(
            parts.sessions,
            label=label,
            farm_label=farm_label,
            farm=farm,
            field=field,
            guidelines=parts.guidelines,
            now=parts.clock(),
        )
        run_evaluation(parts)
    typer.echo(f"'{label}' means {field} from now on; {matched} waiting results flow on")


def cut(
    field: Annotated[str, typer.Argument(help="the field that was cut")],
    farm: Annotated[str, typer.Option(help="its farm")] = "",
    on: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="day it was cut")
    ] = None,
    area: Annotated[str, typer.Option(help="its area, where two have the farm")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="take the newest cut back")] = False,
    early: Annotated[
        bool, typer.Option("--early", help="the day is right, far ahead of the range though it is")
    ] = False,
) -> None:
    """Record that a field was cut; its next cutting opens. A wrong one is undone with --undo."""
    from alerts.scheduler import run_evaluation
    from alerts.services.farms.record_cuts import DoubtfulCut, record_cut, undo_cut

    if undo and on:
        raise failure(
            "give --on or --undo, not both: first undo the wrong cut, then record another"
        )
    with open_parts() as parts:
        now = parts.clock()
        if undo:
            number, cut_on = undo_cut(parts.sessions, farm=farm, field=field, now=now, area=area)
            said = f"the cut of {cut_on} is taken back; cutting {number} is open again"
        else:
            cut_on = on.date() if on else parts.today()
            try:
                number = record_cut(
                    parts.sessions,
                    farm=farm,
                    field=field,
                    cut_on=cut_on,
                    now=now,
                    area=area,
                    season_first_day=parts.season_first_day(),
                    early=early,
                )
            except DoubtfulCut as doubt:
                if doubt.reason != "early":
                    raise
                # Whoever types this is the operator, whom others are told to ask.
                raise failure(
                    f"{doubt.field} is not expected to be ready before {doubt.on}; check the day "
                    "of the cut, and if it is right, give --early"
                ) from doubt
            said = f"cutting {number} taken on {cut_on}; cutting {number + 1} is open"
        run_evaluation(parts)
    typer.echo(f"{field}: {said}")


def close(
    field: Annotated[str, typer.Argument(help="the field that is given up")],
    farm: Annotated[str, typer.Option(help="its farm")] = "",
    area: Annotated[str, typer.Option(help="its area, where two have the farm")] = "",
) -> None:
    """Leave a field out from now on; enrolling it again opens it."""
    from alerts.scheduler import run_evaluation
    from alerts.services.farms.record_cuts import close_field

    with open_parts() as parts:
        today = parts.today()
        close_field(parts.sessions, farm=farm, field=field, on=today, now=parts.clock(), area=area)
        run_evaluation(parts)
    typer.echo(f"{field}: closed on {today}; enrol it again to open it")
