"""One look a local day and one digest a day, whatever the clocks of a zone do.

Days on which clocks change: IANA time zone database, as Python's zoneinfo reads it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from factories import Service, day

from alerts.services.consultants.digest import queue_digests
from alerts.services.samplers.sampling import queue_reminders

ZONES = [
    ("America/Chicago", date(2027, 3, 14)),  # put forward at 02:00
    ("America/Chicago", date(2027, 11, 7)),  # put back at 02:00
    ("America/Phoenix", date(2027, 3, 14)),  # never
    ("Pacific/Honolulu", date(2027, 11, 7)),  # never
    ("America/St_Johns", date(2027, 3, 14)),  # half an hour off the whole hours
    ("America/Havana", date(2027, 3, 14)),  # at midnight: the day has no 00:00
    ("America/Havana", date(2027, 11, 7)),  # 00:00 to 01:00 shows twice
    ("Australia/Lord_Howe", date(2027, 4, 4)),  # put back by half an hour
    ("Australia/Lord_Howe", date(2027, 10, 3)),
]
STEP = timedelta(minutes=15)


def moments(zone: str, middle: date) -> list[datetime]:
    """Every quarter of an hour of the day before, that day and the day after."""
    begins = datetime.combine(middle - timedelta(days=1), time(), tzinfo=ZoneInfo(zone))
    ends = datetime.combine(middle + timedelta(days=2), time(), tzinfo=ZoneInfo(zone))
    count = (ends.astimezone(UTC) - begins.astimezone(UTC)) // STEP
    return [begins.astimezone(UTC) + k * STEP for k in range(count)]


def looks(service: Service, zone: str, middle: date) -> list[datetime]:
    """When the area is looked at, by the clock on its wall."""
    found = []
    for service.clock.now in moments(zone, middle):
        if service.evaluate():
            found.append(service.clock.now.astimezone(ZoneInfo(zone)))
    return found


def enrolled(service: Service, zone: str, middle: date, **row: object) -> None:
    """The area was looked at two days before, long after its morning."""
    service.clock.now = moments(zone, middle)[0] - timedelta(hours=6)
    service.enrol({"time_zone": zone, "consent_on": "2027-01-10", **row})
    service.evaluate()


@pytest.mark.parametrize(("zone", "middle"), ZONES)
def test_area_is_looked_at_once_each_local_morning(
    service: Service, zone: str, middle: date
) -> None:
    enrolled(service, zone, middle)
    found = looks(service, zone, middle)
    assert [one.date() for one in found] == [middle + timedelta(days=k) for k in (-1, 0, 1)]
    assert {one.time() for one in found} == {time(6)}


@pytest.mark.parametrize(("zone", "middle"), ZONES)
def test_digest_goes_once_a_day_at_its_hour(service: Service, zone: str, middle: date) -> None:
    enrolled(service, zone, middle, consultant="Per Nystrom", consultant_email="per@example.org")
    sampled_on = middle - timedelta(days=2)
    service.results({"rfv": 235, "sampled_on": sampled_on})
    service.evaluate()
    found = []
    for service.clock.now in moments(zone, middle):
        if queue_digests(service.sessions, service.parts.digest_rules(), service.clock()):
            found.append(service.clock.now.astimezone(ZoneInfo(zone)))
    assert [one.date() for one in found] == [middle + timedelta(days=k) for k in (-1, 0, 1)]
    assert {one.time() for one in found} == {time(7, 30)}


def test_look_at_night_leaves_the_morning_its_own(service: Service) -> None:
    """A result at one o'clock: what the night's forecast says is still told in the morning."""
    zone = ZoneInfo("America/Chicago")
    service.clock.set(day(0), time(1))
    service.enrol({})
    service.evaluate()
    found = []
    for hour in range(2, 24):
        service.clock.now = datetime.combine(day(0), time(hour), tzinfo=zone).astimezone(UTC)
        if service.evaluate():
            found.append(hour)
    assert found == [6]


@pytest.mark.parametrize(
    ("middle", "hour"),
    [(date(2027, 3, 14), 2), (date(2027, 11, 7), 1)],  # an hour that never shows, and one twice
)
def test_morning_in_the_hour_that_changes_still_comes_once(
    service: Service, middle: date, hour: int
) -> None:
    zone = ZoneInfo("America/Chicago")
    rules = replace(service.parts.evaluation_rules(), evaluate_at=time(hour, 30))
    service.clock.set(middle - timedelta(days=1), time(12))
    service.enrol({"consent_on": "2027-01-10"})
    service.evaluate(rules)
    found: Counter[date] = Counter()
    for service.clock.now in moments(zone.key, middle):
        if service.clock.now > datetime.combine(middle, time(), tzinfo=zone):
            found[service.clock.now.astimezone(zone).date()] += service.evaluate(rules)
    assert found == {middle: 1, middle + timedelta(days=1): 1}


def test_areas_from_maine_to_hawaii_have_each_their_own_morning(service: Service) -> None:
    places = {
        "America/New_York": "+12025550143",
        "America/Chicago": "+12025550144",
        "America/Phoenix": "+12025550145",
        "Pacific/Honolulu": "+12025550146",
    }
    service.clock.now = datetime(2027, 5, 9, 20, tzinfo=UTC)
    service.enrol(
        *(
            {"area": zone, "time_zone": zone, "farm": f"Farm {n}", "farmer": f"F{n}", "phone": p}
            for n, (zone, p) in enumerate(places.items())
        )
    )
    service.evaluate()
    looked = []
    for hour in range(4, 28):
        service.clock.now = datetime(2027, 5, 10, tzinfo=UTC) + timedelta(hours=hour)
        looked += [hour] * service.evaluate()
    # 06:00 of UTC-4, UTC-5, UTC-7 and UTC-10.
    assert looked == [10, 11, 13, 16]


def test_result_of_a_hawaiian_evening_is_of_its_own_day(service: Service) -> None:
    """23:30 on May 9 there is 09:30 on May 10 in UTC."""
    service.clock.now = datetime(2027, 5, 10, 9, 30, tzinfo=UTC)
    service.enrol({"time_zone": "Pacific/Honolulu"})
    report = service.results({"rfv": 235, "sampled_on": "2027-05-09"})
    assert (report.accepted, report.rejected) == (1, [])
    service.evaluate()
    [result] = service.stored_results()
    assert (service.line().results, result.sampled_on) == (1, date(2027, 5, 9))


def test_reminder_missed_in_the_evening_goes_by_email_in_the_morning(service: Service) -> None:
    service.clock.set(day(-4), time(12))
    service.enrol({"sampler": "Jo Tanager", "sampler_email": "jo@example.org"})
    service.results({"rfv": 250, "sampled_on": day(-4)})
    service.evaluate()
    rules, found = service.parts.sampling_rules(), []
    for hour in (22, 25, 28, 29, 30, 31, 32):  # of Sunday: until the clips begin at 08:00
        service.clock.set(day(-1 + hour // 24), time(hour % 24))
        if queue_reminders(service.sessions, rules, service.clock()):
            found.append(hour)
    assert found == [29]
    message = service.message("sample_due")
    assert message.expires_at == service.clock.set(day(0), time(8))
    assert message.told_on == day(-1)
