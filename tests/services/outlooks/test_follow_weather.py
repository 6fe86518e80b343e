"""Weather of areas: kept, used by the outlook, and never in the way of an alert."""

from __future__ import annotations

import asyncio
from datetime import date, time, timedelta

import pytest
from factories import MONDAY, Service, day

from alerts.domain.errors import CutcallError, UnreadableDocument, WeatherError
from alerts.services.outlooks.follow_weather import refresh_forecasts, take_in_table
from alerts.store import weather
from alerts.weather.base import DayWeather

PLACE = {"latitude": 44.1, "longitude": -92.3}


class Sky:
    """A weather service that says what it is given."""

    def __init__(self, *days: DayWeather, fails: bool = False) -> None:
        self.days, self.fails = days, fails
        self.asked: list[tuple[float, float, str]] = []

    async def forecast(
        self, latitude: float, longitude: float, zone: str
    ) -> tuple[DayWeather, ...]:
        self.asked.append((latitude, longitude, zone))
        if self.fails:
            raise WeatherError("the weather service did not answer; it is asked again later")
        return self.days

    async def aclose(self) -> None: ...


def forecast(*temperatures: float, chance: float | None = None, first: date) -> list[DayWeather]:
    return [
        DayWeather(first + timedelta(days=k), mean + 10, mean - 10, "forecast", chance)
        for k, mean in enumerate(temperatures)
    ]


def refresh(service: Service, sky: Sky) -> int:
    return asyncio.run(refresh_forecasts(service.sessions, sky, service.clock()))


def days_kept(service: Service) -> list[tuple[date, float, bool]]:
    with service.sessions.read() as session:
        [place] = weather.places(session)
        found = weather.days_since(session, [place.area.id], date(2000, 1, 1))
        rows = found.get(place.area.id, [])
    return [(row.day, row.tmax_f, row.forecast) for row in rows]


def table(first: date, mean: float, days: int) -> bytes:
    rows = [f"{first + timedelta(days=k)},{mean + 10},{mean - 10}" for k in range(days)]
    return ("day,tmax_f,tmin_f\n" + "\n".join(rows) + "\n").encode()


def take(service: Service, content: bytes, area: str = "Heron Flats", today: date = MONDAY):
    return take_in_table(
        service.sessions, area=area, name="days.csv", content=content, today=today,
        now=service.clock(),
    )  # fmt: skip


@pytest.fixture
def placed(service: Service) -> Service:
    service.clock.set(day(0), time(12))
    service.enrol({"field": "North", **PLACE})
    return service


def test_forecast_is_asked_for_the_middle_of_the_fields(service: Service) -> None:
    service.clock.set(day(0), time(12))
    service.enrol(
        {"field": "North", "latitude": 44.0, "longitude": -92.0},
        {"field": "Creek", "latitude": 44.2, "longitude": -92.4},
        {"field": "Hill"},
    )
    sky = Sky(*forecast(60.0, first=day(0)))
    assert refresh(service, sky) == 1
    [(latitude, longitude, zone)] = sky.asked
    assert (latitude, longitude) == pytest.approx((44.1, -92.2))
    assert "/" in zone


def test_area_without_a_position_is_not_asked_for(service: Service) -> None:
    service.enrol({"field": "North"})
    sky = Sky(*forecast(60.0, first=day(0)))
    assert refresh(service, sky) == 0
    assert sky.asked == []


def test_newer_forecast_replaces_and_an_observed_day_stays(placed: Service) -> None:
    refresh(placed, Sky(*forecast(60.0, 60.0, first=day(0))))
    assert refresh(placed, Sky(*forecast(60.0, 60.0, first=day(0)))) == 0  # nothing new
    refresh(placed, Sky(*forecast(70.0, first=day(1))))
    take(placed, table(day(0), 50.0, 1), today=day(1))
    refresh(placed, Sky(*forecast(65.0, first=day(0))))
    assert days_kept(placed) == [(day(0), 60.0, False), (day(1), 80.0, True)]


def test_weather_that_is_lost_stops_nothing(placed: Service) -> None:
    assert refresh(placed, Sky(fails=True)) == 0
    placed.results({"field": "North", "rfv": 205, "sampled_on": day(0)})
    placed.evaluate()
    assert placed.message().kind == "coming"
    assert placed.line("North").clock == "calendar"


def test_warm_days_bring_the_date_forward_and_cold_ones_put_it_off(placed: Service) -> None:
    placed.results({"field": "North", "rfv": 215, "sampled_on": day(-4)})
    starts = {}
    for mean in (52.0, 63.0, 75.0):  # 63 F gives the 22 degree days of an ordinary day
        take(placed, table(day(-10), mean, 18))
        placed.evaluate()
        assert placed.line("North").clock == "degree days"
        starts[mean] = placed.line("North").start_median
    assert starts[75.0] < starts[63.0] < starts[52.0]


def test_rain_in_the_forecast_rides_along_with_the_text(placed: Service) -> None:
    refresh(placed, Sky(*forecast(*[63.0] * 8, chance=80.0, first=day(0))))
    placed.results({"field": "North", "rfv": 205, "sampled_on": day(0)})
    placed.evaluate()
    assert "Rain likely" in placed.message().text
    assert "80%" in placed.message().text


def test_dry_forecast_says_nothing_of_rain(placed: Service) -> None:
    refresh(placed, Sky(*forecast(*[63.0] * 8, chance=10.0, first=day(0))))
    placed.results({"field": "North", "rfv": 205, "sampled_on": day(0)})
    placed.evaluate()
    assert "ain" not in placed.message().text.replace("again", "")


def test_table_for_an_unknown_area_names_those_there_are(placed: Service) -> None:
    with pytest.raises(CutcallError, match="no area 'Nowhere' is enrolled; the areas are: "):
        take(placed, table(day(-3), 60.0, 3), area="Nowhere")


def test_table_with_bad_rows_keeps_the_good_ones(placed: Service) -> None:
    content = table(day(-3), 60.0, 2) + f"{day(-1)},40,70\n".encode()
    report = take(placed, content)
    assert (report.days, report.changed, len(report.rejected)) == (2, 2, 1)
    with pytest.raises(UnreadableDocument):
        take(placed, b"")


def test_email_names_the_first_dry_days_long_enough_for_the_harvest(service: Service) -> None:
    service.clock.set(day(0), time(12))
    service.enrol(
        {
            "field": "North",
            **PLACE,
            "email": "ida@example.org",
            "alert_by": "email",
            "harvest_method": "baleage",
        }
    )
    wet = forecast(63.0, 63.0, 63.0, chance=80.0, first=day(0))
    refresh(service, Sky(*wet, *forecast(63.0, 63.0, 63.0, chance=10.0, first=day(3))))
    service.results({"field": "North", "rfv": 205, "sampled_on": day(0)})
    service.evaluate()
    mail = service.message()
    for body in (mail.text, mail.html):
        assert "The first 2 dry days in a row in the forecast begin Thu May 13." in body
