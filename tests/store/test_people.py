from __future__ import annotations

from datetime import date, timedelta

import pytest
from factories import MONDAY, NOON, OTHER_PHONE, PHONE, Home, day, put_home
from sqlmodel import select

from alerts.store import opt_outs, people
from alerts.store.session import Sessions
from alerts.store.tables import Consent, Farm, OptOut, Person

EMAIL = "ada@example.org"
HOUR = timedelta(hours=1)


def put(sessions: Sessions, **said: str) -> int:
    values = {"name": "Ada Lindqvist", "phone": "", "email": "", "alert_by": "both", **said}
    with sessions.write() as session:
        return people.put_person(session, **values).id


def consent(sessions: Sessions, person_id: int, channel: str, address: str, on=MONDAY) -> None:
    with sessions.write() as session:
        people.put_consent(
            session,
            session.get_one(Person, person_id),
            channel=channel,
            address=address,
            given_on=on,
            how="signed form",
            now=NOON,
        )


def addresses(sessions: Sessions, person_id: int) -> list[tuple[str, str]]:
    with sessions.read() as session:
        found = people.recipients(session, [person_id])[person_id]
    return [(recipient.channel, recipient.address) for recipient in found]


def test_person_is_known_again_by_name_and_one_address_where_the_other_is_missing(
    sessions: Sessions,
) -> None:
    first = put(sessions, phone=PHONE)
    assert put(sessions, phone=PHONE, email=EMAIL) == first
    assert put(sessions, email=EMAIL, name="ADA  Lindqvist") == first
    with sessions.read() as session:
        [person] = session.exec(select(Person)).all()
    assert (person.phone, person.email) == (PHONE, EMAIL)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        # the same office email, each a phone
        ({"phone": PHONE, "email": EMAIL}, {"phone": OTHER_PHONE, "email": EMAIL, "name": "Bo Ek"}),
        # one phone in the house
        ({"phone": PHONE}, {"phone": PHONE, "name": "Bo Ek"}),
        ({"phone": PHONE, "email": EMAIL}, {"phone": PHONE, "email": "", "name": "Bo Ek"}),
        # father and son of one name with a phone each
        ({"phone": PHONE, "email": EMAIL}, {"phone": OTHER_PHONE, "email": EMAIL}),
    ],
)
def test_people_who_share_an_address_stay_two(
    sessions: Sessions, one: dict[str, str], other: dict[str, str]
) -> None:
    first, second = put(sessions, **one), put(sessions, **other)
    assert first != second
    assert (put(sessions, **one), put(sessions, **other)) == (first, second)
    with sessions.read() as session:
        found = session.exec(select(Person).order_by(Person.id)).all()
    assert [(person.name, person.phone, person.email) for person in found] == [
        (said.get("name", "Ada Lindqvist"), said["phone"], said.get("email", ""))
        for said in (one, other)
    ]


def test_only_farmer_of_the_farm_takes_a_new_name_and_phone(sessions: Sessions, home: Home) -> None:
    new = {"name": "Ada L. Lind", "phone": OTHER_PHONE, "email": EMAIL, "alert_by": "text"}
    with sessions.write() as session:
        session.get_one(Person, home.person_id).email = EMAIL
    with sessions.write() as session:
        person = people.put_person(session, **new, farm_id=home.farm_id)
        assert (person.id, person.name, person.phone) == (
            home.person_id,
            "Ada L. Lind",
            OTHER_PHONE,
        )
    with sessions.write() as session:
        assert people.put_person(session, **(new | {"phone": PHONE})).id != home.person_id


def test_farmer_of_two_farms_keeps_the_phone_of_the_other(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        session.get_one(Person, home.person_id).email = EMAIL
    second = put_home(sessions, farm="Stone Row")
    with sessions.write() as session:
        session.get_one(Farm, second.farm_id).farmer_id = home.person_id
    with sessions.write() as session:
        other = people.put_person(
            session,
            name="Ada Lindqvist",
            phone=OTHER_PHONE,
            email=EMAIL,
            alert_by="text",
            farm_id=second.farm_id,
        )
        assert other.id != home.person_id
        assert session.get_one(Person, home.person_id).phone == PHONE


def test_adviser_with_the_email_of_somebody_else_is_a_second_person(sessions: Sessions) -> None:
    farmer = put(sessions, phone=PHONE, email=EMAIL, alert_by="text")
    with sessions.write() as session:
        same = people.put_adviser(session, name="Ada", email=EMAIL)
        other = people.put_adviser(session, name="Jo Tanager", email=EMAIL)
        again = people.put_adviser(session, name="Jo Tanager", email=EMAIL)
        assert same.id == farmer
        assert other.id not in (None, farmer)
        assert again.id == other.id
        assert (other.phone, other.alert_by) == ("", "email")


def test_person_named_without_an_address_keeps_the_known_one(sessions: Sessions) -> None:
    first = put(sessions, phone=PHONE, email=EMAIL)
    put(sessions, phone=PHONE)
    with sessions.read() as session:
        assert session.get_one(Person, first).email == EMAIL


def test_people_without_a_shared_address_are_two(sessions: Sessions) -> None:
    assert put(sessions, phone=PHONE) != put(sessions, phone=OTHER_PHONE)


def test_recipient_needs_consent_for_the_very_address(sessions: Sessions) -> None:
    person = put(sessions, phone=PHONE, email=EMAIL)
    assert addresses(sessions, person) == []
    consent(sessions, person, "sms", OTHER_PHONE)
    assert addresses(sessions, person) == []
    consent(sessions, person, "sms", PHONE)
    assert addresses(sessions, person) == [("sms", PHONE)]
    consent(sessions, person, "email", EMAIL)
    assert addresses(sessions, person) == [("sms", PHONE), ("email", EMAIL)]


def test_recipient_is_written_to_only_as_asked(sessions: Sessions) -> None:
    person = put(sessions, phone=PHONE, email=EMAIL, alert_by="email")
    consent(sessions, person, "sms", PHONE)
    consent(sessions, person, "email", EMAIL)
    assert addresses(sessions, person) == [("email", EMAIL)]
    put(sessions, phone=PHONE, email=EMAIL, alert_by="text")
    assert addresses(sessions, person) == [("sms", PHONE)]


def test_opted_out_address_is_no_recipient_and_the_other_still_is(sessions: Sessions) -> None:
    person = put(sessions, phone=PHONE, email=EMAIL)
    consent(sessions, person, "sms", PHONE)
    consent(sessions, person, "email", EMAIL)
    with sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, NOON, "replied STOP")
    assert addresses(sessions, person) == [("email", EMAIL)]


def test_address_that_asks_to_start_again_is_written_to_and_may_stop_again(
    sessions: Sessions,
) -> None:
    person = put(sessions, phone=PHONE)
    consent(sessions, person, "sms", PHONE)
    with sessions.write() as session:
        assert not opt_outs.start(session, "sms", PHONE, NOON, "texted START")
        opt_outs.stop(session, "sms", PHONE, NOON, "replied STOP")
    assert addresses(sessions, person) == []
    with sessions.write() as session:
        assert not opt_outs.start(session, "email", PHONE, NOON, "texted START")
        assert opt_outs.start(session, "sms", PHONE, NOON + HOUR, "texted START")
        assert not opt_outs.start(session, "sms", PHONE, NOON + HOUR, "texted START")
        assert opt_outs.stopped(session, "sms", [PHONE]) == frozenset()
    assert addresses(sessions, person) == [("sms", PHONE)]
    with sessions.read() as session:
        [entry] = session.exec(select(OptOut)).all()
    assert (entry.at, entry.ended_at, entry.ended_how) == (NOON, NOON + HOUR, "texted START")
    with sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, NOON + 2 * HOUR, "at the gateway")
        opt_outs.stop(session, "sms", PHONE, NOON + 3 * HOUR, "once more")
    assert addresses(sessions, person) == []
    with sessions.read() as session:
        [entry] = session.exec(select(OptOut)).all()
    assert (entry.at, entry.how, entry.ended_at) == (NOON + 2 * HOUR, "at the gateway", None)


def test_consent_holds_the_moment_the_wording_and_where_it_came_from(sessions: Sessions) -> None:
    person = put(sessions, phone=PHONE)
    with sessions.write() as session:
        people.put_consent(
            session,
            session.get_one(Person, person),
            channel="sms",
            address=PHONE,
            given_on=MONDAY,
            how="YES by text",
            now=NOON + HOUR,
            given_at=NOON,
            wording="I agree to get texts.",
            ip="203.0.113.9",
        )
    with sessions.read() as session:
        [kept] = session.exec(select(Consent)).all()
    assert (kept.given_at, kept.recorded_at) == (NOON, NOON + HOUR)
    assert (kept.wording, kept.ip) == ("I agree to get texts.", "203.0.113.9")


def test_consent_is_kept_once_and_a_newer_one_beside_it(sessions: Sessions) -> None:
    person = put(sessions, phone=PHONE)
    consent(sessions, person, "sms", PHONE)
    consent(sessions, person, "sms", PHONE)
    consent(sessions, person, "sms", PHONE, on=day(1))
    with sessions.read() as session:
        found = session.exec(select(Consent.given_on).order_by(Consent.id)).all()
    assert found == [MONDAY, day(1)]


def test_consultant_has_only_own_farms(sessions: Sessions, home: Home) -> None:
    consultant = put(sessions, name="Per Nystrom", email="per@example.org")
    other = put(sessions, name="Eva Roth", email="eva@example.org")
    with sessions.write() as session:
        session.get_one(Farm, home.farm_id).consultant_id = consultant
    with sessions.read() as session:
        mine = people.farms_of_consultant(session, consultant)
        assert [(farm.name, farmer.name) for farm, farmer in mine] == [
            ("Plum Bottom", "Ada Lindqvist")
        ]
        assert people.farms_of_consultant(session, other) == []
        assert [person.name for person in people.consultants(session)] == ["Per Nystrom"]


def test_area_takes_over_a_new_time_zone(sessions: Sessions) -> None:
    with sessions.write() as session:
        first = people.put_area(session, "Heron Flats", "America/Chicago").id
        again = people.put_area(session, "Heron Flats", "America/Denver")
    assert (again.id, again.time_zone) == (first, "America/Denver")


def test_area_is_known_again_in_another_spelling_and_keeps_its_own(sessions: Sessions) -> None:
    with sessions.write() as session:
        first = people.put_area(session, "Heron Flats", "America/Chicago").id
        again = people.put_area(session, "HERON-flats ", "America/Chicago")
        other = people.put_area(session, "Heron Flat", "America/Chicago")
        assert (again.id, again.name) == (first, "Heron Flats")
        assert other.id != first


def test_consent_date_stays_the_one_given(sessions: Sessions) -> None:
    """The evidence holds the day of consent and, beside it, the instant it was written down."""
    person = put(sessions, phone=PHONE)
    consent(sessions, person, "sms", PHONE, on=date(2026, 11, 2))
    with sessions.read() as session:
        [kept] = session.exec(select(Consent)).all()
    assert (kept.given_on, kept.recorded_at, kept.how) == (date(2026, 11, 2), NOON, "signed form")
