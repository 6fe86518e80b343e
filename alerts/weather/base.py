"""What the service knows of weather: one record a day, and who can be asked for days ahead."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal, Protocol

Provenance = Literal["observed", "forecast"]


@dataclass(frozen=True, slots=True)
class DayWeather:
    """Weather of one local calendar day.

    `tmax_f` and `tmin_f` are the highest and lowest air temperature [F, -80 to 140, the highest
    not below the lowest]. `rain_chance_pct` is the chance of measurable rain in any part of the
    day [%, 0 to 100], `rain_in` the amount of water [in, 0 or more]; None: nobody said.
    """

    day: date
    tmax_f: float
    tmin_f: float
    source: Provenance
    rain_chance_pct: float | None = None
    rain_in: float | None = None


class WeatherSource(Protocol):
    """Somebody who can be asked for the coming days of a place."""

    async def forecast(
        self, latitude: float, longitude: float, zone: str
    ) -> tuple[DayWeather, ...]:
        """Give the forecast days in the order of the calendar, gaps possible, never none.

        Parameters
        ----------
        latitude, longitude : decimal degrees, north and east positive
            [-90 to 90, -180 to 180]
        zone : IANA time zone that decides which day an hour belongs to, for example
            "America/Denver"

        Raises WeatherError, one plain sentence, for whatever stands in the way.
        """
        ...

    async def aclose(self) -> None:
        """Let go of connections; the source is of no use afterwards."""
        ...
