"""Do ranges hold and errors stay below the baselines? In small; the command does it in full.

The bounds are the project's own aims. 200 areas a world: ``python -m alerts.backtest calibrate``.
"""

from __future__ import annotations

import numpy as np
import pytest

from alerts.backtest.calibration import Calibration, calibration_as_table, calibration_table
from alerts.backtest.oracle import true_crossings
from alerts.backtest.series import read_series
from alerts.backtest.simulation import TARGETS, as_csv, simulate
from alerts.backtest.world_names import World
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

AREAS = 60
SEED = 11


@pytest.fixture(scope="module")
def entries(guidelines: GuidelineSet) -> dict[tuple[World, Index, str], Calibration]:
    table = calibration_table(guidelines, areas=AREAS, seed=SEED)
    return {(entry.world, entry.index, entry.predictor): entry for entry in table}


Entries = dict[tuple[World, Index, str], Calibration]


@pytest.mark.parametrize("index", list(Index))
@pytest.mark.parametrize("world", list(World))
def test_ranges_hold_in_every_world(entries: Entries, world: World, index: Index) -> None:
    low, high = (0.75, 0.85) if world is World.RIGHT else (0.65, 0.92)
    assert low <= entries[world, index, "ours"].next_result.coverage80 <= high


@pytest.mark.parametrize("index", list(Index))
@pytest.mark.parametrize("world", list(World))
def test_crossing_dates_beat_both_baselines_in_every_world(
    entries: Entries, world: World, index: Index
) -> None:
    ours, rule, line = (entries[world, index, k].crossing for k in ("ours", "rule", "line"))
    assert ours.mae < min(rule.mae, line.mae)
    assert ours.n == rule.n == line.n > 200


@pytest.mark.parametrize("index", list(Index))
@pytest.mark.parametrize("world", list(World))
def test_next_results_beat_both_baselines_in_every_world(
    entries: Entries, world: World, index: Index
) -> None:
    ours, rule, line = (entries[world, index, k].next_result for k in ("ours", "rule", "line"))
    assert ours.rmse < rule.rmse < line.rmse


@pytest.mark.parametrize("index", list(Index))
def test_the_right_world_leaves_little_to_an_oracle(entries: Entries, index: Index) -> None:
    ours, oracle = (entries[World.RIGHT, index, k].crossing for k in ("ours", "oracle"))
    assert ours.mae < 1.1 * oracle.mae


def test_knowing_the_weather_helps_in_a_heat_wave(guidelines: GuidelineSet) -> None:
    told, untold = (
        calibration_table(
            guidelines, areas=AREAS, seed=SEED, worlds=[World.HEAT_WAVE], with_heat=heat
        )
        for heat in (True, False)
    )
    for with_heat, without in zip(told, untold, strict=True):
        if with_heat.predictor == "ours":
            assert with_heat.next_result.rmse < without.next_result.rmse
            assert with_heat.crossing.mae < without.crossing.mae


def test_truth_about_crossings_is_that_of_the_season(guidelines: GuidelineSet) -> None:
    simulated = simulate(World.RIGHT, 3, 4, guidelines)
    seasons = read_series("sim.csv", as_csv(simulated).encode(), guidelines).seasons
    days = true_crossings(simulated)(seasons[2], Index.NDF, TARGETS[Index.NDF])
    known = simulated.truth[Index.NDF].crossing[2]
    told = days[~np.isnan(days)]
    assert told.size
    assert np.isin(told, known).all()
    assert ((told >= seasons[2].days[0]) & (told <= seasons[2].days[-1])).all()
    with pytest.raises(ValueError, match="was not kept"):
        true_crossings(simulated)(seasons[0], Index.NDF, 41.0)


def test_the_table_names_every_world_and_predictor(entries: Entries) -> None:
    table = calibration_as_table(entries.values())
    assert table.row_count == len(World) * len(Index) * 4
