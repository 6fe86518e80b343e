"""Simulated worlds against what they are said to be."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta

import numpy as np
import pytest

from alerts.agronomy.scale import Floats, to_scale
from alerts.backtest.series import read_series
from alerts.backtest.simulation import (
    LAB_POINTS,
    TARGETS,
    Simulated,
    as_csv,
    simulate,
    truth_as_csv,
)
from alerts.backtest.world_names import World
from alerts.domain.area_fit import on_scale, prior_rate
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

AREAS = 60


def grown(guidelines: GuidelineSet, world: World, **said: int) -> Simulated:
    return simulate(world, said.pop("seed", 5), said.pop("areas", AREAS), guidelines, **said)


def on_straight_scale(simulated: Simulated, index: Index) -> Floats:
    return to_scale(simulated.values[index], falls=index.falls)


def test_the_same_seed_gives_the_same_file_and_another_one_another(
    guidelines: GuidelineSet,
) -> None:
    one, again, other = (
        as_csv(grown(guidelines, World.RIGHT, seed=seed, areas=4)) for seed in (5, 5, 6)
    )
    assert one == again != other


def test_sampling_is_on_mondays_and_thursdays(guidelines: GuidelineSet) -> None:
    days = grown(guidelines, World.RIGHT).day
    weekdays = {date.fromordinal(int(day)).weekday() for day in days.ravel()}
    assert weekdays == {0, 3}
    assert days.shape == (AREAS, 7)


def test_not_every_field_is_clipped_each_day(guidelines: GuidelineSet) -> None:
    assert grown(guidelines, World.RIGHT).clipped.mean() == pytest.approx(0.8, abs=0.03)


@pytest.mark.parametrize("index", list(Index))
def test_most_fields_meet_their_target_within_the_span(
    guidelines: GuidelineSet, index: Index
) -> None:
    simulated = grown(guidelines, World.RIGHT)
    ahead = simulated.truth[index].crossing - simulated.day[:, [0]]
    assert np.mean((ahead > 0) & (ahead < 28)) > 0.8
    assert np.mean(ahead) == pytest.approx(14.0, abs=1.5)


def test_spreads_are_the_guidelines_in_the_mean_and_differ_by_a_fifth(
    guidelines: GuidelineSet,
) -> None:
    simulated = grown(guidelines, World.RIGHT, areas=400)
    for factor in simulated.truth[Index.NDF].factor.values():
        assert np.exp(np.log(factor).mean()) == pytest.approx(1.0, abs=0.04)
        assert np.log(factor).std() == pytest.approx(0.2, abs=0.02)


def test_steady_crops_climb_as_published_with_the_published_spread(
    guidelines: GuidelineSet,
) -> None:
    # Published: rate 0.55 and its shares; here the lines through each field's results.
    simulated = grown(guidelines, World.STEADY, areas=300, rounds=14)
    x = on_straight_scale(simulated, Index.NDF)
    days = (simulated.day - simulated.day[:, [0]])[0].astype(float)
    away = days - days.mean()
    slope = (x * away).sum(axis=2) / (away**2).sum()
    rate = float(prior_rate(guidelines, Index.NDF, 1, 0.0))
    assert slope.mean() == pytest.approx(rate, abs=0.02)
    shares = [guidelines.value(f"rate_share.{part}") for part in ("area", "field")]
    noise = guidelines.value("visit_sd.any.ndf") ** 2 + guidelines.value("result_sd.nir.ndf") ** 2
    expected = np.sqrt(rate**2 * np.square(shares).sum() + 1.1 * noise / (away**2).sum())
    assert slope.std() == pytest.approx(expected, rel=0.12)


def residuals(simulated: Simulated) -> Floats:
    """NDF results less each field's own straight line."""
    x = on_straight_scale(simulated, Index.NDF)
    days = (simulated.day - simulated.day[:, [0]]).astype(float)[:, None, :]
    away = days - days.mean(axis=2, keepdims=True)
    slope = (x * away).sum(axis=2, keepdims=True) / (away**2).sum(axis=2, keepdims=True)
    return x - x.mean(axis=2, keepdims=True) - slope * away


def test_outliers_are_one_in_twenty_by_four_sds_or_more(guidelines: GuidelineSet) -> None:
    sound, odd = (
        residuals(grown(guidelines, world, rounds=14)) for world in (World.STEADY, World.OUTLIERS)
    )
    far = 4 * guidelines.value("result_sd.nir.ndf")
    assert np.mean(np.abs(sound) > far) < 0.005
    assert 0.02 < np.mean(np.abs(odd) > far) < 0.06


def test_heat_waves_of_three_to_five_days_come_on_top(guidelines: GuidelineSet) -> None:
    usual, hot = (grown(guidelines, world).heat for world in (World.RIGHT, World.HEAT_WAVE))
    per_day = guidelines.value("clock.degree_days_per_day")
    extra = (hot[:, -1] - usual[:, -1]) / per_day
    assert set(np.round(extra, 6)) <= {3.0, 4.0, 5.0}
    assert extra.mean() == pytest.approx(4.0, abs=0.3)


def test_curved_declines_bend_both_ways(guidelines: GuidelineSet) -> None:
    straight, curved = (grown(guidelines, w, areas=200) for w in (World.RIGHT, World.CURVED))
    # The same random numbers: crossings differ by the bend alone, half a day either way.
    moved = curved.truth[Index.NDF].crossing - straight.truth[Index.NDF].crossing
    assert np.abs(moved).max() > 0.3
    np.testing.assert_array_equal(curved.heat, straight.heat)


def test_half_of_the_series_of_the_biased_world_read_better(guidelines: GuidelineSet) -> None:
    fair, biased = (grown(guidelines, w) for w in (World.RIGHT, World.BIASED_LAB))
    off = np.round(biased.values[Index.NDF] - fair.values[Index.NDF], 6)
    assert set(off[~np.isnan(off)]) == {0.0, LAB_POINTS[Index.NDF]}
    assert np.mean(off[:, :, 0] != 0) == pytest.approx(0.5, abs=0.08)
    near = np.abs(fair.values[Index.RFV] - 185) < 5
    gain = (biased.values[Index.RFV] - fair.values[Index.RFV])[near & (off != 0)]
    np.testing.assert_allclose(gain, 8.0, atol=1.0)


def test_fields_of_the_unlike_world_differ_more_than_twice_as_much(
    guidelines: GuidelineSet,
) -> None:
    like, unlike = (
        np.nanvar(on_straight_scale(grown(guidelines, w, areas=200), Index.NDF)[:, :, 4], axis=1)
        for w in (World.RIGHT, World.UNLIKE_FIELDS)
    )
    like_sd, unlike_sd = np.sqrt(like.mean() * 6 / 5), np.sqrt(unlike.mean() * 6 / 5)
    assert unlike_sd > 2 * like_sd
    field, result = (
        on_scale(guidelines[f"{name}.ndf"], Index.NDF) for name in ("field_level", "result_sd.nir")
    )
    assert like_sd == pytest.approx(np.hypot(field, result), rel=0.1)


def test_the_written_table_reads_back_as_simulated(guidelines: GuidelineSet) -> None:
    simulated = grown(guidelines, World.RIGHT, areas=3)
    table = read_series("sim.csv", as_csv(simulated, with_heat=True).encode(), guidelines)
    assert [season.area for season in table.seasons] == ["A1", "A2", "A3"]
    first = table.seasons[0]
    assert first.day.size == simulated.clipped[0].sum()
    expected = np.sort(simulated.values[Index.NDF][0][simulated.clipped[0]])
    assert table.left_out == ()
    np.testing.assert_allclose(np.sort(first.values[Index.NDF]), expected, atol=0.006)
    assert first.clock is not None


def test_the_written_truth_is_that_of_the_simulation(guidelines: GuidelineSet) -> None:
    simulated = grown(guidelines, World.RIGHT, areas=2)
    rows = list(csv.DictReader(io.StringIO(truth_as_csv(simulated))))
    row = next(r for r in rows if r["series_id"] == "A2-F3" and r["index"] == "ndf")
    assert float(row["target"]) == TARGETS[Index.NDF]
    day = date.fromisoformat(row["met_on"]) + timedelta(0)
    told = day.toordinal() + float(row["part_of_day"])
    assert told == pytest.approx(simulated.truth[Index.NDF].crossing[1, 2], abs=1e-3)
