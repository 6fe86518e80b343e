"""From a grid square of the National Weather Service to local days.

The shape is that of the schemas GridpointQuantitativeValueLayer, ISO8601Interval and UnitOfMeasure
in: National Weather Service, 2022, OpenAPI description of the API, release 1.9; what the layers
mean, in: National Weather Service, 2019, Gridpoint Frequently Asked Questions. A layer is a series
of values, each with the interval it holds for; equal values of consecutive hours come as one
longer interval, except amounts of precipitation, each of which is a total of its own interval.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from math import ceil
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field, TypeAdapter, ValidationError

from alerts.agronomy.growth import AIR_RANGE_F
from alerts.agronomy.units import PERCENT_RANGE, Range, fahrenheit_from_celsius, inches_from_cm
from alerts.domain.errors import WeatherError
from alerts.weather.base import DayWeather

RAIN_RANGE_IN: Range = (0.0, 30.0)  # more in one interval is a slip, our judgement
COVERED = 0.75  # share of a day that must be known before its rain is stated, our judgement
MM_PER_CM = 10.0
ONE_DAY = timedelta(days=1)
NOTHING = timedelta(0)
LONGEST_SPAN = timedelta(days=31)  # forecasts reach about a week
YEARS = range(1970, 2200)

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Conversion = Callable[[float], float]

# "Namespaced units are considered deprecated" (description of UnitOfMeasure), so both the names of
# the World Meteorological Organization and those of the Unified Code for Units of Measure
_TEMPERATURES: Mapping[str, Conversion] = {
    "degC": fahrenheit_from_celsius,
    "Cel": fahrenheit_from_celsius,
    "degF": lambda value: value,
    "[degF]": lambda value: value,
}
_CHANCES: Mapping[str, Conversion] = {"percent": lambda value: value, "%": lambda value: value}
_AMOUNTS: Mapping[str, Conversion] = {"mm": lambda value: inches_from_cm(value / MM_PER_CM)}

_DURATION = TypeAdapter(timedelta)


class _Value(BaseModel):
    valid_time: str = Field(alias="validTime")
    value: Number | None


class _Layer(BaseModel):
    uom: str = ""
    values: list[_Value]


class _Layers(BaseModel):
    highs: _Layer = Field(alias="maxTemperature")
    lows: _Layer = Field(alias="minTemperature")
    chances: _Layer | None = Field(None, alias="probabilityOfPrecipitation")
    amounts: _Layer | None = Field(None, alias="quantitativePrecipitation")


class _Gridpoint(BaseModel):
    properties: _Layers


class _Point(BaseModel):
    class Properties(BaseModel):
        grid: str = Field(alias="forecastGridData", min_length=1)

    properties: Properties


@dataclass(frozen=True, slots=True)
class _Span:
    """A value and the instants, in UTC, between which it holds."""

    start: datetime
    end: datetime
    value: float

    @property
    def length(self) -> timedelta:
        return self.end - self.start

    def within(self, start: datetime, end: datetime) -> timedelta:
        """How long the span and a time from `start` to `end` run together."""
        return max(min(self.end, end) - max(self.start, start), NOTHING)

    def middles(self) -> Iterator[datetime]:
        """Middle of each of its daily windows.

        Longer than a day, it is the windows of several days merged because they hold one value:
        the first window starts with it, the last one ends with it, each a day after the other.
        """
        days = ceil(self.length / ONE_DAY)
        window = self.length - (days - 1) * ONE_DAY
        return (self.start + window / 2 + day * ONE_DAY for day in range(days))


def grid_address(body: bytes) -> str:
    """Address of the grid square, out of the answer for a point.

    Raises WeatherError where the answer is not of the documented shape.
    """
    try:
        return _Point.model_validate_json(body).properties.grid
    except ValidationError as error:
        raise _unreadable(error) from error


def days_of(body: bytes, zone: ZoneInfo) -> tuple[DayWeather, ...]:
    """Local days of the forecast for a grid square.

    Parameters
    ----------
    body : JSON of the grid square
    zone : decides which day an hour belongs to

    Returns
    -------
    Days in order, each with a high and a low. A high or low belongs to the local day on which the
    middle of its window lies: highs are forecast for the daytime, lows for the night that ends in
    the morning of the day. The chance of rain is the highest of any part of the day, and so never
    above the chance that it rains at all; amounts are spread evenly over their interval. Rain is
    None where less than three quarters of the day, or of what was left of it when the forecast
    begins, are known.

    Notes
    -----
    No value (null) is passed over, and so is a temperature outside -80 to 140 F, a chance outside
    0 to 100 % or an impossible amount: the service itself mentions such values. A day whose high
    is below its low is left out.

    Raises WeatherError where the shape is not the documented one, a unit is unknown, or no day has
    both a high and a low.
    """
    try:
        layers = _Gridpoint.model_validate_json(body).properties
    except ValidationError as error:
        raise _unreadable(error) from error
    highs = _by_day(_spans(layers.highs, _TEMPERATURES, AIR_RANGE_F), zone, max)
    lows = _by_day(_spans(layers.lows, _TEMPERATURES, AIR_RANGE_F), zone, min)
    chances = _Rain(layers.chances, _CHANCES, PERCENT_RANGE)
    amounts = _Rain(layers.amounts, _AMOUNTS, RAIN_RANGE_IN)
    days = tuple(
        DayWeather(
            day=day,
            tmax_f=highs[day],
            tmin_f=lows[day],
            source="forecast",
            rain_chance_pct=chances.highest(*_bounds(day, zone)),
            rain_in=amounts.total(*_bounds(day, zone)),
        )
        for day in sorted(highs.keys() & lows.keys())
        if highs[day] >= lows[day]
    )
    if not days:
        raise WeatherError(
            "The weather forecast holds no day with both a high and a low; ask again later."
        )
    return days


def _by_day(
    spans: Iterable[_Span], zone: ZoneInfo, choose: Callable[[Iterable[float]], float]
) -> dict[date, float]:
    found: defaultdict[date, list[float]] = defaultdict(list)
    for span in spans:
        for middle in span.middles():
            found[middle.astimezone(zone).date()].append(span.value)
    return {day: choose(values) for day, values in found.items()}


class _Rain:
    """A layer of rain, asked about any stretch of time; None where too little of it is known."""

    def __init__(self, layer: _Layer | None, units: Mapping[str, Conversion], valid: Range) -> None:
        self._spans = [] if layer is None else list(_spans(layer, units, valid))
        self._begins = min((span.start for span in self._spans), default=None)

    def highest(self, start: datetime, end: datetime) -> float | None:
        parts = self._parts(start, end)
        return max(span.value for span, _ in parts) if parts else None

    def total(self, start: datetime, end: datetime) -> float | None:
        parts = self._parts(start, end)
        return sum(span.value * (part / span.length) for span, part in parts) if parts else None

    def _parts(self, start: datetime, end: datetime) -> list[tuple[_Span, timedelta]]:
        if self._begins is None:
            return []
        shared = [(span, span.within(start, end)) for span in self._spans]
        parts = [(span, part) for span, part in shared if part > NOTHING]
        known = sum((part for _, part in parts), NOTHING)
        return parts if known >= COVERED * (end - max(start, self._begins)) else []


def _spans(layer: _Layer, units: Mapping[str, Conversion], valid: Range) -> Iterator[_Span]:
    if not layer.values:
        return
    convert = units.get(layer.uom.rpartition(":")[2])
    if convert is None:
        raise WeatherError(
            f"The weather forecast comes in the unit {layer.uom[:40]!r}, which is not known here; "
            f"expected is one of {', '.join(units)}."
        )
    low, high = valid
    for entry in layer.values:
        start, end = _interval(entry.valid_time)
        if entry.value is not None and low <= (value := convert(entry.value)) <= high:
            yield _Span(start, end, value)


def _interval(text: str) -> tuple[datetime, datetime]:
    """Read an ISO 8601 interval: start/duration, start/end or duration/end."""
    first, _, last = text.partition("/")
    try:
        if first.startswith("P"):
            end = _instant(last)
            start = end - _duration(first)
        else:
            start = _instant(first)
            end = start + _duration(last) if last.startswith("P") else _instant(last)
    except (ValueError, OverflowError) as error:
        raise _no_interval(text) from error
    if not NOTHING < end - start <= LONGEST_SPAN or start.year not in YEARS:
        raise _no_interval(text)
    return start, end


def _instant(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError("no offset from UTC")
    return moment.astimezone(UTC)


def _duration(text: str) -> timedelta:
    return _DURATION.validate_python(text)  # ValidationError is a ValueError


def _bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """First instant of a local day, and of the next: 23 or 25 hours apart where clocks change."""

    def begins(each: date) -> datetime:
        return datetime.combine(each, time.min, zone).astimezone(UTC)

    return begins(day), begins(day + ONE_DAY)


def _no_interval(text: str) -> WeatherError:
    return WeatherError(
        f"The weather forecast holds {text[:60]!r} where an interval of time belongs; "
        "check that its address is that of the National Weather Service."
    )


def _unreadable(error: ValidationError) -> WeatherError:
    first = error.errors(include_url=False, include_input=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or "the answer"
    return WeatherError(
        f"The answer of the weather service cannot be read: {where}: {first['msg']}; "
        "check that its address is that of the National Weather Service."
    )
