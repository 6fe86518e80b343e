"""What goes into the area model and what comes out, see ``alerts.agronomy.area_model``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alerts.agronomy.unit_batches import UnitBatches

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LEVEL, RATE = 0, 1
OWN = 2
"""Unknowns of a field, and the first two of a unit: level and rate."""


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations of the model's parts; scalars or one a unit, shape (units,).

    area_level, field_level, visit, other_index : [scale units, > 0]
    area_rate, field_rate : [share of the prior rate, > 0]
    drift : straying of the clock over one ordinary day, growing with the root of the days
        [scale units, 0 or more]
    """

    area_level: ArrayLike
    area_rate: ArrayLike
    field_level: ArrayLike
    field_rate: ArrayLike
    visit: ArrayLike
    other_index: ArrayLike
    drift: ArrayLike = 0.0


@dataclass(frozen=True, slots=True)
class Fields:
    """The fields of all units, those of one unit next to each other.

    unit : number of the unit, shape (fields,), not falling
    level : prior level at clock c0 [scale units], shape (fields,)
    rate : prior rate [scale units an ordinary day, > 0], shape (fields,)
    """

    unit: Ints
    level: Floats
    rate: Floats


@dataclass(frozen=True, slots=True)
class Results:
    """Results of all units; every array has shape (results,).

    field : number of the field
    visit : number of the sampling day within its unit [0 to most days - 1]
    since : clock of the field at sampling, less c0 [ordinary days]
    value : on the straight scale
    sd : error of the single result [scale units, > 0]
    other : 0 for the unit's own index, 1, 2, ... for results carried over from another one
    """

    field: Ints
    visit: Ints
    since: Floats
    value: Floats
    sd: Floats
    other: Ints


@dataclass(frozen=True, slots=True)
class AreaPosterior:
    """Posterior of every field's level and rate.

    mean : level and rate share above the prior, shape (fields, 2)
    own_cov : the part of the covariance that the field has for itself, shape (fields, 2, 2)
    load : how the field hangs on its unit's unknowns, shape (fields, 2, unknowns)
    unit_mean : posterior of each unit's unknowns: level, rate, the shifts of its ``days`` sampling
        days, the shifts of other indexes; shape (units, unknowns)
    unit_cov : their covariance, shape (units, unknowns, unknowns)
    days : sampling days of the unit with most
    weight : weight given to each result, 1 = in full, shape (results,)
    unit_days : sampling days of each unit, shape (units,)
    """

    fields: Fields
    mean: Floats
    own_cov: Floats
    load: Floats
    unit_mean: Floats
    unit_cov: Floats
    days: int
    weight: Floats
    unit_days: Ints

    @property
    def visit(self) -> Floats:
        """Mean of each sampling day's shift, shape (units, days) [scale units]."""
        return self.unit_mean[:, OWN : OWN + self.days]

    @property
    def other(self) -> Floats:
        """Mean of each other index's shift, shape (units, other indexes) [scale units]."""
        return self.unit_mean[:, OWN + self.days :]

    def cov(self) -> Floats:
        """Covariance of each field's level and rate share, shape (fields, 2, 2)."""
        batches = UnitBatches.of(self.fields.unit, self.unit_cov.shape[0])
        load = self.load.transpose(1, 2, 0)
        hung = np.einsum("iuf,kuf->fik", batches.times(load, self.unit_cov), load)
        cov: Floats = self.own_cov + hung
        return cov

    def joint(self, chosen: ArrayLike) -> tuple[Floats, Floats]:
        """Mean and covariance of several fields of one unit together, for many such sets.

        ``chosen`` of shape (..., n), the fields of each set of the same unit, gives shapes
        (..., 2 n) and (..., 2 n, 2 n), ordered level, rate, level, rate, ...
        """
        which = np.asarray(chosen, dtype=np.intp)
        size, unit = which.shape[-1] * OWN, self.fields.unit[which[..., 0]]
        load, unit_cov = self.load[which], self.unit_cov[unit]
        known = self._unknowns_of(unit)
        if known.size < self.load.shape[-1]:
            load, unit_cov = load[..., known], unit_cov[..., known[:, None], known]
        load = load.reshape(*which.shape[:-1], size, known.size)
        cov = load @ unit_cov @ np.swapaxes(load, -1, -2)
        for place in range(which.shape[-1]):
            at = slice(place * OWN, place * OWN + OWN)
            cov[..., at, at] += self.own_cov[which[..., place]]
        return self.mean[which].reshape(*which.shape[:-1], size), cov

    def _unknowns_of(self, unit: Ints) -> Ints:
        """Which unknowns some of these units have."""
        days = int(self.unit_days[unit].max(initial=0))
        others = np.arange(OWN + self.days, self.load.shape[-1])
        return np.concatenate([np.arange(OWN + days), others])

    def line(self, since: ArrayLike) -> tuple[Floats, Floats]:
        """Mean and variance of each field's curve at clock c0 + ``since``, shape (fields,)."""
        ahead = self.fields.rate * np.asarray(since, dtype=np.float64)
        mean = self.fields.level + ahead + self.mean[:, LEVEL] + ahead * self.mean[:, RATE]
        cov = self.cov()
        var = cov[:, LEVEL, LEVEL] + 2 * ahead * cov[:, LEVEL, RATE] + ahead**2 * cov[:, RATE, RATE]
        return mean, var
