from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.messages.rain import rain_words
from alerts.messages.templates import Templates

THURSDAY = date(2027, 5, 13)  # the day after Wednesday 12 May 2027 (any calendar)


def week(count: int = 7) -> list[date]:
    return [THURSDAY + timedelta(days=k) for k in range(count)]


# National Weather Service, terms for the probability of precipitation, as remembered: from 60 % on
# rain is "likely", below that there is a "chance" of it.
@pytest.mark.parametrize(
    ("chances", "english", "spanish"),
    [
        ([0.0, 49.9], "", ""),
        ([None, None], "", ""),
        ([20.0, 68.0], "rain likely Fri 70%", "lluvia probable vie 70%"),
        ([50.0, 64.9], "chance of rain Thu 50%, Fri 60%", "lluvia posible jue 50%, vie 60%"),
        (
            [60.0, None, 90.0, 90.0],
            "rain likely Thu 60%, Sat 90%",
            "lluvia probable jue 60%, sáb 90%",
        ),
        ([80.0, 60.0], "rain likely Thu 80%", "lluvia probable jue 80%"),
    ],
)
def test_rain_names_the_first_and_the_wettest_day(
    chances: list[float | None], english: str, spanish: str, templates: Templates
) -> None:
    days = week(len(chances))
    assert rain_words(days, chances) == english
    assert rain_words(days, chances, words=templates.wording("es")) == spanish


def test_rain_after_the_crop_is_in_is_not_told() -> None:
    chances = [0.0, 0.0, 80.0]
    assert rain_words(week(3), chances, days_needed=2) == ""
    assert rain_words(week(3), chances, days_needed=3) == "rain likely Sat 80%"


@given(st.lists(st.none() | st.floats(0, 100), max_size=12), st.none() | st.integers(1, 12))
def test_rain_never_names_a_weekday_twice(
    chances: list[float | None], days_needed: int | None
) -> None:
    said = rain_words(week(len(chances)), chances, days_needed)
    named = [day for day in ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun") if day in said]
    assert said.count("%") == len(named) <= 2


def test_rain_of_fewer_chances_than_days_is_refused() -> None:
    with pytest.raises(ValueError, match="shorter"):
        rain_words(week(2), [80.0])


@pytest.mark.parametrize(
    ("chances", "said"),
    [
        ([None, 50.0], "chance of rain Fri 50%"),
        ([50.0, 20.0, 90.0], "chance of rain Thu 50%, Sat 90%"),
        ([60.0, 80.0, 80.0], "rain likely Thu 60%, Fri 80%"),
        ([55.0], "rain likely Thu 60%"),
        ([100.0], "rain likely Thu 100%"),
        ([], ""),
    ],
)
def test_chances_are_told_in_tens(chances: list[float | None], said: str) -> None:
    assert rain_words(week(len(chances)), chances) == said


def test_rain_in_the_next_week_is_not_called_by_its_weekday() -> None:
    chances: list[float | None] = [0.0] * 7 + [90.0]
    assert rain_words(week(8), chances) == ""
    assert rain_words(week(8), chances, days_needed=9) == ""
