"""From the text of one cell to a value, or a sentence saying why not.

Each reader is made once for a column and then asked for each distinct text only once (`Memo`):
a lab file repeats its values, so most cells cost a look-up.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import TypeVar

from alerts.domain.records import Method
from alerts.intake.base import ReadingRules
from alerts.intake.readings import NDFD_BASIS, Basis, Reading, Unit
from alerts.intake.table import comparable
from alerts.intake.text import printable, shown

T = TypeVar("T")
Limits = tuple[float, float]

_NOT_SAID = frozenset({"", "-", "--", ".", "n/a", "na", "n.a.", "nd", "n.d.", "none", "null"})
_NUMBERS = {
    ".": re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"),
    ",": re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]*)?|,[0-9]+)"),
    "either": re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)"),
}
_COMPUTED = frozenset("=@+-")
_IN_UTC = ("Z", "z", "+00:00", "+0000")
_CUTTINGS = {str(number): number for number in range(1, 10)}


class CellFault(Exception):
    """A cell cannot be used: the header it stands under and the sentence for its sender."""

    def __init__(self, column: str, reason: str) -> None:
        super().__init__(column, reason)
        self.column = column
        self.reason = reason


class Memo(dict[str, T]):
    """Values by the text of a cell; a text met for the first time is read. Raises CellFault."""

    __slots__ = ("_read",)

    def __init__(self, read: Callable[[str], T]) -> None:
        super().__init__()
        self._read = read

    def __missing__(self, cell: str) -> T:
        value = self[cell] = self._read(cell)
        return value


def is_formula(text: str) -> bool:
    """Tell whether a spreadsheet would compute the text instead of showing it.

    A plain number with a sign and a dash with a blank behind it are no formulas.
    """
    first, rest = text[:1], text[1:]
    if first not in _COMPUTED:
        return False
    return first in "=@" or (
        bool(rest.strip("-+")) and not rest[0].isspace() and not _NUMBERS["either"].fullmatch(text)
    )


def refuse_formula(header: str, text: str) -> None:
    """Raise CellFault when the text is a formula."""
    if is_formula(text):
        raise CellFault(header, f"{shown(text)} is a formula: put its result in its place.")


def plausible(reading: Reading, rules: ReadingRules) -> Limits:
    """Lowest and highest plausible value of a reading, in the unit of its attribute."""
    physical = (0.0, 100.0 if reading.standard_unit.startswith("%") else math.inf)
    return rules.limits.get(reading.attribute, physical)


@dataclass(frozen=True, slots=True)
class NumberReader:
    """Reads a reading in the unit of its column; None where the cell says nothing.

    Values on a fresh-weight basis come back as they are, in % of fresh weight and unchecked,
    since only the whole row can tell what they are of the dry matter.
    """

    header: str
    reading: Reading
    unit: Unit
    limits: Limits
    decimal_mark: str

    def __call__(self, cell: str) -> float | None:
        text = printable(cell)
        if text.casefold() in _NOT_SAID:
            return None
        value = self.unit.standard(self._number(text))
        if not math.isfinite(value):
            raise CellFault(
                self.header,
                f"{self.reading.label} of {shown(text)} cannot be in '{self.unit.name}': "
                "check the value and the unit of its column.",
            )
        value = round(value, 6)  # 0.29 * 100 is 28.999999999999996
        return value if self.is_as_fed_part else self.checked(self._dry_matter(value))

    @property
    def is_as_fed_part(self) -> bool:
        return self.unit.basis is Basis.FED and self.reading.attribute != "dm_pct"

    def _dry_matter(self, value: float) -> float:
        return 100.0 - value if self.reading.name == "moisture" else value

    def _number(self, text: str) -> float:
        bare = text.removesuffix("%").rstrip() if self.unit.is_percent else text
        if _NUMBERS[self.decimal_mark].fullmatch(bare):
            return float(bare.replace(",", "."))
        refuse_formula(self.header, text)
        example = "38,2" if self.decimal_mark == "," else "38.2"
        raise CellFault(
            self.header,
            f"{shown(text)} is not a number: write it like {example}, or leave the cell empty.",
        )

    def checked(self, value: float) -> float:
        """Give the value back. Raises CellFault when it is not plausible."""
        low, high = self.limits
        if low <= value <= high:
            return value
        label = "Dry matter" if self.reading.name == "moisture" else self.reading.label
        said = f"{label} of {value:g} {self.reading.standard_unit}".rstrip()
        raise CellFault(
            self.header,
            f"{said} is outside the plausible {_span(low, high)}: {self._advice(value)}.",
        )

    def _advice(self, value: float) -> str:
        low, high = self.limits
        if self.reading.name.startswith("ndfd") and 0 < value < low:
            return f"it looks like % of DM; {NDFD_BASIS}"
        if self.unit.is_percent and low <= value * 100 <= high:
            return "it looks like a fraction; check the unit of its column"
        if self.unit.is_percent and low <= value / 10 <= high:
            return "it looks like g/kg; check the unit of its column"
        return "check the value and its unit"


def _span(low: float, high: float) -> str:
    return f"{low:g} or more" if math.isinf(high) else f"{low:g} to {high:g}"


@dataclass(frozen=True, slots=True)
class LabelReader:
    """Reads a name or remark; a needed one must not be empty."""

    header: str
    needed: str = ""  # what it names, when every row must have it
    default: str = ""

    def __call__(self, cell: str) -> str:
        if cell.isalnum():
            return cell  # nothing to clean, and most sample numbers are like that
        text = printable(cell)
        refuse_formula(self.header, text)
        if not text and self.needed:
            raise CellFault(self.header, f"This row does not name its {self.needed}: fill it in.")
        return text or self.default


@dataclass(frozen=True, slots=True)
class FarmAndFieldReader:
    """Reads the farm (part 0) or field (1) of one cell, which may name the field alone."""

    header: str
    split_on: str
    part: int

    def __call__(self, cell: str) -> str:
        text = printable(cell)
        refuse_formula(self.header, text)
        loose = self.split_on.strip() or self.split_on
        farm, found, field = text.partition(self.split_on if self.split_on in text else loose)
        if not found:
            farm, field = "", text
        if not field.strip():
            raise CellFault(self.header, "This row does not name its field: fill it in.")
        return (farm.strip(), field.strip())[self.part]


@dataclass(frozen=True, slots=True)
class DateReader:
    """Reads a sampling date, with a time of day where its form has one. Guesses nothing.

    A moment in UTC becomes local time, one with another offset is local time already. Midnight
    says no time: programs write it behind a date that has none.
    """

    header: str
    formats: tuple[str, ...]
    rules: ReadingRules

    def __call__(self, cell: str) -> tuple[date, time | None]:
        text = printable(cell)
        if not text:
            raise CellFault(self.header, f"This row has no sampling date: {self._how}.")
        for form in self.formats:
            moment = _moment(text, form)
            if moment:
                if moment.time() == time() or not ("%H" in form or "%I" in form):
                    return self._checked(text, moment.date()), None
                if "%z" in form and text.endswith(_IN_UTC):
                    moment = moment.astimezone(self.rules.time_zone)
                return self._checked(text, moment.date()), moment.time()
        refuse_formula(self.header, text)
        raise CellFault(
            self.header,
            f"{shown(text)} is not a date in the form expected here, and is not guessed: "
            f"{self._how}.",
        )

    @property
    def _how(self) -> str:
        example = datetime(self.rules.today.year, 5, 31, tzinfo=UTC).strftime(self.formats[0])
        return f"write it like {example}"

    def _checked(self, text: str, day: date) -> date:
        if day > self.rules.today:
            raise CellFault(
                self.header, f"Sampling date {shown(text)} is in the future: correct the date."
            )
        if day < self.rules.season_first_day:
            first = self.rules.season_first_day.isoformat()
            raise CellFault(
                self.header,
                f"Sampling date {shown(text)} is before the season, which starts {first}: "
                "correct the date or leave the row out.",
            )
        return day


@dataclass(frozen=True, slots=True)
class TimeReader:
    """Reads the time of day of sampling; None where the cell says nothing."""

    header: str
    formats: tuple[str, ...]

    def __call__(self, cell: str) -> time | None:
        text = printable(cell)
        if text.casefold() in _NOT_SAID:
            return None
        for form in self.formats:
            if moment := _moment(text, form):
                return moment.time()
        refuse_formula(self.header, text)
        example = time(7, 30).strftime(self.formats[0])
        raise CellFault(
            self.header,
            f"{shown(text)} is not a time of day: write it like {example}, "
            "or leave the cell empty.",
        )


def _moment(text: str, form: str) -> datetime | None:
    try:
        return datetime.strptime(text, form).replace(tzinfo=UTC)
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class MethodReader:
    """Reads the laboratory's word for its method; `default` where the row does not say."""

    header: str
    by_word: Mapping[str, Method]  # by `comparable` word
    default: Method | None

    def __call__(self, cell: str) -> Method | None:
        text = printable(cell)
        if text.casefold() in _NOT_SAID:
            return self.default
        method = self.by_word.get(comparable(text))
        if method is None:
            refuse_formula(self.header, text)
            known = ", ".join(shown(word.replace("_", " ")) for word in sorted(self.by_word))
            raise CellFault(self.header, f"Method {shown(text)} is not known: use one of {known}.")
        return method


@dataclass(frozen=True, slots=True)
class CuttingReader:
    """Reads the number of the cutting, 1 to 9; None where the cell says nothing."""

    header: str

    def __call__(self, cell: str) -> int | None:
        text = printable(cell)
        if text.casefold() in _NOT_SAID:
            return None
        number = _CUTTINGS.get(text)
        if number is None:
            refuse_formula(self.header, text)
            raise CellFault(
                self.header, f"Cutting {shown(text)} is not a whole number from 1 to 9: correct it."
            )
        return number
