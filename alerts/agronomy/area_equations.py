"""The normal equations of the area model, solved for given weights.

The system is ``alerts.agronomy.area_model``'s; weights say how much each result and each prior
counts. Arrays end with the fields or results, so that numpy works on long stretches of numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from alerts.agronomy.area_parts import (
    LEVEL,
    OWN,
    RATE,
    AreaPosterior,
    Fields,
    Floats,
    Ints,
    Results,
    Spreads,
)
from alerts.agronomy.unit_batches import UnitBatches, inverses


@dataclass(frozen=True, slots=True)
class Weights:
    """How much things count, 1 = in full; a precision is multiplied by its weight.

    result : of each result, shape (results,)
    field : of the priors of each field's level and rate, shape (2, fields)
    area_rate : of the prior of each unit's rate, shape (units,)
    visit : of the prior of each sampling day's own shift, shape (units, days)
    """

    result: Floats
    field: Floats
    area_rate: Floats
    visit: Floats


@dataclass(frozen=True, slots=True)
class Solved:
    """The unknowns at some weights; see ``AreaPosterior`` for what they are.

    mean : shape (2, fields)
    own_cov : variance of the level, covariance, variance of the rate, shape (3, fields)
    load : shape (2, unknowns, fields)
    unit_mean, unit_cov : shapes (units, unknowns) and (units, unknowns, unknowns)
    """

    mean: Floats
    own_cov: Floats
    load: Floats
    unit_mean: Floats
    unit_cov: Floats


@dataclass(frozen=True, slots=True)
class _Told:
    """What the results say at some weights, before any prior: see `AreaEquations`."""

    weight: Floats
    own: Floats
    own_rhs: Floats
    mixed: Floats
    matrix: Floats
    rhs: Floats


class AreaEquations:
    """All units' equations; what does not depend on the weights is worked out once."""

    def __init__(self, fields: Fields, results: Results, spreads: Spreads, units: int) -> None:
        self.fields, self.results, self.units = fields, results, units
        self.count = fields.unit.size
        self.days = int(results.visit.max()) + 1 if results.visit.size else 0
        self.others = int(results.other.max()) if results.other.size else 0
        self.unknowns = OWN + self.days + self.others
        self.unit = fields.unit[results.field]
        self.day_at = self.unit * self.days + results.visit  # of each result, in (units, days)
        self.unit_at = self.unit * self.unknowns + OWN + results.visit  # in (units, unknowns)
        self.field_at = (OWN + results.visit) * self.count + results.field  # in (unknowns, fields)
        self.error_var = np.square(results.sd)
        self.slope = fields.rate[results.field] * results.since
        self.rest = results.value - fields.level[results.field] - self.slope
        self.batches = UnitBatches.of(fields.unit, units)
        self.unit_days = np.zeros(units, dtype=np.intp)
        np.maximum.at(self.unit_days, self.unit, results.visit + 1)
        self.foreign = np.flatnonzero(results.other)
        self.foreign_at = OWN + self.days + results.other[self.foreign] - 1
        prior_field = self._per_unit(spreads.field_level, spreads.field_rate)
        self.prior_field = np.ascontiguousarray(prior_field[fields.unit].T)
        self.prior_unit = self._per_unit(spreads.area_level, spreads.area_rate, spreads.other_index)
        self.visit_var = 1.0 / self._per_unit(spreads.visit)
        self.walk = self._walk(spreads.drift)
        self._last: _Told | None = None
        self._visits: list[tuple[Floats, Floats]] = []

    def full_weights(self) -> Weights:
        return Weights(
            result=np.ones_like(self.rest),
            field=np.ones((OWN, self.count)),
            area_rate=np.ones(self.units),
            visit=np.ones((self.units, self.days)),
        )

    def _per_unit(self, *sds: ArrayLike) -> Floats:
        """Precisions, shape (units, given)."""
        wide = [np.broadcast_to(np.asarray(sd, np.float64), self.units) for sd in sds]
        precision: Floats = 1.0 / np.square(np.stack(wide, axis=1))
        return precision

    def _walk(self, drift: ArrayLike) -> Floats:
        """Covariance of how far the clock had strayed by each day, shape (units, days, days)."""
        shape = (self.units, self.days)
        results = _sum(self.day_at, np.ones_like(self.slope), self.units * self.days).reshape(shape)
        clock = _sum(self.day_at, self.results.since, self.units * self.days).reshape(shape)
        when = clock / np.maximum(results, 1.0)
        newest = np.where(results > 0, when, -np.inf).max(axis=1, initial=-np.inf, keepdims=True)
        # A day of the numbering on which this unit was not sampled is tied to nothing.
        back = np.zeros(shape)
        np.subtract(newest, when, out=back, where=results > 0)
        var = np.square(np.broadcast_to(np.asarray(drift, np.float64), self.units))
        walk: Floats = var[:, None, None] * np.minimum(back[:, :, None], back[:, None, :])
        return walk

    def visit_cov(self, weights: Weights) -> Floats:
        """Prior covariance of the sampling days' shifts, shape (units, days, days)."""
        cov = self.walk.copy()
        day = np.arange(self.days)
        cov[:, day, day] += self.visit_var / weights.visit
        return cov

    def _visit_precision(self, weights: Weights) -> Floats:
        """Inverse of :meth:`visit_cov`, kept for the next passes, which often ask for the same."""
        for visit, precision in self._visits:
            if np.array_equal(visit, weights.visit):
                return precision
        precision = inverses(self.visit_cov(weights))
        self._visits = [*self._visits[-1:], (weights.visit, precision)]
        return precision

    def _prior_unit(self, weights: Weights) -> Floats:
        """Prior precision of each unit's unknowns, shape (units, unknowns, unknowns)."""
        precision = np.zeros((self.units, self.unknowns, self.unknowns))
        precision[:, LEVEL, LEVEL] = self.prior_unit[:, LEVEL]
        precision[:, RATE, RATE] = self.prior_unit[:, RATE] * weights.area_rate
        days = slice(OWN, OWN + self.days)
        precision[:, days, days] = self._visit_precision(weights)
        other = np.arange(OWN + self.days, self.unknowns)
        precision[:, other, other] = self.prior_unit[:, [OWN]]
        return precision

    def solve(self, weights: Weights) -> Solved:
        told = self._told_by(weights.result)
        prior = self.prior_field * weights.field
        own = told.own.copy()
        own[0] += prior[LEVEL]
        own[2] += prior[RATE]
        own_cov = _inverse_2x2(own)
        load = _times_2x2(own_cov, told.mixed)
        matrix = told.matrix + self._prior_unit(weights)
        matrix -= self.batches.summed(told.mixed, load)
        rhs = told.rhs - self.batches.summed(load, told.own_rhs[:, None])[:, :, 0]
        unit_cov = inverses(matrix)
        unknown = (unit_cov @ rhs[:, :, None])[:, :, 0]
        np.negative(load, out=load)
        load[LEVEL, LEVEL] += 1.0
        load[RATE, RATE] += 1.0
        mean = _times_2x2(own_cov, told.own_rhs[:, None])
        mean += self.batches.times(load, unknown[:, :, None])
        return Solved(mean[:, 0], own_cov, load, unknown, unit_cov)

    def posterior(self, solved: Solved, weights: Weights) -> AreaPosterior:
        own_cov = np.empty((self.count, OWN, OWN))
        own_cov[:, LEVEL, LEVEL], own_cov[:, RATE, RATE] = solved.own_cov[0], solved.own_cov[2]
        own_cov[:, LEVEL, RATE] = own_cov[:, RATE, LEVEL] = solved.own_cov[1]
        return AreaPosterior(
            fields=self.fields,
            mean=np.ascontiguousarray(solved.mean.T),
            own_cov=own_cov,
            load=np.ascontiguousarray(solved.load.transpose(2, 0, 1)),
            unit_mean=solved.unit_mean,
            unit_cov=solved.unit_cov,
            days=self.days,
            weight=weights.result,
            unit_days=self.unit_days,
        )

    def _told_by(self, weight: Floats) -> _Told:
        """What the results say at these weights; priors are tried in turn with the same ones."""
        if self._last is None or self._last.weight is not weight:
            precision = weight / self.error_var
            own, own_rhs, mixed = self._field_blocks(precision)
            matrix, rhs = self._unit_blocks(precision, mixed, own_rhs)
            self._last = _Told(weight, own, own_rhs, mixed, matrix, rhs)
        return self._last

    def _field_blocks(self, precision: Floats) -> tuple[Floats, Floats, Floats]:
        """Information of each field's own unknowns, its right side, and the block to its unit."""
        field, x = self.results.field, self.slope
        steep = precision * x
        mixed = np.empty((OWN, self.unknowns, self.count))
        rhs = np.empty((OWN, self.count))
        for row, factor in ((LEVEL, precision), (RATE, steep)):
            rhs[row] = _sum(field, factor * self.rest, self.count)
            mixed[row] = _sum(self.field_at, factor, mixed[row].size).reshape(mixed[row].shape)
            if self.foreign.size:
                at = self.foreign_at * self.count + field[self.foreign]
                foreign = _sum(at, factor[self.foreign], mixed[row].size)
                mixed[row] += foreign.reshape(mixed[row].shape)
        own = np.empty((3, self.count))
        # Each result lies on one day, so its field's sums are those of the days.
        own[:2] = mixed[:, OWN : OWN + self.days].sum(axis=1)
        own[2] = _sum(field, steep * x, self.count)
        mixed[LEVEL, :OWN], mixed[RATE, :OWN] = own[:2], own[1:]
        return own, rhs, mixed

    def _unit_blocks(
        self, precision: Floats, mixed: Floats, own_rhs: Floats
    ) -> tuple[Floats, Floats]:
        """Information of each unit's unknowns, and its right side."""
        data = np.zeros((self.units, self.unknowns, self.unknowns))
        data[:, :OWN, :] = self.batches.total(mixed).transpose(2, 0, 1)
        data[:, OWN:, :OWN] = data[:, :OWN, OWN:].transpose(0, 2, 1)
        pulled, size = precision * self.rest, self.units * self.unknowns
        rhs = _sum(self.unit_at, pulled, size)
        if self.foreign.size:
            at = self.unit[self.foreign] * self.unknowns + self.foreign_at
            rhs += _sum(at, pulled[self.foreign], size)
        rhs = rhs.reshape(self.units, self.unknowns)
        rhs[:, :OWN] = self.batches.total(own_rhs).T
        # A result lies on one day only, so the days' own block has nothing off its diagonal.
        days = np.arange(OWN, OWN + self.days)
        data[:, days, days] = data[:, LEVEL, OWN : OWN + self.days]
        if self.foreign.size:
            self._add_foreign(data, precision[self.foreign])
        return data, rhs

    def _add_foreign(self, data: Floats, precision: Floats) -> None:
        unit, at = self.unit[self.foreign], self.foreign_at
        day = OWN + self.results.visit[self.foreign]
        np.add.at(data, (unit, at, at), precision)
        np.add.at(data, (unit, at, day), precision)
        np.add.at(data, (unit, day, at), precision)


def _sum(place: Ints, value: Floats, size: int) -> Floats:
    return np.bincount(place, weights=value, minlength=size).astype(np.float64, copy=False)


def _inverse_2x2(matrix: Floats) -> Floats:
    """Of symmetric matrices, given as first, off-diagonal and last element, shape (3, n)."""
    a, b, d = matrix
    inverse: Floats = np.stack([d, -b, a]) / (a * d - b * b)
    return inverse


def _times_2x2(left: Floats, right: Floats) -> Floats:
    """Products of such a matrix of each field, shape (3, n), with its two rows of ``right``, shape
    (2, m, n)."""
    product = np.empty_like(right)
    for row in (LEVEL, RATE):
        np.multiply(left[row], right[LEVEL], out=product[row])
        product[row] += left[row + 1] * right[RATE]
    return product
