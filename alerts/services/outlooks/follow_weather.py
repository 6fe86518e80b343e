"""Weather of areas: asking a service for the coming days, and taking in tables of past ones.

An area without weather runs on the calendar; losing the weather never stops an alert.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime

from alerts.domain.errors import CutcallError, WeatherError
from alerts.domain.records import Rejection
from alerts.store import areas, weather
from alerts.store.session import Sessions
from alerts.store.tables import AreaWeather
from alerts.weather.base import DayWeather, WeatherSource
from alerts.weather.daily_csv import read_daily_csv

log = logging.getLogger(__name__)


@dataclass(slots=True)
class WeatherReport:
    """What became of a table of daily weather."""

    area: str
    days: int = 0
    changed: int = 0
    rejected: list[Rejection] = field(default_factory=list)


async def refresh_forecasts(sessions: Sessions, source: WeatherSource, now: datetime) -> int:
    """Ask for every area whose fields have a position; returns how many got news.

    An area whose weather moved is looked at again.
    """
    with sessions.read() as session:
        places = weather.places(session)
    updated = 0
    for place in places:
        try:
            days = await source.forecast(place.latitude, place.longitude, place.area.time_zone)
        except WeatherError as error:
            log.warning("weather of %s: %s; the calendar serves until then", place.area.name, error)
            continue
        assert place.area.id is not None
        updated += _keep(sessions, place.area.id, days, now) > 0
    return updated


def take_in_table(
    sessions: Sessions, *, area: str, name: str, content: bytes, today: date, now: datetime
) -> WeatherReport:
    """Take in a table of daily temperatures for an area; UnreadableDocument where it is none."""
    table = read_daily_csv(name, content, today)
    with sessions.read() as session:
        known = {a.name.casefold(): a for a in areas.all_areas(session).values()}
    found = known.get(area.casefold())
    if found is None or found.id is None:
        names = ", ".join(sorted(a.name for a in known.values())) or "none yet"
        raise CutcallError(f"no area '{area}' is enrolled; the areas are: {names}")
    changed = _keep(sessions, found.id, table.days, now)
    return WeatherReport(found.name, len(table.days), changed, list(table.rejections))


def _keep(sessions: Sessions, area_id: int, days: Iterable[DayWeather], now: datetime) -> int:
    with sessions.write() as session:
        changed = weather.put_days(session, [_row(area_id, day, now) for day in days])
        if changed:
            areas.mark_due(session, [area_id], now)
    return changed


def _row(area_id: int, day: DayWeather, now: datetime) -> AreaWeather:
    return AreaWeather(
        area_id=area_id,
        day=day.day,
        tmax_f=day.tmax_f,
        tmin_f=day.tmin_f,
        forecast=day.source == "forecast",
        rain_chance_pct=day.rain_chance_pct,
        rain_in=day.rain_in,
        fetched_at=now,
    )
