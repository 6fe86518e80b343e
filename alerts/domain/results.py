"""Many results at once, as columns: a file of many rows is read, judged and stored in these."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, time
from itertools import compress
from typing import Any, overload

from alerts.domain.records import Method, Readings, Result, StemSpot

_READINGS = Result._fields.index("readings")
_MANY_READINGS = len(Readings._fields)
_LABELS = tuple(name for name in Result._fields if name != "readings")


@dataclass(frozen=True, slots=True)
class Results(Sequence[Result]):
    """Results by column, all equally long; a single one is made when it is asked for.

    What a column holds is said at `Result`; ``readings`` has a column for each field of `Readings`.
    """

    row: Sequence[int]
    field_label: Sequence[str]
    farm_label: Sequence[str]
    sampled_on: Sequence[date]
    sampled_at: Sequence[time | None]
    method: Sequence[Method]
    lab: Sequence[str]
    lab_number: Sequence[str]
    cutting: Sequence[int | None]
    readings: Sequence[Sequence[float | None]]
    spots: Sequence[tuple[StemSpot, ...]]
    remark: Sequence[str]

    @classmethod
    def of(cls, results: Iterable[Result]) -> Results:
        columns: list[Any] = list(zip(*results, strict=True)) or [()] * len(Result._fields)
        columns[_READINGS] = list(zip(*columns[_READINGS], strict=True)) or [()] * _MANY_READINGS
        return cls(*columns)

    def kept(self, which: Sequence[bool]) -> Results:
        """Those for which ``which``, one for each, is true."""
        columns = self._alongside([list(compress(column, which)) for column in self.readings])
        return Results(
            *(
                column if place == _READINGS else list(compress(column, which))
                for place, column in enumerate(columns)
            )
        )

    def _alongside(self, readings: Any) -> list[Any]:
        """The columns in the order of the fields of `Result`, with these for the readings."""
        columns = [getattr(self, name) for name in Result._fields]
        columns[_READINGS] = readings
        return columns

    def __len__(self) -> int:
        return len(self.row)

    @overload
    def __getitem__(self, place: int) -> Result: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[Result]: ...
    def __getitem__(self, place: int | slice) -> Result | Sequence[Result]:
        if isinstance(place, slice):
            return [self[one] for one in range(*place.indices(len(self)))]
        readings = Readings(*(column[place] for column in self.readings))
        labels = {name: getattr(self, name)[place] for name in _LABELS}
        return Result(readings=readings, **labels)

    def __iter__(self) -> Iterator[Result]:
        readings = map(Readings, *self.readings)
        return map(Result, *self._alongside(readings))
