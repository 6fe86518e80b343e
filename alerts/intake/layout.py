"""Which column of a document holds what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Note
from alerts.intake.labmap import Column
from alerts.intake.readings import (
    KNOWN_UNITS,
    Basis,
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

    Raises UnreadableDocument when two columns hold the same, or when a header states a unit that
    is unknown or cannot be that of its reading.
    """
    known = {comparable(spelling): column for spelling, column in columns.items()}
    by_words = {words(spelling): column for spelling, column in columns.items()}
    places: dict[str, Place] = {}
    notes = []
    for index, spelling in enumerate(header.names):
        column = known.get(comparable(spelling))
        if column is None and units_in_headers:
            column = by_words.get(words(spelling)) or _from_unit(name, spelling)
        if column is not None:
            _put(name, places, Place(index, spelling, column))
        elif spelling:
            notes.append(Note(header.line, spelling, f"Column {shown(spelling)} is not used."))
    return Layout(_with_one_dry_matter(places), tuple(notes))


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


def _from_unit(name: str, spelling: str) -> Column | None:
    """Understand a header that states its unit itself; None when it is no reading."""
    cut = split_header(spelling)
    if cut is None:
        return None
    reading, unit_words = cut
    if not unit_words and Basis.INDEX not in reading.bases:
        raise UnreadableDocument(
            f"{name}: column {shown(spelling)} does not say its unit: "
            f"name it for example '{reading.label} ({reading.standard_unit})'."
        )
    unit = find_unit(unit_words or "index")
    if unit is None:
        raise UnreadableDocument(
            f"{name}: column {shown(spelling)} has a unit that is not known: "
            f"use one of {KNOWN_UNITS}."
        )
    if complaint := complaint_about(reading, unit):
        raise UnreadableDocument(f"{name}: column {shown(spelling)}: {complaint}.")
    return Column(holds=reading.name, unit=unit.name)
