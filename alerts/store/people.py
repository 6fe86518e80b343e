"""People: what they agreed to, whether they were written to, and the farms they belong to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import false, or_
from sqlmodel import Session, col, select

from alerts.domain.delivery import Status
from alerts.domain.names import name_key
from alerts.domain.records import RosterRow
from alerts.store.consents import agreements
from alerts.store.many import one_of
from alerts.store.tables import Area, Consent, Farm, FarmField, OptOut, OutboxMessage, Person


def put_person(
    session: Session,
    *,
    name: str,
    phone: str,
    email: str,
    alert_by: str,
    language: str = "en",
    email_if_unreached: bool | None = None,
    farm_id: int | None = None,
) -> Person:
    """The farmer of this name with this phone or email, made new or brought up to date.

    A shared address alone does not make two people one: neighbours share an office's email. Only
    who farms ``farm_id`` and nothing else takes a new name or address. None leaves as it was.
    """
    person = known_farmer(session, name, phone, email, farm_id) or Person(name=name)
    person.name = name
    person.phone = phone or person.phone
    person.email = email or person.email
    person.alert_by, person.language = alert_by, language
    if email_if_unreached is not None:
        person.email_if_unreached = email_if_unreached
    session.add(person)
    session.flush()
    return person


def put_adviser(session: Session, *, name: str, email: str, digest: str = "") -> Person:
    """The consultant or sampler of this name with this email.

    Somebody known already, say a farmer who samples, keeps the way they asked to be told.
    ``digest`` "" leaves the digest as often as it was.
    """
    person = known_adviser(session, name, email)
    if person is None:
        person = Person(name=name or email, email=email, alert_by="email")
    elif name and person.name == email:
        person.name = name
    person.digest = digest or person.digest
    session.add(person)
    session.flush()
    return person


def known_adviser(session: Session, name: str, email: str) -> Person | None:
    """Whom `put_adviser` takes this name and email for; None: for somebody new."""
    known = _people_at(session, "", email)
    return next((one for one in known if _names_agree(one, name)), None)


def _people_at(session: Session, phone: str, email: str) -> list[Person]:
    """Everybody with this phone or this email, in the order they were enrolled."""
    given = [
        col(column) == address
        for column, address in ((Person.phone, phone), (Person.email, email))
        if address
    ]
    query = select(Person).where(or_(false(), *given)).order_by(col(Person.id))
    return list(session.exec(query))


def known_farmer(
    session: Session, name: str, phone: str, email: str, farm_id: int | None
) -> Person | None:
    """Whom `put_person` brings up to date; None: it makes somebody new."""
    known = _people_at(session, phone, email)
    namesakes = [person for person in known if name_key(person.name) == name_key(name)]
    for person in namesakes:
        if (person.phone, person.email) == (phone, email):
            return person
    for person in known:
        if _farms(session, person) == [farm_id]:
            return person
    for person in namesakes:
        pairs = ((person.phone, phone), (person.email, email))
        if all(one == other or not one or not other for one, other in pairs):
            return person
    return None


def _farms(session: Session, person: Person) -> list[int | None]:
    return list(session.exec(select(Farm.id).where(Farm.farmer_id == person.id)))


def _names_agree(person: Person, name: str) -> bool:
    """Whether one name holds all words of the other: a sampler "Ada" is the farmer Ada Lind."""
    if not name or person.name == person.email:
        return True
    one, other = set(name_key(person.name).split()), set(name_key(name).split())
    return one <= other or other <= one


def put_area(session: Session, name: str, time_zone: str, sampling_days: str = "") -> Area:
    """The area of this name, however it is spelled; it keeps the spelling it came with first.

    ``sampling_days`` "" leaves them as they were.
    """
    same = [area for area in session.exec(select(Area)) if name_key(area.name) == name_key(name)]
    area = next((area for area in same if area.name == name), same[0] if same else None)
    if area is None:
        area = Area(name=name, time_zone=time_zone)
    area.time_zone = time_zone
    area.sampling_days = sampling_days or area.sampling_days
    session.add(area)
    session.flush()
    return area


def find_farm(session: Session, area: Area, name: str) -> Farm | None:
    query = select(Farm).where(Farm.area_id == area.id, Farm.key == name_key(name))
    return session.exec(query).first()


def put_farm(session: Session, area: Area, row: RosterRow, values: dict[str, Any]) -> Farm:
    """The farm of this name in the area, made new or brought up to date with ``values``."""
    assert area.id is not None
    farm = find_farm(session, area, row.farm)
    if farm is None:
        farm = Farm(area_id=area.id, key=name_key(row.farm), name=row.farm, **values)
    for name, value in {"name": row.farm, **values}.items():
        setattr(farm, name, value)
    session.add(farm)
    session.flush()
    return farm


def put_field(session: Session, farm: Farm, row: RosterRow) -> FarmField:
    """The field of this name on the farm. Its cutting is kept once a cut has been recorded."""
    assert farm.id is not None
    key = name_key(row.field)
    query = select(FarmField).where(FarmField.farm_id == farm.id, FarmField.key == key)
    field = session.exec(query).first()
    if field is None:
        field = FarmField(farm_id=farm.id, name=row.field, key=key, cutting=row.cutting)
    if field.cut_on is None:
        field.cutting = row.cutting
    field.name = row.field
    field.acres, field.grass_pct = row.acres, row.grass_pct
    field.soil, field.slope = row.soil, row.slope
    field.variety, field.seeding_year = row.variety, row.seeding_year
    field.latitude, field.longitude, field.zip = row.latitude, row.longitude, row.zip
    if row.public_name is not None:
        field.public_name = row.public_name
    if row.public_place is not None:
        field.public_place = row.public_place
    field.watched = row.watched
    field.closed_on = None
    session.add(field)
    session.flush()
    return field


def put_consent(
    session: Session,
    person: Person,
    *,
    channel: str,
    address: str,
    given_on: date,
    how: str,
    now: datetime,
    given_at: datetime | None = None,
    wording: str = "",
    ip: str = "",
) -> None:
    """Keep the evidence; the same consent again changes nothing.

    given_at : the moment, where it is known better than ``given_on``
    wording : what the person was shown when they agreed
    ip : from where a web form was sent
    """
    assert person.id is not None
    known = session.exec(
        select(Consent).where(
            Consent.person_id == person.id,
            Consent.channel == channel,
            Consent.address == address,
            Consent.given_on == given_on,
            Consent.how == how,
        )
    ).first()
    if known is None:
        session.add(
            Consent(
                person_id=person.id,
                channel=channel,
                address=address,
                given_on=given_on,
                how=how,
                recorded_at=now,
                given_at=given_at,
                wording=wording,
                ip=ip,
            )
        )


@dataclass(frozen=True, slots=True)
class Recipient:
    """An address that may be written to now."""

    person_id: int
    name: str
    channel: str
    address: str
    language: str


def has_agreed(session: Session, channel: str, address: str) -> bool:
    """Whether anybody at this address ever agreed, even if they took it back since.

    Whether one person did, `consents.has_agreed` says. Who was forgotten has no address any more.
    """
    found = session.exec(
        select(Consent.id).join(Person, col(Person.id) == col(Consent.person_id))
        .where(Consent.channel == channel, Consent.address == address)
        .where(or_(col(Person.phone) != "", col(Person.email) != ""))
    )  # fmt: skip
    return found.first() is not None


def recipients(
    session: Session, person_ids: Iterable[int], *, by_email: bool = False
) -> dict[int, list[Recipient]]:
    """Addresses of each person that asked for messages and did not take it back.

    ``by_email`` gives the email address however the person asked to be told of start dates.
    """
    ids = sorted(set(person_ids))
    people = session.exec(select(Person).where(col(Person.id).in_(ids))).all()
    addresses = [a for person in people for a in (person.phone, person.email) if a]
    agreed = agreements(session, people)
    refused = {
        (row.channel, row.address)
        for row in session.exec(
            select(OptOut).where(col(OptOut.address).in_(addresses), col(OptOut.ended_at).is_(None))
        )
    }
    return {
        person.id: [
            Recipient(person.id, person.name, channel, address, person.language)
            for channel, address in _wished(person, by_email)
            if (person.id, channel, address) in agreed and (channel, address) not in refused
        ]
        for person in people
        if person.id is not None
    }


def _wished(person: Person, by_email: bool) -> list[tuple[str, str]]:
    both = [("sms", person.phone), ("email", person.email)]
    asked = "email" if by_email else person.alert_by
    wanted = {"text": ("sms",), "email": ("email",)}.get(asked, ("sms", "email"))
    return [(channel, address) for channel, address in both if channel in wanted and address]


def areas_by_email(session: Session, area_ids: Iterable[int]) -> frozenset[int]:
    """Those of the areas in which a farmer asked to be told by email."""
    query = (
        select(Farm.area_id)
        .join(Person, col(Farm.farmer_id) == col(Person.id))
        .where(col(Farm.area_id).in_(list(area_ids)), Person.alert_by != "text", Person.email != "")
    )
    return frozenset(session.exec(query.distinct()))


def farms(session: Session, farm_ids: Iterable[int]) -> dict[int, Farm]:
    found = session.exec(select(Farm).where(col(Farm.id).in_(list(farm_ids))))
    return {farm.id: farm for farm in found if farm.id is not None}


def farm_ids_of_areas(session: Session, area_ids: Iterable[int]) -> list[int]:
    found = session.exec(select(Farm.id).where(col(Farm.area_id).in_(list(area_ids))))
    return [farm_id for farm_id in found if farm_id is not None]


def paused_until(session: Session, area_ids: Iterable[int]) -> dict[int, date]:
    """First day on which each paused farm of these areas may be told something again."""
    query = select(col(Farm.id), col(Farm.paused_until)).where(
        col(Farm.area_id).in_(list(area_ids)), col(Farm.paused_until).is_not(None)
    )
    return {farm_id: day for farm_id, day in session.exec(query) if farm_id and day}


def farms_of_consultant(session: Session, person_id: int) -> list[tuple[Farm, Person]]:
    """A consultant's client farms with their farmers, by name."""
    rows = session.exec(
        select(Farm, Person)
        .join(Person, col(Person.id) == col(Farm.farmer_id))
        .where(Farm.consultant_id == person_id)
        .order_by(col(Farm.name))
    )
    return list(rows)


def farm_ids_of_consultant(session: Session, person_id: int) -> frozenset[int]:
    return _ids(session.exec(select(Farm).where(Farm.consultant_id == person_id)))


def farm_ids_of_sampler(session: Session, person_id: int) -> frozenset[int]:
    return _ids(session.exec(select(Farm).where(Farm.sampler_id == person_id)))


def all_farm_ids(session: Session) -> frozenset[int]:
    return _ids(session.exec(select(Farm)))


def _ids(found: Iterable[Farm]) -> frozenset[int]:
    return frozenset(farm.id for farm in found if farm.id is not None)


def names(session: Session, person_ids: Iterable[int]) -> dict[int, str]:
    rows = session.exec(select(Person).where(col(Person.id).in_(list(person_ids))))
    return {person.id: person.name for person in rows if person.id is not None}


def consultants(session: Session) -> list[Person]:
    query = select(Person).where(col(Person.id).in_(select(Farm.consultant_id)))
    return list(session.exec(query.order_by(col(Person.id))))


# ------------------------------------------------------------------------- being written to


def written_to(session: Session, channel: str, addresses: Iterable[str]) -> frozenset[str]:
    """Those of the addresses to which any message left, or may have left, already."""
    query = select(OutboxMessage.to_address).where(
        OutboxMessage.channel == channel,
        one_of(session, col(OutboxMessage.to_address), set(addresses)),
        col(OutboxMessage.attempts) > 0,
    )
    return frozenset(session.exec(query.distinct()))


def is_spoken_to(session: Session, farm_id: int, person_id: int, channel: str, on: date) -> bool:
    """Whether a person gets, or got, a message about this farm in the send window of ``on``."""
    found = session.exec(
        select(OutboxMessage.id)
        .where(
            OutboxMessage.farm_id == farm_id,
            OutboxMessage.person_id == person_id,
            OutboxMessage.channel == channel,
            OutboxMessage.told_on == on,
            OutboxMessage.status != Status.CANCELLED,
        )
        .limit(1)
    )
    return found.first() is not None
