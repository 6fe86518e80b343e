"""Which result is named for a field: its own, one of its farm, or the middle of fields nearby."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.scale import Floats
from alerts.domain.area_fit import STEM_KINDS
from alerts.domain.area_group import AreaGroup
from alerts.domain.records import Index
from alerts.domain.snapshot import AreaSnapshot

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Newest:
    """What is said of a field's evidence.

    ``value`` None with ``is_area``: on no day were enough fields sampled to name one.
    """

    own: int  # results of its own in the farm's index
    on: date | None
    value: float | None  # [units of ``index``]
    index: Index
    stands_in: str = ""  # name of the field or area whose results serve; "" for its own
    is_area: bool = False  # stands_in names the area
    area_fields: int = 0  # fields of which ``value`` is the middle


class NewestResults:
    """The results to name for a farm's fields.

    A field's own come before one of its farm, and these before the area's; among each, the farm's
    index before another. Of other farms' fields no single result is named, since it may be a
    stranger's one stem: only the middle of a day on which ``enough`` fields were sampled, and
    laboratories' results before stem readings.
    """

    def __init__(
        self,
        area: AreaSnapshot,
        group: AreaGroup,
        places: NDArray[np.intp],
        wanted: Index,
        enough: float,
    ) -> None:
        evidence = group.evidence
        self._area, self._group, self._evidence = area, group, evidence
        self._wanted, self._enough = wanted, enough
        self._values = {Index.RFV: evidence.rfv, Index.RFQ: evidence.rfq, Index.NDF: evidence.ndf}
        self._farms = np.isin(evidence.field, places)
        self._indexes = sorted(self._values, key=lambda index: index is not wanted)

    def of(self, place: int) -> Newest:
        """The newest of one field; ``place`` is its position in the group."""
        mine: Flags = self._evidence.field == place
        own = int((mine & self._speaks(self._wanted)).sum())
        for whose in (mine, self._farms):
            for index in self._indexes:
                chosen = np.flatnonzero(whose & self._speaks(index))
                if chosen.size:
                    last = int(chosen[np.argmax(self._evidence.day[chosen])])
                    return Newest(
                        own=own,
                        on=date.fromordinal(int(self._evidence.day[last])),
                        value=float(self._values[index][last]),
                        index=index,
                        stands_in="" if whose is mine else self._name(last),
                    )
        return self._of_area

    @cached_property
    def _of_area(self) -> Newest:
        return self._middle_of_area()

    def _speaks(self, index: Index) -> Flags:
        return ~np.isnan(self._values[index])

    def _name(self, result: int) -> str:
        place = int(self._group.members[self._evidence.field[result]])
        return self._area.fields[place].name

    def _middle_of_area(self) -> Newest:
        others = ~self._farms
        if not others.any():
            return Newest(0, None, None, self._wanted)
        stems = np.isin(self._evidence.kind, STEM_KINDS)
        for index in self._indexes:
            for chosen in (others & ~stems, others):
                found = self._newest_day(chosen & self._speaks(index), self._values[index])
                if found is not None:
                    day, middles = found
                    return Newest(
                        own=0,
                        on=date.fromordinal(day),
                        value=round(float(np.median(middles)), 2),
                        index=index,
                        stands_in=self._area.name,
                        is_area=True,
                        area_fields=len(middles),
                    )
        return Newest(0, None, None, self._wanted, self._area.name, is_area=True)

    def _newest_day(self, chosen: Flags, values: Floats) -> tuple[int, Sequence[float]] | None:
        """The last day on which enough fields were sampled, with the mean of each of them."""
        days, fields = self._evidence.day, self._evidence.field
        for day in np.unique(days[chosen])[::-1]:
            on = chosen & (days == day)
            sampled = np.unique(fields[on])
            if sampled.size >= self._enough:
                return int(day), [float(values[on & (fields == one)].mean()) for one in sampled]
        return None
