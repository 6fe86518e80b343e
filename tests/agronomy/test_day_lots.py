"""Units solved by their number of sampling days, against each unit solved alone."""

from __future__ import annotations

import numpy as np
import pytest

from alerts.agronomy.area_model import AreaPosterior, Fields, Results, Spreads, fit_areas
from alerts.agronomy.day_lots import day_lots

DAYS = (3, 40, 0, 12, 8, 9, 17)  # of each unit
FIELDS = 4


def plan(seed: int) -> tuple[Fields, Results, Spreads]:
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(len(DAYS)), FIELDS)
    rows = [
        (field, visit)
        for field, of in enumerate(unit)
        for visit in range(DAYS[of])
        if visit == DAYS[of] - 1 or rng.random() < 0.7
    ]
    field, visit = (np.array(part, dtype=np.intp) for part in zip(*rows, strict=True))
    last = np.array(DAYS)[unit[field]] - 1
    return (
        Fields(unit=unit, level=rng.normal(38.0, 1.0, unit.size), rate=np.full(unit.size, 0.55)),
        Results(
            field=field,
            visit=visit,
            since=(visit - last) * 1.5,
            value=38.0 + (visit - last) * 0.8 + rng.normal(0.0, 2.0, field.size),
            sd=np.full(field.size, 1.4),
            # a third of them in another index, but for some units that have none of it
            other=np.where((unit[field] % 3 > 0) & (rng.random(field.size) < 0.3), 1, 0),
        ),
        Spreads(3.0, 0.2, np.linspace(1.0, 2.0, len(DAYS)), 0.15, 1.5, 2.0, 0.3),
    )


def alone(fields: Fields, results: Results, spreads: Spreads, unit: int) -> AreaPosterior:
    mine, told = fields.unit == unit, fields.unit[results.field] == unit
    first = int(np.flatnonzero(mine)[0])
    return fit_areas(
        Fields(np.zeros(FIELDS, dtype=np.intp), fields.level[mine], fields.rate[mine]),
        Results(
            results.field[told] - first,
            results.visit[told],
            results.since[told],
            results.value[told],
            results.sd[told],
            results.other[told],
        ),
        Spreads(3.0, 0.2, float(np.asarray(spreads.field_level)[unit]), 0.15, 1.5, 2.0, 0.3),
        units=1,
    )


@pytest.mark.parametrize("seed", range(3))
def test_together_gives_what_each_unit_gives_alone(seed: int) -> None:
    fields, results, spreads = plan(seed)
    whole = fit_areas(fields, results, spreads, units=len(DAYS))
    assert whole.unit_days.tolist() == list(DAYS)
    for unit, days in enumerate(DAYS):
        one, places = alone(fields, results, spreads, unit), np.flatnonzero(fields.unit == unit)
        np.testing.assert_allclose(whole.mean[places], one.mean, atol=1e-9)
        np.testing.assert_allclose(whole.cov()[places], one.cov(), atol=1e-9)
        np.testing.assert_allclose(whole.visit[unit, :days], one.visit[0, :days], atol=1e-9)
        told = fields.unit[results.field] == unit
        np.testing.assert_allclose(whole.weight[told], one.weight, atol=1e-9)
        if one.other.size:
            np.testing.assert_allclose(whole.other[unit], one.other[0], atol=1e-9)
        # of one unit, and of several with many days and few
        for mean, cov in (
            whole.joint(places),
            (part[unit] for part in whole.joint(np.arange(fields.unit.size).reshape(-1, FIELDS))),
        ):
            np.testing.assert_allclose(mean, one.joint(np.arange(FIELDS))[0], atol=1e-9)
            np.testing.assert_allclose(cov, one.joint(np.arange(FIELDS))[1], atol=1e-9)


def test_each_unit_is_in_the_lot_of_its_days() -> None:
    fields, results, _ = plan(0)
    lots = day_lots(fields, results, len(DAYS))
    assert [lot.units.tolist() for lot in lots] == [[0, 2, 4], [3, 5], [6], [1]]
    assert sum(lot.fields.size for lot in lots) == fields.unit.size
    assert sum(lot.results.size for lot in lots) == results.field.size
