from __future__ import annotations

import pytest
from advisers import JO, KIT, PER, farm, settle_in, visitor_of
from factories import OTHER_PHONE, ROSTER_ROW, Service, sheet

from alerts.domain.errors import CutcallError
from alerts.domain.records import ParsedRoster
from alerts.services.access.links import Role, Visitor
from alerts.services.consultants import roster_upload
from alerts.services.consultants.roster_upload import Fate
from alerts.store import fields, opt_outs
from alerts.store.tables import Farm, FarmField, Person
from alerts.web.roster_upload import parse

THIRD_PHONE = "+12025550147"


@pytest.fixture
def spring(service: Service) -> Service:
    return settle_in(service)


def roster(service: Service, *rows: dict[str, object]) -> ParsedRoster:
    content = sheet([{**ROSTER_ROW, **row} for row in rows]).encode()
    return parse(service.parts, "mine.csv", content)


def preview(
    service: Service, *rows: dict[str, object], visitor: Visitor | None = None
) -> roster_upload.Preview:
    return roster_upload.preview(
        service.sessions,
        visitor or visitor_of(service, Role.CONSULTANT, PER),
        roster(service, *rows),
        service.parts.guidelines,
        "mine.csv",
        service.clock(),
    )


def test_farm_refused_as_a_whole_takes_its_rows_with_it(spring: Service) -> None:
    # Horses have no published RFV target, so the farm waits for the adviser's number.
    row = {"farm": "Stud", "farmer": "Ivo Brandt", "phone": THIRD_PHONE, "feed_target": ""}
    horses = {**row, "animal_class": "horses"}
    seen = preview(spring, {**horses, "field": "East"}, {**horses, "field": "West"})
    assert [one.fate for one in seen.rows] == [Fate.REJECTED, Fate.REJECTED]
    assert "feed_target" in seen.rows[0].says[0]
    assert "waits for the row of this farm" in seen.rows[1].says[0]
    assert not seen.does_something


def test_results_that_wait_are_counted_and_stay_as_they_are(spring: Service) -> None:
    spring.results({"field": "South", "rfv": 201})
    assert preview(spring, {"field": "South"}).matched == 1
    assert [row.field_id for row in spring.stored_results() if row.field_label == "South"] == [None]


def test_closed_field_opens_again_and_says_so(spring: Service) -> None:
    [north] = [one for one in spring.rows(FarmField) if one.name == "North"]
    with spring.sessions.write() as session:
        fields.close(session, north.id, spring.parts.today())
    [row] = preview(spring, farm("Plum Bottom", "North")).rows
    assert row.says == ("closed on: 2027-05-10, now nothing",)


def test_consultant_without_an_email_is_told_whom_to_ask(spring: Service) -> None:
    with spring.sessions.write() as session:
        person = Person(name="Olga Finn", phone=THIRD_PHONE)
        session.add(person)
        session.flush()
        visitor = Visitor(1, Role.CONSULTANT, person.id, None)
    with pytest.raises(CutcallError, match="needs an email address"):
        preview(spring, {"farm": "Stone Row"}, visitor=visitor)


def test_namesake_at_the_same_email_does_not_get_the_farms(spring: Service) -> None:
    # An office's address: advisers are found by name and email, and the first one found is meant.
    with spring.sessions.write() as session:
        person = Person(name="Per Nystrom Senior", email=PER)
        session.add(person)
        session.flush()
        visitor = Visitor(1, Role.CONSULTANT, person.id, None)
    row = {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE}
    [seen] = preview(spring, row, visitor=visitor).rows
    assert seen.fate is Fate.REJECTED
    assert "Somebody else called much like" in seen.says[0]
    assert "Stone Row" not in {one.name for one in spring.rows(Farm)}


def test_farmer_who_stopped_is_said_to_be_the_one_to_begin_again(spring: Service) -> None:
    [plum] = [one for one in spring.rows(Farm) if one.name == "Plum Bottom"]
    with spring.sessions.write() as session:
        farmer = session.get_one(Person, plum.farmer_id)
        opt_outs.stop(session, "sms", farmer.phone, spring.clock(), "a text")
    [unwritten] = preview(spring, farm("Plum Bottom", "North")).unwritten
    assert unwritten.why == "Stopped: only they can begin again, by texting START."


def test_phone_of_somebody_elses_client_under_another_name_is_refused(spring: Service) -> None:
    row = {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": OTHER_PHONE}  # Uma Holt's, Eva's
    [seen] = preview(spring, row).rows
    assert seen.fate is Fate.REJECTED
    assert "known here under another name" in seen.says[0]


def test_phone_of_another_client_gets_nothing_without_the_farmers_own_consent(
    spring: Service,
) -> None:
    row = {"farm": "Stone Row", "farmer": "Ivo Brandt", "consent_on": "", "consent_how": ""}
    seen = preview(spring, row)  # with the phone of Ada Lindqvist, who agreed to her own
    assert [one.fate for one in seen.rows] == [Fate.NEW_FARM]
    assert [(one.farmer, one.farm) for one in seen.unwritten] == [("Ivo Brandt", "Stone Row")]
    assert any("has the phone of Ivo Brandt too" in note.text for note in seen.notes)


@pytest.mark.parametrize("email", ["anybody@example.org", "Ada@example.org"])
def test_sampler_whom_nobody_enrolled_is_not_emailed_because_a_row_names_them(
    spring: Service, email: str
) -> None:
    row = {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE}
    [seen] = preview(spring, {**row, "sampler": "Any Body", "sampler_email": email}).rows
    assert seen.fate is Fate.REJECTED
    assert "not known here yet" in seen.says[0]


@pytest.mark.parametrize(("name", "email"), [("Jo Fenwick", JO), ("Kit", KIT), ("Per", PER)])
def test_sampler_who_is_known_may_be_named(spring: Service, name: str, email: str) -> None:
    row = {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE}
    [seen] = preview(spring, {**row, "sampler": name, "sampler_email": email}).rows
    assert seen.fate is Fate.NEW_FARM
