"""Farms put together, against plain draws of the same posterior.

512 points of a Sobol sequence (Sobol', I.M., 1967, On the distribution of points in a cube) are the
yardstick: what is worked out must be nearer the draws than what so many points say.
"""

from __future__ import annotations

import numpy as np
import pytest
from invented_farms import SHOWN, TODAY, Draws, Invented, invent

from alerts.agronomy.scale import Floats, to_scale
from alerts.backtest.normal_points import normal_points
from alerts.domain.farm_batch import Starts
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
    for what, bound in (("chance", 0.0045), ("load", 0.025)):
        assert root_mean_square(ours[what]) < bound
        assert root_mean_square(ours[what]) < 1.1 * root_mean_square(theirs[what])
