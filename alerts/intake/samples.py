"""Rows of laboratory results, by the columns their layout gives."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from itertools import compress
from operator import attrgetter
from typing import Any, TypeVar, cast

import numpy as np

from alerts.domain.records import Method, Note, Readings, Rejection, Result
from alerts.domain.results import Results
from alerts.intake.base import ReadingRules
from alerts.intake.cells import (
    CellFault,
    CuttingReader,
    DateReader,
    FarmAndFieldReader,
    LabelReader,
    MethodReader,
    NumberReader,
    TimeReader,
    plausible,
)
from alerts.intake.columns import ABSENT, ATTRIBUTES, Columns, Numbers, floats
from alerts.intake.labmap import FARM_AND_FIELD, LabMap
from alerts.intake.layout import Layout
from alerts.intake.readings import READINGS
from alerts.intake.table import Block, Findings, Header, Table, comparable, raw_row

_LESS_EXACT = Method.NIR
Found = TypeVar("Found", Note, Rejection)

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


@dataclass(slots=True)
class SampleReader:
    """Reads one row after another and remembers what is worth a word at the end."""

    labels: Columns[object]
    numbers: Numbers
    layout: Layout
    notes: list[Note]
    without_method: int = 0

    def of_block(
        self, block: Block, rejected: Callable[[int, list[str], CellFault], None]
    ) -> Results:
        """Read many rows at once; ``rejected`` is told of each that cannot be used.

        Whatever is not plainly right is read again on its own, and so judged as `read` judges.
        """
        if not block.rows:
            return Results.of(())
        many, by_column = len(block.rows), list(zip(*block.rows, strict=True))
        again: set[int] = set()
        labels = self.labels.of_block(by_column, many, again)
        readings = self.numbers.of_block(by_column, many, again)
        again.update(_want_a_closer_look(readings))
        singly: list[Result] = []
        for place in sorted(again):
            line, cells = block.lines[place], block.rows[place]
            try:
                singly.append(self.read(line, [*cells, ""]))
            except CellFault as fault:
                rejected(line, cells, fault)
        results = self._plain(block.lines, labels, readings, again)
        if singly:
            results = Results.of(sorted([*results, *singly], key=attrgetter("row")))
        return results

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

    def _plain(
        self,
        lines: Sequence[int],
        labels: list[list[Any]],
        readings: list[list[float | None]],
        left_out: Collection[int],
    ) -> Results:
        """The results of all rows but those left out."""
        if left_out:
            kept = [place not in left_out for place in range(len(lines))]
            lines = list(compress(lines, kept))
            labels = [list(compress(column, kept)) for column in labels]
            readings = [list(compress(column, kept)) for column in readings]
        farm, name, days, times, lab, number, methods, cutting, remark = labels
        if not_said := methods.count(None):
            self.without_method += not_said
            methods = [method or _LESS_EXACT for method in methods]
        return Results(
            row=lines,
            field_label=name,
            farm_label=farm,
            sampled_on=[day for day, _ in days],
            sampled_at=[at or hour for at, (_, hour) in zip(times, days, strict=True)],
            method=methods,
            lab=lab,
            lab_number=number,
            cutting=cutting,
            readings=readings,
            spots=[()] * len(lines),
            remark=remark,
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


def _want_a_closer_look(readings: Sequence[Sequence[float | None]]) -> list[int]:
    """The places of rows of which `SampleReader` may have something to say."""
    values = dict(zip(ATTRIBUTES, map(floats, readings), strict=True))
    absent = {name: np.isnan(value) for name, value in values.items()}
    only_30_h = absent["ndfd48_pct_ndf"] & ~absent["ndfd30_pct_ndf"]
    no_way = absent["ndf_pct_dm"] & absent["rfv"]
    exchanged = values["adf_pct_dm"] >= values["ndf_pct_dm"]
    found: list[int] = np.flatnonzero(exchanged | (absent["rfq"] & (only_30_h | no_way))).tolist()
    return found


def read_samples(
    table: Table,
    header: Header,
    layout: Layout,
    lab_map: LabMap,
    lab: str,
    lab_names: Mapping[str, str],
    rules: ReadingRules,
    findings: Findings,
) -> Iterator[Results]:
    """Read every row below `header`, a lot at a time: each ends among the results or in `findings`.

    `lab` is the laboratory of rows that name none; `lab_names` gives its full name by its key.
    """
    findings.notes.extend(layout.notes)
    labels = _labels(layout, lab_map, lab, lab_names, rules)
    reader = SampleReader(labels, _numbers(layout, lab_map, rules), layout, findings.notes)
    results = 0

    def rejected(line: int, cells: list[str], fault: CellFault) -> None:
        raw = raw_row(header, cells, table.max_cell_chars)
        findings.rejections.append(Rejection(line, fault.column, fault.reason, raw))

    noted, refused = len(findings.notes), 0
    for block in table.blocks(header, layout.places["sampled_on"].index, findings):
        lot = reader.of_block(block, rejected)
        _put_in_order(findings.notes, noted)
        _put_in_order(findings.rejections, refused)
        noted, refused = len(findings.notes), len(findings.rejections)
        results += len(lot)
        if lot:
            yield lot
    if reader.without_method:
        text = "The method is not said; it is taken as NIR."
        if results > 1:
            text = f"Rows that do not say their method: {reader.without_method}; taken as NIR."
        findings.notes.append(Note(header.line, layout.header("method"), text))


def _put_in_order(found: list[Found], start: int) -> None:
    """Sort what a block gave by its rows; the block as a whole was looked at before each row."""
    found[start:] = sorted(found[start:], key=attrgetter("row"))


def _numbers(layout: Layout, lab_map: LabMap, rules: ReadingRules) -> Numbers:
    readers = tuple(_number_reader(layout, lab_map, rules, name) for name in ATTRIBUTES)
    columns = [
        (_index_of(layout, reader.reading.name), reader) if reader else (ABSENT, _nothing)
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
    return place.index if place else ABSENT


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
