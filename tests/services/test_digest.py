from __future__ import annotations

import base64
import csv
import io
from collections.abc import Mapping
from datetime import date, time

import pytest
from factories import MONDAY, OTHER_PHONE, PHONE, Service, day

from alerts.services.digest import queue_digests
from alerts.store import people
from alerts.store.tables import Farm, FarmField, OutboxMessage
from alerts.transports.base import Delivery, Outcome, Sighting

PER, EVA = "per@example.org", "eva@example.org"
HALF_PAST_SEVEN = time(7, 30)


def farm(name: str, field: str, consultant: str = PER, **row: object) -> dict[str, object]:
    names = {PER: "Per Nystrom", EVA: "Eva Roth"}
    return {
        "farm": name,
        "field": field,
        "consultant": names[consultant],
        "consultant_email": consultant,
        **row,
    }


def queue(service: Service, on: date = MONDAY, at: time = HALF_PAST_SEVEN) -> int:
    service.clock.set(on, at)
    return queue_digests(service.sessions, service.parts.digest_rules(), service.clock())


def digests(service: Service) -> dict[str, OutboxMessage]:
    return {message.to_address: message for message in service.messages("digest")}


def table(message: OutboxMessage) -> list[dict[str, str]]:
    """The CSV that came with a digest."""
    [attached] = message.attachments
    assert attached["content_type"].startswith("text/csv")
    content = base64.b64decode(attached["content"]).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(content)))


@pytest.fixture
def spring(service: Service) -> Service:
    """Three clients of Per, one of Eva, all with results of this morning."""
    service.clock.set(MONDAY, time(6, 5))
    service.enrol(
        farm("Alder End", "Ridge"),
        farm("Plum Bottom", "North"),
        farm("Stone Row", "East", farmer="Ivo Brandt", phone=OTHER_PHONE),
        farm("Wide Acre", "Long", EVA, farmer="Uma Holt", phone="+12025550145"),
    )
    rows = (("Alder End", "Ridge", 235), ("Plum Bottom", "North", 215), ("Stone Row", "East", 205))
    results: list[Mapping[str, object]] = [
        {"farm": name, "field": field, "rfv": rfv} for name, field, rfv in rows
    ]
    service.results(*results, {"farm": "Wide Acre", "field": "Long", "rfv": 200})
    service.evaluate()
    return service


def test_each_consultant_gets_one_digest_a_day(spring: Service) -> None:
    assert queue(spring) == 2
    assert set(digests(spring)) == {PER, EVA}
    assert queue(spring, at=time(7, 35)) == 0
    assert queue(spring, at=time(23)) == 0
    assert queue(spring, day(1)) == 2
    assert len(spring.messages("digest")) == 4


def test_digest_waits_for_its_hour_in_the_clients_zone(spring: Service) -> None:
    assert queue(spring, at=time(7, 29)) == 0
    assert queue(spring, at=time(7, 30)) == 2


def test_digest_is_an_email_that_goes_out_at_once(spring: Service) -> None:
    queue(spring)
    spring.send()
    sent = [mail for mail in spring.mail.attempts if mail.to == PER]
    assert len(sent) == 1
    assert sent[0].subject
    assert "<table" in sent[0].html
    assert sent[0].unsubscribe_url in sent[0].text


def test_clients_are_sorted_by_start_date(spring: Service) -> None:
    queue(spring)
    rows = table(digests(spring)[PER])
    assert [row["client"] for row in rows] == ["Stone Row", "Plum Bottom", "Alder End"]
    starts = [row["farm_start"] for row in rows]
    assert starts == sorted(starts)
    text = digests(spring)[PER].text
    assert text.index("Stone Row") < text.index("Plum Bottom") < text.index("Alder End")


def test_consultant_never_sees_another_ones_clients(spring: Service) -> None:
    queue(spring)
    for address, hidden in ((PER, "Wide Acre"), (EVA, "Plum Bottom")):
        message = digests(spring)[address]
        attached = base64.b64decode(message.attachments[0]["content"]).decode()
        for said in (message.subject, message.text, message.html, attached):
            assert hidden not in said
    assert [row["client"] for row in table(digests(spring)[EVA])] == ["Wide Acre"]


def test_digest_says_what_was_told_and_whether_it_arrived(spring: Service) -> None:
    spring.sms.say(Outcome.REFUSED, detail="not a valid phone number")
    spring.clock.set(MONDAY, time(7, 5))
    spring.send(spring.sending_rules(concurrency=1))
    arrived = next(m for m in spring.messages("coming") if m.status == "accepted")
    spring.sms.news[arrived.gateway_id] = Sighting(arrived.gateway_id, Delivery.DELIVERED, "ok")
    with spring.sessions.write() as session:
        session.get_one(OutboxMessage, arrived.id).status = "delivered"
    queue(spring)
    fates = {row["client"]: (row["told_start"], row["fate"]) for row in table(digests(spring)[PER])}
    told = {m.farm_id: m for m in spring.messages("coming")}
    for client in spring.rows(Farm):
        if client.name not in ("Plum Bottom", "Stone Row"):
            continue
        message = told[client.id]
        start, fate = fates[client.name]
        assert start == message.start_on.isoformat()
        assert (
            fate
            == {
                "failed": "could not be sent (not a valid phone number)",
                "delivered": "arrived",
            }[message.status]
        )
    assert fates["Alder End"] == ("", "")
    assert {m.status for m in told.values() if m.to_address != "+12025550145"} == {
        "failed",
        "delivered",
    }


def test_digest_leaves_out_words_that_were_taken_back(spring: Service) -> None:
    with spring.sessions.write() as session:
        for message in spring.messages():
            session.get_one(OutboxMessage, message.id).status = "cancelled"
    queue(spring)
    assert {row["told_start"] for row in table(digests(spring)[PER])} == {""}


def test_names_that_a_spreadsheet_would_run_are_made_plain(spring: Service) -> None:
    """A cell that begins with = + - @ is a formula to a spreadsheet (OWASP, n.d., CSV injection;
    from memory)."""
    names = {"Plum Bottom": "=cmd|' /C calc'!A0", "Stone Row": "@SUM(1)", "Alder End": "-2+3"}
    with spring.sessions.write() as session:
        for client in spring.rows(Farm):
            if client.name in names:
                session.get_one(Farm, client.id).name = names[client.name]
        for field in spring.rows(FarmField):
            session.get_one(FarmField, field.id).name = "+1+1"
    queue(spring)
    for row in table(digests(spring)[PER]):
        for cell in (row["client"], row["field"]):
            assert cell.startswith("'")
    assert {row["client"] for row in table(digests(spring)[PER])} == {
        f"'{name}" for name in names.values()
    }


def test_names_that_are_markup_are_shown_as_text(spring: Service) -> None:
    with spring.sessions.write() as session:
        for client in spring.rows(Farm):
            session.get_one(Farm, client.id).name = "<script>alert(1)</script>"
    queue(spring)
    assert "<script>" not in digests(spring)[PER].html


def test_client_without_a_result_is_named_all_the_same(spring: Service) -> None:
    spring.enrol(farm("New Place", "Bench"))
    queue(spring)
    rows = {row["client"]: row for row in table(digests(spring)[PER])}
    assert (rows["New Place"]["results"], rows["New Place"]["start_median"]) == ("0", "")
    assert list(rows)[-1] == "New Place"


def test_no_digest_before_any_client_has_an_outlook(service: Service) -> None:
    service.enrol(farm("Plum Bottom", "North"))
    service.evaluate()
    assert queue(service) == 0


def test_consultant_who_stopped_gets_no_digest(spring: Service) -> None:
    with spring.sessions.write() as session:
        people.opt_out(session, "email", PER, spring.clock(), "link in an email")
    assert queue(spring) == 1
    assert set(digests(spring)) == {EVA}


def test_consultant_who_farms_gets_texts_for_the_farm_and_the_digest_by_email(
    service: Service,
) -> None:
    service.clock.set(MONDAY, time(6, 5))
    service.enrol(farm("Plum Bottom", "North", farmer="Per Nystrom", phone=PHONE, email=PER))
    service.results({"rfv": 205})
    service.evaluate()
    assert queue(service) == 1
    channels = {(message.kind, message.channel) for message in service.messages()}
    assert channels == {("coming", "sms"), ("digest", "email")}
