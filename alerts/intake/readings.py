"""The readings a column can hold, the units they come in, and which fit together."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class Basis(StrEnum):
    """What a value is a part of, or what it measures."""

    DM = "dry matter"
    FED = "fresh weight"
    NDF = "NDF"
    INDEX = "index"
    LENGTH = "length"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as laboratories print it; `standard` turns a value into % , index points or inches.

    `standard` gives NaN for a value the unit cannot have, such as a fraction of 40.
    """

    name: str
    basis: Basis
    standard: Callable[[float], float]

    @property
    def is_percent(self) -> bool:
        return self.name.startswith("%")


def _unchanged(value: float) -> float:
    return value


# The formulas load numpy, which maps of laboratories are read without.


def _percent_from_fraction(value: float) -> float:
    from alerts.agronomy.units import percent_from_fraction

    return percent_from_fraction(value)


def _percent_from_g_per_kg(value: float) -> float:
    from alerts.agronomy.units import percent_from_g_per_kg

    return percent_from_g_per_kg(value)


def _inches_from_cm(value: float) -> float:
    from alerts.agronomy.units import inches_from_cm

    return inches_from_cm(value)


_PARTS: tuple[tuple[str, Callable[[float], float]], ...] = (
    ("%", _unchanged),
    ("fraction", _percent_from_fraction),
    ("g/kg", _percent_from_g_per_kg),
)
_BASES = (("DM", Basis.DM), ("as fed", Basis.FED), ("NDF", Basis.NDF))
UNITS: tuple[Unit, ...] = (
    *(Unit(f"{part} {base}", basis, to) for base, basis in _BASES for part, to in _PARTS),
    Unit("index", Basis.INDEX, _unchanged),
    Unit("in", Basis.LENGTH, _unchanged),
    Unit("cm", Basis.LENGTH, _inches_from_cm),
)
KNOWN_UNITS = ", ".join(f"'{unit.name}'" for unit in UNITS)

NDFD_BASIS = (
    "NDFD must be in % of NDF, because RFQ is defined on the 48-hour NDFD as % of NDF: "
    "ask the laboratory for NDFD as % of NDF"
)


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading: our short name, how a person reads it, and where it is kept.

    `spellings` are the names our own plain format understands, in the form `words` gives.
    """

    name: str
    label: str
    attribute: str
    bases: tuple[Basis, ...]
    standard_unit: str
    spellings: tuple[str, ...] = ()


_PART = (Basis.DM, Basis.FED)
_DM, _FRESH = "% of DM", "% of fresh weight"
READINGS: dict[str, Reading] = {
    reading.name: reading
    for reading in (
        Reading("cp", "CP", "cp_pct_dm", _PART, _DM, ("crude_protein",)),
        Reading("adf", "ADF", "adf_pct_dm", _PART, _DM),
        Reading("ndf", "NDF", "ndf_pct_dm", _PART, _DM, ("andf",)),
        Reading(
            "ndfd48",
            "NDFD48",
            "ndfd48_pct_ndf",
            (Basis.NDF,),
            "% of NDF",
            ("ndfd_48", "ndfd48h", "ndfd_48h", "ndfd_48_h"),
        ),
        Reading(
            "ndfd30",
            "NDFD30",
            "ndfd30_pct_ndf",
            (Basis.NDF,),
            "% of NDF",
            ("ndfd_30", "ndfd30h", "ndfd_30h", "ndfd_30_h"),
        ),
        Reading("ee", "Ether extract", "ee_pct_dm", _PART, _DM, ("ether_extract", "crude_fat")),
        Reading("ash", "Ash", "ash_pct_dm", _PART, _DM),
        Reading("ndficp", "NDFICP", "ndficp_pct_dm", _PART, _DM),
        Reading("dm", "Dry matter", "dm_pct", (Basis.FED,), _FRESH, ("dry_matter",)),
        Reading("moisture", "Moisture", "dm_pct", (Basis.FED,), _FRESH),
        Reading("rfv", "RFV", "rfv", (Basis.INDEX,), ""),
        Reading("rfq", "RFQ", "rfq", (Basis.INDEX,), ""),
        Reading("height", "Height", "height_in", (Basis.LENGTH,), "in"),
    )
}
WAYS_TO_AN_INDEX = ("ndf", "rfv", "rfq")

_SAME_WORD = {
    "percent": "pct",
    "received": "fed",
    "inch": "in",
    "inches": "in",
    "centimeters": "cm",
    "centimetres": "cm",
}
_NEEDLESS = {"of", "per"}


def words(text: str) -> str:
    """Give the words of a header or unit, joined by underscores, so that spellings compare.

    >>> words("NDF (g/kg DM)"), words("% of DM"), words("ndf_pct_dm")
    ('ndf_g_kg_dm', 'pct_dm', 'ndf_pct_dm')
    """
    found = re.findall(r"[a-z0-9]+", text.casefold().replace("%", " pct "))
    return "_".join(_SAME_WORD.get(word, word) for word in found if word not in _NEEDLESS)


_UNIT_BY_WORDS = {words(unit.name): unit for unit in UNITS}
_READING_BY_WORDS = {
    spelling: reading
    for reading in READINGS.values()
    for spelling in (reading.name, *reading.spellings)
}
_LONGEST_FIRST = sorted(_READING_BY_WORDS, key=len, reverse=True)
_FIRST_WORD_OF_UNIT = {words(unit.name).partition("_")[0] for unit in UNITS} | {"mg", "lb", "ppm"}


def find_unit(text: str) -> Unit | None:
    """Give the unit a text names, however it is spelled; None when no unit is known by it."""
    return _UNIT_BY_WORDS.get(words(text))


def complaint_about(reading: Reading, unit: Unit) -> str:
    """Say why `reading` cannot come in `unit`; "" when it can."""
    if unit.basis in reading.bases:
        return ""
    if Basis.NDF in reading.bases:
        return NDFD_BASIS
    fitting = ", ".join(f"'{one.name}'" for one in UNITS if one.basis in reading.bases)
    return f"{reading.label} cannot be in '{unit.name}': use one of {fitting}"


def split_header(header: str) -> tuple[Reading, str] | None:
    """Cut a header such as 'NDF (g/kg DM)' or 'ndf_g_kg_dm' into its reading and words of unit.

    None when it names no reading we know, or goes on with words that are no attempt at a unit.
    """
    spelled = words(header)
    for spelling in _LONGEST_FIRST:
        if spelled == spelling:
            return _READING_BY_WORDS[spelling], ""
        if spelled.startswith(f"{spelling}_"):
            rest = spelled.removeprefix(f"{spelling}_")
            is_unit = re.search(r"[(\[]", header) or rest.split("_")[0] in _FIRST_WORD_OF_UNIT
            return (_READING_BY_WORDS[spelling], rest) if is_unit else None
    return None
