"""What the tests of the forecast service share: answers of the documented shape, and a clock.

Shape: National Weather Service, 2022, OpenAPI description of the API, release 1.9 (schemas
Gridpoint, GridpointQuantitativeValueLayer, ISO8601Interval, UnitOfMeasure); an example of a
validTime in: National Weather Service, 2019, Gridpoint Frequently Asked Questions. Office, grid
square, place and every number are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta

import pytest

Values = Sequence[tuple[str, object]]

HIGHS: Values = (
    ("2026-05-14T12:00:00+00:00/PT13H", 20.0),
    ("2026-05-15T12:00:00+00:00/PT13H", 25.0),
)
LOWS: Values = (
    ("2026-05-14T00:00:00+00:00/PT14H", 10.0),
    ("2026-05-15T00:00:00+00:00/PT14H", 15.0),
)


def layer(uom: str, values: Values) -> dict[str, object]:
    return {"uom": uom, "values": [{"validTime": at, "value": value} for at, value in values]}


def grid_body(
    highs: Values = HIGHS,
    lows: Values = LOWS,
    chances: Values | None = None,
    amounts: Values | None = None,
    **others: object,
) -> bytes:
    """A grid square; `others` replaces or adds layers, None takes one away."""
    layers: dict[str, object] = {
        "updateTime": "2026-05-14T10:12:00+00:00",
        "elevation": {"unitCode": "wmoUnit:m", "value": 402.0},
        "maxTemperature": layer("wmoUnit:degC", highs),
        "minTemperature": layer("wmoUnit:degC", lows),
        "skyCover": layer("wmoUnit:percent", [("2026-05-14T12:00:00+00:00/PT6H", 40)]),
        "hazards": {"values": []},
    }
    if chances is not None:
        layers["probabilityOfPrecipitation"] = layer("wmoUnit:percent", chances)
    if amounts is not None:
        layers["quantitativePrecipitation"] = layer("wmoUnit:mm", amounts)
    layers |= others
    kept = {name: value for name, value in layers.items() if value is not None}
    return json.dumps({"type": "Feature", "properties": kept}).encode()


def point_body(grid_url: str) -> bytes:
    properties = {
        "@type": "wx:Point",
        "gridId": "ZZZ",
        "gridX": 12,
        "gridY": 34,
        "forecastGridData": grid_url,
        "timeZone": "America/Chicago",
    }
    return json.dumps({"type": "Feature", "properties": properties}).encode()


class Clock:
    """A clock that stands still until somebody waits or moves it."""

    def __init__(self) -> None:
        self.now = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
        self.waits: list[float] = []

    def __call__(self) -> datetime:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.now += timedelta(seconds=seconds)

    def pass_by(self, **spell: float) -> None:
        self.now += timedelta(**spell)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def grid() -> Callable[..., bytes]:
    return grid_body


@pytest.fixture(scope="session")
def point() -> Callable[[str], bytes]:
    return point_body


@pytest.fixture(scope="session")
def plain_layer() -> Callable[[str, Values], Mapping[str, object]]:
    return layer
