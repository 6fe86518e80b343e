"""Units with like numbers of sampling days, solved together.

The systems of units that are solved at once all have as many unknowns as the largest. So that a
unit with many sampling days does not make the others slow, those with up to 8, 16, 32, ... go
together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import fields as parts_of

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.area_parts import OWN, AreaPosterior, Fields, Results, Spreads

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

FEWEST_DAYS = 8


@dataclass(frozen=True, slots=True)
class Lot:
    """Numbers of some units, and of their fields and results, among all."""

    units: Ints
    fields: Ints
    results: Ints

    def of_fields(self, fields: Fields, all_units: int) -> Fields:
        return Fields(
            unit=_numbers(self.units, all_units)[fields.unit[self.fields]],
            level=fields.level[self.fields],
            rate=fields.rate[self.fields],
        )

    def of_results(self, results: Results, all_fields: int) -> Results:
        mine = self.results
        return Results(
            field=_numbers(self.fields, all_fields)[results.field[mine]],
            visit=results.visit[mine],
            since=results.since[mine],
            value=results.value[mine],
            sd=results.sd[mine],
            other=results.other[mine],
        )

    def of_spreads(self, spreads: Spreads, all_units: int) -> Spreads:
        given = (getattr(spreads, part.name) for part in parts_of(Spreads))
        return Spreads(*(np.broadcast_to(np.asarray(sd), all_units)[self.units] for sd in given))


def _numbers(chosen: Ints, count: int) -> Ints:
    """Number among ``chosen`` of each of ``count`` things."""
    number = np.full(count, -1, dtype=np.intp)
    number[chosen] = np.arange(chosen.size)
    return number


def day_lots(fields: Fields, results: Results, units: int) -> list[Lot]:
    """Lots of units; each unit is in one of them."""
    unit = fields.unit[results.field]
    days = np.full(units, FEWEST_DAYS, dtype=np.intp)
    np.maximum.at(days, unit, results.visit + 1)
    size = np.ceil(np.log2(days)).astype(np.intp)
    lots = []
    for one in np.unique(size):
        chosen = size == one
        lots.append(
            Lot(
                units=np.flatnonzero(chosen),
                fields=np.flatnonzero(chosen[fields.unit]),
                results=np.flatnonzero(chosen[unit]),
            )
        )
    return lots


def put_together(
    fields: Fields, results: int, lots: Sequence[Lot], parts: Sequence[AreaPosterior]
) -> AreaPosterior:
    """The posterior of all units from those of the lots; ``results`` is the number of all.

    Unknowns that a unit does not have stand in the answer as zeros.
    """
    units = sum(lot.units.size for lot in lots)
    days = max(part.days for part in parts)
    unknowns = OWN + days + max(part.other.shape[1] for part in parts)
    whole = AreaPosterior(
        fields=fields,
        mean=np.empty((fields.unit.size, OWN)),
        own_cov=np.empty((fields.unit.size, OWN, OWN)),
        load=np.zeros((fields.unit.size, OWN, unknowns)),
        unit_mean=np.zeros((units, unknowns)),
        unit_cov=np.zeros((units, unknowns, unknowns)),
        days=days,
        weight=np.empty(results),
        unit_days=np.empty(units, dtype=np.intp),
    )
    for lot, part in zip(lots, parts, strict=True):
        # Level, rate and days stand in front, shifts of other indexes behind all days.
        own = OWN + part.days
        at = np.concatenate([np.arange(own), OWN + days + np.arange(part.other.shape[1])])
        whole.mean[lot.fields], whole.own_cov[lot.fields] = part.mean, part.own_cov
        whole.load[lot.fields[:, None, None], np.arange(OWN)[:, None], at] = part.load
        whole.unit_mean[lot.units[:, None], at] = part.unit_mean
        whole.unit_cov[lot.units[:, None, None], at[:, None], at] = part.unit_cov
        whole.weight[lot.results], whole.unit_days[lot.units] = part.weight, part.unit_days
    return whole
