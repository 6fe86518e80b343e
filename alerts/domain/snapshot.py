"""What is known of an area at one moment, as the projection wants it: plans and arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from alerts.domain.area_clock import DailyHeat
from alerts.domain.area_fit import RESULT_KINDS
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
    soil: str = ""
    slope: str = ""
    cut_on: date | None = None  # when the cutting before this one was taken


REGROWTH_FROM_DAYS = 14
"""A sample sooner after a cut says nothing of the regrowth: our judgement. What stands then is
stubble and shoots of a hand's height, below the stem tables (16 in), and more often than not the
sample is of the crop just cut, with its day or the cut's written down wrong."""


def is_too_young(cut_on: date | None, sampled_on: date) -> bool:
    """Whether a sample was taken after the last cut, but too soon to be of the regrowth."""
    return cut_on is not None and 0 < (sampled_on - cut_on).days < REGROWTH_FROM_DAYS


def share_days(farm: FarmPlan, fields: Sequence[FieldPlan]) -> NDArray[np.float64]:
    """Days of the farm's harvest that each of all its fields takes: by acres, evenly where acres
    are unsaid. A field already cut keeps its share, so that the rest is not given more."""
    acres = [field.acres for field in fields]
    known = [a for a in acres if a is not None]
    typical = sum(known) / len(known) if known else 1.0
    size = np.array([typical if a is None else a for a in acres], dtype=np.float64)
    size = size if size.sum() > 0 else np.ones_like(size)
    shares: NDArray[np.float64] = farm.harvest_days * size / size.sum()
    return shares


ResultRow = tuple[int, date, float | None, float | None, float | None, Method, int, bool]
"""Field, sampled on, RFV, RFQ, NDF, method, spots of a stem reading, late in the day."""

STEM_SPOTS_FOR_MEAN = 3
"""Fewer spots than this count with the error of a single one."""


@dataclass(frozen=True, slots=True)
class ResultTable:
    """Results of the fields' open cuttings; every array has shape (results,).

    An index that a result does not give is NaN.
    """

    field: NDArray[np.intp]  # position in AreaSnapshot.fields
    day: NDArray[np.intp]  # date.toordinal of sampling
    rfv: NDArray[np.float64]
    rfq: NDArray[np.float64]
    ndf: NDArray[np.float64]
    kind: NDArray[np.intp]  # number in area_fit.RESULT_KINDS
    late: NDArray[np.bool_]  # sampled later in the day than the protocol says

    @classmethod
    def of(cls, rows: Sequence[ResultRow]) -> ResultTable:
        """From single rows, as a database gives them."""
        columns = zip(*rows, strict=True) if rows else iter(((),) * 8)
        field, sampled, rfv, rfq, ndf, method, spots, late = columns
        kinds = [_KIND_NUMBERS[result_kind(m, s)] for m, s in zip(method, spots, strict=True)]
        return cls(
            field=np.array(field, dtype=np.intp),
            day=np.array([day.toordinal() for day in sampled], dtype=np.intp),
            rfv=np.array(rfv, dtype=np.float64),
            rfq=np.array(rfq, dtype=np.float64),
            ndf=np.array(ndf, dtype=np.float64),
            kind=np.array(kinds, dtype=np.intp),
            late=np.array(late, dtype=np.bool_),
        )


_KIND_NUMBERS = {kind: number for number, kind in enumerate(RESULT_KINDS)}


def result_kind(method: Method, spots: int) -> str:
    """Which of ``RESULT_KINDS`` a result is."""
    if method is not Method.STEM:
        return method.value
    return "stem_mean" if spots >= STEM_SPOTS_FOR_MEAN else "stem_one_spot"


@dataclass(frozen=True, slots=True)
class RainAhead:
    """Rain in the forecast of one coming day."""

    day: date
    chance_pct: float | None
    amount_in: float | None


@dataclass(frozen=True, slots=True)
class AreaSnapshot:
    """An area's farms and open fields with their results and weather."""

    id: int
    name: str
    time_zone: str
    farms: tuple[FarmPlan, ...]
    fields: tuple[FieldPlan, ...]
    results: ResultTable
    season_first_day: date
    heat: DailyHeat | None = None
    rain: tuple[RainAhead, ...] = ()
