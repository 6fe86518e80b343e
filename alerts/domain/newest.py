"""Which result is named for a field: its own, one of its farm, or the middle of fields nearby."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.scale import Floats
from alerts.domain.area_fit import STEM_KINDS
from alerts.domain.area_group import AreaGroup
from alerts.domain.records import Index
from alerts.domain.snapshot import Snapshot

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


class Newest(NamedTuple):
    """What is said of a field's evidence.

    ``value`` None with ``is_area``: on no day were enough fields sampled to name one.
    """

    own: int  # results of its own in the farm's index
    on: date | None
    value: float | None  # [units of the index it is told in]
    told_in: Index
    stands_in: str = ""  # name of the field or area whose results serve; "" for its own
    is_area: bool = False  # stands_in names the area
    area_fields: int = 0  # fields of which ``value`` is the middle


class NewestResults:
    """The results to name for the fields of a group's farms that want an index.

    A field's own come before one of its farm, and these before the area's; among each, the farm's
    index before another. Of other farms' fields no single result is named, since it may be a
    stranger's one stem: only the middle of a day on which ``enough`` fields were sampled, and
    laboratories' results before stem readings.
    """

    def __init__(self, snapshot: Snapshot, group: AreaGroup, wanted: Index, enough: float) -> None:
        evidence = group.evidence
        self._snapshot, self._group, self._evidence = snapshot, group, evidence
        self._wanted, self._enough = wanted, enough
        values = {Index.RFV: evidence.rfv, Index.RFQ: evidence.rfq, Index.NDF: evidence.ndf}
        self._indexes = sorted(values, key=lambda index: index is not wanted)
        self._values = np.stack([values[index] for index in self._indexes])
        # Of one day's results the first comes last: whatever is put in later stands.
        order = np.lexsort((-np.arange(evidence.day.size), evidence.day))
        self._rank = np.empty(order.size + 1, dtype=np.intp)
        self._rank[order], self._rank[-1] = np.arange(order.size), -1
        self._last = np.full((len(self._indexes), group.members.size), -1, dtype=np.intp)
        for last, of_index in zip(self._last, self._values, strict=True):
            speaking = order[~np.isnan(of_index[order])]
            last[evidence.field[speaking]] = speaking
        own = evidence.field[~np.isnan(self._values[0])]
        self._own = np.bincount(own, minlength=group.members.size)
        self._of_area: dict[int, Newest] = {}

    def of_farms(self, places: Ints) -> list[list[Newest]]:
        """The newest of each field of farms; ``places`` are their positions in the group, shape
        (farms, n)."""
        if not self._evidence.day.size:
            return [self._not_sampled(of_farm) for of_farm in places.tolist()]
        last = self._last[:, places]
        mine, mine_index = _first_known(last)
        # The newest of a farm's fields, in each index.
        at = self._rank[last].argmax(axis=-1)[..., None]
        of_farm = np.take_along_axis(last, at, axis=-1)[..., 0]
        near, near_index = _first_known(of_farm)
        stand_in = mine < 0
        chosen = np.where(stand_in, near[:, None], mine)
        index = np.where(stand_in, near_index[:, None], mine_index)
        named = zip(
            near.tolist(),
            places.tolist(),
            self._own[places].tolist(),
            self._evidence.day[chosen].tolist(),
            self._values[index, chosen].tolist(),
            index.tolist(),
            stand_in.tolist(),
            strict=True,
        )
        return [
            self._not_sampled(of_farm) if newest < 0 else list(self._name_each(newest, *of_fields))
            for newest, of_farm, *of_fields in named
        ]

    def _name_each(
        self,
        near: int,
        own: Sequence[int],
        day: Sequence[int],
        value: Sequence[float],
        index: Sequence[int],
        stand_in: Sequence[bool],
    ) -> Iterator[Newest]:
        name = self._name(near) if any(stand_in) else ""
        for of_field in zip(own, day, value, index, stand_in, strict=True):
            number, on, said, at, not_own = of_field
            yield Newest(
                number, date.fromordinal(on), said, self._indexes[at], name if not_own else ""
            )

    def _name(self, result: int) -> str:
        place = int(self._group.members[self._evidence.field[result]])
        return self._snapshot.fields.name[place]

    def _not_sampled(self, places: Sequence[int]) -> list[Newest]:
        """What the area says to the fields of a farm that has no result."""
        unit = int(self._group.stands.unit[places[0]])
        if unit not in self._of_area:
            self._of_area[unit] = self._middle_of_area(unit)
        return [self._of_area[unit]] * len(places)

    def _middle_of_area(self, unit: int) -> Newest:
        here = self._group.unit_of_result == unit
        if not here.any():
            return Newest(0, None, None, self._wanted)
        name = self._snapshot.areas[int(self._group.units[unit])].name
        stems = np.isin(self._evidence.kind, STEM_KINDS)
        for index, values in zip(self._indexes, self._values, strict=True):
            for chosen in (here & ~stems, here):
                found = self._newest_day(chosen & ~np.isnan(values), values)
                if found is not None:
                    day, middles = found
                    return Newest(
                        own=0,
                        on=date.fromordinal(day),
                        value=round(float(np.median(middles)), 2),
                        told_in=index,
                        stands_in=name,
                        is_area=True,
                        area_fields=len(middles),
                    )
        return Newest(0, None, None, self._wanted, name, is_area=True)

    def _newest_day(self, chosen: Flags, values: Floats) -> tuple[int, Sequence[float]] | None:
        """The last day on which enough fields were sampled, with the mean of each of them."""
        days, fields = self._evidence.day, self._evidence.field
        for day in np.unique(days[chosen])[::-1]:
            on = chosen & (days == day)
            sampled = np.unique(fields[on])
            if sampled.size >= self._enough:
                return int(day), [float(values[on & (fields == one)].mean()) for one in sampled]
        return None


def _first_known(last: Ints) -> tuple[Ints, Ints]:
    """Along the indexes, first axis: the first result that there is (-1: none), and its index."""
    which = (last >= 0).argmax(axis=0)
    return np.take_along_axis(last, which[None], axis=0)[0], which
