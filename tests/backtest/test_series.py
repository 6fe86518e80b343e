"""Tables of series as people keep them; all names and values are invented."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alerts.backtest.columns import grass_pct
from alerts.backtest.scores import score_seasons
from alerts.backtest.series import SeriesTable, read_series
from alerts.domain.errors import UnreadableDocument
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

Read = Callable[[str], SeriesTable]


@pytest.fixture
def read(guidelines: GuidelineSet) -> Read:
    return lambda text: read_series("springs.csv", text.encode(), guidelines)


PLAIN = """series_id,area,date,cutting,crop,rfv,rfq,ndf_pct,gdd41f
Creek,Tern Flats,2027-05-10,1,alfalfa,190,200,34.1,520
Creek,Tern Flats,2027-05-03,1,alfalfa,221,230,31.0,440
Hill,Tern Flats,2027-05-03,1,mixed,205,,33,440
Creek,Tern Flats,2027-06-20,2,alfalfa,180,185,35,1300
Creek,Heron Bay,2027-05-04,1,alfalfa,230,,30,450
"""


def test_areas_and_cuttings_are_seasons_of_their_own_in_order_of_dates(read: Read) -> None:
    bay, flats, second = read(PLAIN).seasons
    assert (bay.area, flats.area, second.cutting) == ("Heron Bay", "Tern Flats", 2)
    assert flats.series == ("Creek", "Hill")
    np.testing.assert_array_equal(flats.day, np.array([0, 0, 7]) + date(2027, 5, 3).toordinal())
    np.testing.assert_array_equal(flats.field, [0, 1, 0])
    np.testing.assert_array_equal(flats.values[Index.RFV], [221, 205, 190])
    np.testing.assert_array_equal(flats.values[Index.RFQ], [230, np.nan, 200])
    np.testing.assert_array_equal(flats.grass_pct, [0, 50])


def test_degree_days_become_the_clock_of_the_first_cutting_only(
    read: Read, guidelines: GuidelineSet
) -> None:
    _, flats, second = read(PLAIN).seasons
    assert flats.clock is not None
    per_day = guidelines.value("clock.degree_days_per_day")
    np.testing.assert_allclose(flats.clock, np.array([440, 440, 520]) / per_day)
    assert second.clock is None


@pytest.mark.parametrize(
    "gdd", ["440,,440", "440,540,-3", "440,520,430", "440,many,500", "440,520,99999"]
)
def test_degree_days_that_are_not_whole_leave_the_calendar(read: Read, gdd: str) -> None:
    rows = "\n".join(f"A,{40 + k},2027-05-0{k + 1},{g}" for k, g in enumerate(gdd.split(",")))
    table = read(f"series_id,ndf_pct,date,gdd41f\n{rows}\n")
    assert table.seasons[0].clock is None
    assert table.seasons[0].day.size == 3
    assert len(table.left_out) + len(table.notes) >= (0 if ",," in gdd else 1)


def test_years_apart_are_seasons_of_their_own(read: Read) -> None:
    years = read(
        "series_id,date,ndf\nA,2026-05-03,34\nA,2027-05-05,35\nA,2026-05-10,38\nA,2027-05-12,39\n"
    ).seasons
    assert [season.year for season in years] == [2026, 2027]


@pytest.mark.parametrize(
    "header",
    [
        "series_id,date,ndf_pct_dm,RFV",
        "Series ID , Sample Date,NDF (% DM),Relative Feed Value",
        "Field,DATE,NDF %,rfv",
        "plot;sampling_date;aNDF, % of DM;R.F.V".replace(";", "\t"),
        '"Field Name","Date Sampled","NDF, % of DM","RFV"',
    ],
)
def test_header_spelling_is_forgiven(read: Read, header: str) -> None:
    mark = "\t" if "\t" in header else ","
    row = mark.join(["A", "2027-05-03", "34.5", "190"])
    values = read(f"{header}\n{row}\n").seasons[0].values
    assert values[Index.NDF].tolist() == [34.5]


def test_area_cutting_and_crop_may_be_missing(read: Read) -> None:
    (season,) = read("series_id,date,rfv\nA,2027-05-03,190\nB,2027-05-03,180\n").seasons
    assert (season.area, season.cutting) == ("", 1)
    np.testing.assert_array_equal(season.grass_pct, 0.0)


@pytest.mark.parametrize(
    "written",
    ["5/13/2027", "05/13/27", "2027-05-13 07:30", "2027-05-13T07:30:00Z", "13-May-2027",
     "13 May 2027", "May 13, 2027", "20270513", "2027/05/13"],
)  # fmt: skip
def test_dates_in_usual_forms(read: Read, written: str) -> None:
    table = read(f'series_id,date,rfv\nA,"{written}",190\n')
    assert table.seasons[0].day[0] == date(2027, 5, 13).toordinal()


def test_day_comes_first_where_a_date_can_only_be_read_so(read: Read) -> None:
    (season,) = read("series_id,date,rfv\nA,03/05/2027,190\nA,13/05/2027,180\n").seasons
    assert season.day.tolist() == [date(2027, 5, d).toordinal() for d in (3, 13)]


def test_semicolons_and_decimal_commas(read: Read) -> None:
    (season,) = read("series_id;date;ndf_pct\nA;2027-05-03;34,5\nB;2027-05-03;36,0\n").seasons
    assert season.values[Index.NDF].tolist() == [34.5, 36.0]


def test_fiber_in_grams_per_kilogram(read: Read) -> None:
    (season,) = read("series_id,date,NDF (g/kg DM)\nA,2027-05-03,345\n").seasons
    assert season.values[Index.NDF].tolist() == [34.5]


@pytest.mark.parametrize(
    ("crop", "pct"),
    [
        ("alfalfa", 0), ("", 0), ("red clover", 0), ("buckwheat", 0), ("mixed stand", 50),
        ("Alfalfa / orchardgrass", 50), ("oats and peas", 50), ("Mixture 3", 50),
        ("tall fescue", 100), ("Perennial Ryegrass", 100), ("cereal rye", 100),
        ("winter triticale", 100), ("grassy meadow", 100),
    ],
)  # fmt: skip
def test_crop_words_say_how_much_grass(crop: str, pct: float) -> None:
    assert grass_pct(crop) == pct


# --------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "springs.csv is empty"),
        (b"  \n\n", "springs.csv is empty"),
        (b"series_id,date,rfv\n", "holds no row that can be used: it has a header and no more"),
        (b"series_id,date,adf\nA,2027-05-03,30\n", "has no index column: add at least one of rfv"),
        (b"series_id,when,rfv\nA,2027-05-03,190\n", "has no column of dates: add a column date"),
        (b"date,rfv\n2027-05-03,190\n", "no column that tells its series apart: add a column"),
        (b"series_id,date,rfv\nA,soon,190\n", "row 2: 'soon' is not a date"),
        (b"\x89PNG\r\n", "is not a CSV but a picture"),
        (bytes(range(256)) * 8, "springs.csv"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_refused_with_one_sentence(
    guidelines: GuidelineSet, content: bytes, sentence: str
) -> None:
    with pytest.raises(UnreadableDocument) as refusal:
        read_series("springs.csv", content, guidelines)
    assert sentence in str(refusal.value)


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ("A,2027-05-32,190,34", "date", "'2027-05-32' is not a date: write it like 2027-05-31."),
        ("A,45415,190,34", "date", "'45415' is not a date"),
        ("A,0027-05-03,190,34", "date", "is not a date"),
        ("A,,190,34", "date", "This row has no date"),
        (",2027-05-09,190,34", "series_id", "This row does not name its series."),
        ("A,2027-05-09,-5,", "rfv", "RFV of -5 is outside the plausible 40 to 400"),
        ("A,2027-05-09,,0.34", "ndf_pct", "it looks like a fraction"),
        ("A,2027-05-09,,9e99", "ndf_pct", "'9e99' is not a number"),
        ("A,2027-05-09,good,", "rfv", "'good' is not a number"),
        ("A,2027-05-09,n/a,-", "", "This row gives no value for rfv or ndf_pct."),
        ("A,2027-05-09,190", "", "This row has 3 cells but the header has 4"),
        ("A,2027-05-03,200,33", "", "This row repeats row 2; it counts once."),
    ],
)
def test_a_bad_row_is_listed_and_left_out(read: Read, row: str, column: str, reason: str) -> None:
    table = read(f"series_id,date,rfv,ndf_pct\nA,2027-05-03,200,33\n{row}\nA,2027-05-17,160,39\n")
    (rejection,) = table.left_out
    assert (rejection.row, rejection.column) == (3, column)
    assert reason in rejection.reason
    assert table.seasons[0].day.size == 2


def test_one_absurd_value_does_not_cost_the_others_of_its_row(read: Read) -> None:
    table = read("series_id,date,rfv,ndf_pct\nA,2027-05-03,2000,33\n")
    assert [(r.row, r.column) for r in table.left_out] == [(2, "rfv")]
    assert table.seasons[0].values[Index.NDF].tolist() == [33.0]


def test_two_values_of_one_day_are_two_results(read: Read) -> None:
    table = read("series_id,date,rfv\nA,2027-05-03,200\nA,2027-05-03,190\nA,2027-05-10,180\n")
    assert table.left_out == ()
    assert table.seasons[0].values[Index.RFV].tolist() == [200, 190, 180]
    assert any("share series and day with another one: 1" in note.text for note in table.notes)


def test_a_cutting_that_is_no_number_is_left_out(read: Read) -> None:
    rows = ["1st", "2", "second", "3.0", "", "early"]
    text = "".join(f"A,2027-05-{3 + k:02d},190,{cut}\n" for k, cut in enumerate(rows))
    table = read(f"series_id,date,rfv,cutting\n{text}")
    assert [season.cutting for season in table.seasons] == [1, 2, 3]
    assert [r.reason for r in table.left_out] == [
        "Cutting 'early' is not a whole number from 1 to 9: correct it."
    ]


def test_a_series_of_one_result_is_kept_for_its_area(read: Read, guidelines: GuidelineSet) -> None:
    table = read("series_id,date,rfv\nA,2027-05-03,200\n")
    assert any("results of one day only: 1" in note.text for note in table.notes)
    assert score_seasons(table.seasons, guidelines).predictions == {}


# --------------------------------------------------------- tables of other people


def test_a_table_of_cereals_runs_without_preparation(guidelines: GuidelineSet) -> None:
    # Invented: two sites, long names, blanks, unsorted rows, columns nobody asked for.
    crops = ["Cereal rye (cover crop, drilled late, south half of the long field)", "Triticale",
             "Winter wheat", "Italian ryegrass"]  # fmt: skip
    rng = np.random.default_rng(4)
    rows = []
    for site in ("Upper  Station", "Lower Station"):
        for number, crop in enumerate(crops):
            for week in range(6):
                day = date(2026, 4, 20) + timedelta(days=7 * week)
                ndf = 42 + 3 * number + 4.5 * week + rng.normal(0, 2)
                rfv = "" if week == 2 else f"{100 * (50 / ndf) ** 2:.0f}"
                rows.append(f'"{crop}", {site},{day:%m/%d/%Y},"{crop}",{ndf:.1f},,{rfv},boot')
    rng.shuffle(rows)
    header = "Plot ID,Site,Harvest Date,Species,NDF (% DM),ADF,RFV,Growth stage\n"
    text = header + "\n".join(rows) + "\n,,,,,,,\n"
    table = read_series("cereals.csv", text.encode("utf-16"), guidelines)
    assert table.left_out == ()
    assert [len(season.series) for season in table.seasons] == [4, 4]
    np.testing.assert_array_equal(table.seasons[0].grass_pct, 100.0)
    scores = score_seasons(table.seasons, guidelines, ((Index.NDF, 55.0),)).predictions
    for index in (Index.NDF, Index.RFV):
        assert scores[index, "ours"].rmse <= scores[index, "rule"].rmse
    assert scores[Index.NDF, "ours"].n == 2 * 4 * 4


CELL = st.one_of(
    st.sampled_from(["A", "2027-05-03", "5/9/2027", "190", "34.5", "", "-1", "1", "grass", "nan"]),
    st.text(max_size=8),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.lists(CELL, min_size=4, max_size=6), max_size=8))
def test_whatever_the_cells_hold_they_are_used_listed_or_refused(
    guidelines: GuidelineSet, rows: list[list[str]]
) -> None:
    out = io.StringIO()
    csv.writer(out).writerows([["series_id", "date", "rfv", "ndf_pct", "crop"], *rows])
    try:
        table = read_series("any.csv", out.getvalue().encode("utf-8", "replace"), guidelines)
    except UnreadableDocument as refusal:
        assert str(refusal).startswith("any.csv")
        return
    used = sum(season.day.size for season in table.seasons)
    listed = {rejection.row for rejection in table.left_out}
    filled = sum(1 for row in rows if any(cell.strip() for cell in row))
    assert used >= 1
    assert used + len(listed) + len(table.notes) >= filled
