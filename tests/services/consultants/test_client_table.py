from __future__ import annotations

import base64
import csv
import io
from datetime import date, time, timedelta

import pytest
from advisers import EVA, PER, farm, farm_id, settle_in, visitor_of
from factories import MONDAY, OTHER_PHONE, PHONE, Home, Service, build_message, day
from icalendar import Calendar
from sqlmodel import select

from alerts.domain.changes import FarmSaid, as_json
from alerts.domain.records import DigestEvery
from alerts.services.access.links import Role
from alerts.services.consultants.client_exports import clients_calendar, clients_csv
from alerts.services.consultants.client_table import (
    Client,
    ClientFilter,
    ClientTable,
    by_date,
    client_table,
    set_digest,
)
from alerts.store import digests, opt_outs
from alerts.store.tables import Farm, FarmField, FarmOutlookRow, OutboxMessage, Person
from alerts.transports.base import Outcome

EVERYBODY = ClientFilter()


@pytest.fixture
def spring(service: Service) -> Service:
    return settle_in(service)


def look(service: Service, wanted: ClientFilter = EVERYBODY, who: str = PER) -> ClientTable:
    visitor = visitor_of(service, Role.CONSULTANT, who)
    with service.sessions.read() as session:
        return client_table(
            session, visitor, service.clock(), service.parts.season_first_day(), wanted
        )


def names(table: ClientTable) -> list[str]:
    return [client.farm for client in table.clients]


def client(service: Service, name: str) -> Client:
    [found] = [one for one in look(service).clients if one.farm == name]
    return found


def test_table_holds_own_clients_by_start_date(spring: Service) -> None:
    table = look(spring)
    assert names(table) == ["Plum Bottom", "Alder End"]
    first, second = (one.start_median for one in table.clients)
    assert first is not None
    assert second is not None
    assert first < second
    assert names(look(spring, who=EVA)) == ["Wide Acre"]


def test_client_shows_range_first_field_target_and_last_result(spring: Service) -> None:
    plum = client(spring, "Plum Bottom")
    line = spring.line("North")
    assert (plum.start_p10, plum.start_median, plum.start_p90) == (
        line.start_p10,
        line.start_median,
        line.start_p90,
    )
    assert plum.first is not None
    assert plum.first.name == "North"
    assert plum.first.target == "RFV 185"  # 160 wanted in storage, 25 lost in handling
    assert plum.first.last == "RFV 205 on May 10, 2 results"
    assert plum.farmer == "Ada Lindqvist"


def test_fields_stand_in_harvest_order(spring: Service) -> None:
    lines = {line.field: line.start_median or date.max for line in spring.lines()}
    order = [field.name for field in client(spring, "Alder End").fields]
    assert sorted(order) == ["Hollow", "Ridge"]
    assert lines[order[0]] <= lines[order[1]]


def test_clients_without_a_date_come_last(spring: Service) -> None:
    spring.enrol(farm("Aaa Far", "Bare", area="Other Valley", farmer="Bo Lund", phone=OTHER_PHONE))
    last = look(spring).clients[-1]
    assert (last.farm, last.start_median, last.no_date) == (
        "Aaa Far",
        None,
        "no usable result yet",
    )
    assert by_date(look(spring).clients) == list(look(spring).clients)


def test_told_line_says_what_became_of_the_message(spring: Service) -> None:
    [waiting] = client(spring, "Plum Bottom").told
    assert waiting.fate == "waiting to be sent"
    spring.morning(day(0))
    [line] = client(spring, "Plum Bottom").told
    assert (line.on, line.channel, line.to) == (MONDAY, "sms", "Ada Lindqvist")
    assert line.start_on == client(spring, "Plum Bottom").start_median
    assert line.fate == "taken by the gateway, no receipt yet"
    assert not line.failed


def test_text_that_went_by_email_instead_is_no_failure(spring: Service) -> None:
    for _ in spring.messages("coming"):
        spring.sms.say(Outcome.REFUSED, detail="not a valid number")
    spring.morning(day(0))
    [text] = [m for m in spring.messages("coming") if m.to_address == PHONE]
    copied = text.model_dump(exclude={"id", "public_id", "dedupe_key", "channel", "status"})
    with spring.sessions.write() as session:
        session.add(
            OutboxMessage(
                **{**copied, "fallback_of": text.id, "to_address": "ada@example.org"},
                public_id="instead",
                dedupe_key="instead",
                channel="email",
                status="accepted",
            )
        )
    plum = client(spring, "Plum Bottom")
    assert [line.fate for line in plum.told] == [
        "could not be sent (not a valid number), sent by email instead",
        "taken by the mail server",
    ]
    assert not plum.failed
    assert plum.known == text.start_on


def test_refused_message_counts_as_failed_without_its_address(spring: Service) -> None:
    for _ in spring.messages("coming"):
        spring.sms.say(Outcome.REFUSED, detail=f"{PHONE} is a land line")
    spring.morning(day(0))
    plum = client(spring, "Plum Bottom")
    assert plum.failed
    assert PHONE not in plum.told[0].fate
    assert "land line" in plum.told[0].fate
    assert "Plum Bottom" in names(look(spring, ClientFilter(only="failed")))
    assert names(look(spring, ClientFilter(only="changed"))) == []


def test_date_moved_since_it_was_told_counts_as_changed(spring: Service) -> None:
    spring.morning(day(0))
    assert not client(spring, "Plum Bottom").changed
    spring.clock.set(day(1), time(6, 5))
    spring.results({"sampled_on": day(1).isoformat(), "rfv": 180})
    spring.evaluate()
    plum = client(spring, "Plum Bottom")
    assert plum.moved
    assert "Plum Bottom" in names(look(spring, ClientFilter(only="moved")))
    assert len(names(look(spring, ClientFilter(only="moved")))) < len(names(look(spring)))
    assert names(look(spring, ClientFilter(only="changed"))) == ["Plum Bottom"]
    assert names(look(spring, ClientFilter(only="either"))) == ["Plum Bottom"]


def test_date_of_the_last_digest_is_named_where_it_was_another(spring: Service) -> None:
    plum, alder = client(spring, "Plum Bottom"), client(spring, "Alder End")
    assert plum.start_median is not None
    said = {
        one.farm_id: FarmSaid(one.farm, start, near=False, paused_until=None, fields={})
        for one, start in (
            (plum, plum.start_median + timedelta(days=2)),
            (alder, alder.start_median),
        )
    }
    who = visitor_of(spring, Role.CONSULTANT, PER).person_id
    assert who is not None
    with spring.sessions.write() as session:
        home = Home(area_id=1, farm_id=plum.farm_id, field_id=1, person_id=who)
        session.add(build_message(home, "digest", kind="digest", status="accepted"))
        digests.put_sent(session, who, MONDAY, as_json(said), "digest")
    assert client(spring, "Plum Bottom").was == plum.start_median + timedelta(days=2)
    assert client(spring, "Alder End").was is None


def test_pause_shows_until_it_is_over(spring: Service) -> None:
    for until, shown in ((day(3), day(3)), (day(0), None)):
        with spring.sessions.write() as session:
            home = session.get_one(Farm, farm_id(spring, "Alder End"))
            home.paused_until = until
            session.add(home)
        assert client(spring, "Alder End").paused_until == shown


def test_farmer_who_is_not_written_to_is_marked_with_the_reason(spring: Service) -> None:
    spring.enrol(
        farm("Stone Row", "East", farmer="Ivo Brandt", phone="+12025550146", consent_on="")
    )
    assert client(spring, "Stone Row").silent == "no consent on record"
    assert client(spring, "Plum Bottom").silent == ""
    with spring.sessions.write() as session:
        opt_outs.stop(session, "sms", "+12025550143", spring.clock(), "replied STOP")
    assert client(spring, "Plum Bottom").silent == "asked us to stop"


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (ClientFilter(text="alder"), ["Alder End"]),
        (ClientFilter(text="HOLLOW"), ["Alder End"]),
        (ClientFilter(text="ada lind"), ["Plum Bottom", "Alder End"]),
        (ClientFilter(text="wide"), []),
        (ClientFilter(area="Heron Flats"), ["Plum Bottom", "Alder End"]),
        (ClientFilter(area="Nowhere"), []),
        (ClientFilter(method="haylage"), ["Plum Bottom", "Alder End"]),
        (ClientFilter(method="dry_hay"), []),
        (ClientFilter(within_days=365), ["Plum Bottom", "Alder End"]),
    ],
)
def test_filter_lets_through_what_was_asked(
    spring: Service, wanted: ClientFilter, found: list[str]
) -> None:
    table = look(spring, wanted)
    assert names(table) == found
    assert table.total == 2


def test_filter_by_days_reaches_to_the_day_itself(spring: Service) -> None:
    first, second = look(spring).clients
    assert first.start_median is not None
    days = (first.start_median - MONDAY).days
    assert names(look(spring, ClientFilter(within_days=days))) == [first.farm]
    assert names(look(spring, ClientFilter(within_days=days - 1))) == []
    assert second.start_median is not None


def test_digest_wish_is_kept(spring: Service) -> None:
    visitor = visitor_of(spring, Role.CONSULTANT, PER)
    with spring.sessions.write() as session:
        set_digest(session, visitor, DigestEvery.CHANGES, False)
    wish = look(spring).consultant
    assert (wish.digest, wish.if_unchanged) == (DigestEvery.CHANGES, False)
    others = [one for one in spring.rows(Person) if one.email == EVA]
    assert [(one.digest, one.digest_if_unchanged) for one in others] == [("daily", True)]


# --- exports


def test_csv_has_a_row_a_field_and_no_formulas(spring: Service) -> None:
    # OWASP, n.d., CSV injection: cells that begin with = + - @ run in a spreadsheet.
    with spring.sessions.write() as session:
        home = session.get_one(Farm, farm_id(spring, "Alder End"))
        home.name = '=HYPERLINK("http://x.example.org","Alder")'
        session.add(home)
    content = clients_csv(look(spring).clients)
    assert content.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))
    assert [row["field"] for row in rows if row["client"] == "Plum Bottom"] == ["North"]
    assert len(rows) == 3
    for row in rows:
        assert not any(cell[:1] in ("=", "+", "-", "@") for cell in row.values())
    plum = next(row for row in rows if row["client"] == "Plum Bottom")
    assert plum["standing_target"] == "185"
    assert plum["farm_start_median"] == str(client(spring, "Plum Bottom").start_median)


def calendar_of(service: Service, wanted: ClientFilter = EVERYBODY) -> Calendar:
    table = look(service, wanted)
    with service.sessions.write() as session:
        content = clients_calendar(
            session,
            table.clients,
            today=table.today,
            organizer_email="cutcall@example.org",
            now=service.clock(),
        )
    return Calendar.from_ical(content)


def test_calendar_holds_an_all_day_entry_a_client(spring: Service) -> None:
    # RFC 5545 3.6.1: an event whose DTSTART is a date lasts all day; DTEND is not part of it.
    calendar = calendar_of(spring)
    events = {str(event["summary"]): event for event in calendar.walk("VEVENT")}
    assert set(events) == {"Start cutting: Plum Bottom", "Start cutting: Alder End"}
    plum = events["Start cutting: Plum Bottom"]
    start = client(spring, "Plum Bottom").start_median
    assert start is not None
    assert plum.decoded("dtstart") == start
    assert plum.decoded("dtend") == start + timedelta(days=2)  # a harvest of two days
    assert "method" not in calendar


def test_calendar_entry_is_the_one_the_farmer_got(spring: Service) -> None:
    spring.enrol(farm("Plum Bottom", "North", email="ada@example.org", alert_by="email"))
    spring.morning(day(0))
    [message] = [one for one in spring.messages("coming") if one.channel == "email"]
    [attached] = [one for one in message.attachments if "calendar" in one["content_type"]]
    theirs = Calendar.from_ical(base64.b64decode(attached["content"])).walk("VEVENT")[0]
    [ours] = calendar_of(spring, ClientFilter(text="plum")).walk("VEVENT")
    for name in ("uid", "sequence", "summary", "dtstart", "dtend"):
        assert ours[name] == theirs[name]


def test_calendar_says_why_an_entry_stands_on_another_date_than_the_newest(spring: Service) -> None:
    spring.enrol(farm("Plum Bottom", "North", email="ada@example.org", alert_by="email"))
    spring.morning(day(0))
    only = ClientFilter(text="plum")
    [told] = calendar_of(spring, only).walk("VEVENT")
    assert "was told" not in told["description"]
    with spring.sessions.write() as session:
        for row in session.exec(select(FarmOutlookRow)):
            assert row.start_median is not None
            row.start_median += timedelta(days=1)
            session.add(row)
    [still] = calendar_of(spring, only).walk("VEVENT")
    start = told.decoded("dtstart")
    assert still.decoded("dtstart") == start
    assert f"The farmer was told {start:%a %b} {start.day}." in still["description"]


def test_calendar_raises_the_sequence_when_an_untold_date_moves(spring: Service) -> None:
    # C. Daboo (2009), RFC 5546 2.1.4: the sequence rises whenever a date of the event changes.
    only = ClientFilter(text="alder")
    [first] = calendar_of(spring, only).walk("VEVENT")
    [same] = calendar_of(spring, only).walk("VEVENT")
    assert (first["sequence"], same["sequence"]) == (0, 0)
    spring.clock.set(day(1), time(6, 30))
    spring.results({"farm": "Alder End", "field": "Ridge", "rfv": 250, "sampled_on": day(1)})
    spring.evaluate()
    [moved] = calendar_of(spring, only).walk("VEVENT")
    assert moved.decoded("dtstart") == client(spring, "Alder End").start_median
    assert moved.decoded("dtstart") != first.decoded("dtstart")
    assert (moved["uid"], moved["sequence"]) == (first["uid"], 1)


def test_cut_fields_leave_the_client_without_a_date(spring: Service) -> None:
    spring.cut("North", MONDAY)
    spring.evaluate()
    assert client(spring, "Plum Bottom").no_date == "all fields cut"
    assert [one.cutting for one in spring.rows(FarmField) if one.name == "North"] == [2]
