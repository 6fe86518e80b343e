"""Daily forecasts of the United States National Weather Service, by its open web interface.

Two questions: `/points/{latitude},{longitude}` names the grid square a place lies in, and the
square holds the numbers. What is relied on is documented in: National Weather Service, 2024, API
Web Service (pricing, User-Agent, cache-friendly design, limits that clear within about 5
seconds); National Weather Service, 2019, General FAQs (four decimal places, contact in the
User-Agent, squares of points may be kept) and Gridpoint Frequently Asked Questions (conditional
requests).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import httpx

from alerts.domain.errors import ConfigurationError, WeatherError
from alerts.weather.base import DayWeather, WeatherSource
from alerts.weather.fetcher import Fetcher
from alerts.weather.gridpoint import days_of, grid_address

BASE_URL = "https://api.weather.gov"
ACCEPT = "application/geo+json"
DECIMALS = 4  # more are answered with a redirect or an error
GRID_HOLD = timedelta(days=1)  # squares of points seldom change; a day keeps a change short-lived
MOST_LATITUDE, MOST_LONGITUDE = 90.0, 180.0


class NationalWeatherService(WeatherSource):
    """Forecasts for places in the United States.

    Parameters
    ----------
    contact : email or web address by which the service can reach the operator; sent with every
        request, as the service asks for
    clock : gives the present, aware
    base_url : address of the service; nothing on another host is ever asked
    sleep : waits so many seconds
    timeout_s : longest one request may take [s]
    client : for tests; by default a client of its own, closed by `aclose`

    Raises ConfigurationError for a base that is no web address or a contact that cannot be sent.
    """

    def __init__(
        self,
        *,
        contact: str,
        clock: Callable[[], datetime],
        base_url: str = BASE_URL,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        timeout_s: float = 20.0,
        client: httpx.AsyncClient | None = None,
    ) -> None:
        self._fetcher = Fetcher(
            base_url=base_url,
            headers={"User-Agent": f"cutcall ({_sendable(contact)})", "Accept": ACCEPT},
            clock=clock,
            sleep=sleep,
            timeout_s=timeout_s,
            client=client,
        )

    async def forecast(
        self, latitude: float, longitude: float, zone: str
    ) -> tuple[DayWeather, ...]:
        local = _known_zone(zone)
        place = _place(latitude, longitude)
        body = await self._fetcher.get(await self._grid(place))
        if body is None:  # the square was moved: ask the way once more
            body = await self._fetcher.get(await self._grid(place, recheck=True))
        if body is None:
            raise WeatherError(
                f"The National Weather Service has no forecast grid for {place} at present; "
                "ask again later."
            )
        return days_of(body, local)

    async def aclose(self) -> None:
        await self._fetcher.aclose()

    async def _grid(self, place: str, *, recheck: bool = False) -> httpx.URL:
        base = self._fetcher.base
        url = base.copy_with(path=f"{base.path.rstrip('/')}/points/{place}")
        body = await self._fetcher.get(url, hold=GRID_HOLD, recheck=recheck)
        if body is None:
            raise WeatherError(
                f"The National Weather Service does not cover {place}; correct the coordinates, "
                "or keep a table of daily highs and lows for this area."
            )
        return self._fetcher.joined(grid_address(body))


def _place(latitude: float, longitude: float) -> str:
    if not (abs(latitude) <= MOST_LATITUDE and abs(longitude) <= MOST_LONGITUDE):  # NaN included
        raise WeatherError(
            f"Latitude {latitude}, longitude {longitude} is no place on earth; "
            "correct the coordinates of the area."
        )
    return f"{_trimmed(latitude)},{_trimmed(longitude)}"


def _trimmed(degrees: float) -> str:
    """Four decimals at most and no closing zeros, for which the service would redirect.

    >>> _trimmed(-98.70000001), _trimmed(-0.00001)
    ('-98.7', '0')
    """
    text = f"{round(degrees, DECIMALS) + 0.0:.{DECIMALS}f}"
    return text.rstrip("0").rstrip(".")


def _known_zone(zone: str) -> ZoneInfo:
    try:
        return ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        raise WeatherError(
            f"{zone!r} is not a time zone; write it like America/Denver in the area's settings."
        ) from error


def _sendable(contact: str) -> str:
    text = contact.strip()
    if not text or not (text.isascii() and text.isprintable()):
        raise ConfigurationError(
            "The National Weather Service wants to know whom to reach: set a contact, an email "
            f"or web address in plain letters, instead of {contact!r}."
        )
    return text
