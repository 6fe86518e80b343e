"""Daily weather of areas."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from sqlmodel import Session, col, func, select

from alerts.store.tables import Area, AreaWeather, Farm, FarmField


class Place(NamedTuple):
    """Where an area lies: the middle of its fields that have a position."""

    area: Area
    latitude: float
    longitude: float


def places(session: Session) -> list[Place]:
    """Areas of which at least one field's position is known."""
    rows = session.exec(
        select(Area, func.avg(FarmField.latitude), func.avg(FarmField.longitude))
        .join(Farm, col(Farm.area_id) == col(Area.id))
        .join(FarmField, col(FarmField.farm_id) == col(Farm.id))
        .where(col(FarmField.latitude).is_not(None), col(FarmField.longitude).is_not(None))
        .group_by(col(Area.id))
        .order_by(col(Area.id))
    )
    return [Place(area, float(latitude), float(longitude)) for area, latitude, longitude in rows]


def put_days(session: Session, days: Iterable[AreaWeather]) -> int:
    """Keep these days; returns how many tell something new.

    An observed day is not replaced by a forecast. A forecast whose day is gone stands for it until
    an observation comes.
    """
    changed = 0
    for day in days:
        known = session.get(AreaWeather, (day.area_id, day.day))
        if known is None:
            session.add(day)
            changed += 1
            continue
        if day.forecast and not known.forecast:
            continue
        changed += _differs(known, day)
        for name in _VALUES:
            setattr(known, name, getattr(day, name))
        session.add(known)
    return changed


_VALUES = ("tmax_f", "tmin_f", "forecast", "rain_chance_pct", "rain_in", "fetched_at")


def _differs(known: AreaWeather, day: AreaWeather) -> bool:
    return any(getattr(known, name) != getattr(day, name) for name in _VALUES[:-1])


def days_since(
    session: Session, area_ids: Iterable[int], first: date
) -> dict[int, list[AreaWeather]]:
    """Days of each area from ``first`` on, in order."""
    found: dict[int, list[AreaWeather]] = {}
    rows = session.exec(
        select(AreaWeather)
        .where(col(AreaWeather.area_id).in_(list(area_ids)), col(AreaWeather.day) >= first)
        .order_by(col(AreaWeather.area_id), col(AreaWeather.day))
    )
    for row in rows:
        found.setdefault(row.area_id, []).append(row)
    return found
