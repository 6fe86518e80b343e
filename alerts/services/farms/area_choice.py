"""Which area a farm belongs to: the list to choose from, and the one nearest to a ZIP code."""

from __future__ import annotations

import math

from sqlmodel import Session

from alerts.intake.roster_values import zip_place
from alerts.store.sign_ups import AreaPlace, area_places

MILES_PER_DEGREE = 69.0
FARTHEST_MI = 150.0
"""Fields further from an area than this have another spring; nothing is suggested then."""

__all__ = ["AreaPlace", "area_choices", "miles_to", "nearest_area"]


def area_choices(session: Session) -> tuple[AreaPlace, ...]:
    """All areas by name. Where their fields lie is nobody else's business: show the names only."""
    return tuple(area_places(session))


def nearest_area(choices: tuple[AreaPlace, ...], zip_code: str) -> str:
    """Name of the area nearest to a ZIP code; "" when none is near, or the code is none."""
    try:
        place = zip_place(zip_code)
    except ValueError:
        return ""
    far = {
        area.name: miles
        for area in choices
        if (miles := miles_to(area, place.latitude, place.longitude)) is not None
    }
    nearest = min(far, key=far.__getitem__, default="")
    return nearest if nearest and far[nearest] <= FARTHEST_MI else ""


def miles_to(area: AreaPlace, latitude: float, longitude: float) -> float | None:
    """Distance [mi] of a place [degrees] from the middle of an area's fields; None where no field
    of the area has a place."""
    if area.latitude is None or area.longitude is None:
        return None
    return _miles(latitude, longitude, area.latitude, area.longitude)


def _miles(latitude: float, longitude: float, to_latitude: float, to_longitude: float) -> float:
    """Distance [mi]; a flat earth is good enough for some hundred miles."""
    north = (to_latitude - latitude) * MILES_PER_DEGREE
    narrowing = math.cos(math.radians((latitude + to_latitude) / 2))
    return math.hypot(north, (to_longitude - longitude) * MILES_PER_DEGREE * narrowing)
