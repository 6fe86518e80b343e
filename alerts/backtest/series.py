"""A table of dated results as seasons: one row a result, in any order.

What cannot be used is listed with its row and the reason, and the rest goes on; only a table that
cannot be read at all is refused. Two rows of one series and day are two results of that day, as
when a field is clipped twice; a row that repeats another one in all we use counts once.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

import numpy as np

from alerts.backtest.columns import (
    Columns,
    date_forms,
    find_header,
    grass_pct,
    read_cutting,
    read_date,
    read_heat,
    result_kind,
)
from alerts.backtest.seasons import SEASON_GAP_DAYS, Season
from alerts.domain.errors import UnreadableDocument
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index, Note, Rejection
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.cells import CellFault, Memo, NumberReader, plausible
from alerts.intake.table import Findings, Table, open_table, raw_row
from alerts.intake.text import printable


@dataclass(frozen=True, slots=True)
class SeriesTable:
    """What a table yielded.

    left_out : rows, or single cells of rows, that could not be used
    notes : what a reader should know of the rest
    """

    seasons: tuple[Season, ...]
    left_out: tuple[Rejection, ...]
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    area: str
    series: str
    day: date
    cutting: int
    crop: str
    kind: int
    values: tuple[float, ...]  # in the order of Index, NaN where not given
    heat: float  # NaN where not given


def read_series(name: str, content: bytes, guidelines: GuidelineSet) -> SeriesTable:
    """Read a CSV of series.

    Parameters
    ----------
    name : of the file, for its errors
    content : its bytes
    guidelines : give the plausible range of each index and the degree days of an ordinary day

    Returns
    -------
    SeriesTable

    Raises UnreadableDocument for a file that is empty, no table, without the columns needed, or
    without a single row that can be used.
    """
    rules = ReadingRules(date.max, date.min, guidelines.limits())
    table = open_table(RawDocument(name, content, "command"), rules)
    columns, notes = find_header(name, table.head())
    findings = Findings(notes=list(notes))
    rows = _without_repeats(_Reader.of(table, columns, rules, findings).rows(), findings)
    if not rows:
        first = findings.rejections[0] if findings.rejections else None
        why = f"; row {first.row}: {first.reason}" if first else ": it has a header and no more."
        raise UnreadableDocument(f"{name} holds no row that can be used{why}")
    per_day = guidelines.value("clock.degree_days_per_day")
    seasons = tuple(_season(part, per_day, findings) for part in _parts(rows))
    _note_thin_series(seasons, findings)
    left_out = sorted(findings.rejections, key=lambda rejection: rejection.row)
    return SeriesTable(seasons, tuple(left_out), tuple(findings.notes))


# ------------------------------------------------------------------------- rows


@dataclass(frozen=True, slots=True)
class _Reader:
    """Reads the rows of a table; what it cannot use ends in ``findings``."""

    columns: Columns
    lines: Sequence[tuple[int, list[str]]]
    date_forms: Sequence[str]
    numbers: Mapping[Index, Memo[float | None]]
    max_cell_chars: int
    findings: Findings

    @classmethod
    def of(cls, table: Table, columns: Columns, rules: ReadingRules, findings: Findings) -> _Reader:
        lines = [
            (line, list(cells))
            for line, cells in table.rows(columns.header, columns.labels["series"], findings)
        ]
        dates = columns.labels["date"]
        numbers: dict[Index, Memo[float | None]] = {}
        for index, column in columns.indexes.items():
            limits = plausible(column.reading, rules)
            header = columns.name(column.place)
            numbers[index] = Memo(
                NumberReader(header, column.reading, column.unit, limits, "either")
            )
        return cls(
            columns=columns,
            lines=lines,
            date_forms=date_forms([cells[dates] for _, cells in lines]),
            numbers=numbers,
            max_cell_chars=rules.max_cell_chars,
            findings=findings,
        )

    def rows(self) -> Iterator[_Row]:
        for line, cells in self.lines:
            faults: list[CellFault] = []
            values = tuple(self._value(index, cells, faults) for index in Index)
            row = self._row(line, cells, values, self._heat(cells, faults), faults)
            raw = raw_row(self.columns.header, cells, self.max_cell_chars) if faults else {}
            self.findings.rejections += [
                Rejection(line, fault.column, fault.reason, raw) for fault in faults
            ]
            if row is not None:
                yield row

    def _value(self, index: Index, cells: list[str], faults: list[CellFault]) -> float:
        column = self.columns.indexes.get(index)
        if column is None:
            return math.nan
        try:
            value = self.numbers[index][cells[column.place]]
        except CellFault as fault:
            faults.append(fault)
            return math.nan
        return math.nan if value is None else value

    def _heat(self, cells: list[str], faults: list[CellFault]) -> float:
        try:
            return read_heat(self._cell(cells, "heat"), self._header("heat"))
        except CellFault as fault:
            faults.append(fault)
            return math.nan

    def _row(
        self,
        line: int,
        cells: list[str],
        values: tuple[float, ...],
        heat: float,
        faults: list[CellFault],
    ) -> _Row | None:
        """The row, or None and the reason among ``faults``."""
        series = printable(self._cell(cells, "series"))
        try:
            if not series:
                raise CellFault(self._header("series"), "This row does not name its series.")
            row = _Row(
                line=line,
                area=printable(self._cell(cells, "area")),
                series=series,
                day=read_date(self._cell(cells, "date"), self._header("date"), self.date_forms),
                cutting=read_cutting(self._cell(cells, "cutting"), self._header("cutting")),
                crop=printable(self._cell(cells, "crop")),
                kind=result_kind(self._cell(cells, "method")),
                values=values,
                heat=heat,
            )
        except CellFault as fault:
            faults.append(fault)
            return None
        if all(math.isnan(value) for value in values):
            if not faults:
                names = " or ".join(
                    self.columns.name(c.place) for c in self.columns.indexes.values()
                )
                faults.append(CellFault("", f"This row gives no value for {names}."))
            return None
        return row

    def _cell(self, cells: list[str], label: str) -> str:
        place = self.columns.labels.get(label)
        return "" if place is None else cells[place]

    def _header(self, label: str) -> str:
        place = self.columns.labels.get(label)
        return "" if place is None else self.columns.name(place)


def _without_repeats(rows: Iterator[_Row], findings: Findings) -> list[_Row]:
    kept: dict[tuple[object, ...], _Row] = {}
    for row in rows:
        # NaN differs from itself; as text it does not.
        key = (row.area, row.series, row.day, row.cutting, row.kind, str(row.values))
        first = kept.setdefault(key, row)
        if first is not row:
            reason = f"This row repeats row {first.line}; it counts once."
            findings.rejections.append(Rejection(row.line, "", reason))
    return list(kept.values())


# ---------------------------------------------------------------------- seasons


def _parts(rows: Sequence[_Row]) -> Iterator[list[_Row]]:
    """The rows of each area, cutting and year in order of their days."""
    groups: dict[tuple[str, int], list[_Row]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: row.day):
        groups[row.area.casefold(), row.cutting].append(row)
    for _, group in sorted(groups.items()):
        start = 0
        for place, (one, other) in enumerate(pairwise(group), start=1):
            if (other.day - one.day).days > SEASON_GAP_DAYS:
                yield group[start:place]
                start = place
        yield group[start:]


def _season(rows: Sequence[_Row], per_day: float, findings: Findings) -> Season:
    names: dict[str, str] = {}
    crops: dict[str, Counter[str]] = defaultdict(Counter)
    for row in rows:
        names.setdefault(row.series.casefold(), row.series)
        crops[row.series.casefold()][row.crop] += bool(row.crop)
    place = {key: number for number, key in enumerate(names)}
    season = Season(
        area=rows[0].area,
        cutting=rows[0].cutting,
        series=tuple(names.values()),
        grass_pct=np.array([grass_pct(crops[key].most_common(1)[0][0]) for key in names]),
        field=np.array([place[row.series.casefold()] for row in rows], dtype=np.intp),
        day=np.array([row.day.toordinal() for row in rows], dtype=np.intp),
        kind=np.array([row.kind for row in rows], dtype=np.intp),
        values={index: np.array([row.values[k] for row in rows]) for k, index in enumerate(Index)},
    )
    heat = np.array([row.heat for row in rows])
    if season.cutting != 1 or np.isnan(heat).any():
        return season
    if (np.diff([heat[season.day == day].mean() for day in season.days]) < 0).any():
        where = season.area or "the area"
        text = f"The degree days of {where} fall at times; its clock is the calendar."
        findings.notes.append(Note(rows[0].line, "", text))
        return season
    return replace(season, clock=heat / per_day)


def _note_thin_series(seasons: Sequence[Season], findings: Findings) -> None:
    single = doubled = 0
    for season in seasons:
        days = np.unique(np.stack([season.field, season.day]), axis=1)
        single += int(np.sum(np.bincount(days[0], minlength=len(season.series)) == 1))
        doubled += season.field.size - days.shape[1]
    if single:
        text = f"Series with results of one day only: {single}. They inform their area, no more."
        findings.notes.append(Note(0, "", text))
    if doubled:
        text = f"Results that share series and day with another one: {doubled}. All are used."
        findings.notes.append(Note(0, "", text))
