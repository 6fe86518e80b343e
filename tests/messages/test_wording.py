from __future__ import annotations

from collections.abc import Callable
from datetime import date, time, timedelta
from typing import Any

import pytest
from babel import Locale
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Index
from alerts.messages.templates import Templates
from alerts.messages.wording import ENGLISH, Wording, one_line, shortened

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
    assert ENGLISH.full_day(day) == full
    assert ENGLISH.short_day(day) == full[4:]


@given(st.dates())
def test_day_matches_the_calendar_whatever_the_date(day: date) -> None:
    # C locale of strftime: English names of days and months.
    assert ENGLISH.full_day(day) == f"{day:%a %b} {day.day}"


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
    assert ENGLISH.near_day(TODAY + timedelta(days=days), TODAY) == words


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
    assert ENGLISH.clock(at) == words


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
    assert ENGLISH.day_range(low, high, TODAY) == words
    assert ENGLISH.likely(low, high, TODAY) == ("" if low is None else f"likely {words}")


@given(
    low=st.dates(date(2027, 1, 1), date(2027, 12, 31)),
    length=st.integers(0, 200),
    today=st.dates(date(2027, 1, 1), date(2027, 12, 31)),
)
def test_range_ends_with_its_last_day_or_says_that_it_is_over(
    low: date, length: int, today: date
) -> None:
    high = low + timedelta(days=length)
    words = ENGLISH.day_range(low, high, today)
    if high <= today:
        assert words == "now or before"
    else:
        assert words.endswith(str(high.day))
        assert words.startswith("now to " if low <= today else ENGLISH.short_day(low))


@pytest.mark.parametrize(
    ("value", "words"), [(185.0, "185"), (38.25, "38.2"), (38.26, "38.3"), (0.0, "0")]
)
def test_number_has_a_decimal_only_where_it_says_something(value: float, words: str) -> None:
    assert ENGLISH.number(value) == words


@pytest.mark.parametrize(
    ("index", "value", "words"),
    [(Index.RFV, 204.6, "RFV 205"), (Index.RFQ, 188.0, "RFQ 188"), (Index.NDF, 38.24, "NDF 38.2")],
)
def test_reading_is_whole_for_rfv_and_rfq(index: Index, value: float, words: str) -> None:
    assert ENGLISH.reading(index, value) == words


@pytest.mark.parametrize(
    ("count", "words"), [(2.0, "2-day"), (2.5, "2.5-day"), (14 / 3, "4.7-day"), (1, "1-day")]
)
def test_harvest_length_reads_as_days(count: float, words: str) -> None:
    assert ENGLISH.days(count) == words


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
    assert ENGLISH.percent(chance) == words


def test_evidence_says_what_a_field_is_known_from() -> None:
    on = date(2027, 5, 10)
    evidence = ENGLISH.evidence_of
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
    assert ENGLISH.evidence(field) == "no result of its own; goes with East (RFV 205 on May 11)"


@pytest.mark.parametrize(
    ("names", "most", "words"),
    [
        (["A"], 6, ""),
        (["A", "B"], 6, "A first, then B"),
        (["A", "B", "C"], 6, "A first, then B, C"),
        (["A", "B", "C", "D"], 3, "A first, then B, C and 1 more"),
        (["A", "B", "C", "D", "E"], 2, "A first, then B and 3 more"),
    ],
)
def test_harvest_order_names_the_first_and_counts_the_rest(
    names: list[str], most: int, words: str, outlook_of: Callable[..., FarmOutlook]
) -> None:
    assert ENGLISH.harvest_order(outlook_of(fields=names), most, 24) == words


@given(st.text(st.characters(exclude_characters="."), max_size=80), st.sampled_from([12, 24]))
def test_shortened_name_keeps_its_start_and_its_end(name: str, most: int) -> None:
    short = shortened(name, most)
    assert len(short) <= most
    if len(name) > most:
        head, _, tail = short.partition("..")
        assert name.startswith(head)
        assert name.endswith(tail)
    else:
        assert short == name


def test_shortened_names_that_differ_at_the_end_stay_apart() -> None:
    fields = [f"Lower Meadow by the river {number}" for number in (1, 2)]
    assert [shortened(name) for name in fields] == [
        "Lower Meadow b..river 1",
        "Lower Meadow b..river 2",
    ]


def test_one_line_makes_a_name_fit_for_a_text() -> None:
    assert one_line(" Two\nLines\u00a0– ½ ") == "Two Lines - 1/2"


@pytest.mark.parametrize(
    ("said", "name", "evidence"),
    [
        (
            {"stands_in": "Rocky area"},  # a field may be called so
            "Rocky area",
            "no result of its own; goes with Rocky area (RFV 205 on May 11)",
        ),
        (
            {"stands_in": "Clover Flats", "is_area": True, "area_fields": 4},
            "middle of 4 fields near you",
            "no result of its own; middle of 4 nearby fields: RFV 205 on May 11",
        ),
        (
            {"stands_in": "Clover Flats", "is_area": True},
            "from fields near you",
            "no result of its own; from nearby fields",
        ),
        ({}, "", "RFV 205 on May 11, 3 results"),
    ],
)
def test_what_stands_in_is_told_from_its_flag(
    outlook_of: Callable[..., FarmOutlook], said: dict[str, Any], name: str, evidence: str
) -> None:
    field = outlook_of(**said).tightest
    assert ENGLISH.stand_in(field) == name
    assert ENGLISH.evidence(field) == evidence


def test_phrase_nobody_wrote_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        ENGLISH.say("dates.yesterday")


# ------------------------------------------------------------------------ Spanish


@pytest.fixture(scope="module")
def spanish(templates: Templates) -> Wording:
    return templates.wording("es")


# Names of days and months and their abbreviations of three letters without a capital: Real
# Academia Espanola (2010), Ortografia de la lengua espanola, as remembered.
@pytest.mark.parametrize(
    ("day", "full"),
    [
        (date(2027, 1, 1), "vie 1 ene"),
        (date(2027, 5, 12), "mié 12 may"),
        (date(2027, 9, 5), "dom 5 sep"),
        (date(2028, 2, 29), "mar 29 feb"),
        (date(2027, 12, 31), "vie 31 dic"),
        (date(2027, 8, 7), "sáb 7 ago"),
        (date(2027, 4, 5), "lun 5 abr"),
        (date(2027, 7, 1), "jue 1 jul"),
    ],
)
def test_spanish_day_comes_before_its_month(day: date, full: str, spanish: Wording) -> None:
    assert spanish.full_day(day) == full
    assert spanish.short_day(day) == full[4:]


@given(day=st.dates())
def test_spanish_day_matches_the_common_locale_data(day: date, templates: Templates) -> None:
    # Unicode Consortium, Common Locale Data Repository, as packaged by Babel: locale es_MX; it
    # writes "sept" or "sep" according to its version.
    locale = Locale("es", "MX")
    weekday = locale.days["format"]["abbreviated"][day.weekday()].rstrip(".")
    month = locale.months["format"]["abbreviated"][day.month].rstrip(".")
    assert templates.wording("es").full_day(day) == f"{weekday} {day.day} {month[:3]}"


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-1, "el mar 11 may"),
        (0, "hoy, mié 12 may"),
        (1, "mañana, jue 13 may"),
        (2, "el vie 14 may"),
    ],
)
def test_spanish_near_day(days: int, words: str, spanish: Wording) -> None:
    assert spanish.near_day(TODAY + timedelta(days=days), TODAY) == words


@pytest.mark.parametrize(
    ("at", "words"),
    [
        (time(8), "las 8 am"),
        (time(1), "la 1 am"),
        (time(13, 30), "la 1:30 pm"),
        (time(12), "las 12 pm"),
    ],
)
def test_spanish_clock_has_its_article(at: time, words: str, spanish: Wording) -> None:
    assert spanish.spoken_clock(at) == words
    assert spanish.clock(at) == words.split(" ", 1)[1]
    assert ENGLISH.spoken_clock(at) == ENGLISH.clock(at) == spanish.clock(at)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (date(2027, 5, 14), date(2027, 5, 18), "14-18 may"),
        (date(2027, 5, 28), date(2027, 6, 3), "28 may al 3 jun"),
        (date(2027, 5, 14), date(2027, 5, 14), "14 may"),
        (date(2027, 5, 1), date(2027, 5, 18), "hoy al 18 may"),
        (date(2027, 5, 1), date(2027, 5, 12), "hoy o antes"),
        (date(2027, 7, 2), None, "2 jul o después"),
        (None, None, "todavía no se ve"),
    ],
)
def test_spanish_range(low: date | None, high: date | None, words: str, spanish: Wording) -> None:
    assert spanish.day_range(low, high, TODAY) == words
    assert spanish.likely(low, high, TODAY) == ("" if low is None else f"probable {words}")


def test_spanish_evidence_keeps_the_names_that_labs_print(spanish: Wording) -> None:
    on = date(2027, 5, 10)
    evidence = spanish.evidence_of
    assert evidence(Index.RFV, 3, on, 205.0, "") == "RFV 205 el 10 may, 3 resultados"
    assert evidence(Index.NDF, 1, on, 38.2, "") == "NDF 38.2 el 10 may, 1 resultado"
    assert evidence(Index.RFV, 0, None, None, "") == "aún sin resultado"
    assert (
        evidence(Index.RFQ, 0, on, 188.0, "East")
        == "sin resultado propio; se guía por East (RFQ 188 el 10 may)"
    )
    assert (
        evidence(Index.RFV, 0, on, 188.0, "", Index.RFQ)
        == "RFQ 188 el 10 may, sin resultado de RFV"
    )


def test_spanish_lengths_chances_and_places(spanish: Wording) -> None:
    assert [spanish.days(count) for count in (1, 2.5)] == ["de 1 día", "de 2.5 días"]
    assert spanish.percent(0.004) == "menos de 1 %"
    assert spanish.percent(0.995) == "más de 99 %"


def test_spanish_words_for_what_stands_in(
    outlook_of: Callable[..., FarmOutlook], spanish: Wording
) -> None:
    field = outlook_of(stands_in="Clover Flats", is_area=True, area_fields=4).tightest
    assert spanish.stand_in(field) == "valor medio de 4 lotes vecinos"
    assert "valor medio de 4 lotes vecinos: RFV 205 el 11 may" in spanish.evidence(field)


def test_spanish_harvest_order(outlook_of: Callable[..., FarmOutlook], spanish: Wording) -> None:
    outlook = outlook_of(fields=["A", "B", "C", "D"])
    assert spanish.harvest_order(outlook, 3, 24) == "primero A, luego B, C y 1 más"


def test_decimal_sign_is_that_of_the_language(spanish: Wording) -> None:
    comma = Wording("xx", {**spanish.phrases, "numbers.decimal": ","})
    assert comma.number(38.25) == "38,2"
    assert comma.number(185.0) == "185"
    assert comma.reading(Index.NDF, 38.24) == "NDF 38,2"
    assert comma.decimals(4.0, 1) == "4,0"
