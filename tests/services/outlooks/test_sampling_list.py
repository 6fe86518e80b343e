from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta

import pytest
from factories import MONDAY, Service, day
from sqlalchemy import event
from sqlmodel import select

from alerts.domain.clips import SamplingList, Why, WhyNot
from alerts.domain.records import Index
from alerts.services.outlooks.sampling_list import area_weekdays, sampling_list
from alerts.store.tables import Area, AreaWeather, Cut, Farm, FarmField, FieldOutlookRow

JO = {"sampler": "Jo Tanager", "sampler_email": "jo@example.org"}
THURSDAY, FRIDAY = day(-4), day(-3)
"""A sampling day and the day after; the next one is Monday."""


@pytest.fixture(autouse=True)
def march(service: Service) -> None:
    """Everybody is enrolled before the first clips."""
    service.clock.set(date(2027, 3, 25), time(6))


def clips(service: Service, on: date = FRIDAY, first: date | None = None) -> SamplingList:
    service.clock.set(on, time(12))
    with service.sessions.read() as session:
        return sampling_list(session, None, on, service.parts.clip_rules(), first=first)


def left_out(service: Service, on: date = FRIDAY) -> dict[str, WhyNot]:
    return {one.field: one.why_not for one in clips(service, on).left_out}


def clipped(service: Service, *rows: Mapping[str, object], on: date = THURSDAY) -> None:
    """Results of this day, and a look at the area the next morning."""
    service.clock.set(on, time(12))
    service.results(*({"sampled_on": on, **row} for row in rows))
    service.clock.set(on + timedelta(days=1), time(6))
    service.evaluate()


def warm(service: Service, degree_days: float, until: date = FRIDAY) -> None:
    """Weather since the season's first day, with this sum of degree days over 41 F [F-days]."""
    first = date(2027, 3, 1)
    count = (until - first).days
    mean = 41 + degree_days / count
    with service.sessions.write() as session:
        area = session.exec(select(Area)).one()
        for n in range(count):
            session.add(
                AreaWeather(
                    area_id=area.id,
                    day=first + timedelta(days=n),
                    tmax_f=mean + 1,
                    tmin_f=mean - 1,
                    forecast=False,
                    fetched_at=datetime(2027, 5, 1, tzinfo=UTC),
                )
            )
    service.clock.set(until, time(6))
    service.evaluate()


def cut_before(service: Service, *cuts: date) -> None:
    with service.sessions.write() as session:
        [field] = session.exec(select(FarmField)).all()
        for cut_on in cuts:
            session.add(
                Cut(
                    field_id=field.id,
                    season=cut_on.year,
                    cutting=1,
                    cut_on=cut_on,
                    recorded_at=datetime(2026, 6, 1, tzinfo=UTC),
                )
            )


# --------------------------------------------------------------- fields with results


def test_clip_tells_where_when_and_why(service: Service) -> None:
    service.enrol({"acres": "40", **JO})
    clipped(service, {"rfv": 250})
    [clip] = clips(service).clips
    assert (clip.area, clip.farm, clip.field) == ("Heron Flats", "Plum Bottom", "North")
    assert (clip.acres, clip.standing_target, clip.index) == (40.0, 185.0, Index.RFV)
    assert (clip.sampler, clip.on, clip.why) == ("Jo Tanager", MONDAY, Why.NARROWS)
    assert (clip.last_on, clip.last_value, clip.last_index) == (day(-4), 250.0, Index.RFV)
    assert (clip.days_since, clip.missed_on) == (1, None)
    assert clip.worth_days == pytest.approx(service.line().sample_worth_days)
    assert clip.start_p10 < clip.start_median < clip.start_p90  # type: ignore[operator]


def test_clips_are_ordered_by_what_they_are_worth(service: Service) -> None:
    service.enrol({"field": "North"}, {"field": "Creek"}, {"field": "Hill"})
    clipped(service, {"field": "North", "rfv": 250}, on=day(-7))
    clipped(service, {"field": "North", "rfv": 245}, {"field": "Creek", "rfv": 248})
    found = clips(service).clips
    assert [clip.field for clip in found] == ["Hill", "Creek", "North"]
    worths = [clip.worth_days for clip in found]
    assert worths == sorted(worths, reverse=True)  # type: ignore[type-var]


def test_field_clipped_today_is_next_clipped_on_the_sampling_day_after(service: Service) -> None:
    service.enrol({})
    clipped(service, {"rfv": 250}, on=MONDAY)
    [clip] = clips(service, MONDAY).clips
    assert clip.on == day(3)
    [clip] = clips(service, day(1)).clips
    assert clip.on == day(3)


@pytest.mark.parametrize(("on", "missed"), [(0, None), (1, None), (2, MONDAY), (3, MONDAY)])
def test_sampling_day_without_a_result_is_missed_once_results_should_be_there(
    service: Service, on: int, missed: date | None
) -> None:
    """Clipped on Monday, printed on Tuesday (common practice)."""
    service.enrol({})
    clipped(service, {"rfv": 250})
    [clip] = clips(service, day(on)).clips
    assert clip.missed_on == missed
    assert clip.why is (Why.OVERDUE if missed else Why.NARROWS)


def test_next_sampling_day_may_be_asked_from_a_later_day(service: Service) -> None:
    service.enrol({})
    clipped(service, {"rfv": 250})
    [clip] = clips(service, FRIDAY, first=day(1)).clips
    assert clip.on == day(3)
    assert clip.days_since == 1


def test_area_has_its_own_sampling_days(service: Service) -> None:
    service.enrol({})
    clipped(service, {"rfv": 250})
    with service.sessions.write() as session:
        session.exec(select(Area)).one().sampling_days = "wed"
    [clip] = clips(service).clips
    assert clip.on == day(2)


@pytest.mark.parametrize(
    ("named", "weekdays"),
    [("", {0, 3}), ("mon,thu", {0, 3}), (" Tue , SAT", {1, 5}), ("someday", {0, 3})],
)
def test_sampling_days_are_read_from_the_area(named: str, weekdays: set[int]) -> None:
    area = Area(name="x", time_zone="America/Chicago", sampling_days=named)
    assert area_weekdays(area, frozenset({0, 3})) == weekdays


def test_field_that_needs_no_clip_says_why(service: Service) -> None:
    service.enrol(
        {"field": "Low"},
        {"field": "Cut"},
        {"field": "Alone", "watched": "no"},
        {"farm": "Stone Row", "field": "Quiet"},
    )
    rows = [{"field": "Cut", "rfv": 240}, {"farm": "Stone Row", "field": "Quiet", "rfv": 250}]
    clipped(service, *rows, *({"field": "Low", "rfv": 150 + n} for n in range(5)))
    with service.sessions.write() as session:
        quiet = session.exec(select(Farm).where(Farm.name == "Stone Row")).one()
        quiet.paused_until = day(3)
    service.cut("Cut", FRIDAY)
    assert left_out(service) == {
        "Low": WhyNot.BELOW,
        "Cut": WhyNot.CUT,
        "Alone": WhyNot.UNWATCHED,
        "Quiet": WhyNot.PAUSED,
    }
    assert clips(service).clips == ()


def test_pause_that_ends_before_the_clip_does_not_stop_it(service: Service) -> None:
    service.enrol({})
    clipped(service, {"rfv": 250})
    with service.sessions.write() as session:
        session.exec(select(Farm)).one().paused_until = MONDAY
    assert len(clips(service).clips) == 1


def test_list_keeps_to_the_farms_asked_for(service: Service) -> None:
    service.enrol({}, {"farm": "Stone Row", "field": "East"})
    clipped(service, {"rfv": 250}, {"farm": "Stone Row", "field": "East", "rfv": 250})
    ids = {farm.name: farm.id for farm in service.rows(Farm)}
    with service.sessions.read() as session:
        rules = service.parts.clip_rules()
        found = sampling_list(session, {ids["Stone Row"]}, FRIDAY, rules)
        nothing = sampling_list(session, set(), FRIDAY, rules)
    assert [clip.field for clip in found.clips] == ["East"]
    assert (nothing.clips, nothing.left_out) == ((), ())


def test_statements_do_not_grow_with_the_fields(service: Service) -> None:
    def statements() -> int:
        seen: list[str] = []
        listen = lambda *args: seen.append(args[2])  # noqa: E731
        event.listen(service.sessions.engine, "before_cursor_execute", listen)
        clips(service)
        event.remove(service.sessions.engine, "before_cursor_execute", listen)
        return len(seen)

    service.enrol({"field": "North", **JO})
    clipped(service, {"rfv": 250})
    few = statements()
    service.enrol(*({"farm": f"Farm {n}", "field": f"Field {n}", **JO} for n in range(20)))
    assert statements() == few <= 6


# --------------------------------------------------------------- the first of a spring


@pytest.mark.parametrize(
    ("on", "why_not"),
    [
        (date(2027, 4, 27), WhyNot.EARLY),  # the next sampling day is Thursday 29 April
        (date(2027, 4, 30), None),  # Monday 3 May
        (date(2027, 6, 14), None),  # Monday 14 June
        (date(2027, 6, 15), WhyNot.OVER),  # Thursday 17 June
    ],
)
def test_first_clip_goes_by_the_calendar_where_nothing_else_is_known(
    service: Service, on: date, why_not: WhyNot | None
) -> None:
    """From 1 May to 15 June: our judgement in guidelines.toml."""
    service.enrol({})
    found = clips(service, on)
    assert [one.why_not for one in found.left_out] == ([why_not] if why_not else [])
    assert [clip.why for clip in found.clips] == ([] if why_not else [Why.FIRST])
    assert all(clip.worth_days is None for clip in found.clips)


@pytest.mark.parametrize(
    ("on", "why_not"),
    [
        (date(2027, 4, 9), WhyNot.EARLY),  # Monday 12 April
        (date(2027, 4, 13), None),  # Thursday 15 April
        (date(2027, 5, 27), None),
        (date(2027, 5, 28), WhyNot.OVER),  # Monday 31 May
    ],
)
def test_first_clip_goes_by_the_first_cuts_of_earlier_years(
    service: Service, on: date, why_not: WhyNot | None
) -> None:
    """Three weeks around 6 May, the middle one of three."""
    service.enrol({})
    cut_before(service, date(2024, 5, 1), date(2025, 5, 6), date(2026, 5, 20))
    assert list(left_out(service, on).values()) == ([why_not] if why_not else [])


def test_calendar_is_not_asked_while_heat_is_known_and_low(service: Service) -> None:
    """Nothing is said of heat under 340 degree days; a cold May waits, whatever the day."""
    service.enrol({})
    warm(service, 200)
    assert left_out(service) == {"North": WhyNot.EARLY}


def test_first_clip_is_due_once_heat_brings_the_crossing_within_three_weeks(
    service: Service,
) -> None:
    service.enrol({})
    warm(service, 500)
    [clip] = clips(service).clips
    assert clip.why is Why.FIRST
    assert clip.start_p10 is not None
    assert clip.start_p10 <= MONDAY + timedelta(days=21)
    assert clip.worth_days is not None
    assert clip.worth_days > 0
    assert clip.last_on is None


def test_first_clip_waits_while_heat_puts_the_crossing_further_off(service: Service) -> None:
    """A low target is met for weeks on."""
    service.enrol({"feed_target": "90", "handling_loss": "0"})
    warm(service, 350)
    assert service.line().start_p10 > MONDAY + timedelta(days=21)
    assert left_out(service) == {"North": WhyNot.EARLY}


def test_first_clip_is_over_when_heat_says_that_the_crop_is_long_past(service: Service) -> None:
    service.enrol({})
    warm(service, 950)
    assert service.line().start_p90 < FRIDAY
    assert left_out(service) == {"North": WhyNot.OVER}


def test_field_without_a_result_whose_neighbors_are_below_is_not_clipped(
    service: Service,
) -> None:
    names = ("A", "B", "C")
    service.enrol(*({"farm": f"Farm {n}", "field": n} for n in names), {"field": "North"})
    low = [{"farm": f"Farm {n}", "field": n, "rfv": 130} for n in names]
    clipped(service, *low, *low, *low)
    assert left_out(service)["North"] is WhyNot.BELOW


# --------------------------------------------------------- results that come too late


@pytest.mark.parametrize(
    ("start", "on", "why_not"),
    [
        (4, 1, None),  # Thursday's result is there on Friday, the start date
        (3, 1, WhyNot.TOMORROW),  # Wednesday's is there on Thursday
        (2, 1, WhyNot.LATE),
        (3, 2, WhyNot.LATE),  # tomorrow is the sampling day itself
        (0, 1, WhyNot.LATE),
    ],
)
def test_clip_whose_result_comes_after_the_start_date_is_left_out(
    service: Service, start: int, on: int, why_not: WhyNot | None
) -> None:
    service.enrol({})
    clipped(service, {"rfv": 250}, on=MONDAY)
    with service.sessions.write() as session:
        session.get_one(FieldOutlookRow, 1).start_median = day(start)
    found = clips(service, day(on))
    if why_not is None:
        assert [clip.on for clip in found.clips] == [day(3)]
        return
    assert found.clips == ()
    assert [(one.why_not, one.on) for one in found.left_out] == [(why_not, day(3))]


def test_first_clip_is_not_held_back_by_a_date_of_heat_alone(service: Service) -> None:
    service.enrol({})
    clipped(service, {"rfv": 250}, on=MONDAY)
    with service.sessions.write() as session:
        row = session.get_one(FieldOutlookRow, 1)
        row.start_median, row.detail = day(0), {**row.detail, "rough": True}
    assert [clip.field for clip in clips(service, day(1)).clips] == ["North"]
