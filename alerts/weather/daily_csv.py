"""Daily highs and lows out of a plain CSV: for places without a forecast service.

One row a day, columns in any order:

* `day`, written like 2026-05-14
* `tmax_f` and `tmin_f` [F], or `tmax_c` and `tmin_c` [C]
* optional `rain_in` [in] or `rain_mm` [mm], `rain_chance_pct` [%]

Other columns are left alone. A comma, semicolon or tab may stand between the cells; only with the
last two may a comma stand for the decimal point.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from alerts.agronomy.growth import AIR_RANGE_F
from alerts.agronomy.units import PERCENT_RANGE, Range, fahrenheit_from_celsius, inches_from_cm
from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Rejection
from alerts.weather.base import DayWeather

FURTHEST_AHEAD = timedelta(days=16)  # no daily forecast reaches further, our judgement
RAIN_RANGE_IN: Range = (0.0, 30.0)  # more in one day is a slip, our judgement
MOST_ROWS = 50_000  # well over a century of days
MM_PER_CM = 10.0
_DELIMITERS = ",;\t"
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)", re.ASCII)
_SHOWN = 30

Conversion = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class DailyTable:
    """What a table yielded; every row that is not blank is in exactly one of the two."""

    days: tuple[DayWeather, ...]  # in the order of the calendar
    rejections: tuple[Rejection, ...]


class _Fault(Exception):
    """A cell, or a row, that cannot be used."""

    def __init__(self, column: str, reason: str) -> None:
        super().__init__(reason)
        self.column = column
        self.reason = reason


def _same(value: float) -> float:
    return value


def _inches_from_mm(value_mm: float) -> float:
    return inches_from_cm(value_mm / MM_PER_CM)


@dataclass(frozen=True, slots=True)
class _Quantity:
    """What a column may hold, in the unit we keep, and how each of its names gets there."""

    what: str
    names: dict[str, Conversion]
    unit: str
    valid: Range


_HIGH = _Quantity("high", {"tmax_f": _same, "tmax_c": fahrenheit_from_celsius}, "F", AIR_RANGE_F)
_LOW = _Quantity("low", {"tmin_f": _same, "tmin_c": fahrenheit_from_celsius}, "F", AIR_RANGE_F)
_RAIN = _Quantity("rain", {"rain_in": _same, "rain_mm": _inches_from_mm}, "in", RAIN_RANGE_IN)
_CHANCE = _Quantity("chance of rain", {"rain_chance_pct": _same}, "%", PERCENT_RANGE)


@dataclass(frozen=True, slots=True)
class _Column:
    """A quantity where the header of this table has it."""

    quantity: _Quantity
    place: int
    header: str
    convert: Conversion

    def read(self, cells: list[str], *, decimal_comma: bool) -> float | None:
        """Value in the unit we keep, None for an empty cell. Raises _Fault for a useless one."""
        text = cells[self.place].strip()
        if not text:
            return None
        bare = text.replace(",", ".") if decimal_comma else text
        if not _NUMBER.fullmatch(bare):
            example = "61,5" if decimal_comma else "61.5"
            raise _Fault(self.header, f"{_shown(text)} is not a number: write it like {example}.")
        value = self.convert(float(bare))
        low, high = self.quantity.valid
        if not low <= value <= high:
            what, unit = self.quantity.what, self.quantity.unit
            found = "" if math.isnan(value) else f"{value:.4g} {unit}, "
            raise _Fault(
                self.header,
                f"A {what} of {_shown(text)} is {found}outside {low:g} to {high:g} {unit}: "
                "check the value and the unit in the header.",
            )
        return value

    def needed(self, cells: list[str], *, decimal_comma: bool) -> float:
        value = self.read(cells, decimal_comma=decimal_comma)
        if value is None:
            raise _Fault(self.header, f"This day has no {self.quantity.what}: fill it in.")
        return value


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the header says what."""

    headers: list[str]
    day: int
    high: _Column
    low: _Column
    rain: _Column | None
    chance: _Column | None
    decimal_comma: bool

    def weather(self, cells: list[str], today: date) -> DayWeather:
        """Read a row. Raises _Fault where it cannot be used."""
        if len(cells) != len(self.headers):
            raise _Fault(
                "",
                f"This row has {len(cells)} cells but the header has {len(self.headers)}: "
                "add or remove cells until they agree.",
            )
        day = self._day(cells[self.day].strip(), today)
        high = self.high.needed(cells, decimal_comma=self.decimal_comma)
        low = self.low.needed(cells, decimal_comma=self.decimal_comma)
        if high < low:
            raise _Fault(
                self.high.header,
                f"The high of {cells[self.high.place].strip()} is below the low of "
                f"{cells[self.low.place].strip()}: check whether the two are exchanged.",
            )
        return DayWeather(
            day=day,
            tmax_f=high,
            tmin_f=low,
            source="observed" if day <= today else "forecast",
            rain_chance_pct=self._optional(self.chance, cells),
            rain_in=self._optional(self.rain, cells),
        )

    def _optional(self, column: _Column | None, cells: list[str]) -> float | None:
        return None if column is None else column.read(cells, decimal_comma=self.decimal_comma)

    def _day(self, text: str, today: date) -> date:
        header = self.headers[self.day]
        try:
            day = date.fromisoformat(text) if _DAY.fullmatch(text) else None
        except ValueError:
            day = None
        if day is None:
            raise _Fault(
                header, f"{_shown(text)} is not a day of the calendar: write it like 2026-05-14."
            )
        if day - today > FURTHEST_AHEAD:
            raise _Fault(
                header, f"{text} is over {FURTHEST_AHEAD.days} days ahead: correct the day."
            )
        return day


def read_daily_csv(name: str, content: bytes, today: date) -> DailyTable:
    """Read a table of daily weather.

    Parameters
    ----------
    name : name of the table, as whoever sent it would recognise it in an error
    content : the file as it came; UTF-8, or Windows-1252
    today : the local day; days up to it are observed, later ones (at most 16) a forecast

    Returns
    -------
    The days, and the rows that were refused, each with its line, column and reason. Of two rows
    for one day the first counts and the second is refused.

    Raises UnreadableDocument where nothing can be read: empty, no text, too long, or a header that
    does not name the day, the high and the low, each once.
    """
    lines = _lines(name, content)
    _, header = next(lines)
    delimiter = max(_DELIMITERS, key=header.count)
    layout = _layout(name, _cells(header, delimiter), decimal_comma=delimiter != ",")
    days: dict[date, tuple[int, DayWeather]] = {}
    rejections: list[Rejection] = []
    for row, line in lines:
        cells = _cells(line, delimiter)
        try:
            weather = layout.weather(cells, today)
            first, _ = days.setdefault(weather.day, (row, weather))
            if first != row:
                raise _Fault(
                    layout.headers[layout.day],
                    f"{weather.day} already stands in row {first}: keep one of the two.",
                )
        except _Fault as fault:
            raw = _raw(layout.headers, cells)
            rejections.append(Rejection(row, fault.column, fault.reason, raw))
    return DailyTable(tuple(days[day][1] for day in sorted(days)), tuple(rejections))


def _lines(name: str, content: bytes) -> Iterator[tuple[int, str]]:
    """Number and text of each line that holds anything; the first of them is the header.

    No cell of such a table runs over a line, so an odd quotation mark costs only its own row.
    """
    lines = _text(name, content).splitlines()
    if len(lines) > MOST_ROWS:
        raise UnreadableDocument(f"{name} has more than {MOST_ROWS} rows: split it up.")
    filled = [(row, line) for row, line in enumerate(lines, start=1) if line.strip(" ,;\t")]
    if not filled:
        raise UnreadableDocument(f"{name} is empty: it needs a header and one row a day.")
    return iter(filled)


def _text(name: str, content: bytes) -> str:
    if b"\x00" in content or content.startswith(b"%PDF"):
        raise UnreadableDocument(f"{name} is no plain text: save the sheet as a CSV (UTF-8).")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise UnreadableDocument(f"{name} is in an unknown encoding: save the sheet as a CSV (UTF-8).")


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
    except csv.Error:  # a cell of over 100 000 characters
        return [line]


def _layout(name: str, headers: list[str], *, decimal_comma: bool) -> _Layout:
    names = [header.strip().casefold().replace(" ", "_") for header in headers]
    high, low = (_column(name, headers, names, quantity) for quantity in (_HIGH, _LOW))
    if "day" not in names or high is None or low is None:
        raise UnreadableDocument(
            f"{name} must name the columns day, tmax_f and tmin_f (or tmax_c and tmin_c) in its "
            f"first row, which reads {_shown(' '.join(headers), 2 * _SHOWN)}: correct the header."
        )
    if names.count("day") > 1:
        raise UnreadableDocument(f"{name} has two columns named day: rename one of them.")
    return _Layout(
        headers=headers,
        day=names.index("day"),
        high=high,
        low=low,
        rain=_column(name, headers, names, _RAIN),
        chance=_column(name, headers, names, _CHANCE),
        decimal_comma=decimal_comma,
    )


def _column(name: str, headers: list[str], names: list[str], quantity: _Quantity) -> _Column | None:
    places = [place for place, known in enumerate(names) if known in quantity.names]
    if len(places) > 1:
        both = " and ".join(headers[place].strip() for place in places)
        raise UnreadableDocument(
            f"{name} gives the {quantity.what} twice, as {both}: keep one of the columns."
        )
    if not places:
        return None
    place = places[0]
    return _Column(quantity, place, headers[place], quantity.names[names[place]])


def _raw(headers: list[str], cells: list[str]) -> dict[str, str]:
    """The row as it came, by header; a cell without a header of its own is named by its place."""
    raw: dict[str, str] = {}
    for place, cell in enumerate(cells):
        header = headers[place] if place < len(headers) else ""
        raw[header if header and header not in raw else f"cell {place + 1}"] = cell
    return raw


def _shown(text: str, most: int = _SHOWN) -> str:
    flat = " ".join(text.split())
    return f"'{flat[:most]}...'" if len(flat) > most else f"'{flat}'"
