"""Columns of cells read together, each distinct text once, and the columns of readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from operator import getitem, itemgetter
from typing import Generic, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.units import dry_matter_basis
from alerts.domain.records import Readings
from alerts.intake.cells import CellFault, Memo, NumberReader

ATTRIBUTES = Readings._fields
_DM = ATTRIBUTES.index("dm_pct")
ABSENT = -1  # a column that is not there is read from an empty cell put behind each row
T = TypeVar("T")
Floats = NDArray[np.float64]


class Columns(Generic[T]):
    """Some columns of a row, each with a reader that is asked once for each distinct text."""

    __slots__ = ("_indexes", "_memos", "_pick")

    def __init__(self, columns: Sequence[tuple[int, Callable[[str], T]]]) -> None:
        self._indexes = tuple(index for index, _ in columns)
        self._pick = itemgetter(*self._indexes)
        self._memos = tuple(Memo(read) for _, read in columns)

    def values(self, cells: list[str]) -> Iterator[T]:
        """Read the columns of one row, in order. Raises CellFault."""
        return map(getitem, self._memos, self._pick(cells))

    def of_block(
        self, block: Sequence[Sequence[str]], many: int, faulty: set[int]
    ) -> list[list[T]]:
        """Read the columns of a block of ``many`` rows, given by column.

        A row with a cell that cannot be used is put into ``faulty`` by its place, and its values
        mean nothing.
        """
        return [
            self._column(memo, block[index] if index != ABSENT else [""] * many, faulty)
            for index, memo in zip(self._indexes, self._memos, strict=True)
        ]

    def _column(self, memo: Memo[T], cells: Sequence[str], faulty: set[int]) -> list[T]:
        try:
            return list(map(memo.__getitem__, cells))
        except CellFault:
            return self._with_faults(memo, cells, faulty)

    def _with_faults(self, memo: Memo[T], cells: Sequence[str], faulty: set[int]) -> list[T]:
        bad = set()
        for cell in set(cells) - memo.keys():
            try:
                memo[cell]
            except CellFault:
                bad.add(cell)
        faulty.update(place for place, cell in enumerate(cells) if cell in bad)
        return cast("list[T]", list(map(memo.get, cells)))


@dataclass(frozen=True, slots=True)
class Numbers:
    """The columns of readings, in the order of the attributes of `Readings`."""

    columns: Columns[float | None]
    readers: tuple[NumberReader | None, ...]
    as_fed: tuple[int, ...]  # which of them need the dry matter of their row

    def read(self, cells: list[str]) -> Readings:
        """Raises CellFault for a cell, or for a row without the dry matter its values need."""
        values = self.columns.values(cells)
        return Readings(*(self._dry_matter_basis(list(values)) if self.as_fed else values))

    def of_block(
        self, block: Sequence[Sequence[str]], many: int, faulty: set[int]
    ) -> list[list[float | None]]:
        """The same of many rows, by column; rows that cannot be used are put into ``faulty``."""
        values = self.columns.of_block(block, many, faulty)
        dm_pct = floats(values[_DM])
        for place in self.as_fed:
            values[place] = self._converted(place, values[place], dm_pct, faulty)
        return values

    def _converted(
        self, place: int, column: list[float | None], dm_pct: Floats, faulty: set[int]
    ) -> list[float | None]:
        reader = self.readers[place]
        assert reader is not None
        given = floats(column)
        converted = np.asarray(dry_matter_basis(given, dm_pct)).tolist()
        low, high = reader.limits
        of_dm: list[float | None] = []
        for row, (value, new) in enumerate(zip(column, converted, strict=True)):
            rounded = None if value is None else round(new, 6)
            if rounded is not None and not low <= rounded <= high:  # NaN is not between them
                faulty.add(row)
            of_dm.append(rounded)
        return of_dm

    def _dry_matter_basis(self, values: list[float | None]) -> list[float | None]:
        given = [place for place in self.as_fed if values[place] is not None]
        if not given:
            return values
        dm_pct = values[_DM]
        if dm_pct is None:
            dm_reader = self.readers[_DM]
            raise CellFault(
                dm_reader.header if dm_reader else "",
                "This row has as-fed values but no dry matter to convert them: fill it in.",
            )
        as_fed = np.array([values[place] for place in given], dtype=np.float64)
        converted = np.asarray(dry_matter_basis(as_fed, dm_pct)).tolist()
        for place, value in zip(given, converted, strict=True):
            values[place] = self._checked(place, value, dm_pct)
        return values

    def _checked(self, place: int, value: float, dm_pct: float) -> float:
        reader = self.readers[place]
        assert reader is not None
        if np.isnan(value):
            raise CellFault(
                reader.header,
                f"{reader.reading.label} is more than the dry matter of {dm_pct:g} %: "
                "check both values.",
            )
        return reader.checked(round(value, 6))


def floats(column: Sequence[float | None]) -> Floats:
    """A column of readings with NaN where the row says nothing."""
    return np.array(column, dtype=np.float64)
