"""Tables of daily weather, good and bad. Places and numbers are invented."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Rejection
from alerts.weather.base import DayWeather
from alerts.weather.daily_csv import DailyTable, read_daily_csv

TODAY = date(2026, 5, 14)
NAME = "ridge-weather.csv"


def read(text: str, encoding: str = "utf-8") -> DailyTable:
    return read_daily_csv(NAME, text.encode(encoding), TODAY)


def only_rejection(text: str) -> Rejection:
    table = read(text)
    assert table.days == ()
    (rejection,) = table.rejections
    return rejection


def test_fahrenheit_table_is_read_as_observed_days() -> None:
    table = read("day,tmax_f,tmin_f\n2026-05-13,72,48.5\n2026-05-12,65.0,41\n")
    assert table.rejections == ()
    assert table.days == (
        DayWeather(date(2026, 5, 12), 65.0, 41.0, "observed"),
        DayWeather(date(2026, 5, 13), 72.0, 48.5, "observed"),
    )


def test_celsius_and_millimeters_are_converted() -> None:
    # definitions: 20 C is 68 F, 5 C is 41 F, 25.4 mm is 1 in
    (day,) = read("day,tmax_c,tmin_c,rain_mm\n2026-05-13,20,5,25.4\n").days
    assert day.tmax_f == pytest.approx(68.0)
    assert day.tmin_f == pytest.approx(41.0)
    assert day.rain_in == pytest.approx(1.0)


def test_optional_columns_and_empty_cells() -> None:
    header = "rain_chance_pct,Day,TMAX F,tmin_f,station,rain_in\n"
    table = read(header + "40,2026-05-13,72,48,Ridge,0.25\n,2026-05-12,70,45,,\n")
    assert [(d.rain_chance_pct, d.rain_in) for d in table.days] == [(None, None), (40.0, 0.25)]


def test_days_ahead_are_a_forecast() -> None:
    table = read("day,tmax_f,tmin_f\n2026-05-14,72,48\n2026-05-15,70,45\n2026-05-30,70,45\n")
    assert [d.source for d in table.days] == ["observed", "forecast", "forecast"]


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_decimal_comma_between_semicolons_or_tabs(delimiter: str) -> None:
    rows = ("day;tmax_c;tmin_c", "2026-05-13;20,5;4,5", "2026-05-12;19.5;3.5")
    table = read("\n".join(rows).replace(";", delimiter))
    assert [d.tmax_f for d in table.days] == pytest.approx([67.1, 68.9])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_common_encodings_and_line_ends(encoding: str, end: str) -> None:
    text = f"day,tmax_f,tmin_f,station{end}2026-05-13,72,48,Café{end}{end},,,{end}"
    table = read(text, encoding)
    assert [d.tmax_f for d in table.days] == [72.0]
    assert table.rejections == ()


# --- rows that are refused


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ("2026-05-13,,48", "tmax_f", "has no high"),
        ("2026-05-13,72,", "tmin_f", "has no low"),
        ("2026-05-13,warm,48", "tmax_f", "'warm' is not a number"),
        ("2026-05-13,nan,48", "tmax_f", "is not a number"),
        ("2026-05-13,1e1,48", "tmax_f", "is not a number"),
        ("2026-05-13,72,=1+1", "tmin_f", "is not a number"),
        ("2026-05-13,141,48", "tmax_f", "outside -80 to 140 F"),
        ("2026-05-13,72,-80.5", "tmin_f", "outside -80 to 140 F"),
        ("2026-05-13,48,72", "tmax_f", "below the low of 72"),
        (",72,48", "day", "write it like 2026-05-14"),
        ("05/13/2026,72,48", "day", "write it like 2026-05-14"),
        ("2026-02-30,72,48", "day", "write it like 2026-05-14"),
        ("20260513,72,48", "day", "write it like 2026-05-14"),
        ("2062-05-13,72,48", "day", "over 16 days ahead"),
        ("2026-05-31,72,48", "day", "over 16 days ahead"),
        ("2026-05-13,72", "", "has 2 cells but the header has 3"),
        ("2026-05-13,72,48,9", "", "has 4 cells but the header has 3"),
        ('2026-05-13,"72,48', "", "has 2 cells"),
    ],
)
def test_bad_row_is_refused_with_its_place_and_reason(row: str, column: str, words: str) -> None:
    rejection = only_rejection(f"day,tmax_f,tmin_f\n{row}\n")
    assert (rejection.row, rejection.column) == (2, column)
    assert words in rejection.reason
    assert "\n" not in rejection.reason


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("rain_in", "-0.1", "outside 0 to 30 in"),
        ("rain_in", "31", "outside 0 to 30 in"),
        ("rain_mm", "-1", "outside 0 to 30 in"),
        ("rain_mm", "800", "outside 0 to 30 in"),
        ("rain_in", "trace", "is not a number"),
        ("rain_chance_pct", "101", "outside 0 to 100 %"),
        ("rain_chance_pct", "40%", "is not a number"),
    ],
)
def test_bad_rain_is_refused(name: str, value: str, words: str) -> None:
    rejection = only_rejection(f"day,tmax_f,tmin_f,{name}\n2026-05-13,72,48,{value}\n")
    assert rejection.column == name
    assert words in rejection.reason


def test_celsius_out_of_range_is_told_in_both_units() -> None:
    # 72 F typed into a Celsius column: 1.8 * 72 + 32 = 161.6
    reason = only_rejection("day,tmax_c,tmin_c\n2026-05-13,72,48\n").reason
    assert "'72' is 161.6 F" in reason


def test_second_row_of_a_day_is_refused_and_names_the_first() -> None:
    rows = "day,tmax_f,tmin_f\n2026-05-13,72,48\n\n2026-05-12,70,45\n2026-05-13,80,50\n"
    table = read(rows)
    assert [d.tmax_f for d in table.days] == [70.0, 72.0]
    (rejection,) = table.rejections
    assert rejection.row == 5
    assert "2026-05-13 already stands in row 2" in rejection.reason
    assert rejection.raw == {"day": "2026-05-13", "tmax_f": "80", "tmin_f": "50"}


def test_bad_row_of_a_day_leaves_the_day_to_a_good_one() -> None:
    table = read("day,tmax_f,tmin_f\n2026-05-13,999,48\n2026-05-13,72,48\n")
    assert [d.tmax_f for d in table.days] == [72.0]
    assert [r.row for r in table.rejections] == [2]


def test_odd_quotation_mark_costs_only_its_own_row() -> None:
    table = read('day,tmax_f,tmin_f\n2026-05-11,"70,45\n2026-05-12,71,45\n2026-05-13,72,48\n')
    assert [d.tmax_f for d in table.days] == [71.0, 72.0]
    assert [r.row for r in table.rejections] == [2]


def test_refused_row_keeps_every_cell() -> None:
    rejection = only_rejection("day,tmax_f,tmin_f,note,note\n2026-05-13,hot,48,a,b,c\n")
    assert list(rejection.raw.values()) == ["2026-05-13", "hot", "48", "a", "b", "c"]


# --- tables that cannot be read


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("\n , ,\n", "is empty"),
        ("date,high,low\n2026-05-13,72,48\n", "must name the columns"),
        ("day,tmax_f\n2026-05-13,72\n", "must name the columns"),
        ("2026-05-13,72,48\n", "must name the columns"),
        ("day,day,tmax_f,tmin_f\n", "two columns named day"),
        ("day,tmax_f,tmax_c,tmin_f\n", "the high twice, as tmax_f and tmax_c"),
        ("day,tmax_f,tmin_f,rain_in,rain_mm\n", "the rain twice"),
    ],
)
def test_unreadable_table_says_why(text: str, words: str) -> None:
    with pytest.raises(UnreadableDocument, match=words) as caught:
        read(text)
    assert NAME in str(caught.value)


@pytest.mark.parametrize(
    "content", [b"PK\x03\x04\x00\x00", b"%PDF-1.7 day,tmax_f", "day,tmax_f".encode("utf-16")]
)
def test_binary_file_is_refused(content: bytes) -> None:
    with pytest.raises(UnreadableDocument, match="is no plain text"):
        read_daily_csv(NAME, content, TODAY)


def test_endless_table_is_refused() -> None:
    with pytest.raises(UnreadableDocument, match="more than 50000 rows"):
        read("day,tmax_f,tmin_f\n" + "2026-05-13,72,48\n" * 50_000)


def test_header_alone_gives_nothing() -> None:
    assert read("day,tmax_f,tmin_f\n") == DailyTable((), ())


any_line = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40)
good_line = st.sampled_from(["2026-05-12,70,45", "2026-05-13,72,48", "2026-05-13,72,x", ",,", ""])


@given(st.lists(st.one_of(any_line, good_line), max_size=12))
def test_every_row_ends_in_exactly_one_place(lines: list[str]) -> None:
    text = "day,tmax_f,tmin_f\n" + "\n".join(lines)
    table = read(text)
    filled = [line for line in text.splitlines()[1:] if line.strip(" ,;\t")]
    assert len(table.days) + len(table.rejections) == len(filled)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_plain_words(content: bytes) -> None:
    try:
        table = read_daily_csv(NAME, content, TODAY)
    except UnreadableDocument as error:
        assert NAME in str(error)
    else:
        assert all(rejection.reason for rejection in table.rejections)
