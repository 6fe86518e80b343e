"""How a laboratory's file is read: config/labs/<lab>.toml, checked and typed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from alerts.domain.errors import ConfigurationError
from alerts.domain.records import Method
from alerts.intake.readings import (
    KNOWN_UNITS,
    READINGS,
    WAYS_TO_AN_INDEX,
    Basis,
    Unit,
    complaint_about,
    find_unit,
)
from alerts.intake.table import comparable

FARM_AND_FIELD = "farm and field"
LABELS = (
    "farm",
    "field",
    FARM_AND_FIELD,
    "sampled_on",
    "sampled_at",
    "lab",
    "lab_number",
    "method",
    "cutting",
    "remark",
    "spot",
    "stage",
)
ONLY_STEMS = {"spot", "stage", "height"}
PLAIN_DATES = (
    "%Y-%m-%d",
    "%Y-%m-%dT%H:%M",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M:%S",
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%dT%H:%M%z",
    "%Y-%m-%dT%H:%M:%S%z",
    "%Y-%m-%dT%H:%M:%S.%f%z",
    "%Y/%m/%d",
    "%d-%b-%Y",
    "%d %b %Y",
    "%d %B %Y",
    "%b %d, %Y",
    "%B %d, %Y",
    "%b %d %Y",
    "%B %d %Y",
)
"""Date forms nobody can misread, the year being first or the month a word."""
PLAIN_TIMES = ("%H:%M", "%H:%M:%S", "%I:%M %p")
_PROBE = datetime(2031, 5, 4, 6, 40, tzinfo=UTC)  # day and month differ and could be exchanged


class Column(BaseModel):
    """What one column holds: a label such as "field", or a reading and its unit."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    holds: str
    unit: str = ""  # needed for a reading other than RFV and RFQ
    split_on: str = ""  # between the farm and the field in "farm and field"
    spare: bool = False  # used only where no other column holds the same

    @property
    def parsed_unit(self) -> Unit | None:
        """The unit of a reading; None for a label."""
        if self.holds not in READINGS:
            return None
        return find_unit(self.unit or ("index" if self._is_index else ""))

    @property
    def _is_index(self) -> bool:
        return self.holds in READINGS and Basis.INDEX in READINGS[self.holds].bases

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.holds not in (*LABELS, *READINGS):
            known = ", ".join(f"'{name}'" for name in (*LABELS, *READINGS))
            raise ValueError(f"'{self.holds}' is not something a column can hold: use {known}")
        if self.holds in READINGS:
            self._check_unit()
        if bool(self.split_on) != (self.holds == FARM_AND_FIELD):
            raise ValueError(f"split_on belongs to '{FARM_AND_FIELD}', and is needed there")
        return self

    def _check_unit(self) -> None:
        unit = self.parsed_unit
        if unit is None:
            raise ValueError(f"'{self.unit}' is not a known unit: use one of {KNOWN_UNITS}")
        if complaint := complaint_about(READINGS[self.holds], unit):
            raise ValueError(complaint)


class LabMap(BaseModel):
    """One laboratory's columns, units, date forms and words."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    key: str  # name of the file without .toml, and of the laboratory's folder in the inbox
    lab: str = ""  # "" for our own plain format, whose rows may name a laboratory
    recognise: tuple[str, ...] = Field(min_length=1)  # headers that must all be there
    date_formats: tuple[str, ...] = Field(default=PLAIN_DATES, min_length=1)
    time_formats: tuple[str, ...] = PLAIN_TIMES
    decimal_mark: Literal[".", ",", "either"] = "."
    method: Method | None = None  # where no word of the row says
    method_words: Mapping[str, Method] = Field(default_factory=dict)
    units_in_headers: bool = False  # understand 'NDF (g/kg DM)' beside the headers of `columns`
    columns: Mapping[str, Column] = Field(min_length=1)

    @property
    def is_plain(self) -> bool:
        """True for our own format."""
        return not self.lab

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_columns()
        self._check_methods()
        dates = {form: _through(form) for form in self.date_formats}
        for form, read in dates.items():
            if read != _PROBE.date():
                raise ValueError(f"date_formats: '{form}' does not hold a day, a month and a year")
        for one in dates:
            for other in dates:
                if _through(one, other) not in (None, _PROBE.date()):
                    raise ValueError(f"date_formats: '{one}' and '{other}' read a date differently")
        return self

    def _check_columns(self) -> None:
        held = {column.holds for column in self.columns.values()}
        if not held & {"field", FARM_AND_FIELD} or "sampled_on" not in held:
            raise ValueError(
                f"columns: one must hold 'field' or '{FARM_AND_FIELD}', one 'sampled_on'"
            )
        if held & ONLY_STEMS:
            raise ValueError(
                "columns: 'spot', 'stage' and 'height' belong to stem readings, "
                "which have a format of their own"
            )
        if not held & set(WAYS_TO_AN_INDEX):
            raise ValueError("columns: one must hold 'ndf', 'rfv' or 'rfq'")
        spelled = [comparable(header) for header in self.columns]
        if len(set(spelled)) < len(spelled):
            raise ValueError("columns: two entries name the same header")
        if self._has_as_fed_part and not held & {"dm", "moisture"}:
            raise ValueError("columns: as-fed values need one that holds 'dm' or 'moisture'")

    @property
    def _has_as_fed_part(self) -> bool:
        return any(
            unit.basis is Basis.FED and Basis.DM in READINGS[column.holds].bases
            for column in self.columns.values()
            if (unit := column.parsed_unit)
        )

    def _check_methods(self) -> None:
        if Method.STEM in (self.method, *self.method_words.values()):
            raise ValueError("method: a laboratory's method is 'wet' or 'nir'")


def _through(written: str, read: str = "") -> date | None:
    """Write the probe in one form and read it in another; None when that cannot be done."""
    try:
        return _read_date(_PROBE.strftime(written), read or written)
    except (ValueError, re.error):  # a form that names a part twice
        return None


def _read_date(text: str, form: str) -> date:
    return datetime.strptime(text, form).replace(tzinfo=UTC).date()


def parse_lab_map(key: str, text: str) -> LabMap:
    """Read one map. ConfigurationError names the file, the entry and what is expected."""
    try:
        return LabMap(key=key, **tomllib.loads(text))
    except TypeError:
        raise ConfigurationError(f"{key}.toml: 'key' is the file name, not an entry.") from None
    except ValidationError as faults:
        raise ConfigurationError(f"{key}.toml: {_sentence(faults)}.") from None
    except (ValueError, RecursionError) as fault:  # also a number of thousands of digits
        raise ConfigurationError(f"{key}.toml is not valid TOML: {fault}.") from None


def _sentence(faults: ValidationError) -> str:
    fault = faults.errors()[0]
    entry = ".".join(str(part) for part in fault["loc"])
    said = fault["msg"].removeprefix("Value error, ")
    if fault["type"] == "extra_forbidden":
        said = "no such entry; check its spelling"
    return f"{entry}: {said}" if entry else said


def load_lab_maps(*folders: Path) -> tuple[LabMap, ...]:
    """Read every map of the folders, by name; of two files of one name the first folder's wins.

    Raises ConfigurationError when one is wrong, or when two are for the same laboratory.
    """
    files: dict[str, Path] = {}
    for folder in folders:
        for path in folder.glob("*.toml"):
            files.setdefault(path.name, path)
    maps = tuple(_load(files[name]) for name in sorted(files))
    by_lab: dict[str, LabMap] = {}
    for lab_map in maps:
        other = by_lab.setdefault(lab_map.lab.casefold(), lab_map)
        if other is not lab_map:
            whose = f"laboratory '{lab_map.lab}'" if lab_map.lab else "plain format (no lab named)"
            raise ConfigurationError(
                f"{lab_map.key}.toml and {other.key}.toml both map the {whose}: keep one."
            )
    return maps


def _load(path: Path) -> LabMap:
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise ConfigurationError(f"{path.name} is not UTF-8: save it as UTF-8.") from None
    return parse_lab_map(path.stem, text)
