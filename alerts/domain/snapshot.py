"""What is known of an area at one moment, as the projection wants it: plans and arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from alerts.domain.records import Index, Method, WhichLoad


@dataclass(frozen=True, slots=True)
class FarmPlan:
    """What a farm wants: its target and how its harvest runs."""

    id: int
    name: str
    index: Index
    feed_target: float
    handling_loss: float
    harvest_days: float
    which_load: WhichLoad
    notice_days: int


@dataclass(frozen=True, slots=True)
class FieldPlan:
    id: int
    farm: int  # position in AreaSnapshot.farms
    name: str
    cutting: int
    acres: float | None
    grass_pct: float
    watched: bool


@dataclass(frozen=True, slots=True)
class ResultTable:
    """Results of the fields' open cuttings; every array has shape (results,).

    ``value`` is in the index of the field's farm, NaN where the result does not give that index
    (RFV and RFQ are never exchanged).
    """

    field: NDArray[np.intp]  # position in AreaSnapshot.fields
    day: NDArray[np.float64]  # date.toordinal of sampling
    value: NDArray[np.float64]
    method: NDArray[np.str_]  # values of Method
    spots: NDArray[np.int64]  # 0 except for stem readings
    late: NDArray[np.bool_]  # sampled later in the day than the protocol says

    @classmethod
    def of(cls, rows: list[tuple[int, date, float | None, Method, int, bool]]) -> ResultTable:
        """From rows of (field, sampled on, value, method, spots, late)."""
        field, sampled, value, method, spots, late = zip(*rows, strict=True) if rows else ((),) * 6
        return cls(
            field=np.array(field, dtype=np.intp),
            day=np.array([day.toordinal() for day in sampled], dtype=np.float64),
            value=np.array(value, dtype=np.float64),
            method=np.array(method, dtype=np.str_),
            spots=np.array(spots, dtype=np.int64),
            late=np.array(late, dtype=np.bool_),
        )

    def usable(self) -> ResultTable:
        """Only the results that speak the index of their farm."""
        keep = ~np.isnan(self.value)
        return ResultTable(
            field=self.field[keep],
            day=self.day[keep],
            value=self.value[keep],
            method=self.method[keep],
            spots=self.spots[keep],
            late=self.late[keep],
        )


@dataclass(frozen=True, slots=True)
class AreaSnapshot:
    """An area's farms and open fields with their results."""

    id: int
    name: str
    time_zone: str
    farms: tuple[FarmPlan, ...]
    fields: tuple[FieldPlan, ...]
    results: ResultTable
