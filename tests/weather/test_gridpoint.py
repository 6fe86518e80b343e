"""Grid squares into local days; the shape and its source stand in conftest.py."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.errors import WeatherError
from alerts.weather.base import DayWeather
from alerts.weather.gridpoint import days_of, grid_address

Grid = Callable[..., bytes]
CENTRAL = ZoneInfo("America/Chicago")
MAY_14, MAY_15 = date(2026, 5, 14), date(2026, 5, 15)


def by_day(body: bytes, zone: ZoneInfo = CENTRAL) -> dict[date, DayWeather]:
    return {weather.day: weather for weather in days_of(body, zone)}


def test_highs_and_lows_become_fahrenheit_days(grid: Grid) -> None:
    # definition of the Fahrenheit scale: 20 C is 68 F, 10 is 50, 25 is 77, 15 is 59
    days = days_of(grid(), CENTRAL)
    assert [(d.day, d.tmax_f, d.tmin_f) for d in days] == [
        (MAY_14, pytest.approx(68.0), pytest.approx(50.0)),
        (MAY_15, pytest.approx(77.0), pytest.approx(59.0)),
    ]
    assert {d.source for d in days} == {"forecast"}
    assert days[0].rain_chance_pct is None
    assert days[0].rain_in is None


@pytest.mark.parametrize("unit", ["wmoUnit:degC", "degC", "Cel", "uc:Cel"])
def test_celsius_is_known_by_its_documented_names(
    unit: str, grid: Grid, plain_layer: Callable[..., Any]
) -> None:
    # UnitOfMeasure: "{unit}" or "{namespace}:{unit}", WMO codes or UCUM, in which C is Cel
    highs = plain_layer(unit, [("2026-05-14T12:00:00+00:00/PT13H", 20.0)])
    assert by_day(grid(maxTemperature=highs))[MAY_14].tmax_f == pytest.approx(68.0)


@pytest.mark.parametrize("unit", ["wmoUnit:degF", "[degF]"])
def test_fahrenheit_is_taken_as_it_is(
    unit: str, grid: Grid, plain_layer: Callable[..., Any]
) -> None:
    highs = plain_layer(unit, [("2026-05-14T12:00:00+00:00/PT13H", 68.5)])
    assert by_day(grid(maxTemperature=highs))[MAY_14].tmax_f == 68.5


@pytest.mark.parametrize("unit", ["wmoUnit:K", "", "wmoUnit:percent"])
def test_unknown_unit_is_not_guessed(
    unit: str, grid: Grid, plain_layer: Callable[..., Any]
) -> None:
    highs = plain_layer(unit, [("2026-05-14T12:00:00+00:00/PT13H", 290.0)])
    with pytest.raises(WeatherError, match="not known here"):
        days_of(grid(maxTemperature=highs), CENTRAL)


@pytest.mark.parametrize("missing", ["max", "min"])
def test_day_without_high_or_low_is_left_out(missing: str, grid: Grid) -> None:
    only_15th = [("2026-05-15T12:00:00+00:00/PT13H", 25.0)]
    only_15th_low = [("2026-05-15T00:00:00+00:00/PT14H", 15.0)]
    body = grid(highs=only_15th) if missing == "max" else grid(lows=only_15th_low)
    assert list(by_day(body)) == [MAY_15]


def test_null_is_passed_over(grid: Grid) -> None:
    # FAQ: "The value may also be null to indicate there is no applicable data"
    highs = [("2026-05-14T12:00:00+00:00/PT13H", None), ("2026-05-15T12:00:00+00:00/PT13H", 25.0)]
    assert list(by_day(grid(highs=highs))) == [MAY_15]


def test_temperature_in_the_thousands_is_passed_over(grid: Grid) -> None:
    # FAQ: "I see some really strange values (like temperatures in the thousands)."
    highs = [("2026-05-14T12:00:00+00:00/PT13H", 9999), ("2026-05-15T12:00:00+00:00/PT13H", 25.0)]
    lows = [("2026-05-14T00:00:00+00:00/PT14H", -9999), ("2026-05-15T00:00:00+00:00/PT14H", 15.0)]
    assert list(by_day(grid(highs=highs, lows=lows))) == [MAY_15]


def test_day_with_high_below_low_is_left_out(grid: Grid) -> None:
    highs = [("2026-05-14T12:00:00+00:00/PT13H", 5.0), ("2026-05-15T12:00:00+00:00/PT13H", 25.0)]
    assert list(by_day(grid(highs=highs))) == [MAY_15]


def test_window_over_midnight_utc_belongs_to_the_local_day_of_its_middle(grid: Grid) -> None:
    # a daytime window in Hawaii, 7 am to 8 pm, is 17:00 UTC to 06:00 UTC of the next day; its
    # night window, 7 pm to 9 am, is 05:00 to 19:00 UTC
    body = grid(
        highs=[("2026-05-14T17:00:00+00:00/PT13H", 29.0)],
        lows=[("2026-05-14T05:00:00+00:00/PT14H", 21.0)],
    )
    assert list(by_day(body, ZoneInfo("Pacific/Honolulu"))) == [MAY_14]


def test_same_windows_fall_on_other_days_in_another_zone(grid: Grid) -> None:
    # middles: 2026-05-14 18:30 UTC and 07:00 UTC; in Tokyo (UTC+9) 03:30 on the 15th, 16:00 on 14th
    highs = [("2026-05-13T12:00:00+00:00/PT13H", 18.0), ("2026-05-14T12:00:00+00:00/PT13H", 20.0)]
    lows = [("2026-05-14T00:00:00+00:00/PT14H", 10.0)]
    body = grid(highs=highs, lows=lows)
    assert by_day(body)[MAY_14].tmax_f == pytest.approx(68.0)
    tokyo = by_day(body, ZoneInfo("Asia/Tokyo"))
    assert list(tokyo) == [MAY_14]
    assert tokyo[MAY_14].tmax_f == pytest.approx(64.4)  # 18 C


@pytest.mark.parametrize(
    ("zone", "day", "highs", "lows"),
    [
        # clocks go forward in the night to 8 March 2026, back in the night to 1 November 2026
        # (US Energy Policy Act of 2005: second Sunday of March, first of November). The windows
        # are kept in standard time, 7 am to 8 pm and 7 pm to 9 am
        ("America/Chicago", date(2026, 3, 8), "2026-03-08T13:00:00Z", "2026-03-08T01:00:00Z"),
        ("America/Chicago", date(2026, 11, 1), "2026-11-01T13:00:00Z", "2026-11-01T01:00:00Z"),
        ("America/Los_Angeles", date(2026, 3, 8), "2026-03-08T15:00:00Z", "2026-03-08T03:00:00Z"),
        ("America/Phoenix", date(2026, 3, 8), "2026-03-08T14:00:00Z", "2026-03-08T02:00:00Z"),
    ],
)
def test_windows_find_their_day_where_clocks_change(
    zone: str, day: date, highs: str, lows: str, grid: Grid
) -> None:
    body = grid(highs=[(f"{highs}/PT13H", 12.0)], lows=[(f"{lows}/PT14H", 2.0)])
    assert list(by_day(body, ZoneInfo(zone))) == [day]


def test_merged_windows_of_equal_days_are_taken_apart(grid: Grid) -> None:
    # "the API will merge consecutive values that are equal" (FAQ): from 7 am of the 14th to 8 pm
    # of the 15th (central daylight time) is two daytime windows; 7 pm of the 13th to 9 am of the
    # 15th two nights
    body = grid(
        highs=[("2026-05-14T12:00:00+00:00/P1DT13H", 22.0)],
        lows=[("2026-05-14T00:00:00+00:00/P1DT14H", 11.0)],
    )
    assert {d: w.tmax_f for d, w in by_day(body).items()} == pytest.approx(
        {MAY_14: 71.6, MAY_15: 71.6}
    )


def test_two_windows_on_one_day_give_the_extremes(grid: Grid) -> None:
    body = grid(
        highs=[("2026-05-14T12:00:00Z/PT6H", 20.0), ("2026-05-14T18:00:00Z/PT6H", 23.0)],
        lows=[("2026-05-14T06:00:00Z/PT3H", 12.0), ("2026-05-14T09:00:00Z/PT3H", 9.0)],
    )
    (day,) = days_of(body, CENTRAL)
    assert (day.tmax_f, day.tmin_f) == (pytest.approx(73.4), pytest.approx(48.2))


# --- rain


def test_rain_of_a_long_interval_is_spread_over_local_days(grid: Grid) -> None:
    # P1DT6H from 05:00 UTC, midnight in Chicago in May: 24 hours on the 14th and 6 on the 15th,
    # so of 25.4 mm (1 in) 0.8 and 0.2 in; 18 more hours of the 15th are dry
    body = grid(amounts=[("2026-05-14T05:00:00Z/P1DT6H", 25.4), ("2026-05-15T11:00:00Z/PT18H", 0)])
    days = by_day(body)
    assert days[MAY_14].rain_in == pytest.approx(0.8)
    assert days[MAY_15].rain_in == pytest.approx(0.2)


def test_hours_of_rain_add_up(grid: Grid) -> None:
    # 24 hours of 0.254 mm (0.01 in) from local midnight
    hours = [(f"2026-05-14T{hour:02d}:00:00Z/PT1H", 0.254) for hour in range(5, 24)]
    hours += [(f"2026-05-15T{hour:02d}:00:00Z/PT1H", 0.254) for hour in range(5)]
    assert by_day(grid(amounts=hours))[MAY_14].rain_in == pytest.approx(0.24)


def test_chance_of_a_day_is_the_highest_of_its_parts(grid: Grid) -> None:
    body = grid(
        chances=[
            ("2026-05-14T05:00:00Z/PT12H", 20),
            ("2026-05-14T17:00:00Z/PT24H", 70),
            ("2026-05-15T17:00:00Z/PT12H", 10),
        ]
    )
    days = by_day(body)
    assert days[MAY_14].rain_chance_pct == 70.0
    assert days[MAY_15].rain_chance_pct == 70.0


def test_rain_of_a_day_hardly_known_is_not_stated(grid: Grid) -> None:
    # 6 of 24 hours of the 15th are known dry: that is no dry day
    series = [("2026-05-14T05:00:00Z/P1DT6H", 0)]
    days = by_day(grid(chances=series, amounts=series))
    assert (days[MAY_14].rain_chance_pct, days[MAY_14].rain_in) == (0.0, 0.0)
    assert (days[MAY_15].rain_chance_pct, days[MAY_15].rain_in) == (None, None)


def test_rest_of_today_is_enough_when_the_forecast_begins_late(grid: Grid) -> None:
    # the series begins at 6 pm of the 14th: the six hours left are all there is to know
    body = grid(chances=[("2026-05-14T23:00:00Z/PT30H", 60)])
    assert by_day(body)[MAY_14].rain_chance_pct == 60.0


def test_null_hours_of_rain_count_as_unknown(grid: Grid) -> None:
    body = grid(
        amounts=[
            ("2026-05-14T05:00:00Z/PT6H", 1.0),
            ("2026-05-14T11:00:00Z/PT18H", None),
            ("2026-05-15T05:00:00Z/PT24H", 2.54),
        ]
    )
    days = by_day(body)
    assert days[MAY_14].rain_in is None
    assert days[MAY_15].rain_in == pytest.approx(0.1)


@pytest.mark.parametrize("value", [-1, 101, 5000])
def test_impossible_chance_is_passed_over(value: int, grid: Grid) -> None:
    body = grid(chances=[("2026-05-14T05:00:00Z/PT24H", value)])
    assert by_day(body)[MAY_14].rain_chance_pct is None


@pytest.mark.parametrize("value", [-0.1, 1000.0])
def test_impossible_amount_is_passed_over(value: float, grid: Grid) -> None:
    body = grid(amounts=[("2026-05-14T05:00:00Z/PT24H", value)])
    assert by_day(body)[MAY_14].rain_in is None


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 7, 1), 24)]
)
def test_rain_fills_days_of_23_and_25_hours(day: date, hours: int, grid: Grid) -> None:
    # 1 mm an hour over the day before, the day and the day after, each its local hours long;
    # midnight in Chicago is 06:00 UTC in winter and 05:00 in summer
    starts = {3: "2026-03-07T06:00:00Z", 11: "2026-10-31T05:00:00Z", 7: "2026-06-30T05:00:00Z"}
    total = 24 + hours + 24
    noon = f"{day}T18:00:00Z/PT1H"
    body = grid(
        highs=[(noon, 20.0)],
        lows=[(noon, 10.0)],
        amounts=[(f"{starts[day.month]}/PT{total}H", float(total))],
    )
    assert by_day(body)[day].rain_in == pytest.approx(hours / 25.4)


@given(
    lengths=st.lists(st.integers(min_value=1, max_value=30), min_size=1, max_size=8),
    zone=st.sampled_from(
        ["America/Chicago", "Pacific/Honolulu", "America/St_Johns", "America/Santiago", "UTC"]
    ),
    first=st.dates(date(2026, 3, 1), date(2026, 11, 5)),
)
def test_no_rain_is_lost_or_made(grid: Grid, lengths: list[int], zone: str, first: date) -> None:
    # intervals of any length from one local midnight to another: what the days say is what fell
    local = ZoneInfo(zone)
    at = midnight(first, local)
    intervals = []
    for hours in lengths:
        intervals.append((f"{at.isoformat()}/PT{hours}H", 2.54))
        at += timedelta(hours=hours)
    end = midnight(at.astimezone(local).date() + timedelta(days=1), local)
    rest = (end - at) // timedelta(hours=1)
    intervals.append((f"{at.isoformat()}/PT{rest}H", 2.54))
    days = (end.astimezone(local).date() - first).days
    noons = [midnight(first + timedelta(days=n), local) + timedelta(hours=12) for n in range(days)]
    temperatures = [(f"{noon.isoformat()}/PT1H", 10.0) for noon in noons]

    found = days_of(grid(temperatures, temperatures, amounts=intervals), local)

    assert len(found) == days
    assert sum(weather.rain_in or 0.0 for weather in found) == pytest.approx(0.1 * len(intervals))


def midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time.min, zone).astimezone(UTC)


# --- answers of another shape


@pytest.mark.parametrize(
    "valid_time",
    [
        "2026-05-14T12:00:00/PT13H",  # no offset
        "2026-05-14T12:00:00Z/PT0H",
        "2026-05-14T12:00:00Z/13 hours",
        "2026-05-14T12:00:00Z",
        "2026-05-14T12:00:00Z/P400D",
        "2026-05-14T12:00:00Z/2026-05-13T12:00:00Z",
        "0001-01-01T00:00:00+14:00/PT1H",
        "9999-12-31T12:00:00Z/P2D",
        "soon",
        "",
    ],
)
def test_unreadable_interval_is_an_error(valid_time: str, grid: Grid) -> None:
    with pytest.raises(WeatherError, match="where an interval of time belongs"):
        days_of(grid(highs=[(valid_time, 20.0)]), CENTRAL)


@pytest.mark.parametrize(
    "valid_time",
    [
        "2026-05-14T12:00:00Z/PT13H",
        "2026-05-14T07:00:00-05:00/PT12H60M",
        "2026-05-14T12:00:00Z/2026-05-15T01:00:00Z",
        "PT13H/2026-05-15T01:00:00Z",
    ],
)
def test_every_form_of_interval_is_read(valid_time: str, grid: Grid) -> None:
    # ISO8601Interval: start and end, start and duration, duration and end
    assert by_day(grid(highs=[(valid_time, 20.0)]))[MAY_14].tmax_f == pytest.approx(68.0)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"<html>down for maintenance</html>",
        b"[]",
        b"{}",
        b'{"properties": {}}',
        b'{"properties": {"maxTemperature": {"values": []}}}',
        b"\xff\xfe",
        b'{"properties": ' * 3000,
    ],
)
def test_answer_of_another_shape_is_an_error(body: bytes) -> None:
    with pytest.raises(WeatherError, match="cannot be read"):
        days_of(body, CENTRAL)


@pytest.mark.parametrize("value", ["20", True, [20]])
def test_value_that_is_no_number_is_an_error(value: object, grid: Grid) -> None:
    with pytest.raises(WeatherError, match=r"maxTemperature\.values\.0\.value"):
        days_of(grid(highs=[("2026-05-14T12:00:00Z/PT13H", value)]), CENTRAL)


def test_forecast_without_any_whole_day_is_an_error(grid: Grid) -> None:
    with pytest.raises(WeatherError, match="no day with both a high and a low"):
        days_of(grid(highs=[]), CENTRAL)


def test_error_is_one_sentence_without_the_answer_in_it() -> None:
    with pytest.raises(WeatherError) as caught:
        days_of(b'{"properties": "<script>"}', CENTRAL)
    assert "<script>" not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_point_names_its_grid(point: Callable[[str], bytes]) -> None:
    url = "https://weather.example.org/gridpoints/ZZZ/12,34"
    assert grid_address(point(url)) == url


@pytest.mark.parametrize("body", [b"nonsense", b'{"properties": {}}', b"null"])
def test_point_without_grid_is_an_error(body: bytes) -> None:
    with pytest.raises(WeatherError, match="cannot be read"):
        grid_address(body)


def test_point_with_empty_grid_is_an_error(point: Callable[[str], bytes]) -> None:
    with pytest.raises(WeatherError, match="cannot be read"):
        grid_address(point(""))
