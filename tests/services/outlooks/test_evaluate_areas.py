from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from factories import MONDAY, OTHER_PHONE, PHONE, Service, day
from icalendar import Calendar

from alerts.configfiles import shipped_config_dir
from alerts.domain.errors import ConfigurationError
from alerts.messages.templates import Templates
from alerts.services.delivery.outgoing import outgoing
from alerts.services.outlooks.evaluate_areas import evaluate_next
from alerts.store import areas, opt_outs
from alerts.store.tables import (
    Area,
    FarmField,
    FarmOutlookRow,
    FieldOutlookRow,
    MessageField,
    OutboxMessage,
)
from alerts.transports.base import Outcome

EMAIL = "ada@example.org"


def said(service: Service) -> list[tuple[str, date]]:
    """Kind and window of every message but the cancelled ones."""
    return [(m.kind, m.told_on) for m in service.messages() if m.status != "cancelled"]


def start_of(service: Service, rfv: float, **row: object) -> date:
    """Take a result in and give the farm's start date."""
    service.results({"rfv": rfv, **row})
    service.evaluate()
    start = service.line().farm_start_median
    assert start is not None
    return start


# ------------------------------------------------------------------- the example


def test_start_date_is_three_days_after_the_sample_of_the_example(service: Service) -> None:
    """RFV 205, wanted 160 + 25 standing, 4 points a day (Iowa State University Extension, 2022,
    Estimating first crop alfalfa harvest using PEAQ, 3 to 5): five days to 185, less a harvest of
    two. Within one day, whatever scale the decline is straight on."""
    service.enrol({})
    assert abs(start_of(service, 205) - day(3)) <= timedelta(days=1)
    assert service.line().standing_target == 185.0
    assert (service.message().kind, service.message().start_on) == (
        "coming",
        service.line().start_median,
    )


def test_start_date_is_later_for_a_better_crop(service: Service) -> None:
    service.enrol({"field": "North"}, {"farm": "Stone Row", "field": "East"})
    service.results({"rfv": 205}, {"rfv": 240, "farm": "Stone Row", "field": "East"})
    service.evaluate()
    assert service.line("East").start_median > service.line("North").start_median


def test_crop_below_its_target_is_called_past(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 180})
    service.evaluate()
    assert service.message().kind == "past"
    assert "185" in service.message().text


# ------------------------------------------------------------------------- when to speak


def test_farm_is_told_once_the_start_date_is_inside_its_notice(service: Service) -> None:
    service.enrol({"notice_days": 5})
    start = start_of(service, 240)
    assert start > day(5)
    assert service.messages() == []
    for offset in range(1, 10):
        service.morning(day(offset))
        start = service.line().start_median
        if service.messages():
            break
        assert start > day(offset) + timedelta(days=5)
    assert (service.message().kind, service.message().start_on) == ("coming", start)
    assert start == service.message().told_on + timedelta(days=5)


def test_farm_is_told_that_it_comes_and_to_start_and_nothing_in_between(
    service: Service,
) -> None:
    service.enrol({})
    start = start_of(service, 215)
    service.send()
    for offset in range(1, 7):
        service.morning(day(offset))
    kinds = [kind for kind, _ in said(service)]
    assert kinds[:2] == ["coming", "start"]
    first, second = service.messages()[:2]
    assert first.told_on == MONDAY
    assert second.start_on == start
    assert second.told_on == start - timedelta(days=1)


def test_past_is_said_once(service: Service) -> None:
    service.enrol({})
    start_of(service, 180)
    service.send()
    for offset in range(1, 5):
        service.morning(day(offset))
    assert said(service) == [("past", MONDAY)]


def test_date_that_wobbles_by_a_day_is_no_news(service: Service) -> None:
    service.enrol({})
    told = start_of(service, 215)
    service.send()
    service.clock.set(day(1), time(12))
    start = start_of(service, 206)
    assert abs(start - told) == timedelta(days=1)
    assert said(service) == [("coming", MONDAY)]


def test_date_that_moved_by_two_days_is_told_with_the_old_one(service: Service) -> None:
    service.enrol({})
    told = start_of(service, 215)
    service.send()
    service.clock.set(day(1), time(12))
    start = start_of(service, 255, sampled_on=day(1))
    assert start >= told + timedelta(days=2)
    assert said(service) == [("coming", MONDAY), ("moved", day(1))]
    moved = service.messages("moved")[0]
    assert moved.start_on == start
    assert f"May {told.day}" in moved.text
    assert f"May {start.day}" in moved.text


def test_area_is_looked_at_again_the_next_morning_and_not_before(service: Service) -> None:
    service.enrol({})
    assert service.evaluate() == 1
    service.clock.set(day(1), time(5, 59))
    assert service.evaluate() == 0
    service.clock.set(day(1), time(6))
    assert service.evaluate() == 1


def test_message_that_was_refused_is_said_anew_the_next_morning(service: Service) -> None:
    service.enrol({})
    start_of(service, 215)
    service.sms.say(Outcome.REFUSED, code="21211", detail="no such number")
    service.send()
    service.morning(day(1))
    assert [(m.kind, m.status) for m in service.messages()] == [
        ("coming", "failed"),
        ("coming", "accepted"),
    ]


# ------------------------------------------------------------------------- who is written to


def test_farmer_without_consent_gets_nothing_and_the_outlook_stands(service: Service) -> None:
    service.enrol({"consent_on": "", "consent_how": ""})
    start_of(service, 205)
    assert service.messages() == []


def test_farmer_who_stopped_is_not_written_to(service: Service) -> None:
    service.enrol({})
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, service.clock(), "replied STOP")
    start_of(service, 205)
    assert service.messages() == []


def test_farmer_who_wants_both_gets_a_text_and_an_email(service: Service) -> None:
    service.enrol({"email": EMAIL, "alert_by": "both"})
    start_of(service, 205)
    assert [(m.channel, m.to_address) for m in service.messages()] == [
        ("sms", PHONE),
        ("email", EMAIL),
    ]


def test_each_farm_of_an_area_is_told_its_own_date(service: Service) -> None:
    service.enrol(
        {"field": "North"},
        {"farm": "Stone Row", "field": "East", "farmer": "Ivo Brandt", "phone": OTHER_PHONE},
    )
    service.results({"rfv": 205}, {"rfv": 215, "farm": "Stone Row", "field": "East"})
    service.evaluate()
    dates = {m.to_address: m.start_on for m in service.messages()}
    assert dates == {
        PHONE: service.line("North").start_median,
        OTHER_PHONE: service.line("East").start_median,
    }


def test_only_the_first_text_to_a_number_says_how_to_stop(service: Service) -> None:
    service.enrol({})
    start_of(service, 215)
    service.send()
    for offset in range(1, 5):
        service.morning(day(offset))
    first, second = service.sms.texts[:2]
    assert "STOP" in first
    assert "STOP" not in second


def test_email_carries_a_link_that_stops_it_and_a_calendar_event(service: Service) -> None:
    service.enrol({"email": EMAIL, "alert_by": "email", "harvest_days": "3"})
    start = start_of(service, 215)
    service.send()
    [mail] = service.mail.attempts
    assert mail.unsubscribe_url.startswith("https://cutcall.example.org/stop/")
    assert mail.unsubscribe_url in mail.text
    attached, _ = mail.attachments
    [event] = Calendar.from_ical(attached.content).events
    # an all-day event ends on the day after its last (RFC 5545, Desruisseaux, 2009, 3.6.1)
    assert (event.start, event.end) == (start, start + timedelta(days=3))
    assert event["SEQUENCE"] == 0


def test_calendar_event_of_a_moved_date_replaces_the_first(service: Service) -> None:
    service.enrol({"email": EMAIL, "alert_by": "email"})
    start_of(service, 215)
    service.send()
    service.clock.set(day(1), time(12))
    start = start_of(service, 255, sampled_on=day(1))
    service.send()
    first, second = (
        Calendar.from_ical(mail.attachments[0].content).events[0] for mail in service.mail.attempts
    )
    assert first["UID"] == second["UID"]
    assert (first["SEQUENCE"], second["SEQUENCE"]) == (0, 1)
    assert second.start == start


# ------------------------------------------------------------------ one message a window


def test_three_results_of_a_day_make_one_text_and_the_rest_is_said_next_morning(
    service: Service,
) -> None:
    service.enrol({})
    for hour, rfv in ((9, 215), (11, 262), (15, 170)):
        service.clock.set(MONDAY, time(hour))
        service.results({"rfv": rfv, "lab": "Kestrel Creek", "lab_number": "KE-7"})
        service.evaluate()
        service.send()
    assert len(service.sms.attempts) == 1
    service.clock.set(MONDAY, time(19, 59))
    service.send()
    assert len(service.sms.attempts) == 1
    service.morning(day(1))
    assert said(service) == [("coming", MONDAY), ("past", day(1))]


def test_newer_result_before_the_text_left_gives_it_newer_words(service: Service) -> None:
    service.enrol({})
    first = start_of(service, 215)
    assert service.message().start_on == first
    service.later(minutes=5)
    second = start_of(service, 205, lab="Kestrel Creek", lab_number="1")
    assert second < first
    assert service.message().start_on == second
    service.send()
    [text] = service.sms.texts
    assert f"May {second.day}" in text


def test_words_that_no_longer_hold_are_taken_back_before_they_leave(service: Service) -> None:
    service.enrol({})
    number = {"lab": "Kestrel Creek", "lab_number": "KE-7"}
    start_of(service, 215, **number)
    assert service.message().status == "queued"
    service.later(minutes=5)
    start_of(service, 262, **number)
    assert service.message().status == "cancelled"
    service.send()
    assert service.sms.attempts == []


def test_words_taken_back_can_be_said_later_in_the_same_window(service: Service) -> None:
    service.enrol({})
    number = {"lab": "Kestrel Creek", "lab_number": "KE-7"}
    for rfv in (215, 262, 216):
        start_of(service, rfv, **number)
        service.later(minutes=5)
    assert [m.status for m in service.messages()] == ["cancelled", "queued"]
    service.send()
    assert len(service.sms.attempts) == 1


def test_text_that_waited_while_no_sender_ran_is_overtaken_the_next_morning(
    service: Service,
) -> None:
    service.enrol({})
    start_of(service, 220)
    service.morning(day(1))
    assert [(m.status, m.told_on) for m in service.messages()] == [
        ("cancelled", MONDAY),
        ("accepted", day(1)),
    ]
    assert len(service.sms.attempts) == 1


def test_text_the_gateway_put_off_is_overtaken_by_newer_words(service: Service) -> None:
    service.enrol({})
    start_of(service, 220)
    service.sms.say(Outcome.LATER, retry_after_s=3 * 3600)
    service.send()
    service.clock.set(MONDAY, time(14, 50))
    start = start_of(service, 262, sampled_on=MONDAY, method="wet")
    service.morning(day(1))
    assert [(m.kind, m.status) for m in service.messages()] == [
        ("coming", "cancelled"),
        ("moved", "accepted"),
    ]
    assert service.messages()[1].start_on == start
    assert len(service.sms.attempts) == 2


# -------------------------------------------------------------------------- quiet hours


@pytest.mark.parametrize("zone", ["America/Chicago", "America/Denver", "America/New_York"])
def test_text_decided_at_night_waits_for_the_morning_of_the_field(
    service: Service, zone: str
) -> None:
    service.enrol({"time_zone": zone, "send_from": "07:00", "send_to": "20:00"})
    service.results({"rfv": 205})
    service.clock.now = datetime.combine(MONDAY, time(22), tzinfo=ZoneInfo(zone)).astimezone(UTC)
    service.evaluate()
    opens = datetime.combine(day(1), time(7), tzinfo=ZoneInfo(zone))
    message = service.message()
    assert (message.not_before, message.told_on) == (opens, day(1))
    service.clock.now = opens - timedelta(seconds=1)
    service.send()
    assert service.sms.attempts == []
    service.clock.now = opens
    service.send()
    assert len(service.sms.attempts) == 1


def test_text_decided_before_the_window_opens_waits_for_it(service: Service) -> None:
    service.enrol({"send_from": "09:30"})
    service.clock.set(MONDAY, time(6, 5))
    start_of(service, 205)
    opens = datetime.combine(MONDAY, time(9, 30), tzinfo=service.clock.zone)
    assert (service.message().not_before, service.message().told_on) == (opens, MONDAY)


def test_text_queued_for_tomorrow_gets_the_words_of_tomorrows_look(service: Service) -> None:
    service.enrol({})
    service.clock.set(MONDAY, time(22))
    start_of(service, 205)
    service.clock.set(day(1), time(6, 5))
    service.evaluate()
    service.clock.set(day(1), time(7))
    service.send()
    [text] = service.sms.texts
    assert service.message().text == text
    assert service.message().created_at < service.clock() - timedelta(hours=8)
    assert service.line().start_median == service.message().start_on


def test_text_lives_long_enough_to_be_sent_in_its_window(service: Service) -> None:
    """A window far from now must not outlast the message."""
    service.enrol({"send_from": "18:00", "send_to": "19:00"})
    service.clock.set(MONDAY, time(20))
    start_of(service, 205)
    message = service.message()
    assert message.not_before == datetime.combine(day(1), time(18), tzinfo=service.clock.zone)
    assert message.expires_at >= message.not_before + timedelta(hours=1)


# ------------------------------------------------------------------- farms with several fields


@pytest.fixture
def three_fields(service: Service) -> Service:
    rows = [
        {"field": name, "acres": acres, "harvest_days": 3}
        for name, acres in (("North", 40), ("Creek", 20), ("Hill", 20))
    ]
    service.enrol(*rows)
    service.results(
        {"rfv": 230, "field": "North"},
        {"rfv": 214, "field": "Creek"},
        {"rfv": 222, "field": "Hill"},
    )
    service.evaluate()
    return service


def test_field_due_first_is_harvested_first(three_fields: Service) -> None:
    names = {field.id: field.name for field in three_fields.rows(FarmField)}
    told = sorted(three_fields.rows(MessageField), key=lambda row: row.position)
    assert [names[row.field_id] for row in told] == ["Creek", "Hill", "North"]
    text = three_fields.message().text
    assert text.index("Creek") < text.index("Hill") < text.index("North")


def test_farm_gets_one_message_with_one_start_date_for_all_fields(three_fields: Service) -> None:
    message = three_fields.message()
    starts = {line.farm_start_median for line in three_fields.lines()}
    assert starts == {message.start_on}
    assert message.start_on <= min(line.start_median for line in three_fields.lines())


def test_field_behind_others_brings_the_farms_start_forward(three_fields: Service) -> None:
    """Creek alone could wait longer than a crew can that has three fields to cut."""
    alone = three_fields.line("North").start_median
    assert three_fields.message().start_on < alone


def test_field_nobody_sampled_goes_with_the_one_due_first(service: Service) -> None:
    service.enrol({"field": "North"}, {"field": "Creek", "watched": "no"})
    start_of(service, 205)
    line = service.line("Creek")
    assert (line.results, line.stands_in) == (0, "North")
    assert line.start_median is not None


def test_farm_whose_harvest_is_under_way_is_not_told_to_start_again(
    three_fields: Service,
) -> None:
    three_fields.send()
    three_fields.clock.set(day(1), time(12))
    three_fields.cut("Creek", day(1))
    for offset in (2, 3):
        three_fields.morning(day(offset))
    assert said(three_fields) == [("coming", MONDAY)]


# ------------------------------------------------------------------------ silent fields


def test_silence_of_a_watched_field_is_told_to_its_sampler_once(service: Service) -> None:
    """Stale after five days, in a critical window of twice the longer of notice and that."""
    service.enrol({"notice_days": 2, "sampler": "Jo", "sampler_email": "jo@example.org"})
    start_of(service, 262)
    for offset in (4, 5):
        service.morning(day(offset))
    assert service.messages() == []
    for offset in (6, 7):
        service.morning(day(offset))
    message = service.message()
    assert (message.kind, message.told_on) == ("no_results", day(6))
    assert (message.channel, message.to_address) == ("email", "jo@example.org")
    assert "North" in message.text


def test_silence_ends_with_a_new_result_and_may_begin_again(service: Service) -> None:
    service.enrol({"notice_days": 2, "sampler": "Jo", "sampler_email": "jo@example.org"})
    start_of(service, 300)
    service.morning(day(6))
    service.clock.set(day(7), time(12))
    service.results({"rfv": 290, "sampled_on": day(7)})
    for offset in (8, 12, 13):
        service.morning(day(offset))
    assert [m.told_on for m in service.messages("no_results")] == [day(6), day(13)]


def test_unwatched_field_may_be_silent(service: Service) -> None:
    service.enrol({"notice_days": 2, "watched": "no"})
    start_of(service, 262)
    service.morning(day(6))
    assert service.messages() == []


def test_farmer_told_the_date_hears_of_the_silence_in_the_next_window(service: Service) -> None:
    """Without a sampler both go to the farmer, and a window holds one message."""
    service.enrol({"notice_days": 5})
    start_of(service, 255)
    told_on = service.line().start_median - timedelta(days=5)
    assert told_on == day(6)
    service.morning(told_on)
    service.clock.set(told_on, time(12))
    with service.sessions.write() as session:
        areas.mark_due(session, [service.rows(Area)[0].id], service.clock())
    service.evaluate()
    service.send()
    assert said(service) == [("coming", told_on)]
    service.morning(told_on + timedelta(days=1))
    assert said(service)[1:] == [("no_results", told_on + timedelta(days=1))]


# ------------------------------------------------------------------------ one transaction


def test_message_that_cannot_be_worded_leaves_no_outlook_either(
    service: Service, tmp_path: Path
) -> None:
    """A decision and its message are one commit: an operator's broken template stops both, and
    nothing is lost once it is mended."""
    broken = tmp_path / "config" / "messages" / "en"
    broken.mkdir(parents=True)
    (broken / "coming.txt").write_text("{{ nobody_fills_this }}")
    rules = service.parts.evaluation_rules()
    wrong = replace(rules, templates=Templates([tmp_path / "config", shipped_config_dir()]))
    service.enrol({})
    service.results({"rfv": 205})
    with pytest.raises(ConfigurationError, match=r"coming\.txt"):
        service.evaluate(wrong)
    for table in (FieldOutlookRow, FarmOutlookRow, OutboxMessage):
        assert service.rows(table) == []
    service.later(seconds=lease(service).total_seconds() + 1)
    assert service.evaluate() == 1
    assert service.message().start_on == service.rows(FarmOutlookRow)[0].start_median


def test_area_of_a_worker_that_died_is_evaluated_by_another(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 205})
    with service.sessions.write() as session:
        areas.claim_due(session, owner="died", now=service.clock(), lease=lease(service))
    assert service.evaluate() == 0
    service.later(seconds=lease(service).total_seconds() + 1)
    assert service.evaluate() == 1
    assert service.message().kind == "coming"


def test_areas_are_evaluated_one_by_one_until_none_is_due(service: Service) -> None:
    service.enrol({}, {"farm": "Stone Row", "area": "Otter Bend"})
    rules, now = service.parts.evaluation_rules(), service.clock()
    looked = [evaluate_next(service.sessions, rules, "one", now) for _ in range(3)]
    assert looked == [True, True, False]


def test_message_goes_out_as_it_was_queued(service: Service) -> None:
    service.enrol({"email": EMAIL, "alert_by": "both"})
    start_of(service, 205)
    text, email = service.messages()
    sent = outgoing(text, "")
    assert (sent.to, sent.text, sent.mark) == (PHONE, text.text, text.mark)
    assert sent.text.endswith(sent.mark)
    assert (sent.message_id, sent.expires_at) == (text.public_id, text.expires_at)
    assert sent.unsubscribe_url == ""
    assert text.public_id != email.public_id


def lease(service: Service) -> timedelta:
    return service.parts.evaluation_rules().lease
