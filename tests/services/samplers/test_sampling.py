from __future__ import annotations

from datetime import date, time

import pytest
from factories import MONDAY, Service, day
from sqlmodel import select

from alerts.messages.segments import count
from alerts.services.samplers.sampling import queue_reminders
from alerts.store import people
from alerts.store.tables import Area, Farm, Person

JO = {"sampler": "Jo Tanager", "sampler_email": "jo@example.org"}
SUNDAY = day(-1)


def remind(service: Service, on: date = SUNDAY, at: time = time(17)) -> int:
    """The evening of a day; the shipped schedule samples on Mondays and Thursdays."""
    service.clock.set(on, at)
    return queue_reminders(service.sessions, service.parts.sampling_rules(), service.clock())


def words_of(service: Service) -> str:
    """The only reminder, its broken lines made whole."""
    return " ".join(service.message("sample_due").text.split())


def set_area(service: Service, **values: object) -> None:
    with service.sessions.write() as session:
        area = session.exec(select(Area)).one()
        for name, value in values.items():
            setattr(area, name, value)


def by_text(service: Service) -> None:
    """Jo wants texts from now on."""
    with service.sessions.write() as session:
        jo = session.exec(select(Person).where(Person.name == "Jo Tanager")).one()
        jo.phone, jo.alert_by = "+12025550147", "text"
        people.put_consent(
            session,
            jo,
            channel="sms",
            address=jo.phone,
            given_on=day(-30),
            how="signed form",
            now=service.clock(),
        )


@pytest.fixture
def sampled(service: Service) -> Service:
    """Two farms of one sampler, sampled on the Thursday before."""
    service.clock.set(day(-4), time(12))
    service.enrol(
        {"field": "North", **JO},
        {"field": "Creek", **JO},
        {"farm": "Stone Row", "field": "East", **JO},
    )
    service.results(
        *(
            {"farm": farm, "field": field, "rfv": 250, "sampled_on": day(-4)}
            for farm, field in (
                ("Plum Bottom", "North"),
                ("Plum Bottom", "Creek"),
                ("Stone Row", "East"),
            )
        )
    )
    service.evaluate()
    return service


def test_sampler_is_reminded_once_of_all_fields_of_all_farms(sampled: Service) -> None:
    assert remind(sampled) == 1
    message = sampled.message("sample_due")
    assert (message.to_address, message.channel) == ("jo@example.org", "email")
    for name in ("Plum Bottom", "North", "Creek", "Stone Row", "East"):
        assert name in message.text
    assert remind(sampled, at=time(18)) == 0


@pytest.mark.parametrize(
    ("on", "reminded"),
    [(day(n), day(n + 1) in (day(0), day(3))) for n in range(-2, 5)],
    ids=lambda value: f"{value:%a}" if isinstance(value, date) else str(value),
)
def test_sampler_is_reminded_on_the_evening_before_a_sampling_day_only(
    sampled: Service, on: date, reminded: bool
) -> None:
    assert bool(remind(sampled, on)) is reminded


def test_sampler_is_not_reminded_before_the_evening(sampled: Service) -> None:
    assert remind(sampled, at=time(16, 59)) == 0


@pytest.mark.parametrize(("at", "reminded"), [(time(20, 59), 1), (time(21), 0), (time(23, 59), 0)])
def test_sampler_is_not_reminded_at_night(sampled: Service, at: time, reminded: int) -> None:
    assert remind(sampled, at=at) == reminded


def test_reminder_by_text_loses_its_use_at_night(sampled: Service) -> None:
    by_text(sampled)
    assert remind(sampled) == 1
    message = sampled.message("sample_due")
    assert message.channel == "sms"
    local = message.expires_at.astimezone(sampled.clock.zone)
    assert (local.date(), local.time()) == (SUNDAY, time(21))
    sampled.clock.set(SUNDAY, time(21, 1))
    sampled.send()
    assert sampled.sms.attempts == []


def test_reminder_loses_its_use_when_the_sampling_hour_is_over(sampled: Service) -> None:
    remind(sampled)
    expires = sampled.message("sample_due").expires_at
    assert expires.astimezone(sampled.clock.zone).time() == time(8)
    assert expires.astimezone(sampled.clock.zone).date() == MONDAY


def test_field_below_its_target_is_sampled_no_more(sampled: Service) -> None:
    sampled.clock.set(day(-2), time(12))
    # Five clips agree, so that the first one is the odd one out.
    for on, rfv in ((-3, 172), (-3, 174), (-2, 168), (-2, 170), (-2, 166)):
        sampled.results({"field": "North", "rfv": rfv, "sampled_on": day(on)})
        sampled.results({"field": "Creek", "rfv": rfv + 75, "sampled_on": day(on)})
    sampled.evaluate()
    remind(sampled)
    assert "North" not in sampled.message("sample_due").text
    assert "Creek" in sampled.message("sample_due").text


@pytest.mark.parametrize("looked_at", [False, True])
def test_field_that_was_cut_is_sampled_no_more(sampled: Service, looked_at: bool) -> None:
    """Not even between the cut and the next look at the area."""
    sampled.clock.set(day(-2), time(12))
    sampled.cut("North", day(-2))
    if looked_at:
        sampled.evaluate()
    remind(sampled)
    assert "North" not in sampled.message("sample_due").text


def test_field_nobody_watches_is_not_named(sampled: Service) -> None:
    sampled.enrol({"field": "North", **JO, "watched": "no"}, {"field": "Creek", **JO})
    sampled.evaluate()
    remind(sampled)
    text = sampled.message("sample_due").text
    assert "Creek" in text
    assert "North" not in text


def test_field_without_a_result_is_named_as_a_first_clip(sampled: Service) -> None:
    sampled.enrol({"field": "Hill", **JO})
    sampled.evaluate()
    remind(sampled)
    text = words_of(sampled)
    assert "Plum Bottom, Hill: no result of its own yet; may be due as early as" in text
    assert text.index("Hill") < text.index("North")  # the less is known, the more a clip is worth


def test_farm_without_a_sampler_reminds_nobody(service: Service) -> None:
    service.clock.set(day(-4), time(12))
    service.enrol({})
    service.results({"rfv": 250, "sampled_on": day(-4)})
    service.evaluate()
    assert remind(service) == 0


def test_two_samplers_get_their_own_fields(sampled: Service) -> None:
    eli = {"sampler": "Eli Crane", "sampler_email": "eli@example.org"}
    sampled.enrol({"farm": "Stone Row", "field": "East", **eli})
    assert remind(sampled) == 2
    texts = {message.to_address: message.text for message in sampled.messages("sample_due")}
    assert "East" in texts["eli@example.org"]
    assert "North" not in texts["eli@example.org"]
    assert "East" not in texts["jo@example.org"]


def test_reminder_goes_out_the_same_evening(sampled: Service) -> None:
    remind(sampled)
    sampled.send()
    assert [mail.to for mail in sampled.mail.attempts] == ["jo@example.org"]


def test_evening_is_that_of_the_area(service: Service) -> None:
    """17:00 in Chicago is 15:00 in Los Angeles."""
    service.clock.set(day(-4), time(12))
    service.enrol({**JO, "time_zone": "America/Los_Angeles"})
    service.results({"rfv": 250, "sampled_on": day(-4)})
    service.evaluate()
    assert remind(service) == 0
    assert remind(service, at=time(19)) == 1


def test_sampler_of_two_zones_gets_one_message_at_the_first_evening(service: Service) -> None:
    """17:00 in Chicago is 15:00 in Los Angeles, and both sample on Monday."""
    service.clock.set(day(-4), time(12))
    service.enrol(
        {"field": "North", **JO},
        {
            "farm": "Far Bank",
            "field": "West",
            "area": "Amber Hill",
            "time_zone": "America/Los_Angeles",
            **JO,
        },
    )
    for name, field in (("Plum Bottom", "North"), ("Far Bank", "West")):
        service.results({"farm": name, "field": field, "rfv": 250, "sampled_on": day(-4)})
    service.evaluate()
    assert remind(service) == 1
    text = words_of(service)
    assert "Plum Bottom, North" in text
    assert "Far Bank, West" in text
    assert remind(service, at=time(19)) == 0


@pytest.mark.parametrize(
    ("days", "on"), [("tue", 0), ("mon,thu", -1), ("", -1), ("sat, SUN", -2), ("fri", 3)]
)
def test_reminder_keeps_to_the_days_of_the_area(sampled: Service, days: str, on: int) -> None:
    set_area(sampled, sampling_days=days)
    reminded = [n for n in range(-2, 5) if remind(sampled, day(n))]
    assert reminded[0] == on


def test_reminder_says_why_and_leads_to_the_list(sampled: Service) -> None:
    remind(sampled)
    text = words_of(sampled)
    assert "Plum Bottom, North: last result May 6, 3 days ago; a clip makes its date" in text
    [page, print_page] = [word for word in text.split() if "/sampler/" in word]
    assert print_page == f"{page}/print"
    assert page in sampled.message("sample_due").html
    sampled.send()
    [mail] = sampled.mail.attempts
    assert mail.unsubscribe_url in mail.text


def test_reminder_by_text_names_the_fields_and_where_the_reasons_are(sampled: Service) -> None:
    by_text(sampled)
    remind(sampled)
    text = sampled.message("sample_due").text
    assert text.startswith("Cutcall: clip tomorrow, Mon May 10, before 8 am: ")
    assert "Why: https://cutcall.example.org/sampler/" in text
    assert text.endswith(sampled.message("sample_due").mark)
    assert count(text).parts <= 2


def test_most_is_worth_first(sampled: Service) -> None:
    sampled.clock.set(day(-1), time(9))
    sampled.results({"field": "North", "rfv": 240, "sampled_on": day(-1)})
    sampled.evaluate()
    remind(sampled)
    text = words_of(sampled)
    assert text.index("Creek") < text.index("North")


def test_farm_that_asked_for_quiet_is_not_clipped(sampled: Service) -> None:
    with sampled.sessions.write() as session:
        farm = session.exec(select(Farm).where(Farm.name == "Plum Bottom")).one()
        farm.paused_until = day(5)
    remind(sampled)
    text = words_of(sampled)
    assert "Stone Row, East" in text
    assert "Plum Bottom" not in text


def test_outlook_of_another_year_names_no_field(sampled: Service) -> None:
    """By 10 May of the next year nothing was clipped; only first clips are asked for."""
    later = date(2028, 5, 7)  # a Sunday
    assert remind(sampled, later) == 1
    assert "last result" not in words_of(sampled)
    assert "no result of its own yet" in words_of(sampled)
