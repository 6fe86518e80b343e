"""The 29th of February of 2028, in what counts by days and years."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import pytest
from factories import ZONE, Service

from alerts.domain.errors import CutcallError
from alerts.services.access.links import LinkGone, Role, link_path, open_link
from alerts.services.farms.record_cuts import record_cut
from alerts.services.operating.housekeeping import tidy
from alerts.store.tables import Cut, FarmField

LEAP_DAY = date(2028, 2, 29)


@pytest.fixture
def late_winter(service: Service) -> Service:
    service.clock.set(LEAP_DAY, time(12))
    service.enrol({})
    return service


def test_cut_on_the_leap_day_is_of_its_year(late_winter: Service) -> None:
    assert late_winter.cut("North", LEAP_DAY) == 1
    [cut] = late_winter.rows(Cut)
    assert (cut.season, cut.cut_on) == (2028, LEAP_DAY)


def test_cut_before_the_first_of_march_is_not_of_the_season(late_winter: Service) -> None:
    with pytest.raises(CutcallError, match="before this season, which begins on 2028-03-01"):
        record_cut(
            late_winter.sessions,
            farm="Plum Bottom",
            field="North",
            cut_on=LEAP_DAY,
            now=late_winter.clock(),
            season_first_day=late_winter.parts.season_first_day(),
        )


def test_cut_of_the_leap_day_is_put_back_with_the_next_season(late_winter: Service) -> None:
    late_winter.cut("North", LEAP_DAY)
    late_winter.clock.set(date(2029, 3, 1), time(12))
    tidy(late_winter.sessions, late_winter.parts.intake_rules(), late_winter.clock())
    [field] = late_winter.rows(FarmField)
    assert (field.cutting, field.cut_on) == (1, None)


def test_sample_of_the_leap_day_is_of_no_season_and_one_of_the_next_day_is(
    late_winter: Service,
) -> None:
    late_winter.clock.set(date(2028, 3, 2), time(12))
    report = late_winter.results({"sampled_on": "2028-02-29", "rfv": 235})
    assert (report.accepted, len(report.rejected)) == (0, 1)
    assert late_winter.results({"sampled_on": "2028-03-01", "rfv": 235}).accepted == 1


def test_date_that_is_none_is_refused_in_a_usual_year(late_winter: Service) -> None:
    late_winter.clock.set(date(2029, 3, 2), time(12))
    report = late_winter.results({"sampled_on": "2029-02-29", "rfv": 235})
    assert (report.accepted, len(report.rejected)) == (0, 1)


def test_link_lasts_its_days_across_the_leap_day(late_winter: Service) -> None:
    rules = late_winter.parts.link_rules()
    made = datetime(2028, 1, 15, 12, tzinfo=ZONE)
    with late_winter.sessions.write() as session:
        path = link_path(session, rules, Role.OPERATOR, now=made)
        token = path.rpartition("/")[2]
        last = made + timedelta(days=late_winter.parts.schedule.links.operator_days)
        open_link(session, rules, Role.OPERATOR, token, last - timedelta(seconds=1))
        with pytest.raises(LinkGone, match="expired"):
            open_link(session, rules, Role.OPERATOR, token, last)


def test_areas_are_looked_at_on_the_leap_day_and_the_day_after(late_winter: Service) -> None:
    late_winter.evaluate()
    found = []
    for hour in range(12, 12 + 48):
        late_winter.clock.set(LEAP_DAY + timedelta(days=hour // 24), time(hour % 24))
        if late_winter.evaluate():
            found.append(late_winter.clock().astimezone(ZONE).date())
    assert found == [date(2028, 3, 1), date(2028, 3, 2)]
