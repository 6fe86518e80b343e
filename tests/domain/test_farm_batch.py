"""Farms put together, against plain draws of the same posterior.

512 points of a Sobol sequence (Sobol', I.M., 1967, On the distribution of points in a cube) are the
yardstick: what is worked out must be nearer the draws than what so many points say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_farms import SHOWN, TODAY, Draws, Invented, invent

from alerts.agronomy.scale import Floats, to_scale
from alerts.backtest.normal_points import normal_points
from alerts.domain import farm_batch
from alerts.domain.area_clock import AreaClocks
from alerts.domain.area_fit import fit_area
from alerts.domain.farm_batch import FarmBatch, Starts
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

DRAWS = 200_000
DAYS = TODAY + np.arange(SHOWN, dtype=np.float64)


def on_scale(starts: Starts, farms: Invented) -> Floats:
    return to_scale(starts.load, falls=farms.fit.index.falls)


def root_mean_square(away: list[Floats]) -> float:
    return float(np.sqrt(np.mean(np.square(np.concatenate(away)))))


@pytest.mark.parametrize(
    ("index", "fields", "unsampled", "average"),
    [
        (Index.NDF, 1, 0.3, False),
        (Index.NDF, 2, 0.0, False),
        (Index.RFV, 3, 0.0, False),
        (Index.NDF, 5, 0.0, False),
        (Index.NDF, 8, 0.0, False),
        (Index.RFV, 4, 0.9, False),
        (Index.NDF, 3, 0.4, False),
        (Index.NDF, 5, 0.4, False),
        (Index.RFV, 8, 0.3, False),
        (Index.NDF, 4, 0.3, True),
    ],
)
def test_chances_and_loads_are_nearer_the_draws_than_512_points(
    guidelines: GuidelineSet, index: Index, fields: int, unsampled: float, average: bool
) -> None:
    farms = invent(guidelines, index, fields, seed=fields, unsampled=unsampled)
    farms.average[:] = average
    batch = farms.batch()
    starts = batch.farm_starts()
    load, rng = on_scale(starts, farms), np.random.default_rng(fields + 1)
    ours: dict[str, list[Floats]] = {"chance": [], "load": []}
    theirs: dict[str, list[Floats]] = {"chance": [], "load": []}
    for farm in range(0, farms.target.size, 6):
        many, few = (
            Draws(farms, farm, points).of_farm(batch.order[farm], DAYS)
            for points in (rng.normal(size=(DRAWS, 2 * fields + 1)), normal_points(2 * fields + 1))
        )
        truth, middle = (many > farms.target[farm]).mean(axis=1), np.median(many, axis=1)
        ours["chance"].append(starts.waiting[farm] - truth)
        theirs["chance"].append((few > farms.target[farm]).mean(axis=1) - truth)
        spread = many.std(axis=1)
        ours["load"].append((load[farm] - middle) / spread)
        theirs["load"].append((np.median(few, axis=1) - middle) / spread)
    for what, bound in (("chance", 0.0035), ("load", 0.022)):
        assert root_mean_square(ours[what]) < bound
        assert root_mean_square(ours[what]) < 1.1 * root_mean_square(theirs[what])


@pytest.mark.parametrize("heat", [False, True])
@pytest.mark.parametrize(("fields", "unsampled"), [(1, 0.2), (4, 0.0), (4, 0.3)])
def test_dates_have_the_chances_they_stand_for(
    guidelines: GuidelineSet, fields: int, unsampled: float, heat: bool
) -> None:
    farms = invent(guidelines, Index.NDF, fields, seed=17, unsampled=unsampled, heat=heat)
    batch = farms.batch()
    dates = batch.farm_starts().quantiles
    rng = np.random.default_rng(1)
    for farm in range(0, farms.target.size, 7):
        draws = Draws(farms, farm, rng.normal(size=(DRAWS, 2 * fields + 1)))
        for day, chance in zip(dates[farm].tolist(), (0.1, 0.5, 0.9), strict=True):
            if TODAY - 40 < day < TODAY + 80:
                days = np.array([day, day + 1.0])
                here, after = (
                    (value > farms.target[farm]).mean()
                    for value in draws.of_farm(batch.order[farm], days)
                )
                # a start on that day is still early enough, one on the next no longer
                assert here <= chance + 0.01
                assert after >= chance - 0.01


def of_one_area(farms: Invented, area: int) -> Invented:
    """The farms of one area, as if there were no other."""
    group = farms.group
    fields = np.flatnonzero(group.stands.unit == area)
    mine = np.isin(group.evidence.field, fields)
    first = int(fields[0])
    stands, evidence, clocks = group.stands, group.evidence, group.clocks
    rows = (farms.places[:, 0] >= first) & (farms.places[:, 0] <= fields[-1])
    alone = replace(
        group,
        stands=replace(
            stands,
            unit=np.zeros(fields.size, dtype=np.intp),
            cutting=stands.cutting[fields],
            grass_pct=stands.grass_pct[fields],
            earlier_days=stands.earlier_days[fields],
        ),
        clocks=AreaClocks(
            clocks.day,
            clocks.clock[[area]],
            clocks.sd[[area]],
            clocks.degree_days[[area]],
            clocks.follows_heat[[area]],
        ),
        stray=group.stray[[area]],
        evidence=replace(
            evidence,
            **{
                name: getattr(evidence, name)[mine]
                for name in ("day", "clock", "rfv", "rfq", "ndf", "kind", "late")
            },
            field=evidence.field[mine] - first,
        ),
    )
    return Invented(
        group=alone,
        fit=fit_area(
            alone.stands,
            alone.evidence,
            farms.fit.index,
            farms.guidelines,
            origin=farms.fit.origin[[area]],
            weather_known=clocks.follows_heat[[area]],
        ),
        places=farms.places[rows] - first,
        own_days=farms.own_days[rows],
        target=farms.target[rows],
        average=farms.average[rows],
        guidelines=farms.guidelines,
    )


@pytest.mark.parametrize("fields", [1, 3])
def test_many_areas_together_give_what_each_gives_alone(
    guidelines: GuidelineSet, fields: int
) -> None:
    farms = invent(guidelines, Index.RFV, fields, seed=23, unsampled=0.3)
    farms.average[::4] = True
    whole, width = everything(farms.batch()), farms.places.shape[0] // 6
    for area in range(6):
        rows = slice(area * width, (area + 1) * width)
        for name, alone in everything(of_one_area(farms, area).batch()).items():
            np.testing.assert_allclose(whole[name][rows], alone, rtol=1e-7, atol=1e-9, err_msg=name)


def everything(batch: FarmBatch) -> dict[str, np.ndarray]:
    farms, fields = batch.farm_starts(), batch.field_starts()
    return {
        "order": batch.order,
        "sampled": batch.sampled,
        "meets": batch.meets_today(),
        "days": batch.days_ahead(),
        "worth": batch.sample_worth(TODAY + 3, 0.001),
        "dates": batch.farm_dates(),
        **{
            f"{of} {name}": getattr(starts, name)
            for of, starts in (("farms", farms), ("fields", fields))
            for name in ("quantiles", "within_notice", "waiting", "load")
        },
    }


def test_some_farms_at_a_time_give_what_all_give(
    guidelines: GuidelineSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    farms = invent(guidelines, Index.NDF, 3, seed=29, unsampled=0.3)
    farms.average[::5] = True
    whole = everything(farms.batch())
    monkeypatch.setattr(farm_batch, "FIELD_DAYS_AT_ONCE", 3 * 16 * 4)
    for name, some in everything(farms.batch()).items():
        np.testing.assert_allclose(whole[name], some, rtol=1e-9, atol=1e-12, err_msg=name)


def test_sample_on_a_day_of_each_farm_is_worth_what_it_is_on_that_day(
    guidelines: GuidelineSet,
) -> None:
    batch = invent(guidelines, Index.NDF, 2, seed=31).batch()
    day = TODAY + np.arange(batch.unit.size) % 5
    of_each = batch.sample_worth(day, 1.4)
    assert (of_each > 0.0).all()
    for one in np.unique(day):
        on_that = batch.sample_worth(int(one), 1.4)
        np.testing.assert_allclose(of_each[day == one], on_that[day == one], rtol=1e-12)


def test_waiting_and_dates_say_the_same(guidelines: GuidelineSet) -> None:
    farms = invent(guidelines, Index.NDF, 4, seed=37, unsampled=0.2, areas=20)
    farms.average[::3] = True
    batch = farms.batch()
    for starts in (batch.farm_starts(), batch.field_starts()):
        quantiles, waiting = starts.quantiles.reshape(-1, 3), starts.waiting.reshape(-1, SHOWN)
        assert (np.diff(quantiles, axis=1) >= 0).all()
        assert (np.diff(waiting, axis=1) >= 0.0).all()
        load = on_scale(starts, farms).reshape(-1, SHOWN)
        assert (np.diff(load, axis=1) >= 0.0).all()
        shown = TODAY + np.arange(SHOWN)
        for at, chance in enumerate((0.1, 0.5, 0.9)):
            on = quantiles[:, at, None]
            assert ((waiting > chance) == (shown > on)).all()
        target = np.repeat(farms.target, load.shape[0] // farms.target.size)[:, None]
        assert ((load > target + 1e-9) <= (waiting >= 0.5)).all()
        assert ((load < target - 1e-9) <= (waiting <= 0.5)).all()
