from __future__ import annotations

from datetime import date, time

import pytest
from factories import AREA, OTHER_PHONE, PHONE, Service, day

from alerts.services.farms.record_cuts import close_field
from alerts.store import opt_outs, people
from alerts.store.tables import Area, Consent, Farm, FarmField, FieldName, Person

TABLES = (Area, Farm, FarmField, FieldName, Person, Consent)
PEOPLE = {
    "consultant": "Per Nystrom",
    "consultant_email": "per@example.org",
    "sampler": "Jo Tanager",
    "sampler_email": "jo@example.org",
}


def everything(service: Service) -> dict[str, list[dict[str, object]]]:
    """All rows but the instants at which areas are due."""
    return {
        table.__name__: [row.model_dump(exclude={"due_at"}) for row in service.rows(table)]
        for table in TABLES
    }


def reach(service: Service, name: str) -> list[tuple[str, str]]:
    [person] = [person for person in service.rows(Person) if person.name == name]
    with service.sessions.read() as session:
        found = people.recipients(session, [person.id])[person.id]
    return [(recipient.channel, recipient.address) for recipient in found]


def test_farm_is_enrolled_with_its_fields_people_and_goal(service: Service) -> None:
    report = service.enrol(
        {"field": "North", "acres": 40, **PEOPLE}, {"field": "Creek", "acres": 20, **PEOPLE}
    )
    assert (report.farms, report.fields, report.rejected) == (1, 2, [])
    [farm] = service.rows(Farm)
    assert (farm.name, farm.index, farm.feed_target, farm.handling_loss) == (
        "Plum Bottom",
        "rfv",
        160.0,
        25.0,
    )
    assert (farm.harvest_days, farm.which_load, farm.notice_days) == (2.0, "last", 5)
    assert (farm.send_from, farm.send_to) == (time(7), time(20))
    assert {person.id: person.name for person in service.rows(Person)} == {
        farm.farmer_id: "Ada Lindqvist",
        farm.consultant_id: "Per Nystrom",
        farm.sampler_id: "Jo Tanager",
    }
    assert [field.name for field in service.rows(FarmField)] == ["North", "Creek"]
    [area] = service.rows(Area)
    assert (area.name, area.due_at) == (AREA, service.clock())


def test_same_roster_again_changes_nothing(service: Service) -> None:
    rows = [
        {"field": "North", "also_known_as": "N 40; Long piece", **PEOPLE},
        {"field": "Creek", **PEOPLE},
        {"farm": "Stone Row", "field": "East", "farmer": "Ivo Brandt", "phone": OTHER_PHONE},
    ]
    service.enrol(*rows)
    before = everything(service)
    service.later(days=1)
    assert service.enrol(*rows).farms == 2
    assert everything(service) == before


def test_changed_roster_brings_what_it_names_up_to_date(service: Service) -> None:
    service.enrol({"field": "North"}, {"field": "Creek"})
    service.enrol({"field": "North", "acres": 41, "feed_target": 150, "farmer": "Ada L. Lind"})
    [farm] = service.rows(Farm)
    north, creek = service.rows(FarmField)
    assert farm.feed_target == 150.0
    assert (north.acres, creek.acres, creek.closed_on) == (41.0, None, None)
    assert [person.name for person in service.rows(Person)] == ["Ada L. Lind"]


def test_names_spelled_otherwise_are_the_same_farm_and_field(service: Service) -> None:
    service.enrol({"farm": "Plum Bottom", "field": "North-40"})
    service.enrol({"farm": "PLUM  BOTTOM", "field": "north 40"})
    assert [farm.name for farm in service.rows(Farm)] == ["PLUM BOTTOM"]
    assert [field.name for field in service.rows(FarmField)] == ["north 40"]


def test_closed_field_enrolled_again_is_open(service: Service) -> None:
    service.enrol({})
    with service.sessions.write() as session:
        session.get_one(FarmField, service.rows(FarmField)[0].id).closed_on = day(-9)
    service.enrol({})
    assert service.rows(FarmField)[0].closed_on is None


def test_field_keeps_its_cutting_once_a_cut_is_recorded(service: Service) -> None:
    service.enrol({})
    service.cut("North", day(0))
    service.enrol({"cutting": 1})
    [field] = service.rows(FarmField)
    assert (field.cutting, field.cut_on) == (2, day(0))


# ------------------------------------------------------------------------------- goals


def test_target_and_loss_nobody_said_come_from_the_guidelines(service: Service) -> None:
    """Milking cows RFQ 165 (Paulson and others, 2007, Alfalfa for milk: what's the RFV/RFQ
    target?), haylage 15 points (Midwest Forage Association, n.d., Using PEAQ sticks to measure
    relative forage quality, 15 to 25)."""
    service.enrol({"index": "rfq", "feed_target": "", "handling_loss": ""})
    [farm] = service.rows(Farm)
    assert (farm.feed_target, farm.handling_loss) == (165.0, 15.0)


def test_farm_without_a_published_target_is_sent_back_and_the_others_enrolled(
    service: Service,
) -> None:
    report = service.enrol(
        {"farm": "Sheep Walk", "animal_class": "horses", "index": "rfv", "feed_target": ""},
        {"farm": "Plum Bottom"},
    )
    assert (report.farms, report.fields) == (1, 1)
    [rejection] = report.rejected
    assert (rejection.row, rejection.column) == (2, "feed_target")
    assert "no published RFV target exists for horses" in rejection.reason
    assert [farm.name for farm in service.rows(Farm)] == ["Plum Bottom"]
    again = service.enrol(
        {"farm": "Sheep Walk", "animal_class": "horses", "index": "rfv", "feed_target": "120"}
    )
    assert (again.farms, again.rejected) == (1, [])


def test_harvest_length_comes_from_acres_and_pace(service: Service) -> None:
    pace = {"harvest_days": "", "acres_per_day": 30}
    service.enrol({"field": "North", "acres": 60, **pace}, {"field": "Creek", "acres": 30, **pace})
    assert service.rows(Farm)[0].harvest_days == 3.0


def test_harvest_length_counts_fields_of_earlier_rosters_and_no_closed_ones(
    service: Service,
) -> None:
    pace = {"harvest_days": "", "acres_per_day": 30}
    service.enrol({"field": "North", "acres": 60, **pace}, {"field": "Creek", "acres": 30, **pace})
    report = service.enrol(
        {"field": "North", "acres": 60, **pace}, {"field": "Creek", "acres": "thirty", **pace}
    )
    assert [rejection.row for rejection in report.rejected] == [3]
    assert service.rows(Farm)[0].harvest_days == 3.0
    close_field(service.sessions, farm="", field="Creek", on=day(0), now=service.clock())
    service.enrol({"field": "North", "acres": 60, **pace})
    assert service.rows(Farm)[0].harvest_days == 2.0


def test_harvest_length_names_the_fields_whose_acres_nobody_gave(service: Service) -> None:
    service.enrol({"field": "Creek", "acres": ""})
    report = service.enrol({"field": "North", "acres": 60, "harvest_days": "", "acres_per_day": 30})
    assert service.rows(Farm)[0].harvest_days == 2.0
    [note] = report.notes
    assert (note.row, note.column) == (2, "acres")
    assert "without Creek" in note.text


def test_rows_the_reader_rejected_are_in_the_report(service: Service) -> None:
    report = service.enrol({"field": "North"}, {"field": "Creek", "acres": "many"})
    assert report.fields == 1
    assert [(r.row, r.column) for r in report.rejected] == [(3, "acres")]


# ------------------------------------------------------------------- who and where it is


def test_farmers_who_share_an_email_keep_their_own_phones(service: Service) -> None:
    office = {"email": "office@example.org", "alert_by": "text"}
    stone = {"farm": "Stone Row", "field": "East", "farmer": "Ivo Brandt", "phone": OTHER_PHONE}
    service.enrol({**office}, {**office, **stone})
    assert reach(service, "Ada Lindqvist") == [("sms", PHONE)]
    assert reach(service, "Ivo Brandt") == [("sms", OTHER_PHONE)]
    plum, row = service.rows(Farm)
    assert plum.farmer_id != row.farmer_id
    service.results({"rfv": 205})
    service.evaluate()
    service.send()
    assert [message.to for message in service.sms.attempts] == [PHONE]


def test_area_spelled_otherwise_is_the_same_one(service: Service) -> None:
    service.enrol({})
    report = service.enrol({"area": AREA.upper()})
    assert [area.name for area in service.rows(Area)] == [AREA]
    assert len(service.rows(Farm)) == len(service.rows(FarmField)) == 1
    assert report.notes == []
    assert service.results({"rfv": 205}).unmatched == 0


def test_farm_of_the_same_farmer_in_a_second_area_is_noted_once(service: Service) -> None:
    service.enrol({})
    moved = {"area": "Otter Bend"}
    [note] = service.enrol(moved).notes
    assert (note.row, note.column) == (2, "area")
    assert "Plum Bottom of Ada Lindqvist is enrolled in area Heron Flats already" in note.text
    assert service.enrol(moved).notes == []
    other = {"area": "Third Bend", "farmer": "Ivo Brandt", "phone": OTHER_PHONE}
    assert service.enrol(other).notes == []


# ----------------------------------------------------------------------------- consent


@pytest.mark.parametrize(("on", "taken"), [(day(0), True), (day(1), True), (day(2), False)])
def test_consent_of_a_day_still_to_come_is_sent_back(
    service: Service, on: date, taken: bool
) -> None:
    """At noon in Chicago it is the next day already where clocks are 14 hours ahead of UTC."""
    report = service.enrol(
        {"field": "North", "consent_on": on.isoformat()},
        {"field": "Creek", "consent_on": on.isoformat()},
        {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": OTHER_PHONE},
    )
    assert report.farms == (2 if taken else 1)
    if not taken:
        [rejection] = report.rejected
        assert (rejection.row, rejection.column) == (2, "consent_on")
        assert "2027-05-12 has not come yet" in rejection.reason
        assert [consent.address for consent in service.rows(Consent)] == [OTHER_PHONE]


def test_consent_of_the_farmer_is_kept_for_each_address_with_day_and_way(
    service: Service,
) -> None:
    service.enrol({"email": "ada@example.org", "alert_by": "both"})
    kept = [(c.channel, c.address, c.given_on, c.how) for c in service.rows(Consent)]
    how = "signed form at the spring meeting"
    assert kept == [
        ("sms", PHONE, date(2027, 3, 20), how),
        ("email", "ada@example.org", date(2027, 3, 20), how),
    ]
    assert reach(service, "Ada Lindqvist") == [("sms", PHONE), ("email", "ada@example.org")]


def test_farmer_without_consent_is_enrolled_and_not_written_to(service: Service) -> None:
    report = service.enrol({"consent_on": "", "consent_how": ""})
    assert report.farms == 1
    assert service.rows(Consent) == []
    assert reach(service, "Ada Lindqvist") == []
    assert "nobody will be texted or emailed" in report.notes[0].text


def test_new_phone_of_a_farmer_needs_its_own_consent(service: Service) -> None:
    service.enrol({"email": "ada@example.org"})
    service.enrol({"email": "ada@example.org", "phone": OTHER_PHONE, "consent_on": ""})
    [person] = service.rows(Person)
    assert person.phone == OTHER_PHONE
    assert reach(service, "Ada Lindqvist") == []


def test_consultant_and_sampler_named_with_an_address_may_be_written_to(
    service: Service,
) -> None:
    service.enrol(PEOPLE, name="spring.csv")
    kept = [(c.channel, c.address, c.how) for c in service.rows(Consent)]
    assert ("email", "per@example.org", "named in roster spring.csv") in kept
    assert ("email", "jo@example.org", "named in roster spring.csv") in kept
    assert reach(service, "Per Nystrom") == [("email", "per@example.org")]


def test_consultant_who_stopped_stays_stopped_when_enrolled_again(service: Service) -> None:
    service.enrol(PEOPLE)
    with service.sessions.write() as session:
        opt_outs.stop(session, "email", "per@example.org", service.clock(), "link in an email")
    service.later(days=1)
    service.enrol(PEOPLE)
    assert reach(service, "Per Nystrom") == []


def test_farmer_who_samples_is_still_told_by_text(service: Service) -> None:
    """Naming the farmer as sampler must not turn texts into emails."""
    service.enrol(
        {"email": "ada@example.org", "sampler": "Ada", "sampler_email": "ada@example.org"}
    )
    [farm] = service.rows(Farm)
    assert farm.sampler_id == farm.farmer_id
    [person] = service.rows(Person)
    assert (person.name, person.alert_by) == ("Ada Lindqvist", "text")
    assert reach(service, "Ada Lindqvist") == [("sms", PHONE)]


def test_adviser_known_by_address_alone_takes_the_name_given_later(service: Service) -> None:
    service.enrol({"consultant_email": "per@example.org"})
    service.enrol(PEOPLE)
    names = [person.name for person in service.rows(Person)]
    assert names == ["Ada Lindqvist", "Per Nystrom", "Jo Tanager"]


# --------------------------------------------------------------------- waiting results


def test_results_that_waited_for_a_field_flow_on_when_it_is_enrolled(service: Service) -> None:
    assert service.results({"rfv": 205}, {"rfv": 199, "field": "Creek"}).unmatched == 2
    report = service.enrol({"field": "North"})
    assert report.matched == 1
    service.evaluate()
    assert service.line("North").results == 1


def test_result_that_waited_under_another_name_flows_on(service: Service) -> None:
    service.results({"rfv": 205, "field": "Long piece"})
    assert service.enrol({"also_known_as": "Long piece"}).matched == 1


@pytest.mark.parametrize("column", ["field", "farmer", "area"])
def test_row_without_a_needed_name_enrols_nothing(service: Service, column: str) -> None:
    report = service.enrol({column: ""})
    assert (report.farms, report.fields) == (0, 0)
    assert [rejection.column for rejection in report.rejected] == [column]
    assert service.rows(Farm) == []


# ------------------------------------------------- public fields, sampling days, digests


def test_public_field_keeps_its_name_until_it_is_taken_back(service: Service) -> None:
    service.enrol({"public_name": "Creek flats", "public_place": "Alder County", "zip": "82801"})
    service.enrol({})
    [field] = service.rows(FarmField)
    assert (field.public_name, field.public_place) == ("Creek flats", "Alder County")
    service.enrol({"public_name": "no", "zip": "82801"})
    [field] = service.rows(FarmField)
    assert (field.public_name, field.public_place) == ("", "Alder County")
    assert (field.zip, field.latitude) == ("82801", pytest.approx(44.8, abs=0.5))


def test_sampling_days_of_an_area_stay_until_others_are_given(service: Service) -> None:
    service.enrol({"sampling_days": "Tue Fri"})
    service.enrol({"farm": "Stone Row"})
    [area] = service.rows(Area)
    assert area.sampling_days == "tue,fri"
    service.enrol({"sampling_days": "wed"})
    [area] = service.rows(Area)
    assert area.sampling_days == "wed"


def test_digest_of_the_consultant_stays_until_another_is_given(service: Service) -> None:
    service.enrol({**PEOPLE, "digest": "weekly"})
    service.enrol({**PEOPLE, "digest": ""})
    every = {person.name: person.digest for person in service.rows(Person)}
    assert every == {"Ada Lindqvist": "daily", "Per Nystrom": "weekly", "Jo Tanager": "daily"}


def test_pace_of_the_harvest_is_kept_where_its_length_follows_from_it(service: Service) -> None:
    service.enrol({"harvest_days": "", "acres_per_day": 30, "acres": 90})
    [farm] = service.rows(Farm)
    assert (farm.harvest_days, farm.acres_per_day) == (3.0, 30.0)
    service.enrol({"harvest_days": "4", "acres_per_day": 30, "acres": 90})
    [farm] = service.rows(Farm)
    assert (farm.harvest_days, farm.acres_per_day) == (4.0, None)


def test_empty_people_columns_leave_consultant_and_sampler_as_they_are(service: Service) -> None:
    service.enrol(PEOPLE)
    [before] = service.rows(Farm)
    assert before.sampler_id is not None
    service.enrol({})
    service.enrol({"sampler": PEOPLE["sampler"]})
    [after] = service.rows(Farm)
    assert (after.consultant_id, after.sampler_id) == (before.consultant_id, before.sampler_id)
    service.enrol({"sampler": "no"})
    [without] = service.rows(Farm)
    assert (without.consultant_id, without.sampler_id) == (before.consultant_id, None)


@pytest.mark.parametrize(
    ("column", "said", "words"),
    [
        ("public_name", "Bottom of Plum", "gives away the farm"),
        ("public_place", "near Ada Lindqvist", "gives away the farmer"),
        ("public_name", "x" * 61, "at most 60 characters"),
    ],
)
def test_roster_publishes_no_name_that_gives_somebody_away(
    service: Service, column: str, said: str, words: str
) -> None:
    report = service.enrol({"public_name": "Creek flats", column: said})
    [rejection] = report.rejected
    assert rejection.column == column
    assert words in rejection.reason
    assert service.rows(Farm) == []


def test_public_name_is_given_once_in_an_area(service: Service) -> None:
    other = {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": OTHER_PHONE}
    named = {"public_name": "Creek flats"}
    assert service.enrol(named).rejected == []
    assert service.enrol(named).rejected == []  # its own
    [rejection] = service.enrol({**other, "public_name": "CREEK flats"}).rejected
    assert "published in this area already" in rejection.reason
    assert service.enrol({**other, **named, "area": "Elsewhere"}).rejected == []
    twice = [{**other, "field": field, "public_name": "Two"} for field in ("East", "West")]
    assert len(service.enrol(*twice).rejected) == 1


def test_wish_for_an_email_instead_of_a_lost_text_stays_until_it_is_changed(
    service: Service,
) -> None:
    mail = {"email": "ada@example.org"}
    wishes = []
    for said in ("", "yes", "", "no"):
        service.enrol({**mail, "email_if_unreached": said})
        wishes.append(service.rows(Person)[0].email_if_unreached)
    assert wishes == [False, True, True, False]
