from __future__ import annotations

import base64
import csv
import io
import re
from collections.abc import Mapping
from datetime import date, time
from email.headerregistry import Address

import pytest
from factories import MONDAY, OTHER_PHONE, PHONE, Service, day
from icalendar import Calendar
from sqlmodel import select

from alerts.messages import digest as digest_words
from alerts.services.consultants.digest import queue_digests
from alerts.store import opt_outs
from alerts.store.digests import last_digests
from alerts.store.tables import DigestSent, Farm, FarmField, OutboxMessage, Person
from alerts.transports.base import Delivery, Outcome, Sighting
from alerts.transports.email_message import build_email

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
    content = attached(message, "text/csv").decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(content)))


def attached(message: OutboxMessage, kind: str) -> bytes:
    """The one file of this kind that came with a digest."""
    [row] = [row for row in message.attachments if row["content_type"].startswith(kind)]
    return base64.b64decode(row["content"])


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
        files = [attached(message, kind).decode() for kind in ("text/csv", "text/calendar")]
        for said in (message.subject, message.text, message.html, *files):
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


def test_words_that_were_taken_back_are_said_briefly_and_count_as_not_told(
    spring: Service,
) -> None:
    queue(spring, day(-1))
    with spring.sessions.write() as session:
        for message in spring.messages("coming"):
            session.get_one(OutboxMessage, message.id).status = "cancelled"
    queue(spring)
    told = digests(spring)[PER]
    assert {row["told_start"] for row in table(told)} == {""}
    text = text_of(spring)
    assert "start about" in text
    assert "not sent, overtaken." in text


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


def test_no_digest_before_a_client_has_an_outlook_or_a_first_clip_to_take(
    service: Service,
) -> None:
    service.enrol(farm("Plum Bottom", "North"))
    assert queue(service, date(2027, 4, 20)) == 0
    # From 1 May on a field that nobody has clipped is worth a first one.
    assert queue(service, date(2027, 5, 3)) == 1
    assert "North, Plum Bottom: no result of its own yet" in " ".join(
        digests(service)[PER].text.split()
    )


def test_consultant_who_stopped_gets_no_digest(spring: Service) -> None:
    with spring.sessions.write() as session:
        opt_outs.stop(session, "email", PER, spring.clock(), "link in an email")
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


# ------------------------------------------------------------------- what changed


def ask(service: Service, **wishes: object) -> None:
    """How Per wants his digests."""
    with service.sessions.write() as session:
        per = session.exec(select(Person).where(Person.email == PER)).one()
        for name, value in wishes.items():
            setattr(per, name, value)


def change_farm(service: Service, name: str, **values: object) -> None:
    with service.sessions.write() as session:
        row = session.exec(select(Farm).where(Farm.name == name)).one()
        for key, value in values.items():
            setattr(row, key, value)


def text_of(service: Service) -> str:
    """Per's newest digest, its broken lines made whole."""
    return " ".join(digests(service)[PER].text.split())


def changed(service: Service) -> str:
    """What Per's newest digest says has changed."""
    text = text_of(service)
    assert "Changed since" in text
    return text.partition("Changed since")[2].partition("All clients on one page")[0]


@pytest.fixture
def told(spring: Service) -> Service:
    """Per had his first digest on Monday."""
    queue(spring)
    return spring


def test_first_digest_marks_nothing_and_is_remembered(told: Service) -> None:
    text = text_of(told)
    assert "Changed since" not in text
    assert "Nothing changed" not in text
    [kept] = [row for row in told.rows(DigestSent) if len(row.said) == 3]
    assert kept.sent_on == MONDAY
    starts = {farm["name"]: farm["start"] for farm in kept.said.values()}
    assert starts == {row["client"]: row["farm_start"] for row in table(digests(told)[PER])}


def test_nothing_is_remembered_of_a_digest_that_was_not_queued(spring: Service) -> None:
    """What was said and the message that says it are written together or not at all."""
    with spring.sessions.write() as session:
        opt_outs.stop(session, "email", PER, spring.clock(), "link in an email")
    queue(spring)
    readers = {row.person_id for row in spring.rows(DigestSent)}
    told_ids = {message.person_id for message in spring.messages("digest")}
    assert readers == told_ids
    assert len(readers) == 1


def test_digest_without_a_change_says_so(told: Service) -> None:
    assert queue(told, day(1)) == 2
    assert "nothing changed" in digests(told)[PER].subject
    assert "Nothing changed since Mon May 10." in text_of(told)


def test_digest_without_a_change_is_held_back_where_asked(told: Service) -> None:
    ask(told, digest_if_unchanged=False)
    assert queue(told, day(1)) == 1  # Eva's
    assert {row.sent_on for row in told.rows(DigestSent)} == {MONDAY, day(1)}


def test_digest_on_change_goes_out_as_soon_as_there_is_one(told: Service) -> None:
    ask(told, digest="changes")
    assert queue(told, day(1)) == 1  # Eva's
    told.clock.set(day(1), time(13))
    told.results({"farm": "Stone Row", "field": "East", "rfv": 196, "sampled_on": day(0)})
    assert queue(told, day(1), time(14)) == 1
    assert "new result from East" in changed(told)
    assert queue(told, day(1), time(15)) == 0


@pytest.mark.parametrize(("on", "count"), [(0, 1), (1, 0), (3, 0), (6, 0), (7, 1)])
def test_weekly_digest_comes_on_mondays(spring: Service, on: int, count: int) -> None:
    ask(spring, digest="weekly")
    queue(spring, day(on))
    assert sum(1 for message in spring.messages("digest") if message.to_address == PER) == count


def test_weekly_digest_compares_with_the_week_before(told: Service) -> None:
    ask(told, digest="weekly")
    told.clock.set(day(2), time(9))
    told.cut("Ridge", day(2), farm="Alder End")
    queue(told, day(7))
    assert "Changed since Mon May 10" in text_of(told)
    assert "Alder End: Ridge cut on Wed May 12" in changed(told)


def test_start_date_that_moved_is_marked_with_the_one_before(told: Service) -> None:
    before = {row["client"]: row["farm_start"] for row in table(digests(told)[PER])}
    told.clock.set(day(1), time(6, 30))
    told.results({"farm": "Alder End", "field": "Ridge", "rfv": 205, "sampled_on": day(0)})
    told.evaluate()
    queue(told, day(1))
    now = {row["client"]: row["farm_start"] for row in table(digests(told)[PER])}
    assert now["Alder End"] < before["Alder End"]
    was, moved = (date.fromisoformat(one["Alder End"]) for one in (before, now))
    said = changed(told)
    assert f"start date was {was:%a %b} {was.day}, now {moved:%a %b} {moved.day}" in said
    assert f"[was {was:%a %b} {was.day}]" in text_of(told)
    assert f"Alder End moved to {moved:%b} {moved.day}" in digests(told)[PER].subject


def test_result_that_was_corrected_is_told_from_a_new_one(told: Service) -> None:
    told.clock.set(day(1), time(6, 30))
    number = {"farm": "Stone Row", "field": "East", "lab_number": "A1", "sampled_on": day(0)}
    told.results({**number, "rfv": 204})
    queue(told, day(1))
    assert "new result from East" in changed(told)
    told.results({**number, "rfv": 206})
    queue(told, day(2))
    assert "corrected result from East" in changed(told)


def test_text_that_went_by_email_instead_is_said_and_no_failure(told: Service) -> None:
    [stone] = [row.id for row in told.rows(Farm) if row.name == "Stone Row"]
    [text] = [m for m in told.messages("coming") if m.farm_id == stone]
    copied = text.model_dump(exclude={"id", "public_id", "dedupe_key", "channel", "status"})
    with told.sessions.write() as session:
        session.get_one(OutboxMessage, text.id).status = "undelivered"
        session.add(
            OutboxMessage(
                **{**copied, "fallback_of": text.id, "to_address": "ivo@example.org"},
                public_id="instead",
                dedupe_key="instead",
                channel="email",
                status="accepted",
            )
        )
    told.clock.set(day(1), time(6, 30))
    queue(told, day(1))
    said = " ".join(text_of(told).split())
    assert "did not arrive, sent by email instead." in said
    assert "email in place of a text to Ivo Brandt: start about" in said
    assert "failed" not in said


def test_cut_pause_and_failure_are_news(told: Service) -> None:
    told.clock.set(day(1), time(6, 30))
    told.cut("Ridge", day(1), farm="Alder End")
    change_farm(told, "Plum Bottom", paused_until=day(5))
    [stone] = [row.id for row in told.rows(Farm) if row.name == "Stone Row"]
    with told.sessions.write() as session:
        for message in told.messages("coming"):
            if message.farm_id == stone:
                session.get_one(OutboxMessage, message.id).status = "undelivered"
    queue(told, day(1))
    said = changed(told)
    assert "Alder End: Ridge cut on Tue May 11" in said
    assert "Plum Bottom: paused until Sat May 15" in said
    assert "Stone Row: a message to Ivo Brandt failed" in said
    assert digests(told)[PER].subject.endswith(
        "message to Stone Row failed, Alder End cut, Plum Bottom paused"
    )
    assert queue(told, day(2)) == 2
    assert "Nothing changed" in text_of(told)


def test_pause_that_ends_by_itself_is_news(told: Service) -> None:
    change_farm(told, "Plum Bottom", paused_until=day(2))
    queue(told, day(1))
    queue(told, day(2))
    assert "Plum Bottom: no longer paused" in changed(told)


def test_clients_who_come_and_go_are_news(told: Service) -> None:
    told.enrol(farm("New Place", "Bench"))
    change_farm(told, "Stone Row", consultant_id=None)
    queue(told, day(1))
    said = changed(told)
    assert "New Place: new client" in said
    assert "Stone Row: no longer one of your clients" in said


def test_last_years_digest_is_nothing_to_compare_with(told: Service) -> None:
    with told.sessions.write() as session:
        for row in session.exec(select(DigestSent)):
            row.sent_on = date(2026, 9, 1)
            session.add(row)
    queue(told, day(1))
    assert "Changed since" not in text_of(told)
    assert "Nothing changed" not in text_of(told)


# ---------------------------------------------------------------- links and charts


def test_digest_leads_to_the_consultants_pages(told: Service) -> None:
    text = digests(told)[PER].text
    [page] = [line for line in text.splitlines() if "/consultant/" in line and "/farm/" not in line]
    assert page.startswith("https://cutcall.example.org/consultant/")
    ids = {row.id for row in told.rows(Farm) if row.name != "Wide Acre"}
    assert {f"{page}/farm/{farm_id}" for farm_id in ids} <= set(text.split())
    assert page not in digests(told)[EVA].text


def test_chart_of_each_client_is_a_picture_in_the_email(told: Service) -> None:
    message = digests(told)[PER]
    charts = [row for row in message.attachments if row["content_type"] == "image/png"]
    assert len(charts) == 3
    for row in charts:
        # A PNG begins with these eight bytes (W3C, 2003, PNG Specification, 5.2).
        assert base64.b64decode(row["content"]).startswith(b"\x89PNG\r\n\x1a\n")
        assert message.html.count(f'src="cid:{row["content_id"]}"') == 1
    assert len({row["content_id"] for row in charts}) == 3


def test_chart_of_a_client_on_one_line_is_not_sent_along(
    spring: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digest_words, "MOST_HTML", 1)
    monkeypatch.setattr(digest_words, "_SHORTER", ((1, None),))
    queue(spring)
    message = digests(spring)[PER]
    [chart] = [row for row in message.attachments if row["content_type"] == "image/png"]
    assert re.findall(r'src="cid:([^"]+)"', message.html) == [chart["content_id"]]
    assert "The other 2 clients, by date:" in message.text


def test_digest_on_the_wire_shows_its_charts_and_can_be_stopped_with_one_click(
    told: Service,
) -> None:
    """RFC 8058 asks for both List-Unsubscribe headers; RFC 2392 for one part to each cid."""
    told.send()
    [sent] = [mail for mail in told.mail.attempts if mail.to == PER]
    email = build_email(sent, Address("Cutcall", "cutcall", "example.org"), "help@example.org")
    assert email["List-Unsubscribe"] == f"<{sent.unsubscribe_url}>"
    assert email["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert email["Reply-To"] == "help@example.org"
    shown = set(re.findall(r'src="cid:([^"]+)"', sent.html))
    assert len(shown) == 3
    parts = {part["Content-ID"]: part.get_content_type() for part in email.walk()}
    assert {parts[f"<{one}>"] for one in shown} == {"image/png"}
    files = {part.get_filename() for part in email.iter_attachments()}
    assert {f"start-dates-{MONDAY}.csv", f"start-dates-{MONDAY}.ics"} <= files


def test_clips_to_take_are_in_the_digest(told: Service) -> None:
    text = text_of(told)
    assert "Clip next, worth most first:" in text
    assert "Thu May 13, Ridge, Alder End: last result May 10, today" in text


# -------------------------------------------------------------------- the calendar


def events(message: OutboxMessage) -> dict[str, dict[str, object]]:
    calendar = Calendar.from_ical(attached(message, "text/calendar"))
    assert calendar["METHOD"] == "PUBLISH"
    return {
        str(event["SUMMARY"]): {
            "uid": str(event["UID"]),
            "sequence": int(event["SEQUENCE"]),
            "start": event["DTSTART"].dt,
            "end": event["DTEND"].dt,
        }
        for event in calendar.walk("VEVENT")
    }


def test_calendar_has_an_all_day_entry_for_each_client_with_a_date(told: Service) -> None:
    """DTEND is the day after the last day (RFC 5545 3.6.1); the harvest takes two days."""
    found = events(digests(told)[PER])
    assert "and a calendar with one entry a client" in " ".join(digests(told)[PER].text.split())
    starts = {row["client"]: row["farm_start"] for row in table(digests(told)[PER])}
    assert set(found) == {f"Start cutting: {name}" for name in starts}
    for name, start in starts.items():
        entry = found[f"Start cutting: {name}"]
        assert entry["start"] == date.fromisoformat(start)
        assert (entry["end"] - entry["start"]).days == 2  # type: ignore[operator]


def test_calendar_agrees_with_the_event_of_the_farmer(service: Service) -> None:
    service.clock.set(MONDAY, time(6, 5))
    by_mail = {"alert_by": "email", "email": "ada@example.org"}
    service.enrol(farm("Plum Bottom", "North", **by_mail))
    service.results({"rfv": 205})
    service.morning(MONDAY)
    queue(service)
    [own] = events(service.message("coming")).values()
    [shared] = events(digests(service)[PER]).values()
    assert shared == own
    service.clock.set(day(1), time(6))
    service.results({"rfv": 228, "sampled_on": day(1)}, {"rfv": 230, "sampled_on": day(1)})
    service.morning(day(1))
    queue(service, day(1))
    [moved] = events(service.message("moved")).values()
    [again] = events(digests(service)[PER]).values()
    assert again == moved
    assert (moved["uid"], moved["sequence"]) == (own["uid"], 1)


def test_date_that_was_told_to_nobody_moves_with_the_outlook(told: Service) -> None:
    name = "Start cutting: Alder End"
    first = events(digests(told)[PER])[name]
    told.clock.set(day(1), time(6, 30))
    told.results({"farm": "Alder End", "field": "Ridge", "rfv": 250, "sampled_on": day(1)})
    told.evaluate()
    queue(told, day(1))
    later = events(digests(told)[PER])[name]
    assert later["start"] > first["start"]  # type: ignore[operator]
    assert (later["uid"], later["sequence"]) == (first["uid"], 1)


def test_digest_without_a_date_has_no_calendar(service: Service) -> None:
    """A calendar holds at least one component (RFC 5545 3.6)."""
    service.enrol(farm("Plum Bottom", "North"))
    queue(service, date(2027, 5, 3))
    kinds = [row["content_type"] for row in digests(service)[PER].attachments]
    assert not any(kind.startswith("text/calendar") for kind in kinds)
    assert "calendar" not in digests(service)[PER].text


def test_digest_that_never_left_has_said_nothing(told: Service) -> None:
    """What changed is counted from the last digest that was taken."""
    with told.sessions.write() as session:
        for message in session.exec(select(OutboxMessage).where(OutboxMessage.kind == "digest")):
            message.status = "expired"
            session.add(message)
        people = [row.person_id for row in session.exec(select(DigestSent))]
        assert people
        found = last_digests(session, people)
    assert {one.on for one in found.values()} == {None}
    assert {one.queued_on for one in found.values()} == {MONDAY}


@pytest.mark.parametrize("back_on", [8, 9, 13])
def test_weekly_digest_missed_on_its_monday_goes_on_the_day_after(
    spring: Service, back_on: int
) -> None:
    ask(spring, digest="weekly")
    assert queue(spring) == 2
    assert queue(spring, day(back_on)) == 2  # the other one is Eva's daily one
    mine = [message for message in spring.messages("digest") if message.to_address == PER]
    assert [message.told_on for message in mine] == [MONDAY, day(back_on)]
    queue(spring, day(14))
    queue(spring, day(15))
    mine = [message for message in spring.messages("digest") if message.to_address == PER]
    assert [message.told_on for message in mine][2:] == [day(14)]


def test_weekly_digest_with_nothing_to_say_on_monday_is_not_one_that_was_missed(
    told: Service,
) -> None:
    ask(told, digest="weekly", digest_if_unchanged=False)
    queue(told, day(7))
    queue(told, day(14))
    told.clock.set(day(15), time(13))
    told.results({"farm": "Stone Row", "field": "East", "rfv": 196, "sampled_on": day(14)})
    for on in range(15, 21):
        queue(told, day(on), time(14))
    mine = [message for message in told.messages("digest") if message.to_address == PER]
    assert [message.told_on for message in mine] == [MONDAY, day(7)]
    queue(told, day(21))
    assert "new result from East" in changed(told)


def test_digest_queued_by_a_clock_a_year_ahead_does_not_silence_today(spring: Service) -> None:
    queue(spring)
    with spring.sessions.write() as session:
        for row in session.exec(select(DigestSent)).all():
            row.sent_on = date(2028, 5, 10)
            session.add(row)
    assert queue(spring, day(1)) == 2
    assert {row.sent_on for row in spring.rows(DigestSent)} == {day(1)}
