"""The day it is where the fields are, which need not be the day it is where the service runs."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.store import fields


def day_in(zone: str, now: datetime) -> date:
    """The day it is in a time zone, an IANA name."""
    return now.astimezone(ZoneInfo(zone)).date()


def today_of(
    session: Session, visitor: Visitor, now: datetime, otherwise: str, field_id: int | None = None
) -> date:
    """The day it is on a field, else on the first of the visitor's farms.

    ``otherwise`` is the time zone that counts for a visitor without farms; a field outside of
    their scope counts for nothing.
    """
    zones = fields.time_zones(session, scope.farm_ids(session, visitor))
    of_field = [zone for ids, zone in zones if field_id in ids]
    of_farms = [zone for _, zone in zones]
    return day_in(next(iter([*of_field, *of_farms]), otherwise), now)
