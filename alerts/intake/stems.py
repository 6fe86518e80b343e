"""Stem readings: one row a spot, the spots of a field and day together one result."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date

from alerts.domain.records import Method, Note, Readings, Rejection, Result, StemSpot, StemStage
from alerts.domain.results import Results
from alerts.intake.base import ReadingRules
from alerts.intake.cells import (
    CellFault,
    DateReader,
    LabelReader,
    Memo,
    NumberReader,
    plausible,
    refuse_formula,
)
from alerts.intake.labmap import PLAIN_DATES, Column
from alerts.intake.layout import Layout
from alerts.intake.readings import READINGS, words
from alerts.intake.table import Findings, Header, Table, comparable, raw_row
from alerts.intake.text import printable, shown

STEM_COLUMNS = {
    "farm": Column(holds="farm"),
    "field": Column(holds="field"),
    "sampled_on": Column(holds="sampled_on"),
    "sampled": Column(holds="sampled_on"),
    "sample date": Column(holds="sampled_on"),
    "sampling date": Column(holds="sampled_on"),
    "date sampled": Column(holds="sampled_on"),
    "date": Column(holds="sampled_on", spare=True),
    "spot": Column(holds="spot"),
    "height_in": Column(holds="height", unit="in"),
    "height_cm": Column(holds="height", unit="cm"),
    "stage": Column(holds="stage"),
}
ENOUGH_SPOTS = 5
_STAGES = {
    "vegetative": StemStage.VEGETATIVE,
    "veg": StemStage.VEGETATIVE,
    "bud": StemStage.BUD,
    "buds": StemStage.BUD,
    "flower": StemStage.FLOWER,
    "flowers": StemStage.FLOWER,
    "flowering": StemStage.FLOWER,
    "bloom": StemStage.FLOWER,
}


def holds_stems(header: Header) -> bool:
    """Tell stem readings from laboratory results by their header: a height and a stage."""
    named = {words(name) for name in header.names}
    return "stage" in named and any(name.partition("_")[0] == "height" for name in named)


_PARTS_OF_STAGES = {"early", "mid", "middle", "late", "full"}


def _stage(text: str) -> StemStage | None:
    """Give the stage; the stem tables do not part it into early and late.

    Kalu, B. A. and Fick, G. W., 1981, Quantifying morphological development of alfalfa for studies
    of herbage quality, part vegetative, bud and flower stages so.
    """
    whole = comparable(text.replace("-", " "))
    first, _, rest = whole.partition("_")
    return _STAGES.get(rest if first in _PARTS_OF_STAGES else whole)


@dataclass(frozen=True, slots=True)
class StageReader:
    """Reads the stage of the most mature stem."""

    header: str

    def __call__(self, cell: str) -> StemStage:
        text = printable(cell)
        stage = _stage(text)
        if stage is None:
            refuse_formula(self.header, text)
            raise CellFault(
                self.header,
                f"Stage {shown(text)} is not known: use 'vegetative', 'bud' or 'flower'.",
            )
        return stage


@dataclass(slots=True)
class StemReading:
    """Spots of one field on one day, as they are gathered."""

    row: int  # of the first spot
    farm: str
    field_name: str
    sampled_on: date
    lab: str
    spots: list[StemSpot] = field(default_factory=list)
    rows_of_spots: dict[str, int] = field(default_factory=dict)

    def result(self) -> Result:
        return Result(
            row=self.row,
            field_label=self.field_name,
            farm_label=self.farm,
            sampled_on=self.sampled_on,
            sampled_at=None,
            method=Method.STEM,
            lab=self.lab,
            lab_number="",
            cutting=None,
            readings=Readings(),
            spots=tuple(self.spots),
        )


class StemReader:
    """Reads one row after another and gathers its spot with those of the same reading."""

    def __init__(self, layout: Layout, lab: str, rules: ReadingRules) -> None:
        self._layout = layout
        self._lab = lab
        self._farm = Memo(LabelReader(layout.header("farm")))
        self._field = Memo(LabelReader(layout.header("field"), needed="field"))
        self._sampled_on = Memo(DateReader(layout.header("sampled_on"), PLAIN_DATES, rules))
        self._spot = Memo(LabelReader(layout.header("spot")))
        self._height = Memo(_height_reader(layout, rules))
        self._stage = Memo(StageReader(layout.header("stage")))
        self.readings: dict[tuple[str, str, date], StemReading] = {}

    def read(self, row: int, cells: list[str]) -> None:
        """Take one spot in. Raises CellFault."""
        farm, name = self._farm[self._cell(cells, "farm")], self._field[self._cell(cells, "field")]
        day, _ = self._sampled_on[self._cell(cells, "sampled_on")]
        spot = StemSpot(self._height_in(cells), self._stage[self._cell(cells, "stage")])
        key = (farm.casefold(), name.casefold(), day)
        reading = self.readings.get(key) or StemReading(row, farm, name, day, self._lab)
        self._check_once(reading, row, self._spot[self._cell(cells, "spot")])
        reading.spots.append(spot)
        self.readings[key] = reading

    def _cell(self, cells: list[str], holds: str) -> str:
        place = self._layout.get(holds)
        return cells[place.index] if place else ""

    def _height_in(self, cells: list[str]) -> float:
        height_in = self._height[self._cell(cells, "height")]
        if height_in is None:
            raise CellFault(self._layout.header("height"), "This spot has no height: fill it in.")
        return height_in

    def _check_once(self, reading: StemReading, row: int, spot: str) -> None:
        if spot and reading.rows_of_spots.setdefault(spot, row) != row:
            raise CellFault(
                self._layout.header("spot"),
                f"Spot {shown(spot)} of this field and day is already in row "
                f"{reading.rows_of_spots[spot]}: give this one its own number or remove it.",
            )


def _height_reader(layout: Layout, rules: ReadingRules) -> NumberReader:
    place, reading = layout.places["height"], READINGS["height"]
    unit = place.column.parsed_unit
    assert unit is not None
    return NumberReader(place.header, reading, unit, plausible(reading, rules), "either")


def read_stems(
    table: Table,
    header: Header,
    layout: Layout,
    lab: str,
    rules: ReadingRules,
    findings: Findings,
) -> Iterator[Results]:
    """Read every spot below `header`: each becomes part of a result, or is in `findings`.

    The results come in one lot, since the spots of a reading may stand anywhere.
    """
    findings.notes.extend(layout.notes)
    reader = StemReader(layout, lab, rules)
    for line, cells in table.rows(header, layout.places["sampled_on"].index, findings):
        try:
            reader.read(line, cells)
        except CellFault as fault:
            raw = raw_row(header, cells, table.max_cell_chars)
            findings.rejections.append(Rejection(line, fault.column, fault.reason, raw))
    readings = reader.readings.values()
    findings.notes.extend(_note(one) for one in readings if len(one.spots) < ENOUGH_SPOTS)
    if readings:
        yield Results.of(reading.result() for reading in readings)


def _note(reading: StemReading) -> Note:
    spots = "spot" if len(reading.spots) == 1 else "spots"
    text = f"Only {len(reading.spots)} {spots}: {ENOUGH_SPOTS} or more give a steadier average."
    return Note(reading.row, "", text)
