"""What is known of areas at one moment, as the projection wants it: plans and arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from alerts.domain.area_clock import DailyHeat
from alerts.domain.records import Index, Method, WhichLoad

Ints = NDArray[np.intp]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


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


NEVER = 0
"""The day number of what has not happened."""


@dataclass(frozen=True, slots=True)
class FieldTable:
    """Open fields, those of one area next to each other; everything has shape (fields,)."""

    id: Ints
    farm: Ints  # position in Snapshot.farms
    name: Sequence[str]
    cutting: Ints
    acres: Floats  # NaN: nobody said
    grass_pct: Floats
    watched: Flags
    soil: Sequence[str]
    slope: Sequence[str]
    cut_on: Ints  # day number of the cut before this cutting; NEVER: none, or none known


REGROWTH_FROM_DAYS = 14
"""A sample sooner after a cut says nothing of the regrowth: our judgement. What stands then is
stubble and shoots of a hand's height, below the stem tables (16 in), and more often than not the
sample is of the crop just cut, with its day or the cut's written down wrong."""


def is_too_young(cut_on: date | None, sampled_on: date) -> bool:
    """Whether a sample was taken after the last cut, but too soon to be of the regrowth."""
    return cut_on is not None and 0 < (sampled_on - cut_on).days < REGROWTH_FROM_DAYS


class _Standing(Protocol):
    """What a field's crop is known by."""

    @property
    def cutting(self) -> int: ...
    @property
    def cut_on(self) -> date | None: ...


def belongs_to_open_cutting(field: _Standing, cutting: int | None, sampled_on: date) -> bool:
    """Whether a sample is of the crop that stands on the field now, and speaks for it."""
    if is_too_young(field.cut_on, sampled_on):
        return False
    return is_after_last_cut(field, cutting, sampled_on)


def is_after_last_cut(field: _Standing, cutting: int | None, sampled_on: date) -> bool:
    """Whether a sample was taken since the last cut, be it too soon after to count."""
    if field.cut_on is not None and sampled_on <= field.cut_on:
        return False
    return cutting is None or cutting == field.cutting


def are_old_enough(cut_on: Ints, day: Ints) -> Flags:
    """Which samples of an open cutting, by the day numbers of the cut before it (NEVER: none) and
    of the sampling, were taken long enough after it to speak of the regrowth; any shape."""
    old_enough: Flags = (cut_on == NEVER) | (day - cut_on >= REGROWTH_FROM_DAYS)
    return old_enough


def share_days(harvest_days: Floats, farm: Ints, acres: Floats) -> Floats:
    """Days of its farm's harvest that each field takes: by acres, evenly where acres are unsaid.

    Parameters
    ----------
    harvest_days : of each farm, shape (farms,) [d]
    farm : number of each field's farm, shape (fields,)
    acres : of each field, shape (fields,) [acres, 0 or more; NaN: unsaid, taken as the others']

    Notes
    -----
    All of a farm's fields are given: one already cut keeps its share, so that the rest is not
    given more.
    """
    farms, known = harvest_days.size, ~np.isnan(acres)
    said = _per_farm(farm[known], acres[known], farms)
    number = np.bincount(farm[known], minlength=farms)
    typical = np.where(number > 0, said / np.maximum(number, 1), 1.0)
    size = np.where(known, acres, typical[farm])
    nothing = _per_farm(farm, size, farms) <= 0
    size = np.where(nothing[farm], 1.0, size)
    shares: Floats = harvest_days[farm] * size / _per_farm(farm, size, farms)[farm]
    return shares


def _per_farm(farm: Ints, values: Floats, farms: int) -> Floats:
    return np.bincount(farm, weights=values, minlength=farms).astype(np.float64, copy=False)


STEM_SPOTS_FOR_MEAN = 3
"""Fewer spots than this count with the error of a single one."""


@dataclass(frozen=True, slots=True)
class ResultTable:
    """Results of the fields' open cuttings; every array has shape (results,).

    Those of one field are in order of their days. An index that a result does not give is NaN.
    """

    field: Ints  # position in Snapshot.fields
    day: Ints  # date.toordinal of sampling
    rfv: Floats
    rfq: Floats
    ndf: Floats
    kind: Ints  # number in area_fit.RESULT_KINDS
    late: Flags  # sampled later in the day than the protocol says


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
class AreaPlan:
    """An area, and its weather where it is known."""

    id: int
    name: str
    time_zone: str
    heat: DailyHeat | None = None
    rain: tuple[RainAhead, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Some areas' farms and open fields, with their results."""

    areas: tuple[AreaPlan, ...]
    farms: tuple[FarmPlan, ...]
    area: Ints  # of each farm, its position in ``areas``, not falling
    fields: FieldTable
    results: ResultTable
    season_first_day: date
