"""Dated results of an area in one spring and one cutting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.scale import Floats
from alerts.domain.records import Index

Ints = NDArray[np.intp]

SEASON_GAP_DAYS = 120
"""Results further apart than this belong to different years."""


@dataclass(frozen=True, slots=True)
class Season:
    """All results of one area, cutting and year; those of ``values`` are NaN where not given.

    area, cutting : what the file calls them
    series : names of the fields, ``grass_pct`` [% of the stand] of each, shape (series,)
    field : position in ``series``, shape (results,)
    day : ordinal day of sampling, shape (results,)
    kind : number in ``domain.area_fit.RESULT_KINDS``, shape (results,)
    values : index values, each of shape (results,)
    clock : degree days up to that morning, told in ordinary days, shape (results,); None where
        the calendar is the clock
    """

    area: str
    cutting: int
    series: tuple[str, ...]
    grass_pct: Floats
    field: Ints
    day: Ints
    kind: Ints
    values: Mapping[Index, Floats]
    clock: Floats | None = None

    @property
    def year(self) -> int:
        """Year of the first result."""
        return date.fromordinal(int(self.day.min())).year

    @property
    def days(self) -> Ints:
        """Sampling days in order."""
        return np.unique(self.day)
