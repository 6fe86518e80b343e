"""Rows of laboratory results, by the columns their layout gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, time
from operator import getitem, itemgetter
from typing import Generic, TypeVar, cast

import numpy as np

from alerts.agronomy.units import dry_matter_basis
from alerts.domain.records import Method, Note, Readings, Rejection, Result
from alerts.intake.base import ReadingRules
from alerts.intake.cells import (
    CellFault,
    CuttingReader,
    DateReader,
    FarmAndFieldReader,
    LabelReader,
    Memo,
    MethodReader,
    NumberReader,
    TimeReader,
    plausible,
)
from alerts.intake.labmap import FARM_AND_FIELD, LabMap
from alerts.intake.layout import Layout
from alerts.intake.readings import READINGS
from alerts.intake.table import Findings, Header, Table, comparable, raw_row

ATTRIBUTES = tuple(one.name for one in fields(Readings))
_DM = ATTRIBUTES.index("dm_pct")
_ABSENT = -1  # a column that is not there is read from an empty cell put behind each row
_LESS_EXACT = Method.NIR
T = TypeVar("T")

LabelValues = tuple[
    str,  # farm
    str,  # field
    tuple[date, time | None],  # day, and time of day where the column of the day holds it too
    time | None,  # time of day
    str,  # laboratory
    str,  # its number for the sample
    Method | None,
    int | None,  # cutting
    str,  # remark
]


class Columns(Generic[T]):
    """Some columns of a row, each with a reader that is asked once for each distinct text."""

    __slots__ = ("_memos", "_pick")

    def __init__(self, columns: Sequence[tuple[int, Callable[[str], T]]]) -> None:
        self._pick = itemgetter(*(index for index, _ in columns))
        self._memos = tuple(Memo(read) for _, read in columns)

    def values(self, cells: list[str]) -> Iterator[T]:
        """Read the columns of one row, in order. Raises CellFault."""
        return map(getitem, self._memos, self._pick(cells))


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


@dataclass(slots=True)
class SampleReader:
    """Reads one row after another and remembers what is worth a word at the end."""

    labels: Columns[object]
    numbers: Numbers
    layout: Layout
    notes: list[Note]
    without_method: int = 0

    def read(self, row: int, cells: list[str]) -> Result:
        """Turn the cells of a row, and an empty one behind them, into a result.

        Raises CellFault.
        """
        farm, name, (day, hour), sampled_at, lab, lab_number, method, cutting, remark = cast(
            "LabelValues", self.labels.values(cells)
        )
        readings = self.numbers.read(cells)
        self._check(row, readings)
        if method is None:
            self.without_method += 1
            method = _LESS_EXACT
        return Result(
            row,
            name,
            farm,
            day,
            sampled_at or hour,
            method,
            lab,
            lab_number,
            cutting,
            readings,
            (),
            remark,
        )

    def _check(self, row: int, readings: Readings) -> None:
        ndf, adf = readings.ndf_pct_dm, readings.adf_pct_dm
        if ndf is not None and adf is not None and adf >= ndf:
            raise CellFault(
                self.layout.header("adf"),
                f"ADF of {adf:g} is not below NDF of {ndf:g}, of which it is a part: "
                "check whether the two were exchanged.",
            )
        if readings.rfq is None:
            self._check_without_rfq(row, readings)

    def _check_without_rfq(self, row: int, readings: Readings) -> None:
        only_30_h = readings.ndfd30_pct_ndf is not None and readings.ndfd48_pct_ndf is None
        if readings.ndf_pct_dm is None and readings.rfv is None:
            if only_30_h:
                raise CellFault(
                    self.layout.header("ndfd30"),
                    "This row has NDFD at 30 h only, and RFQ needs it at 48 h: "
                    "give NDF, RFV or RFQ.",
                )
            raise CellFault("", "This row has no NDF, RFV or RFQ: give at least one of them.")
        if only_30_h:
            text = "RFQ not computed: needs NDFD at 48 h."
            self.notes.append(Note(row, self.layout.header("ndfd30"), text))


def read_samples(
    table: Table,
    header: Header,
    layout: Layout,
    lab_map: LabMap,
    lab: str,
    lab_names: Mapping[str, str],
    rules: ReadingRules,
) -> tuple[list[Result], Findings]:
    """Read every row below `header`: each ends among the results or in the findings.

    `lab` is the laboratory of rows that name none; `lab_names` gives its full name by its key.
    """
    findings = Findings(notes=list(layout.notes))
    labels = _labels(layout, lab_map, lab, lab_names, rules)
    reader = SampleReader(labels, _numbers(layout, lab_map, rules), layout, findings.notes)
    results: list[Result] = []
    for line, cells in table.rows(header, layout.places["sampled_on"].index, findings):
        cells.append("")
        try:
            results.append(reader.read(line, cells))
        except CellFault as fault:
            raw = raw_row(header, cells[:-1], table.max_cell_chars)
            findings.rejections.append(Rejection(line, fault.column, fault.reason, raw))
    if reader.without_method:
        text = "The method is not said; it is taken as NIR."
        if len(results) > 1:
            text = f"Rows that do not say their method: {reader.without_method}; taken as NIR."
        findings.notes.append(Note(header.line, layout.header("method"), text))
    return results, findings


def _numbers(layout: Layout, lab_map: LabMap, rules: ReadingRules) -> Numbers:
    readers = tuple(_number_reader(layout, lab_map, rules, name) for name in ATTRIBUTES)
    columns = [
        (_index_of(layout, reader.reading.name), reader) if reader else (_ABSENT, _nothing)
        for reader in readers
    ]
    as_fed = tuple(
        place for place, reader in enumerate(readers) if reader and reader.is_as_fed_part
    )
    return Numbers(Columns(columns), readers, as_fed)


def _nothing(_cell: str) -> float | None:
    return None


def _index_of(layout: Layout, holds: str) -> int:
    place = layout.get(holds)
    return place.index if place else _ABSENT


def _number_reader(
    layout: Layout, lab_map: LabMap, rules: ReadingRules, attribute: str
) -> NumberReader | None:
    for reading in READINGS.values():
        place = layout.get(reading.name)
        if place and reading.attribute == attribute:
            unit = place.column.parsed_unit
            assert unit is not None
            limits = plausible(reading, rules)
            return NumberReader(place.header, reading, unit, limits, lab_map.decimal_mark)
    return None


def _labels(
    layout: Layout, lab_map: LabMap, lab: str, lab_names: Mapping[str, str], rules: ReadingRules
) -> Columns[object]:
    """Give the columns of `LabelValues`, in its order."""

    def column(holds: str, reader: Callable[[str], object]) -> tuple[int, Callable[[str], object]]:
        return _index_of(layout, holds), reader

    head = layout.header
    label = LabelReader(head("lab"), default=lab)
    methods = {comparable(word): method for word, method in lab_map.method_words.items()}
    return Columns(
        [
            *_farm_and_field(layout),
            column("sampled_on", DateReader(head("sampled_on"), lab_map.date_formats, rules)),
            column("sampled_at", TimeReader(head("sampled_at"), lab_map.time_formats)),
            column("lab", lambda cell: lab_names.get((name := label(cell)).casefold(), name)),
            column("lab_number", LabelReader(head("lab_number"))),
            column("method", MethodReader(head("method"), methods, lab_map.method)),
            column("cutting", CuttingReader(head("cutting"))),
            column("remark", LabelReader(head("remark"))),
        ]
    )


def _farm_and_field(layout: Layout) -> list[tuple[int, Callable[[str], object]]]:
    both = layout.get(FARM_AND_FIELD)
    if both:
        farm, name = (
            FarmAndFieldReader(both.header, both.column.split_on, part) for part in (0, 1)
        )
        return [(both.index, farm), (both.index, name)]
    return [
        (_index_of(layout, "farm"), LabelReader(layout.header("farm"))),
        (_index_of(layout, "field"), LabelReader(layout.header("field"), needed="field")),
    ]
