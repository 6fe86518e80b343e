from __future__ import annotations

from collections.abc import Callable
from datetime import date, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Index
from alerts.messages import wording

TODAY = date(2027, 5, 12)


# ISO 8601 weeks: 2027 begins on a Friday, so 1 Jan is a Friday; the others counted from there.
@pytest.mark.parametrize(
    ("day", "full"),
    [
        (date(2027, 1, 1), "Fri Jan 1"),
        (date(2027, 5, 12), "Wed May 12"),
        (date(2027, 9, 5), "Sun Sep 5"),
        (date(2028, 2, 29), "Tue Feb 29"),
        (date(2027, 12, 31), "Fri Dec 31"),
    ],
)
def test_day_reads_as_weekday_month_and_day(day: date, full: str) -> None:
    assert wording.full_day(day) == full
    assert wording.short_day(day) == full[4:]


@given(st.dates())
def test_day_matches_the_calendar_whatever_the_date(day: date) -> None:
    # C locale of strftime: English names of days and months.
    assert wording.full_day(day) == f"{day:%a %b} {day.day}"


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-1, "on Tue May 11"),
        (0, "today, Wed May 12"),
        (1, "tomorrow, Thu May 13"),
        (2, "on Fri May 14"),
    ],
)
def test_near_day_is_called_today_or_tomorrow_only_when_it_is(days: int, words: str) -> None:
    assert wording.near_day(TODAY + timedelta(days=days), TODAY) == words


@pytest.mark.parametrize(
    ("at", "words"),
    [
        (time(0), "12 am"),
        (time(0, 5), "12:05 am"),
        (time(8), "8 am"),
        (time(12), "12 pm"),
        (time(18, 30), "6:30 pm"),
    ],
)
def test_clock_counts_twelve_hours(at: time, words: str) -> None:
    assert wording.clock(at) == words


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (date(2027, 5, 14), date(2027, 5, 18), "May 14-18"),
        (date(2027, 5, 28), date(2027, 6, 3), "May 28-Jun 3"),
        (date(2027, 5, 14), date(2027, 5, 14), "May 14"),
        (date(2027, 5, 12), date(2027, 5, 18), "now to May 18"),
        (date(2027, 5, 1), date(2027, 5, 18), "now to May 18"),
        (date(2027, 5, 1), date(2027, 5, 12), "now or before"),
        (date(2027, 5, 1), date(2027, 5, 3), "now or before"),
        (date(2027, 7, 2), None, "Jul 2 or later"),
        (date(2027, 5, 1), None, "May 12 or later"),
        (None, None, "not in sight"),
    ],
)
def test_range_names_only_days_that_can_still_be_used(
    low: date | None, high: date | None, words: str
) -> None:
    assert wording.day_range(low, high, TODAY) == words
    assert wording.likely(low, high, TODAY) == ("" if low is None else f"likely {words}")


@given(
    low=st.dates(date(2027, 1, 1), date(2027, 12, 31)),
    length=st.integers(0, 200),
    today=st.dates(date(2027, 1, 1), date(2027, 12, 31)),
)
def test_range_ends_with_its_last_day_or_says_that_it_is_over(
    low: date, length: int, today: date
) -> None:
    high = low + timedelta(days=length)
    words = wording.day_range(low, high, today)
    if high <= today:
        assert words == "now or before"
    else:
        assert words.endswith(str(high.day))
        assert words.startswith("now to " if low <= today else wording.short_day(low))


@pytest.mark.parametrize(
    ("value", "words"), [(185.0, "185"), (38.25, "38.2"), (38.26, "38.3"), (0.0, "0")]
)
def test_number_has_a_decimal_only_where_it_says_something(value: float, words: str) -> None:
    assert wording.number(value) == words


@pytest.mark.parametrize(
    ("index", "value", "words"),
    [(Index.RFV, 204.6, "RFV 205"), (Index.RFQ, 188.0, "RFQ 188"), (Index.NDF, 38.24, "NDF 38.2")],
)
def test_reading_is_whole_for_rfv_and_rfq(index: Index, value: float, words: str) -> None:
    assert wording.reading(index, value) == words


@pytest.mark.parametrize(
    ("count", "words"), [(2.0, "2-day"), (2.5, "2.5-day"), (14 / 3, "4.7-day"), (1, "1-day")]
)
def test_harvest_length_reads_as_days(count: float, words: str) -> None:
    assert wording.days(count) == words


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0, "under 1 %"),
        (0.0099, "under 1 %"),
        (0.01, "1 %"),
        (0.404, "40 %"),
        (0.99, "99 %"),
        (0.991, "over 99 %"),
        (1.0, "over 99 %"),
    ],
)
def test_chance_never_claims_certainty(chance: float, words: str) -> None:
    assert wording.percent(chance) == words


def test_evidence_says_what_a_field_is_known_from() -> None:
    on = date(2027, 5, 10)
    evidence = wording.evidence_of
    assert evidence(Index.RFV, 3, on, 205.0, "") == "RFV 205 on May 10, 3 results"
    assert evidence(Index.NDF, 1, on, 38.2, "") == "NDF 38.2 on May 10, 1 result"
    assert evidence(Index.RFV, 0, None, None, "") == "no result yet"
    assert (
        evidence(Index.RFQ, 0, on, 188.0, "East")
        == "no result of its own; goes with East (RFQ 188 on May 10)"
    )


def test_evidence_of_an_outlook_is_that_of_its_values(
    outlook_of: Callable[..., FarmOutlook],
) -> None:
    field = outlook_of(stands_in="East").tightest
    assert wording.evidence(field) == "no result of its own; goes with East (RFV 205 on May 11)"


@pytest.mark.parametrize(
    ("names", "most", "words"),
    [
        (["A"], 6, ""),
        (["A", "B"], 6, ", A first, then B"),
        (["A", "B", "C"], 6, ", A first, then B, C"),
        (["A", "B", "C", "D"], 3, ", A first, then B, C and 1 more"),
        (["A", "B", "C", "D", "E"], 2, ", A first, then B and 3 more"),
    ],
)
def test_harvest_order_names_the_first_and_counts_the_rest(
    names: list[str], most: int, words: str, outlook_of: Callable[..., FarmOutlook]
) -> None:
    assert wording.harvest_order(outlook_of(fields=names), most, 24) == words


@given(st.text(st.characters(exclude_characters="."), max_size=80), st.sampled_from([12, 24]))
def test_shortened_name_keeps_its_start_and_its_end(name: str, most: int) -> None:
    short = wording.shortened(name, most)
    assert len(short) <= most
    if len(name) > most:
        head, _, tail = short.partition("..")
        assert name.startswith(head)
        assert name.endswith(tail)
    else:
        assert short == name


def test_shortened_names_that_differ_at_the_end_stay_apart() -> None:
    fields = [f"Lower Meadow by the river {number}" for number in (1, 2)]
    assert [wording.shortened(name) for name in fields] == [
        "Lower Meadow b..river 1",
        "Lower Meadow b..river 2",
    ]


def test_one_line_makes_a_name_fit_for_a_text() -> None:
    assert wording.one_line(" Two\nLines\u00a0– ½ ") == "Two Lines - 1/2"
