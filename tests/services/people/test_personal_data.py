"""What is kept about a person is given out whole, and gone once they are forgotten.

What must be given out and erased, and that what the law asks to keep may stay: European Parliament
and Council, 2016, General Data Protection Regulation (articles 15 and 17); from memory. That an
opt-out is remembered: common practice.
"""

from __future__ import annotations

import json
from datetime import time, timedelta

import pytest
from advisers import JO, PER, farm, page_of, settle_in, visitor_of
from factories import (
    AREA,
    MONDAY,
    NOON,
    OTHER_PHONE,
    PHONE,
    ROSTER_ROW,
    Service,
    day,
    sheet,
)
from sqlalchemy import inspect, text

from alerts.domain.decision import START_KINDS
from alerts.domain.errors import CutcallError
from alerts.services.access.links import LinkGone, Role, link_path, open_link
from alerts.services.access.tokens import TokenRefused, caller_of, make_token
from alerts.services.consultants import roster_upload
from alerts.services.consultants.digest import queue_digests
from alerts.services.people.personal_data import Forgotten, export_person, forget_person
from alerts.services.people.sign_up import SignUpForm, ask
from alerts.services.texts.replies import take_in
from alerts.store import opt_outs, outbox, people
from alerts.store.tables import (
    AccessLink,
    ApiToken,
    Consent,
    Cut,
    Document,
    Farm,
    FarmField,
    InboundText,
    LabResult,
    OptOut,
    Person,
    SignUp,
)
from alerts.transports.base import TextIn

HERS, EMAIL = "+12025550149", "greta.lind@example.org"
NAME, FARM, FIELD = "Greta Lindholm", "Quillwort Acres", "Sedgebank"
TRACES = (NAME, "Lindholm", HERS, HERS[2:], "555-0149", EMAIL, FARM, FIELD, "203.0.113.9")
"""Whatever of hers would give her away; nothing else in these tests holds any of it."""


def text_in(service: Service, body: str, sid: str, phone: str = HERS) -> None:
    said = TextIn(gateway_id=sid, from_address=phone, to_address="+12025550100", body=body)
    take_in(service.sessions, service.parts.reply_rules(), said, service.clock())


@pytest.fixture
def known(service: Service) -> Service:
    """A farmer who has left traces in every corner, beside other people's farms."""
    settle_in(service)
    service.clock.now = NOON
    ada = {
        "farmer": NAME, "phone": HERS, "email": EMAIL, "alert_by": "both",
        "latitude": "44.12345", "longitude": "-90.98765", "also_known_as": "Sedgebank Old",
    }  # fmt: skip
    row = {**farm(FARM, FIELD), **ada}
    content = sheet([{**ROSTER_ROW, **row}, {**ROSTER_ROW, **farm("Alder End", "Ridge")}]).encode()
    per = visitor_of(service, Role.CONSULTANT, PER)
    rules = service.parts.link_rules()
    roster_upload.keep(service.sessions, rules, per, "clients.csv", content, service.clock())
    service.enrol(row)
    service.results(
        {
            "farm": FARM,
            "field": FIELD,
            "rfv": 231,
            "lab_number": "77-1",
            "remark": "for Greta Lindholm",
        },
        {"farm": FARM, "field": FIELD, "rfv": 203, "lab_number": "77-2"},
        {"farm": "Alder End", "field": "Ridge", "rfv": 222, "lab_number": "77-3"},
        {"farm": FARM, "field": "Nowhere", "rfv": 222, "lab_number": "77-4"},
    )
    service.evaluate()
    service.send()
    queue_digests(service.sessions, service.parts.digest_rules(), service.clock())
    text_in(service, f"cut {FIELD}", "SM1")
    text_in(service, f"please call me, Greta Lindholm, at {HERS}", "SM2")
    typed = {
        "farmer": NAME, "phone": "(202) 555-0149", "farm": f"{FARM} Two", "area": AREA,
        "field-1-field": FIELD, "animal_class": "milking_cows", "harvest_days": "5",
    }  # fmt: skip
    form = SignUpForm(typed, "en", True)
    sign_up = service.parts.sign_up_rules()
    assert not ask(service.sessions, sign_up, form, "203.0.113.9", service.clock()).errors
    with service.sessions.write() as session:
        [person] = [one for one in service.rows(Person) if one.name == NAME]
        [home] = [one for one in service.rows(Farm) if one.name == FARM]
        link_path(
            session, rules, Role.FARM, person_id=person.id, farm_id=home.id, now=service.clock()
        )
    return service


def forget(service: Service, said: str = HERS, name: str = "") -> Forgotten:
    return forget_person(service.sessions, said, service.clock(), name)


def export(service: Service, said: str = HERS, name: str = "") -> dict[str, object]:
    found = export_person(service.sessions, said, service.clock(), name)
    assert json.loads(json.dumps(found)) == found  # nothing in it that JSON does not know
    return found


def everything(service: Service) -> list[tuple[str, str]]:
    """Every cell of every table as text, with where it stands."""
    engine = service.sessions.engine
    cells = []
    with engine.connect() as connection:
        for table in inspect(engine).get_table_names():
            for row in connection.execute(text(f'SELECT * FROM "{table}"')).mappings():
                for column, value in row.items():
                    shown = value.decode("latin-1") if isinstance(value, bytes) else str(value)
                    cells.append((f"{table}.{column}", shown))
    return cells


def traces(service: Service) -> set[str]:
    """Tables and columns in which anything of hers stands."""
    return {
        place
        for place, cell in everything(service)
        if any(one.casefold() in cell.casefold() for one in TRACES)
    }


# ------------------------------------------------------------------------ forgetting


def test_forgotten_person_leaves_no_trace_but_what_is_meant_to_stay(known: Service) -> None:
    before = traces(known)
    assert {
        "person.name", "person.phone", "person.email", "outbox.text", "outbox.to_address",
        "inbound_text.body", "sign_up.form", "sign_up.ip", "farm.name", "field.name",
        "field_name.field_key", "result.farm_label", "result.identity", "document.content",
        "digest_sent.said", "outbox.html", "consent.address",
    } <= before  # fmt: skip
    forget(known)
    # The ledger of the stopped and the evidence of consent, with nothing but the address.
    assert traces(known) == {"opt_out.address", "consent.address"}


def test_report_counts_what_went_and_says_what_stayed(known: Service) -> None:
    done = forget(known)
    assert (done.people, done.farms, done.sign_ups, done.links) == (1, 1, 1, 1)
    assert done.texts == 2
    assert done.results == 3
    assert done.documents == 2
    assert done.messages == len([one for one in known.messages() if not one.to_address])
    assert done.cancelled > 0
    said = " ".join(done.kept)
    for word in ("stopped", "consent", "result", "neutral name", "done/", "backups"):
        assert word in said


def test_forgotten_twice_says_there_is_only_the_ledger(known: Service) -> None:
    forget(known)
    again = forget(known)
    assert (again.people, again.farms, again.messages, again.texts) == (0, 0, 0, 0)
    assert traces(known) == {"opt_out.address", "consent.address"}


def test_person_unknown_by_then_is_said_to_be(known: Service) -> None:
    with pytest.raises(CutcallError, match="nothing is kept about"):
        forget(known, "+12025550188")
    with pytest.raises(CutcallError, match="neither a phone nor an email"):
        forget(known, "Ada")


def test_waiting_messages_are_cancelled_and_nobody_is_written_to_again(known: Service) -> None:
    texts, mails = len(known.sms.attempts), len(known.mail.attempts)
    forget(known)
    # A roster that names her again, with a consent, as a consultant keeps sending them.
    known.enrol({**farm(FARM, FIELD), "farmer": NAME, "phone": HERS, "email": EMAIL})
    for ahead in range(3):
        known.clock.set(day(ahead), time(7, 5))
        known.evaluate()
        known.send()
    for sent in (*known.sms.attempts[texts:], *known.mail.attempts[mails:]):
        assert sent.to not in (HERS, EMAIL)
        assert NAME not in sent.text


def test_address_without_a_ledger_row_gets_one_and_one_ended_is_stopped_again(
    known: Service,
) -> None:
    with known.sessions.write() as session:
        opt_outs.stop(session, "sms", HERS, NOON, "STOP by text")
        opt_outs.start(session, "sms", HERS, NOON, "START by text")
    forget(known)
    stopped = {(one.channel, one.address): one for one in known.rows(OptOut)}
    assert set(stopped) == {("sms", HERS), ("email", EMAIL)}
    assert all(one.ended_at is None for one in stopped.values())


def test_ledger_row_there_already_keeps_its_day_and_way(known: Service) -> None:
    earlier = NOON - timedelta(days=40)
    with known.sessions.write() as session:
        opt_outs.stop(session, "sms", HERS, earlier, "STOP by text")
    forget(known)
    [phone] = [one for one in known.rows(OptOut) if one.channel == "sms"]
    assert (phone.at, phone.how) == (earlier, "STOP by text")


def test_evidence_of_consent_keeps_address_and_day(known: Service) -> None:
    forget(known)
    kept = {
        (one.channel, one.address, str(one.given_on), one.ip)
        for one in known.rows(Consent)
        if one.address in (HERS, EMAIL)
    }
    assert kept == {("sms", HERS, "2027-03-20", ""), ("email", EMAIL, "2027-03-20", "")}


def test_evidence_does_not_pass_for_consent_of_who_comes_next(known: Service) -> None:
    forget(known)
    with known.sessions.read() as session:
        assert not people.has_agreed(session, "sms", HERS)
        assert people.recipients(session, [one.id for one in known.rows(Person)]) is not None
    # The number's next owner is asked, and their START counts for themselves.
    known.enrol({"farm": "New Broom", "field": "Top", "farmer": "Ned Osei", "phone": HERS,
                 "email": "", "consent_on": ""})  # fmt: skip
    text_in(known, "start", "SM9")
    [ned] = [one for one in known.rows(Person) if one.name == "Ned Osei"]
    assert [one.address for one in known.rows(Consent) if one.person_id == ned.id] == [HERS]


def test_results_and_cuts_of_the_fields_stay_as_evidence(known: Service) -> None:
    def values() -> list[tuple[float | None, str, object]]:
        return [(one.rfv, one.lab, one.sampled_on) for one in known.rows(LabResult)]

    before, cuts = values(), len(known.rows(Cut))
    [home] = [one for one in known.rows(Farm) if one.name == FARM]
    forget(known)
    assert values() == before
    assert len(known.rows(Cut)) == cuts == 1
    [blank] = [one for one in known.rows(Farm) if one.id == home.id]
    assert blank.name == f"Former farm {home.id}"
    assert (blank.consultant_id, blank.sampler_id) == (None, None)


def test_field_is_closed_and_lies_only_roughly_where_it_lay(known: Service) -> None:
    [field] = [one for one in known.rows(FarmField) if one.name == FIELD]
    forget(known)
    [after] = [one for one in known.rows(FarmField) if one.id == field.id]
    assert (after.latitude, after.longitude, after.zip) == (44.1, -91.0, "")
    assert (after.closed_on, after.watched) == (MONDAY, False)


def test_versions_of_a_result_stay_versions(service: Service) -> None:
    service.enrol({})
    for rfv in (205, 207):
        service.results({"rfv": rfv, "lab_number": "9-1"})
    forget(service, PHONE)
    first, second = service.stored_results()
    assert first.identity == second.identity
    assert (first.version, second.version, first.replaced_by) == (1, 2, second.id)


def test_neutral_name_that_a_farm_bears_already_is_not_taken(service: Service) -> None:
    service.enrol({}, {"farm": "Former farm 1", "field": "Field 1", "farmer": "Ned Osei",
                       "phone": OTHER_PHONE})  # fmt: skip
    forget(service, PHONE)
    assert {one.name for one in service.rows(Farm)} == {"Former farm 1 again", "Former farm 1"}


def test_links_open_nothing_and_their_numbers_are_not_given_again(known: Service) -> None:
    rules = known.parts.link_rules()
    [home] = [one for one in known.rows(Farm) if one.name == FARM]
    with known.sessions.write() as session:
        path = link_path(
            session, rules, Role.FARM, person_id=home.farmer_id, farm_id=home.id, now=NOON
        )
    numbers = {one.id for one in known.rows(AccessLink)}
    forget(known)
    with known.sessions.read() as session, pytest.raises(LinkGone, match="taken back"):
        open_link(session, rules, Role.FARM, path.rsplit("/", 1)[1], NOON)
    page_of(known, Role.CONSULTANT, PER)
    page_of(known, Role.SAMPLER, JO)
    assert numbers <= {one.id for one in known.rows(AccessLink)}


def test_consultant_loses_farms_and_tokens(known: Service) -> None:
    with known.sessions.write() as session:
        [per] = [one for one in known.rows(Person) if one.email == PER]
        _, secret = make_token(
            session, "consultant", name="Per Nystrom's program", person_id=per.id, lab="",
            scopes=(), expires_at=None, now=NOON,
        )  # fmt: skip
    done = forget(known, PER)
    assert (done.parted, done.tokens) == (3, 1)
    assert all(one.consultant_id is None for one in known.rows(Farm) if one.name != "Wide Acre")
    assert any(one.consultant_id for one in known.rows(Farm) if one.name == "Wide Acre")
    [token] = known.rows(ApiToken)
    assert (token.name, token.start, token.sha256) == ("(forgotten)", "", f"forgotten:{token.id}")
    with known.sessions.write() as session, pytest.raises(TokenRefused):
        caller_of(session, secret, NOON)
    for place, cell in everything(known):
        assert "Nystrom" not in cell, place
        if not place.startswith(("opt_out.", "consent.")):
            assert PER not in cell, place


def test_other_peoples_rows_of_a_file_stay_byte_for_byte(known: Service) -> None:
    [before] = [one.content for one in known.rows(Document) if one.name == "clients.csv"]
    forget(known)
    [after] = [one.content for one in known.rows(Document) if one.name == "clients.csv"]
    header, hers, theirs = before.splitlines()
    assert after.splitlines()[0] == header
    assert after.splitlines()[2] == theirs
    assert after.splitlines()[1] != hers


def test_digest_of_the_consultant_names_them_no_more_and_says_the_rest(known: Service) -> None:
    [before] = [one for one in known.messages("digest") if FARM in one.text]
    forget(known)
    [after] = [one for one in known.messages("digest") if one.id == before.id]
    assert "Alder End" in after.text and "(removed)" in after.text
    assert after.text == before.text.replace(FARM, "(removed)").replace(FIELD, "(removed)").replace(
        NAME, "(removed)"
    )
    known.clock.set(day(1), time(7, 35))
    queue_digests(known.sessions, known.parts.digest_rules(), known.clock())
    newest = [one.text for one in known.messages("digest") if one.told_on == day(1)]
    assert any("Alder End" in words for words in newest)
    assert not any(one in words for words in newest for one in (*TRACES, "Former farm"))


def test_message_that_waits_for_an_answer_of_the_gateway_is_given_up(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 205})
    service.evaluate()
    with service.sessions.write() as session:
        row = outbox.get(session, service.message().id)
        row.status = "unknown"
        session.add(row)
    assert forget(service, PHONE).cancelled == 1
    service.later(minutes=10)
    service.send()
    assert (service.message().status, service.sms.attempts, service.sms.asked) == (
        "expired", [], [],
    )  # fmt: skip


def test_text_told_again_by_the_gateway_after_that_changes_nothing(known: Service) -> None:
    forget(known)
    text_in(known, f"cut {FIELD} today", "SM1")
    assert [(one.body, one.from_address) for one in known.rows(InboundText)] == [("", "")] * 2
    assert traces(known) == {"opt_out.address", "consent.address"}


def test_somebody_who_only_signed_up_is_forgotten_by_their_address(service: Service) -> None:
    with service.sessions.write() as session:
        people.put_area(session, AREA, "America/Chicago")
    typed = {
        "farmer": "Ivo Brandt", "email": "ivo@example.org", "alert_by": "email", "farm": "Stud",
        "area": AREA, "field-1-field": "East", "animal_class": "milking_cows", "harvest_days": "5",
    }  # fmt: skip
    form = SignUpForm(typed, "en", True)
    assert not ask(
        service.sessions, service.parts.sign_up_rules(), form, "203.0.113.9", NOON
    ).errors
    forget(service, "ivo@example.org")
    [sign_up] = service.rows(SignUp)
    assert (sign_up.form, sign_up.address, sign_up.ip) == ({}, "", "")
    assert sign_up.expires_at <= NOON
    assert [one.name for one in service.rows(Person)] == ["(forgotten)"]
    service.send()
    assert service.mail.attempts == []


# --------------------------------------------------------------------- shared addresses


@pytest.fixture
def office(service: Service) -> Service:
    """Two farmers who share an office's email; each has a phone."""
    service.enrol(
        {"email": "office@example.org", "alert_by": "both"},
        {"farm": "Brook Farm", "field": "East", "farmer": "Ned Osei", "phone": OTHER_PHONE,
         "email": "office@example.org", "alert_by": "both"},
    )  # fmt: skip
    return service


def test_shared_address_needs_the_name(office: Service) -> None:
    with pytest.raises(CutcallError, match="Ada Lindqvist and Ned Osei share"):
        forget(office, "office@example.org")
    with pytest.raises(CutcallError, match="nobody named Ivo"):
        forget(office, "office@example.org", "Ivo")


def test_neighbor_at_a_shared_address_is_still_written_to(office: Service) -> None:
    done = forget(office, "office@example.org", "ada lindqvist")
    assert [one.address for one in office.rows(OptOut)] == [PHONE]
    assert "office@example.org, which somebody else uses too" in " ".join(done.kept)
    [ned] = [one for one in office.rows(Person) if one.name == "Ned Osei"]
    with office.sessions.read() as session:
        found = people.recipients(session, [ned.id])[ned.id]
    assert {one.address for one in found} == {OTHER_PHONE, "office@example.org"}


def test_export_of_one_does_not_tell_of_the_other(office: Service) -> None:
    shown = json.dumps(export(office, PHONE))
    assert "Plum Bottom" in shown
    for word in ("Ned Osei", "Brook Farm", OTHER_PHONE):
        assert word not in shown


def test_name_a_stranger_typed_beside_a_phone_is_no_second_owner(known: Service) -> None:
    typed = {
        "farmer": "Mallory Vance", "phone": HERS, "farm": "Trickster", "area": AREA,
        "field-1-field": "East", "animal_class": "milking_cows", "harvest_days": "5",
    }  # fmt: skip
    known.later(hours=2)
    form = SignUpForm(typed, "en", True)
    asked = ask(known.sessions, known.parts.sign_up_rules(), form, "203.0.113.77", known.clock())
    assert (asked.errors, asked.too_many) == ((), "")
    forget(known)
    assert {one.address for one in known.rows(OptOut)} == {HERS, EMAIL}
    assert not any("Mallory" in cell for _, cell in everything(known))


# -------------------------------------------------------------------------- giving out


def test_export_holds_everything_of_hers(known: Service) -> None:
    found = export(known)
    for part in (
        "people", "consents", "sign_ups", "texts_in", "messages", "links", "farms", "fields",
        "other_field_names", "results", "cuts", "outlooks", "documents_naming",
    ):  # fmt: skip
        assert found[part], part
    [person] = found["people"]  # type: ignore[misc]
    assert (person["name"], person["phone"], person["email"]) == (NAME, HERS, EMAIL)
    assert FIELD in found["texts_in"][0]["body"]  # type: ignore[index]
    told = [one for one in found["messages"] if one["kind"] in START_KINDS]  # type: ignore[attr-defined]
    assert {one["channel"] for one in told} == {"sms", "email"}
    assert all(one["status"] == "accepted" and one["steps"] for one in told)
    assert all(isinstance(name, str) for one in told for name in one["attachments"])
    assert {one["lab_number"] for one in found["results"]} == {"77-1", "77-2", "77-4"}  # type: ignore[attr-defined]
    assert {"rfv": 231.0} in [one["readings"] for one in found["results"]]  # type: ignore[attr-defined]


def test_export_of_a_consultant_holds_what_they_sent(known: Service) -> None:
    found = export(known, PER)
    [sent] = found["documents_sent"]  # type: ignore[misc]
    assert sent["name"] == "clients.csv" and FARM in sent["text"]
    assert sorted(found["advises"]) == ["Alder End", "Plum Bottom", FARM]  # type: ignore[call-overload]


def test_export_gives_no_key_away(known: Service) -> None:
    with known.sessions.write() as session:
        [per] = [one for one in known.rows(Person) if one.email == PER]
        make_token(
            session, "consultant", name="program", person_id=per.id, lab="", scopes=(),
            expires_at=None, now=NOON,
        )  # fmt: skip
    [token] = export(known, PER)["tokens"]  # type: ignore[misc]
    assert "sha256" not in token


def test_export_takes_withdrawn_results_along(known: Service) -> None:
    with known.sessions.write() as session:
        [first] = [one for one in known.rows(LabResult) if one.lab_number == "77-1"]
        session.merge(first).withdrawn_at = NOON
    assert len(export(known)["results"]) == 3  # type: ignore[arg-type]


def test_export_changes_nothing(known: Service) -> None:
    before = everything(known)
    export(known)
    assert everything(known) == before


def test_person_can_be_asked_for_however_the_phone_is_written(known: Service) -> None:
    assert export(known, "(202) 555-0149")["people"] == export(known, HERS)["people"]
    assert export(known, EMAIL.upper())["people"] == export(known, HERS)["people"]
