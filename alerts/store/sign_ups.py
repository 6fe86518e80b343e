"""Sign-ups that wait to be confirmed, and who is known at an address."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, and_
from sqlalchemy.orm import Mapped
from sqlmodel import Session, col, func, or_, select

from alerts.store.tables import Area, Farm, FarmField, OutboxMessage, Person, SignUp

LONGEST_COUNTED = timedelta(days=2)
"""What is bounded by the hour or day is counted from within a day; later than this lies ahead."""


@dataclass(frozen=True, slots=True)
class AreaPlace:
    """An area with the middle of its fields, as far as any has a place."""

    name: str
    time_zone: str
    latitude: float | None
    longitude: float | None


def area_places(session: Session) -> list[AreaPlace]:
    """All areas by name."""
    rows = session.exec(
        select(
            Area.name,
            Area.time_zone,
            func.avg(FarmField.latitude),
            func.avg(FarmField.longitude),
        )
        .outerjoin(Farm, col(Farm.area_id) == col(Area.id))
        .outerjoin(FarmField, col(FarmField.farm_id) == col(Farm.id))
        .group_by(col(Area.id), col(Area.name), col(Area.time_zone))
        .order_by(col(Area.name))
    )
    return [AreaPlace(*row) for row in rows]


def find_area(session: Session, name: str) -> Area | None:
    return session.exec(select(Area).where(Area.name == name)).first()


def add_sign_up(session: Session, sign_up: SignUp) -> SignUp:
    session.add(sign_up)
    session.flush()
    return sign_up


def get_sign_up(session: Session, sign_up_id: int) -> SignUp | None:
    return session.get(SignUp, sign_up_id)


def signed_up_at(session: Session, farm_id: int) -> datetime | None:
    """When a farm was confirmed on the open form; None for one that came in a roster."""
    confirmed = session.exec(
        select(SignUp)
        .where(SignUp.farm_id == farm_id, col(SignUp.person_id).is_(None))
        .where(col(SignUp.confirmed_at).is_not(None))
        .order_by(col(SignUp.id))
    ).first()
    return None if confirmed is None else confirmed.confirmed_at


def number_to(session: Session, channel: str, address: str, since: datetime) -> int:
    """How many confirmations were asked of an address, or its mailbox, since then.

    Here and in what else counts "since": see `_recent`.
    """
    return session.exec(
        select(func.count())
        .select_from(SignUp)
        .where(SignUp.channel == channel, _recent(col(SignUp.asked_at), since))
        .where(_same_mailbox(col(SignUp.address), channel, address))
    ).one()


def _recent(column: Mapped[datetime], since: datetime) -> ColumnElement[bool]:
    """Whether something was after ``since``, which lies at most a day back.

    What lies ahead was kept by a clock that ran ahead: it must not count until that day comes.
    """
    return and_(column > since, column <= since + LONGEST_COUNTED)


def _same_mailbox(column: Mapped[str], channel: str, address: str) -> ColumnElement[bool]:
    """Whether an address leads where this one does: 'ada+2@example.org' is ada's (RFC 5233)."""
    if channel != "email":
        return column == address
    local, _, domain = address.rpartition("@")
    local = local.partition("+")[0]
    tagged = column.startswith(f"{local}+", autoescape=True) & column.endswith(
        f"@{domain}", autoescape=True
    )
    return (column == f"{local}@{domain}") | tagged


def ips_since(session: Session, since: datetime) -> Sequence[str]:
    """Where the sign-ups since then came from, one for each."""
    return session.exec(select(SignUp.ip).where(_recent(col(SignUp.asked_at), since))).all()


def waiting(session: Session, channel: str, address: str, now: datetime) -> list[SignUp]:
    """Sign-ups of an address that may still be confirmed, newest first."""
    return list(
        session.exec(
            select(SignUp)
            .where(
                SignUp.channel == channel,
                SignUp.address == address,
                col(SignUp.expires_at) > now,
                col(SignUp.confirmed_at).is_(None),
                SignUp.refusal == "",
            )
            .order_by(col(SignUp.id).desc())
        )
    )


# ------------------------------------------------------------------- who is at an address


def persons_at(session: Session, channel: str, address: str) -> list[Person]:
    """Everybody known under a phone (channel sms) or an email address."""
    column = Person.phone if channel == "sms" else Person.email
    return list(session.exec(select(Person).where(column == address).order_by(col(Person.id))))


def farms_of_farmers(session: Session, person_ids: Sequence[int]) -> list[Farm]:
    query = select(Farm).where(col(Farm.farmer_id).in_(person_ids)).order_by(col(Farm.id))
    return list(session.exec(query))


def advises(session: Session, person_id: int) -> tuple[bool, bool]:
    """Whether a person is the consultant, and the sampler, of any farm."""
    rows = session.exec(
        select(Farm.consultant_id, Farm.sampler_id).where(
            or_(Farm.consultant_id == person_id, Farm.sampler_id == person_id)
        )
    ).all()
    consults = any(consultant == person_id for consultant, _ in rows)
    return consults, any(sampler == person_id for _, sampler in rows)


def time_zone_of(session: Session, person_id: int) -> str:
    """Of the first farm somebody farms, advises or samples; "" without any."""
    zone = session.exec(
        select(Area.time_zone)
        .join(Farm, col(Farm.area_id) == col(Area.id))
        .where(
            or_(
                Farm.farmer_id == person_id,
                Farm.consultant_id == person_id,
                Farm.sampler_id == person_id,
            )
        )
        .order_by(col(Farm.farmer_id) != person_id, col(Farm.id))
        .limit(1)
    ).first()
    return zone or ""


def messages_to(session: Session, kind: str, channel: str, address: str, since: datetime) -> int:
    """How many messages of a kind were queued for an address, or its mailbox, since then."""
    return session.exec(
        select(func.count())
        .select_from(OutboxMessage)
        .where(
            OutboxMessage.kind == kind,
            OutboxMessage.channel == channel,
            _same_mailbox(col(OutboxMessage.to_address), channel, address),
            _recent(col(OutboxMessage.created_at), since),
        )
    ).one()
