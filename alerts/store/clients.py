"""What a consultant's clients are enrolled with, and whom else an enrolment would touch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from sqlalchemy import or_
from sqlmodel import Session, col, select

from alerts.domain.names import name_key
from alerts.store.tables import Area, Consent, Farm, FarmField, FieldName, Person

FarmKey = tuple[str, str]
"""Area and farm, as names are compared."""

_FARM = (
    *("name", "animal_class", "index", "feed_target", "handling_loss", "harvest_method"),
    *("harvest_days", "acres_per_day", "which_load", "notice_days", "send_from", "send_to"),
)
_FIELD = (
    *("name", "acres", "grass_pct", "soil", "slope", "variety", "seeding_year"),
    *("latitude", "longitude", "zip", "public_name", "public_place", "watched", "cutting"),
    "closed_on",
)


@dataclass(frozen=True, slots=True)
class FarmState:
    """A farm as it is enrolled: values by what they are called, and those of its fields by key."""

    farm_id: int
    farmer_id: int
    values: Mapping[str, object]
    fields: Mapping[str, Mapping[str, object]]


def farm_states(session: Session, consultant_id: int) -> dict[FarmKey, FarmState]:
    """All farms of a consultant as they stand in this transaction."""
    farms = list(
        session.exec(
            select(Area, Farm)
            .join(Farm, col(Farm.area_id) == col(Area.id))
            .where(Farm.consultant_id == consultant_id)
        )
    )
    people = _people(session, (farm for _, farm in farms))
    consents = _consents(session, people.values())
    fields = _fields(session, consultant_id)
    return {
        (name_key(area.name), farm.key): FarmState(
            farm_id=farm.id or 0,
            farmer_id=farm.farmer_id,
            values={
                **_farmer(people[farm.farmer_id], consents),
                "sampler": _named(people.get(farm.sampler_id or 0)),
                **{name: getattr(farm, name) for name in _FARM},
                "time_zone": area.time_zone,
                "sampling_days": area.sampling_days,
            },
            fields=fields.get(farm.id or 0, {}),
        )
        for area, farm in farms
    }


def _people(session: Session, farms: Iterable[Farm]) -> dict[int, Person]:
    ids = {i for farm in farms for i in (farm.farmer_id, farm.sampler_id) if i is not None}
    rows = session.exec(select(Person).where(col(Person.id).in_(sorted(ids))))
    return {person.id: person for person in rows if person.id is not None}


def _consents(session: Session, people: Iterable[Person]) -> dict[str, date]:
    """The day of the newest consent of each address."""
    addresses = {a for person in people for a in (person.phone, person.email) if a}
    rows = session.exec(
        select(Consent)
        .where(col(Consent.address).in_(sorted(addresses)))
        .order_by(col(Consent.given_on))
    )
    return {row.address: row.given_on for row in rows}


def _farmer(person: Person, consents: Mapping[str, date]) -> dict[str, object]:
    given = [consents[a] for a in (person.phone, person.email) if a in consents]
    return {
        "farmer": person.name,
        "phone": person.phone,
        "email": person.email,
        "alert_by": person.alert_by,
        "email_if_unreached": person.email_if_unreached,
        "language": person.language,
        "consent_on": max(given, default=None),
    }


def _named(person: Person | None) -> str:
    return "" if person is None else f"{person.name} ({person.email})"


def _fields(session: Session, consultant_id: int) -> dict[int, dict[str, dict[str, object]]]:
    rows = session.exec(
        select(FarmField)
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(Farm.consultant_id == consultant_id)
    ).all()
    names: dict[int, list[str]] = {}
    for other in session.exec(
        select(FieldName)
        .join(FarmField, col(FarmField.id) == col(FieldName.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(Farm.consultant_id == consultant_id)
    ):
        names.setdefault(other.field_id, []).append(other.field_key)
    found: dict[int, dict[str, dict[str, object]]] = {}
    for field in rows:
        values: dict[str, object] = {name: getattr(field, name) for name in _FIELD}
        values["also_known_as"] = ", ".join(sorted(names.get(field.id or 0, [])))
        found.setdefault(field.farm_id, {})[field.key] = values
    return found


# ------------------------------------------------------------------ whom else it touches


def farms_called(session: Session, area: str, farm: str) -> list[Farm]:
    """Farms that an enrolment under these names may change."""
    rows = session.exec(
        select(Area.name, Farm)
        .join(Farm, col(Farm.area_id) == col(Area.id))
        .where(Farm.key == name_key(farm))
    )
    return [found for name, found in rows if name_key(name) == name_key(area)]


def area_names(session: Session) -> list[str]:
    return list(session.exec(select(Area.name).order_by(col(Area.id))))


def namesakes_elsewhere(session: Session, area: Area, farm: str, farmer: str) -> list[str]:
    """Other areas in which a farm of this name with a farmer of this name is enrolled."""
    rows = session.exec(
        select(Area.name, Person.name)
        .join(Farm, col(Farm.area_id) == col(Area.id))
        .join(Person, col(Person.id) == col(Farm.farmer_id))
        .where(Farm.key == name_key(farm), col(Area.id) != area.id)
        .order_by(col(Area.name))
    )
    return [name for name, known in rows if name_key(known) == name_key(farmer)]


def area_beyond(session: Session, area: str, consultant_id: int) -> Area | None:
    """The area of this name, where it is not the consultant's clients alone that make it up."""
    same = [one for one in session.exec(select(Area)) if name_key(one.name) == name_key(area)]
    found = next((one for one in same if one.name == area), same[0] if same else None)
    if found is None:
        return None
    owners = set(session.exec(select(Farm.consultant_id).where(Farm.area_id == found.id)))
    return None if owners == {consultant_id} else found


def people_beyond(
    session: Session,
    *,
    name: str,
    phone: str,
    email: str,
    farm_ids: Iterable[int],
    consultant_id: int,
) -> list[Person]:
    """Whom an enrolment may bring up to date although they are on farms of somebody else's too.

    It takes a person at one of these addresses who bears the name, or who farms ``farm_ids``.
    """
    given = [
        column == address
        for column, address in ((col(Person.phone), phone), (col(Person.email), email))
        if address
    ]
    if not given:
        return []
    farms = list(farm_ids)
    farmers = set(session.exec(select(Farm.farmer_id).where(col(Farm.id).in_(farms))))
    return [
        person
        for person in session.exec(select(Person).where(or_(*given)))
        if (name_key(person.name) == name_key(name) or person.id in farmers)
        and is_beyond(session, person, consultant_id)
    ]


def farmers_at(
    session: Session, *, phone: str, email: str, but_called: str, but_of: Iterable[int]
) -> list[Person]:
    """Farmers with this phone or this email who bear another name and farm none of ``but_of``."""
    given = [
        column == address
        for column, address in ((col(Person.phone), phone), (col(Person.email), email))
        if address
    ]
    if not given:
        return []
    spared = select(Farm.farmer_id).where(col(Farm.id).in_(list(but_of)))
    found = session.exec(
        select(Person)
        .where(or_(*given))
        .where(col(Person.id).in_(select(Farm.farmer_id)), col(Person.id).not_in(spared))
        .order_by(col(Person.id))
    )
    return [person for person in found if name_key(person.name) != name_key(but_called)]


def is_beyond(session: Session, person: Person, consultant_id: int) -> bool:
    """Whether somebody farms, advises or samples a farm that is no client of the consultant."""
    elsewhere = select(Farm.id).where(
        or_(
            col(Farm.farmer_id) == person.id,
            col(Farm.consultant_id) == person.id,
            col(Farm.sampler_id) == person.id,
        ),
        or_(col(Farm.consultant_id).is_(None), col(Farm.consultant_id) != consultant_id),
    )
    return session.exec(elsewhere.limit(1)).first() is not None


def first_at(session: Session, email: str) -> list[Person]:
    """Everybody with this email, in the order they were enrolled."""
    query = select(Person).where(Person.email == email).order_by(col(Person.id))
    return list(session.exec(query))
