"""What a farmer does on the farm's page: the harvest began, pause, stop, start again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.services.access.links import Visitor
from alerts.services.access.scope import NotYours, require_farm, require_field
from alerts.services.farms.farm_page import wished
from alerts.services.farms.record_cuts import (
    SHORTEST_REGROWTH,
    DoubtfulCut,
    cut_field_in,
    undo_cut_in,
)
from alerts.store import areas, consents, opt_outs, outbox, people
from alerts.store.tables import Area, Farm, FarmField, Person

LONGEST_PAUSE = timedelta(days=366)
"""A pause without an end in sight is a stop, which has its own button."""


class WrongInput(CutcallError):
    """One control of the page holds something that cannot be.

    ``sentence`` may hold places for ``values`` ('%(field)s'), so that it can be translated.
    """

    def __init__(self, control: str, sentence: str, **values: str) -> None:
        super().__init__(sentence % values if values else sentence)
        self.control, self.sentence, self.values = control, sentence, values


def record_start(
    session: Session,
    visitor: Visitor,
    farm_id: int,
    field_ids: Sequence[int],
    on: date | None,
    season_first_day: date,
    now: datetime,
) -> list[str]:
    """Record that these fields were cut on that day; returns their names.

    Either all of them or, with WrongInput, none: the caller's transaction is rolled back.
    """
    farm = require_farm(session, visitor, farm_id)
    if not field_ids:
        raise WrongInput("field", "no field is chosen; choose those that you cut")
    if on is None:
        raise WrongInput("on", "the day is missing; give the day you started")
    if on > local_day(session, farm, now):
        raise WrongInput("on", "that day has not come yet; record the cut once it is made")
    if on < season_first_day:
        raise WrongInput("on", "that day lies before this season; check the year")
    chosen = [_own_field(session, visitor, farm, one) for one in dict.fromkeys(field_ids)]
    for field in chosen:
        if field.cut_on is not None and on < field.cut_on + SHORTEST_REGROWTH:
            raise WrongInput(
                "on",
                "%(field)s was cut on %(day)s already; undo that cut first, or leave it out",
                field=field.name,
                day=str(field.cut_on),
            )
        assert field.id is not None
        try:
            cut_field_in(
                session, field_id=field.id, cut_on=on, now=now, season_first_day=season_first_day
            )
        except DoubtfulCut as doubt:
            raise WrongInput("on", doubt.sentence, **doubt.values) from doubt
    return [field.name for field in chosen]


def _own_field(session: Session, visitor: Visitor, farm: Farm, field_id: int) -> FarmField:
    field = require_field(session, visitor, field_id)
    if field.farm_id != farm.id:
        raise NotYours("there is no such field here")
    if field.closed_on is not None:
        raise WrongInput("field", "that field was given up; choose again")
    return field


def undo_start(
    session: Session, visitor: Visitor, farm_id: int, field_id: int, now: datetime
) -> str:
    """Take the newest cut of a field back; returns its name. CutcallError when there is none."""
    field = require_field(session, visitor, field_id)
    if field.farm_id != farm_id:
        raise NotYours("there is no such field here")
    undo_cut_in(session, field_id=field_id, now=now)
    return field.name


def pause(
    session: Session,
    visitor: Visitor,
    farm_id: int,
    now: datetime,
    *,
    until: date | None = None,
    days: int | None = None,
) -> date:
    """Say nothing of this farm before ``until``, or for so many days; returns the first day again.

    WrongInput for neither, a day that is no later than today, or one over a year away.
    """
    farm = require_farm(session, visitor, farm_id)
    today = local_day(session, farm, now)
    control = "until" if until is not None else "days"
    if until is None and days is not None and 0 < days <= LONGEST_PAUSE.days:
        until = today + timedelta(days=days)
    if until is None:
        raise WrongInput(control, "say for how many days, or until which day")
    if until <= today:
        raise WrongInput(control, "that day is not ahead; give a later one")
    if until > today + LONGEST_PAUSE:
        raise WrongInput(control, "that is over a year away; to end the messages use Stop")
    farm.paused_until = until
    session.add(farm)
    outbox.cancel_waiting(session, farm_id, now, f"paused until {until}")
    return until


def resume(session: Session, visitor: Visitor, farm_id: int, now: datetime) -> None:
    """End a pause; the area is looked at anew, so that what holds today is said today."""
    farm = require_farm(session, visitor, farm_id)
    farm.paused_until = None
    session.add(farm)
    areas.mark_due(session, [farm.area_id], now)


def stop(session: Session, visitor: Visitor, farm_id: int, now: datetime) -> list[str]:
    """Write the person's addresses into the opt-out ledger; returns the channels stopped."""
    person = _person(session, visitor, farm_id)
    stopped = []
    for channel, address in (("sms", person.phone), ("email", person.email)):
        if address:
            opt_outs.stop(session, channel, address, now, "the farm's page")
            stopped.append(channel)
    return stopped


def start_again(
    session: Session, visitor: Visitor, farm_id: int, now: datetime, *, shown: str, ip: str
) -> list[str]:
    """End the opt-out of the addresses the person wants to be told at; returns the channels.

    ``shown`` is the sentence they agreed to; it is kept with the moment and the ``ip``. Only an
    address that had agreed before can agree so: a new one has to be confirmed from itself.
    """
    person = _person(session, visitor, farm_id)
    farm = require_farm(session, visitor, farm_id)
    started = []
    for channel, address in wished(person):
        if not consents.has_agreed(session, person, channel, address):
            continue
        if opt_outs.start(session, channel, address, now, "the farm's page"):
            people.put_consent(
                session,
                person,
                channel=channel,
                address=address,
                given_on=local_day(session, farm, now),
                how=f"started again on the farm's page at {now:%Y-%m-%d %H:%M:%S} UTC",
                now=now,
                given_at=now,
                wording=shown,
                ip=ip,
            )
            started.append(channel)
    areas.mark_due(session, [farm.area_id], now)
    return started


def local_day(session: Session, farm: Farm, now: datetime) -> date:
    """The day it is on the farm."""
    return now.astimezone(ZoneInfo(session.get_one(Area, farm.area_id).time_zone)).date()


def _person(session: Session, visitor: Visitor, farm_id: int) -> Person:
    """Whose messages a link stops: the farmer's; NotYours for somebody who farmed here before."""
    farm = require_farm(session, visitor, farm_id)
    if visitor.person_id not in (None, farm.farmer_id):
        raise NotYours("this farm is somebody else's by now")
    return session.get_one(Person, farm.farmer_id)
