"""Matrix products between fields and the units they belong to.

Units have few fields or many. Those with equally many are stacked and multiplied at once, so that
neither a loop over units nor a copy of a unit's matrix for each of its fields is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

FEW = 12
"""Up to so many matrices are inverted quicker one by one."""


def inverses(matrices: Floats) -> Floats:
    """Inverse of each symmetric positive definite matrix, shape (units, k, k).

    All at once by sweeping one pivot after the other, which needs no exchange of rows where every
    matrix is positive definite (Goodnight, J.H., 1979, A tutorial on the SWEEP operator; from
    memory).
    """
    if matrices.shape[0] <= FEW:
        return np.linalg.inv(matrices).astype(np.float64, copy=False)
    # The units last: long stretches of numbers for each step.
    swept = np.ascontiguousarray(matrices.transpose(1, 2, 0))
    for pivot in range(swept.shape[0]):
        column = swept[:, pivot].copy()
        row = swept[pivot] / column[pivot]
        part = 1.0 / column[pivot]
        swept -= column[:, None] * row
        swept[pivot] = row
        swept[:, pivot] = -column * part
        swept[pivot, pivot] = part
    return np.ascontiguousarray(swept.transpose(2, 0, 1))


@dataclass(frozen=True, slots=True)
class UnitBatches:
    """Units stacked by their number of fields.

    units : number of units
    stacks : for each number of fields n that occurs, the units, shape (stacked,), and their
        fields, shape (stacked, n)
    """

    units: int
    stacks: tuple[tuple[Ints, Ints], ...]

    @classmethod
    def of(cls, unit: Ints, units: int) -> UnitBatches:
        """From the unit of each field, not falling, shape (fields,)."""
        sizes = np.bincount(unit, minlength=units)
        starts = np.cumsum(sizes) - sizes
        stacks = []
        for size in np.unique(sizes[sizes > 0]):
            chosen = np.flatnonzero(sizes == size)
            stacks.append((chosen, starts[chosen, None] + np.arange(size)))
        return cls(units, tuple(stacks))

    def total(self, per_field: Floats) -> Floats:
        """Sum over each unit's fields, (..., fields) to (..., units); zeros for a unit without."""
        out = np.zeros((*per_field.shape[:-1], self.units))
        for units, fields in self.stacks:
            out[..., units] = _stacked(per_field, fields).sum(axis=-1)
        return out

    def summed(self, left: Floats, right: Floats) -> Floats:
        """Sum over each unit's fields, and over rows, of left times right.

        ``left`` of shape (rows, k, fields) and ``right`` of (rows, m, fields) give (units, k, m);
        zeros for a unit without fields.
        """
        out = np.zeros((self.units, left.shape[1], right.shape[1]))
        for units, fields in self.stacks:
            one = _stacked(left, fields).transpose(0, 2, 1, 3)
            other = _stacked(right, fields).transpose(0, 2, 3, 1)
            out[units] = (one @ other).sum(axis=0)
        return out

    def times(self, per_field: Floats, per_unit: Floats) -> Floats:
        """Each field's matrix times that of its unit.

        ``per_field`` of shape (rows, k, fields) and ``per_unit`` of (units, k, m) give
        (rows, m, fields).
        """
        rows, columns = per_field.shape[0], per_unit.shape[2]
        out = np.empty((rows, columns, per_field.shape[2]))
        turned = per_unit.transpose(0, 2, 1)
        for units, fields in self.stacks:
            own = turned if units.size == self.units else turned[units]
            product = own @ _stacked(per_field, fields).transpose(0, 2, 1, 3)
            product = product.transpose(0, 2, 1, 3)
            if fields.size == per_field.shape[2]:
                out.reshape(product.shape)[...] = product
            else:
                out[..., fields] = product
        return out


def _stacked(per_field: Floats, fields: Ints) -> Floats:
    """The last axis, of fields, as units and their fields."""
    # Where all units have equally many fields, theirs are all fields in order: no copy.
    chosen = per_field if fields.size == per_field.shape[-1] else per_field[..., fields.ravel()]
    return chosen.reshape(*per_field.shape[:-1], *fields.shape)
