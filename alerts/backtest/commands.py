"""``cutcall backtest`` and ``cutcall simulate``: does the model keep its promises?"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.backtest.world_names import World

if TYPE_CHECKING:
    from rich.table import Table

    from alerts.backtest.scores import Scores, Target
    from alerts.backtest.series import SeriesTable
    from alerts.domain.guidelines import GuidelineSet

PIPE_WIDTH = 200
"""A pipe has no width of its own; rows must not be folded in it."""


def backtest(
    file: Annotated[Path, typer.Argument(help="CSV of dated results: series_id, date, rfv, ...")],
    target: Annotated[
        list[str] | None,
        typer.Option(help="also score the day on which this level is met, for example rfv=185"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print JSON instead of words")] = False,
) -> None:
    """Replay dated results as if they came one by one, and score three ways of looking ahead."""
    from alerts.backtest.report import as_json as report_json
    from alerts.backtest.scores import score_seasons
    from alerts.backtest.series import read_series

    targets = _targets(target or ())
    guidelines = _guidelines()
    table = read_series(file.name, _read(file), guidelines)
    scores = score_seasons(table.seasons, guidelines, targets)
    if as_json:
        typer.echo(json.dumps(report_json(table, scores), indent=2))
    else:
        _print_words(table, scores, targets)


def simulate(
    out: Annotated[Path, typer.Option(help="file to write")],
    world: Annotated[World, typer.Option(help="what crops and laboratories do")] = World.RIGHT,
    areas: Annotated[int, typer.Option(min=1, max=5000)] = 200,
    seed: Annotated[int, typer.Option(min=0, help="the same seed gives the same file")] = 1,
    gdd: Annotated[bool, typer.Option(help="add the degree days as a column")] = False,
    truth: Annotated[
        Path | None, typer.Option(help="also write the true days on which targets are met")
    ] = None,
) -> None:
    """Write an invented table of results, made by the model's own rules or by broken ones."""
    from alerts.backtest.simulation import as_csv, truth_as_csv
    from alerts.backtest.simulation import simulate as grow

    simulated = grow(world, seed, areas, _guidelines())
    _write(out, as_csv(simulated, with_heat=gdd))
    if truth is not None:
        _write(truth, truth_as_csv(simulated))
    typer.echo(f"{out}: {int(simulated.clipped.any(axis=2).sum())} series of {areas} areas")


def calibrate(
    areas: Annotated[int, typer.Option(min=1, max=5000)] = 200,
    seed: Annotated[int, typer.Option(min=0)] = 1,
    gdd: Annotated[bool, typer.Option(help="let the area model know the degree days")] = False,
) -> None:
    """Score the area model, both baselines and an oracle in every simulated world."""
    from alerts.backtest.calibration import calibration_as_table, calibration_table

    entries = calibration_table(_guidelines(), areas=areas, seed=seed, with_heat=gdd)
    _show([calibration_as_table(entries)])


def compare_scales(
    areas: Annotated[int, typer.Option(min=1, max=5000)] = 200,
    seed: Annotated[int, typer.Option(min=0)] = 1,
) -> None:
    """Score the area model on several scales, on crops grown in NDF and told in RFV."""
    from alerts.backtest.scales import scale_scores, scales_as_table

    _show([scales_as_table(scale_scores(_guidelines(), areas=areas, seed=seed))])


# ------------------------------------------------------------------------- parts


def _guidelines() -> GuidelineSet:
    from alerts.configfiles import ConfigDir, read_guidelines
    from alerts.settings import read_settings

    return read_guidelines(ConfigDir(read_settings().config_dir).find("guidelines.toml"))


def _targets(given: Sequence[str]) -> tuple[Target, ...]:
    from alerts.backtest.report import parse_target

    targets = []
    for text in given:
        parsed = parse_target(text)
        if parsed is None:
            raise typer.BadParameter(f"'{text}' is no target: write it like rfv=185 or ndf=38.")
        targets.append(parsed)
    return tuple(dict.fromkeys(targets))


def _read(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise _fail(f"cannot read {file}: {error.strerror or error}") from error


def _write(file: Path, text: str) -> None:
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise _fail(f"cannot write {file}: {error.strerror or error}") from error


def _fail(sentence: str) -> typer.Exit:
    typer.echo(f"cutcall: {sentence}", err=True)
    return typer.Exit(1)


def _print_words(table: SeriesTable, scores: Scores, targets: Sequence[Target]) -> None:
    from alerts.backtest.report import tables, target_name

    for rejection in table.left_out:
        where = f", {rejection.column}" if rejection.column else ""
        typer.echo(f"row {rejection.row} left out{where}: {rejection.reason}")
    for note in table.notes:
        typer.echo(note.text)
    for index, number in scores.too_early.items():
        if number:
            typer.echo(
                f"{index.label}: {number} next results came too early to compare, before their "
                "field had results of two days."
            )
    for target in targets:
        if target not in {scored for scored, _ in scores.crossings}:
            typer.echo(f"No series crosses {target_name(target)} after results of two days.")
    if scores.predictions:
        _show(tables(scores))
    else:
        typer.echo("No field has results of two days and a later one: there is nothing to score.")


def _show(tables: Iterable[Table]) -> None:
    from rich.console import Console

    width = None if sys.stdout.isatty() else PIPE_WIDTH
    console = Console(width=width, highlight=False, markup=False)
    for table in tables:
        console.print(table)
