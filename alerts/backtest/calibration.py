"""Does the 80 % range hold the truth 80 % of the time? The predictors in every simulated world."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from alerts.backtest.oracle import true_crossings, with_oracle
from alerts.backtest.scores import Score, Scores, score_seasons
from alerts.backtest.series import read_series
from alerts.backtest.simulation import TARGETS, as_csv, simulate
from alerts.backtest.world_names import World
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

if TYPE_CHECKING:
    from rich.table import Table

AREAS = 200
SEED = 20270426


@dataclass(frozen=True, slots=True)
class Calibration:
    """One predictor in one world and index.

    next_result : score of the next results [index units]
    crossing : score of the true day on which the standing crop meets the target [d]
    """

    world: World
    index: Index
    predictor: str
    next_result: Score
    crossing: Score


def calibration_table(
    guidelines: GuidelineSet,
    *,
    areas: int = AREAS,
    seed: int = SEED,
    worlds: Iterable[World] = tuple(World),
    with_heat: bool = False,
) -> list[Calibration]:
    """Scores of *ours*, *rule*, *line* and *oracle* in every world and index.

    Parameters
    ----------
    guidelines : what worlds and predictors know
    areas : areas a world, of 6 fields and 7 rounds each
    seed : of all worlds
    worlds : the worlds to look at
    with_heat : give the predictors the degree days as well; the oracle takes no notice

    Returns
    -------
    One entry for each world, index and predictor.
    """
    return [
        entry
        for world in worlds
        for entry in _of_world(world, guidelines, areas, seed, with_heat=with_heat)
    ]


def _of_world(
    world: World, guidelines: GuidelineSet, areas: int, seed: int, *, with_heat: bool
) -> Iterator[Calibration]:
    simulated = simulate(world, seed, areas, guidelines)
    text = as_csv(simulated, with_heat=with_heat)
    table = read_series(f"{world}.csv", text.encode(), guidelines)
    scores = score_seasons(
        table.seasons,
        guidelines,
        tuple(TARGETS.items()),
        make=with_oracle(simulated, table.seasons),
        crossing_days=true_crossings(simulated),
    )
    yield from _entries(world, scores)


def _entries(world: World, scores: Scores) -> Iterator[Calibration]:
    for (index, name), score in scores.predictions.items():
        crossing = scores.crossings[(index, TARGETS[index]), name]
        yield Calibration(world, index, name, score, crossing)


def calibration_as_table(entries: Iterable[Calibration]) -> Table:
    """The figures that matter, to read."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for column in ("World", "Index", "Predictor"):
        table.add_column(column)
    for column in ("Results", "RMSE", "Coverage", "Crossings", "MAE [d]", "Bias [d]", "Coverage"):
        table.add_column(column, justify="right")
    for entry in entries:
        table.add_row(
            entry.world,
            entry.index.label,
            entry.predictor,
            str(entry.next_result.n),
            f"{entry.next_result.rmse:.2f}",
            f"{entry.next_result.coverage80:.3f}",
            str(entry.crossing.n),
            f"{entry.crossing.mae:.2f}",
            f"{entry.crossing.bias:+.2f}",
            f"{entry.crossing.coverage80:.3f}",
        )
    return table
