"""Which column of a document holds what."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Note
from alerts.intake.labmap import Column
from alerts.intake.readings import (
    KNOWN_UNITS,
    Basis,
    Reading,
    complaint_about,
    find_unit,
    split_header,
    words,
)
from alerts.intake.table import Header, comparable
from alerts.intake.text import shown


@dataclass(frozen=True, slots=True)
class Place:
    """One column that is used: where it stands, its header as spelled, and what it holds."""

    index: int
    header: str
    column: Column


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns of a document by what they hold, and notes on those nobody asked for."""

    places: Mapping[str, Place]
    notes: tuple[Note, ...]

    def get(self, holds: str) -> Place | None:
        return self.places.get(holds)

    def header(self, holds: str) -> str:
        """The header over what is held, as the document spells it; "" when there is none."""
        place = self.places.get(holds)
        return place.header if place else ""


def lay_out(
    name: str, header: Header, columns: Mapping[str, Column], units_in_headers: bool
) -> Layout:
    """Find out what each column holds.

    A reading whose unit is not clear is left out with a note while the other columns lead to an
    index without it. Raises UnreadableDocument when they do not, when the unit stated cannot be
    that of the reading, or when two columns hold the same.
    """
    known = {comparable(spelling): column for spelling, column in columns.items()}
    by_words = {words(spelling): column for spelling, column in columns.items()}
    places: dict[str, Place] = {}
    spare: list[Place] = []
    unclear: list[_UnclearUnit] = []
    notes = []
    for index, spelling in enumerate(header.names):
        column = known.get(comparable(spelling))
        try:
            if column is None and units_in_headers:
                column = by_words.get(words(spelling)) or _from_unit(spelling)
        except _UnclearUnit as fault:
            unclear.append(fault)
            continue
        if column is None:
            if spelling:
                notes.append(_not_used(header, spelling))
        elif column.spare:
            spare.append(Place(index, spelling, column))
        else:
            _put(name, places, Place(index, spelling, column))
    for place in spare:
        if place.column.holds in places:
            notes.append(_not_used(header, place.header))
        else:
            _put(name, places, place)
    notes.extend(_left_out(name, header, unclear, places))
    return Layout(_with_one_dry_matter(places), tuple(notes))


class _UnclearUnit(Exception):
    """A header names a reading but not in which unit it comes."""

    def __init__(self, header: str, reading: Reading, reason: str, is_wrong: bool = False) -> None:
        super().__init__(header, reason)
        self.is_wrong = is_wrong  # the unit is clear, and none the reading can have
        self.header = header
        self.reading = reading
        self.reason = reason


def _left_out(
    name: str, header: Header, unclear: list[_UnclearUnit], places: Mapping[str, Place]
) -> Iterator[Note]:
    """Raises UnreadableDocument for a column that cannot be left out."""
    for one in unclear:
        if one.is_wrong or _is_needed(one.reading, places):
            raise UnreadableDocument(f"{name}: column {shown(one.header)} {one.reason}.")
        text = f"Column {shown(one.header)} is not used: it {one.reason}."
        yield Note(header.line, one.header, text)


def _not_used(header: Header, spelling: str) -> Note:
    return Note(header.line, spelling, f"Column {shown(spelling)} is not used.")


def _is_needed(reading: Reading, places: Mapping[str, Place]) -> bool:
    """Tell whether the columns in `places` are of no use without the reading."""
    as_fed = any(
        (unit := place.column.parsed_unit) and unit.basis is Basis.FED and holds not in _DRY_MATTER
        for holds, place in places.items()
    )
    if reading.name == "height" or (as_fed and reading.name in _DRY_MATTER):
        return True
    leads = bool(places.keys() & {"rfv", "rfq", "height"}) or {"ndf", "adf"} <= places.keys()
    return not leads


_DRY_MATTER = ("dm", "moisture")


def _put(name: str, places: dict[str, Place], place: Place) -> None:
    holds = place.column.holds
    other = places.setdefault(holds, place)
    if other is not place:
        raise UnreadableDocument(
            f"{name}: columns {shown(other.header)} and {shown(place.header)} both hold "
            f"{holds}: remove one of them."
        )


def _with_one_dry_matter(places: dict[str, Place]) -> dict[str, Place]:
    """Leave the moisture out where the dry matter itself is there."""
    if "dm" in places:
        places.pop("moisture", None)
    return places


def _from_unit(spelling: str) -> Column | None:
    """Understand a header that states its unit itself; None when it is no reading.

    Raises _UnclearUnit.
    """
    cut = split_header(spelling)
    if cut is None:
        return None
    reading, unit_words = cut
    if not unit_words and Basis.INDEX not in reading.bases:
        example = f"'{reading.label} ({reading.standard_unit})'"
        reason = f"does not say its unit: name it for example {example}"
        raise _UnclearUnit(spelling, reading, reason)
    unit = find_unit(unit_words or "index")
    if unit is None:
        raise _UnclearUnit(
            spelling, reading, f"has a unit that is not known: use one of {KNOWN_UNITS}"
        )
    if complaint := complaint_about(reading, unit):
        raise _UnclearUnit(spelling, reading, f"cannot be: {complaint}", is_wrong=True)
    return Column(holds=reading.name, unit=unit.name)
