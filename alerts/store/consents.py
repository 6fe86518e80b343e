"""Whose consent holds for an address: the person's own, or that of a namesake who is there too.

An address alone agrees to nothing: a neighbour who types somebody's phone into a roster must not
have their messages sent there because its owner once agreed to their own.
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlmodel import Session, col, select

from alerts.domain.names import name_key
from alerts.store.tables import Consent, Person

Agreement = tuple[int, str, str]
"""Person, channel and address."""


def agreements(session: Session, people: Iterable[Person]) -> frozenset[Agreement]:
    """At which of their addresses these people agreed to be written to, even if they stopped."""
    everybody = list(people)
    addresses = {a for one in everybody for a in (one.phone, one.email) if a}
    given = session.exec(
        select(Consent, Person)
        .join(Person, col(Person.id) == col(Consent.person_id))
        .where(col(Consent.address).in_(sorted(addresses)))
    ).all()
    at: dict[str, list[tuple[Consent, Person]]] = {}
    for consent, giver in given:
        at.setdefault(consent.address, []).append((consent, giver))
    return frozenset(
        (person.id, consent.channel, consent.address)
        for person in everybody
        if person.id is not None
        for address in {person.phone, person.email}
        for consent, giver in at.get(address, ())
        if _is_at(person, consent) and _holds_for(person, consent, giver)
    )


def has_agreed(session: Session, person: Person, channel: str, address: str) -> bool:
    """Whether this person agreed to be written to at an address, even if they stopped since."""
    given = session.exec(
        select(Consent, Person)
        .join(Person, col(Person.id) == col(Consent.person_id))
        .where(Consent.channel == channel, Consent.address == address)
    )
    return any(_holds_for(person, consent, giver) for consent, giver in given)


def _holds_for(person: Person, consent: Consent, giver: Person) -> bool:
    if consent.person_id == person.id:
        return True
    return name_key(giver.name) == name_key(person.name) and _is_at(giver, consent)


def _is_at(person: Person, consent: Consent) -> bool:
    return consent.address == (person.phone if consent.channel == "sms" else person.email)
