"""Whose consent holds for an address."""

from __future__ import annotations

from datetime import date

import pytest
from factories import NOON, OTHER_PHONE, PHONE
from sqlmodel import select

from alerts.store import consents, people
from alerts.store.session import Sessions
from alerts.store.tables import Consent, Person


def person(sessions: Sessions, name: str, phone: str = PHONE) -> int:
    with sessions.write() as session:
        made = Person(name=name, phone=phone)
        session.add(made)
        session.flush()
        assert made.id is not None
        return made.id


def agree(sessions: Sessions, person_id: int, address: str = PHONE) -> None:
    with sessions.write() as session:
        people.put_consent(
            session,
            session.get_one(Person, person_id),
            channel="sms",
            address=address,
            given_on=date(2027, 3, 20),
            how="form",
            now=NOON,
        )


def reach(sessions: Sessions, person_id: int) -> list[str]:
    with sessions.read() as session:
        found = [one.address for one in people.recipients(session, [person_id])[person_id]]
        who = session.get_one(Person, person_id)
        agreed = consents.has_agreed(session, who, "sms", who.phone)
    assert agreed == bool(found)
    return found


def test_neighbour_entered_with_somebodys_phone_has_not_agreed(sessions: Sessions) -> None:
    ada, bo = person(sessions, "Ada Lindqvist"), person(sessions, "Bo Ek")
    agree(sessions, ada)
    assert (reach(sessions, ada), reach(sessions, bo)) == ([PHONE], [])


def test_who_shares_a_phone_agrees_for_themselves(sessions: Sessions) -> None:
    ada, bo = person(sessions, "Ada Lindqvist"), person(sessions, "Bo Ek")
    agree(sessions, ada)
    agree(sessions, bo)
    with sessions.read() as session:
        given = session.exec(select(Consent)).all()
    assert len(given) == 2  # the same day and paper, two people
    assert (reach(sessions, ada), reach(sessions, bo)) == ([PHONE], [PHONE])


def test_consent_of_a_namesake_holds_while_they_have_the_phone(sessions: Sessions) -> None:
    first, second = person(sessions, "Ada Lindqvist"), person(sessions, "ADA  lindqvist")
    agree(sessions, first)
    assert reach(sessions, second) == [PHONE]
    with sessions.write() as session:
        session.get_one(Person, first).phone = OTHER_PHONE
    assert reach(sessions, second) == []


@pytest.mark.parametrize("phone", [OTHER_PHONE, ""])
def test_consent_for_an_old_phone_says_nothing_of_the_new(sessions: Sessions, phone: str) -> None:
    ada = person(sessions, "Ada Lindqvist")
    agree(sessions, ada)
    with sessions.write() as session:
        session.get_one(Person, ada).phone = phone
    assert reach(sessions, ada) == []
