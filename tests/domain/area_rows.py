"""Areas written down as rows, one field and one result at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from alerts.domain.area_fit import RESULT_KINDS
from alerts.domain.records import Method
from alerts.domain.snapshot import (
    NEVER,
    AreaPlan,
    FarmPlan,
    FieldTable,
    ResultTable,
    Snapshot,
    result_kind,
)


@dataclass(frozen=True, slots=True)
class FieldPlan:
    id: int
    farm: int  # position among the farms
    name: str
    cutting: int
    acres: float | None
    grass_pct: float
    watched: bool
    soil: str = ""
    slope: str = ""
    cut_on: date | None = None


ResultRow = tuple[int, date, float | None, float | None, float | None, Method, int, bool]
"""Field, sampled on, RFV, RFQ, NDF, method, spots of a stem reading, late in the day."""


def one_area(
    farms: Sequence[FarmPlan], fields: Sequence[FieldPlan], rows: Sequence[ResultRow], **said: Any
) -> Snapshot:
    """An area of these farms and fields; ``said`` is what `AreaPlan` takes besides."""
    return Snapshot(
        areas=(AreaPlan(1, "Upper Vale", "America/Chicago", **said),),
        farms=tuple(farms),
        area=np.zeros(len(farms), dtype=np.intp),
        fields=field_table(fields),
        results=result_table(rows),
        season_first_day=date(2031, 3, 1),
    )


def field_table(fields: Sequence[FieldPlan]) -> FieldTable:
    def of(name: str, kind: type) -> Any:
        return np.array([getattr(field, name) for field in fields], dtype=kind)

    return FieldTable(
        id=of("id", np.intp),
        farm=of("farm", np.intp),
        name=[field.name for field in fields],
        cutting=of("cutting", np.intp),
        acres=of("acres", np.float64),
        grass_pct=of("grass_pct", np.float64),
        watched=of("watched", np.bool_),
        soil=[field.soil for field in fields],
        slope=[field.slope for field in fields],
        cut_on=np.array(
            [NEVER if field.cut_on is None else field.cut_on.toordinal() for field in fields],
            dtype=np.intp,
        ),
    )


def result_table(rows: Sequence[ResultRow]) -> ResultTable:
    columns = zip(*rows, strict=True) if rows else iter(((),) * 8)
    field, sampled, rfv, rfq, ndf, method, spots, late = columns
    kinds = [
        RESULT_KINDS.index(result_kind(how, number))
        for how, number in zip(method, spots, strict=True)
    ]
    return ResultTable(
        field=np.array(field, dtype=np.intp),
        day=np.array([day.toordinal() for day in sampled], dtype=np.intp),
        rfv=np.array(rfv, dtype=np.float64),
        rfq=np.array(rfq, dtype=np.float64),
        ndf=np.array(ndf, dtype=np.float64),
        kind=np.array(kinds, dtype=np.intp),
        late=np.array(late, dtype=np.bool_),
    )
