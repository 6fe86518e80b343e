"""The columns of a series table, however its maker spelled them, and the words in its cells."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from alerts.domain.area_fit import RESULT_KINDS
from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Index, Note
from alerts.intake.cells import CellFault
from alerts.intake.readings import READINGS, Basis, Reading, Unit, find_unit, split_header, words
from alerts.intake.table import Header
from alerts.intake.text import printable, shown

SPELLINGS: Mapping[str, tuple[str, ...]] = {
    "series": (
        "series_id", "series", "seriesid", "field", "field_id", "field_name", "plot", "plot_id",
        "id", "stand_id", "paddock",
    ),
    "area": ("area", "region", "site", "location", "station", "county", "place", "farm"),
    "date": (
        "date", "sample_date", "sampling_date", "date_sampled", "sampled", "sampled_on",
        "harvest_date", "clip_date", "collection_date", "cut_date",
    ),
    "cutting": ("cutting", "cut", "cutting_number", "cut_number", "cutting_no", "cut_no"),
    "crop": ("crop", "species", "forage", "stand", "crop_type"),
    "method": ("method", "analysis", "test_method"),
    "heat": ("gdd41f", "gdd41", "gdd_41f", "gdd_41", "gdd_f41", "gdd_base_41", "gdd_base_41f"),
}  # fmt: skip
"""What our columns may be called, the plainest name first; compared as ``readings.words``."""

INDEX_READINGS: Mapping[str, Index] = {"rfv": Index.RFV, "rfq": Index.RFQ, "ndf": Index.NDF}

_LONG_NAMES = {"relative_feed_value": "rfv", "relative_forage_quality": "rfq", "amndf": "ndf"}
_UNITS = {"": "% DM", "pct": "% DM", "dm": "% DM"}
"""What an NDF column is in when its header says no more than this."""

_GRASS = (
    "grass", "rye", "triticale", "wheat", "barley", "oat", "oats", "timothy", "fescue", "brome",
    "millet", "sorghum", "cereal", "cereals", "spelt", "emmer", "teff", "meadow",
)  # fmt: skip
_LEGUME = ("alfalfa", "lucerne", "clover", "trefoil", "vetch", "pea", "peas", "legume", "sainfoin")

FIRST_YEAR, LAST_YEAR = 1900, 2100
PLAIN_DATES = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%d-%b-%Y", "%d %b %Y", "%d %B %Y", "%b %d, %Y",
    "%B %d, %Y", "%b %d %Y", "%B %d %Y", "%d-%b-%y",
)  # fmt: skip
"""Date forms nobody can misread."""

MONTH_FIRST = ("%m/%d/%Y", "%m/%d/%y", "%m-%d-%Y")
DAY_FIRST = ("%d/%m/%Y", "%d/%m/%y", "%d-%m-%Y", "%d.%m.%Y", "%d.%m.%y")
_TIME_OF_DAY = re.compile(
    r"[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?[ap]m)?(Z|[+-]\d{2}:?\d{2})?$", re.I
)
_SLASHED = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-]\d{2,4}")
_MONTHS = 12

_NUMBER = re.compile(r"\d+(?:[.,]\d*)?")
MOST_HEAT_F_DAYS = 15_000.0
"""Degree days of a year in the hottest of places, our judgement."""

_CUTTING = re.compile(r"([1-9])(?:\.0+)?(?:st|nd|rd|th)?(?: cut(?:ting)?)?", re.I)
_CUTTING_WORDS = {"first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5}


@dataclass(frozen=True, slots=True)
class IndexColumn:
    """A column of index values: its place, the reading and the unit its header states."""

    place: int
    reading: Reading
    unit: Unit


@dataclass(frozen=True, slots=True)
class Columns:
    """Where things stand: ``labels`` by the keys of SPELLINGS, ``indexes`` by index."""

    header: Header
    labels: Mapping[str, int]
    indexes: Mapping[Index, IndexColumn]

    @property
    def parts(self) -> set[str]:
        """What is there, in the words of NEEDED."""
        return {*self.labels, *(("index",) if self.indexes else ())}

    def name(self, place: int) -> str:
        return self.header.names[place]


NEEDED: Mapping[str, str] = {
    "series": "no column that tells its series apart: add a column series_id",
    "date": "no column of dates: add a column date",
    "index": "no index column: add at least one of rfv, rfq, ndf_pct",
}


def find_header(name: str, head: Sequence[Header]) -> tuple[Columns, tuple[Note, ...]]:
    """The row that names the columns, with a note for each one that is not used.

    Raises UnreadableDocument, saying what is missing, when no row names all that is needed.
    """
    missing = list(NEEDED)
    for header in head:
        columns, notes = _columns(header)
        lacks = [part for part in NEEDED if part not in columns.parts]
        if not lacks:
            return columns, notes
        missing = min(missing, lacks, key=len)
    raise UnreadableDocument(f"{name} has {NEEDED[missing[0]]}.")


def _columns(header: Header) -> tuple[Columns, tuple[Note, ...]]:
    spelled = [words(name) for name in header.names]
    labels = {}
    for label, spellings in SPELLINGS.items():
        known = [s for s in (words(spelling) for spelling in spellings) if s in spelled]
        if known:
            labels[label] = spelled.index(known[0])
    indexes: dict[Index, IndexColumn] = {}
    for place, name in enumerate(header.names):
        found = _index_column(place, name)
        if found is not None:
            indexes.setdefault(INDEX_READINGS[found.reading.name], found)
    used = {*labels.values(), *(column.place for column in indexes.values())}
    notes = tuple(
        Note(header.line, name, f"Column {shown(name)} is not used.")
        for place, name in enumerate(header.names)
        if name and place not in used
    )
    return Columns(header, labels, indexes), notes


def _index_column(place: int, name: str) -> IndexColumn | None:
    long_name = _LONG_NAMES.get(words(name))
    split = (READINGS[long_name], "") if long_name else split_header(name)
    if split is None or split[0].name not in INDEX_READINGS:
        return None
    reading, rest = split
    is_part = Basis.DM in reading.bases
    unit = find_unit(_UNITS.get(rest, rest) if is_part else "index")
    if unit is None or unit.basis not in (Basis.DM, Basis.INDEX):
        return None  # on a fresh-weight basis it is no index of the crop
    return IndexColumn(place, reading, unit)


# ------------------------------------------------------------------------ cells


def date_forms(cells: Sequence[str]) -> tuple[str, ...]:
    """The forms the dates of a column are in.

    Where day and month stand as numbers the month is taken to come first, unless one of the dates
    can only be read the other way.
    """
    pairs = [found.groups() for cell in cells if (found := _SLASHED.fullmatch(_day_part(cell)))]
    day_first = any(int(first) > _MONTHS >= int(second) for first, second in pairs)
    dotted = any("." in cell for cell in cells)
    return (*PLAIN_DATES, *(DAY_FIRST if day_first or dotted else MONTH_FIRST))


def read_date(cell: str, header: str, forms: Sequence[str]) -> date:
    """A day. Raises CellFault when it cannot be read or is of no likely year."""
    text = _day_part(cell)
    if not text:
        raise CellFault(header, "This row has no date: write it like 2027-05-31.")
    for form in forms:
        try:
            day = datetime.strptime(text, form).date()  # noqa: DTZ007 - a day has no zone
        except ValueError:
            continue
        if FIRST_YEAR <= day.year <= LAST_YEAR:
            return day
    raise CellFault(header, f"{shown(cell)} is not a date: write it like 2027-05-31.")


def _day_part(cell: str) -> str:
    return _TIME_OF_DAY.sub("", printable(cell))


def read_cutting(cell: str, header: str) -> int:
    """Number of the cutting; 1 where the cell says nothing. Raises CellFault."""
    text = printable(cell).casefold()
    if not text:
        return 1
    found = _CUTTING.fullmatch(text)
    number = int(found.group(1)) if found else _CUTTING_WORDS.get(text.split()[0])
    if number is None:
        raise CellFault(
            header, f"Cutting {shown(cell)} is not a whole number from 1 to 9: correct it."
        )
    return number


def read_heat(cell: str, header: str) -> float:
    """Degree days up to the morning of a result [F-days]; NaN where unsaid. Raises CellFault."""
    text = printable(cell)
    if not text:
        return math.nan
    found = _NUMBER.fullmatch(text)
    if found is None or float(text.replace(",", ".")) > MOST_HEAT_F_DAYS:
        raise CellFault(header, f"{shown(cell)} is no sum of degree days: correct or clear it.")
    return float(text.replace(",", "."))


def grass_pct(crop: str) -> float:
    """Grass in a stand, from the words for its crop [% of the stand]; alfalfa where unsaid.

    Cereals are grasses. A word for a mixture, or for a grass beside a legume, means half and half.

    >>> [grass_pct(crop) for crop in ("Orchardgrass", "cereal rye", "alfalfa/grass", "")]
    [100.0, 100.0, 50.0, 0.0]
    """
    named = re.findall(r"[a-z]+", crop.casefold())
    grass = any(word in _GRASS or "grass" in word for word in named)
    legume = any(word in _LEGUME for word in named)
    if any(word.startswith("mix") for word in named) or (grass and legume):
        return 50.0
    return 100.0 if grass else 0.0


def result_kind(method: str) -> int:
    """Kind of result, as a number in RESULT_KINDS; NIR, the usual way, where unsaid."""
    text = method.casefold()
    if "wet" in text or "chem" in text:
        return RESULT_KINDS.index("wet")
    if "stem" in text or "height" in text:
        return RESULT_KINDS.index("stem_mean")
    return RESULT_KINDS.index("nir")
