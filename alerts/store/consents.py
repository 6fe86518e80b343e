"""Whose consent holds for an address: the person's own, or that of a namesake who is there too.

An address alone agrees to nothing: a neighbour who types somebody's phone into a roster must not
have their messages sent there because its owner once agreed to their own.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from sqlmodel import Session, col, select

from alerts.domain.names import name_key
from alerts.store.tables import Consent, Person

Agreement = tuple[int, str, str]
"""Person, channel and address."""


def agreements(session: Session, people: Iterable[Person]) -> frozenset[Agreement]:
    """At which of their addresses these people agreed to be written to, even if they stopped."""
    everybody = list(people)
    addresses = {a for one in everybody for a in (one.phone, one.email) if a}
    query = (
        select(Consent.channel, Consent.address, Person.id, Person.name, Person.phone, Person.email)  # type: ignore[call-overload]
        .join(Person, col(Person.id) == col(Consent.person_id))
        .where(col(Consent.address).in_(sorted(addresses)))
    )
    given: dict[tuple[str, str], list[_Giver]] = {}
    for channel, address, *giver in session.exec(query):
        given.setdefault((channel, address), []).append(_Giver(*giver))
    return frozenset(
        (person.id, channel, address)
        for person in everybody
        if person.id is not None
        for channel, address in (("sms", person.phone), ("email", person.email))
        for giver in given.get((channel, address), ())
        if _holds_for(person, giver, channel, address)
    )


def has_agreed(session: Session, person: Person, channel: str, address: str) -> bool:
    """Whether this person agreed to be written to at an address, even if they stopped since."""
    given = session.exec(
        select(Person.id, Person.name, Person.phone, Person.email)
        .join(Consent, col(Consent.person_id) == col(Person.id))
        .where(Consent.channel == channel, Consent.address == address)
    )
    return any(_holds_for(person, _Giver(*giver), channel, address) for giver in given)


class _Giver(NamedTuple):
    """Who consented, as they are reached now."""

    id: int
    name: str
    phone: str
    email: str


def _holds_for(person: Person, giver: _Giver, channel: str, address: str) -> bool:
    if giver.id == person.id:
        return True
    is_there = address == (giver.phone if channel == "sms" else giver.email)
    return is_there and name_key(giver.name) == name_key(person.name)
