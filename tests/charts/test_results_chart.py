from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest
from chart_samples import TODAY, marks, on, result, texts

from alerts.charts.results_chart import FieldResults, Goal, ResultsChart, describe, draw
from alerts.domain.records import Index, Method
from alerts.messages.wording import Wording


@pytest.fixture
def season() -> ResultsChart:
    return ResultsChart(
        title="Heron Flats",
        index=Index.RFV,
        fields=(
            FieldResults("Bend", (result(-7, 240), result(0, 212, Method.STEM))),
            FieldResults("Knoll & <Creek>", (result(-4, 231),)),
            FieldResults("", (result(-7, 244), result(-3, 226))),
            FieldResults("Nothing", ()),
        ),
        goals=(Goal(185.0, "185: milking cows"),),
    )


def drawn(chart: ResultsChart, words: Wording) -> ElementTree.Element:
    return ElementTree.fromstring(draw(chart, "svg", words))


def test_fields_with_results_are_named_at_their_last(season: ResultsChart, words: Wording) -> None:
    told = texts(drawn(season, words))
    assert {"Bend", "Knoll & <Creek>", "185: milking cows", "Heron Flats, RFV"} <= set(told)
    assert "Nothing" not in told


def test_same_chart_gives_the_same_bytes(season: ResultsChart, words: Wording) -> None:
    assert draw(season, "svg", words) == draw(season, "svg", words)
    assert draw(season, "png", words) == draw(season, "png", words)


def test_season_without_results_says_so(words: Wording) -> None:
    empty = ResultsChart("Heron Flats", Index.NDF, (), last=TODAY)
    assert "no results this season" in texts(drawn(empty, words))
    assert describe(empty, words) == "Chart of Heron Flats. No result yet."


def test_more_fields_than_fit_are_drawn_unnamed(words: Wording) -> None:
    fields = tuple(
        FieldResults(f"Field {n}", (result(-7, 250 - n), result(0, 220 - n))) for n in range(30)
    )
    told = texts(drawn(ResultsChart("Heron Flats", Index.RFV, fields), words))
    assert sum(text.startswith("Field") for text in told) == 9


def test_words_name_each_field_that_has_a_name(season: ResultsChart, words: Wording) -> None:
    assert describe(season, words) == (
        "Chart of Heron Flats. Results of 3 fields, Mon May 3 to Mon May 10. "
        "Knoll & <Creek>: RFV 231 on Thu May 6, 1 result. "
        "Bend: last RFV 212 on Mon May 10, 2 results."
    )


def test_days_shown_may_be_given(season: ResultsChart, words: Wording) -> None:
    whole = ResultsChart("A", Index.RFV, season.fields, first=on(-40), last=on(20))
    assert "May 30" in texts(drawn(whole, words))


def test_line_joins_laboratory_results_of_one_crop(words: Wording) -> None:
    first = [result(-20, 240), result(-14, 212)]
    second = [replace(result(k, 250 + k), cutting=2) for k in (-2, 0)]
    stem = replace(result(-1, 168, Method.STEM), cutting=2)
    field = FieldResults("Bend", (*first, *second, stem))
    assert field.courses() == [first, second]
    root = drawn(ResultsChart("A", Index.RFV, (field,)), words)
    assert (marks(root, "nir-0"), marks(root, "stem-0")) == (4, 1)
    assert sum(1 for one in root.iter() if one.get("id") == "line-0") == 2


def test_long_names_wrap_and_keep_their_end(words: Wording) -> None:
    fields = (
        FieldResults("Heron Flats school north", (result(0, 240),)),
        FieldResults("Heron Flats demonstration farm, east side", (result(0, 238),)),
    )
    told = texts(drawn(ResultsChart("A", Index.RFV, fields), words))
    assert {"Heron Flats", "school north"} <= set(told)
    assert {"Heron Flats…", "farm, east side"} <= set(told)


def test_fewer_names_fit_where_they_take_two_lines(words: Wording) -> None:
    fields = tuple(
        FieldResults(f"Heron Flats school {n}", (result(0, 250 - n),)) for n in range(30)
    )
    told = texts(drawn(ResultsChart("A", Index.RFV, fields), words))
    assert told.count("Heron Flats") == 9
