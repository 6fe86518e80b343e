"""Grade limits against the pages that print them; keys in tests/data/quality/SOURCES.md.

Limits of AFGC grades 4 and 5 are from memory, so nothing here is held against them.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.agronomy import grades

DATA = Path(__file__).parents[1] / "data" / "quality"

Row = dict[str, str]


def rows(name: str) -> list[Row]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def name_of(grade: grades.Grade | None) -> str | None:
    return None if grade is None else grade.name


@pytest.mark.parametrize("row", rows("hay_grades_afgc.csv"), ids=lambda row: row["grade"])
def test_afgc_grade_keeps_its_published_limits(row: Row) -> None:
    # Halopka, R., 2022, Hay market demand and price report for the Upper Midwest: > 151, 125-150,
    # 103-124, 87-102, in whole numbers
    name = row["grade"] if row["grade"] == "Prime" else f"Grade {row['grade']}"
    assert name_of(grades.afgc_grade(float(row["rfv_min"]))) == name
    assert name_of(grades.afgc_grade(float(row["rfv_min"]) - 0.1)) != name
    if row["rfv_max"]:
        assert name_of(grades.afgc_grade(float(row["rfv_max"]))) == name
        assert name_of(grades.afgc_grade(float(row["rfv_max"]) + 1.0)) != name


def test_afgc_limits_from_memory_say_so() -> None:
    told = {grade.name for grade in grades.AFGC if grade.source.startswith("from memory")}
    assert told == {"Grade 4", "Grade 5"}


@pytest.mark.parametrize(
    "row", rows("hay_guidelines_usda_ams_alfalfa.csv"), ids=lambda row: row["quality"]
)
def test_usda_grade_keeps_its_published_limits(row: Row) -> None:
    # Cash, D.; Dixon, P., 2003, Hay quality standards; the ranges share end points, and an exact
    # limit takes the better grade (our choice)
    if row["rfv_min"]:
        lowest = float(row["rfv_min"])
        assert name_of(grades.usda_ams_grade(lowest)) == row["quality"]
        assert name_of(grades.usda_ams_grade(lowest - 0.1)) != row["quality"]
    if row["rfv_max"]:
        highest = float(row["rfv_max"])
        assert name_of(grades.usda_ams_grade(highest - 0.1)) == row["quality"]
        assert name_of(grades.usda_ams_grade(highest)) != row["quality"]


def test_usda_guideline_ends_at_a_tenth_of_grass() -> None:
    # Cash, D.; Dixon, P., 2003: alfalfa with not more than 10 % grass
    assert name_of(grades.usda_ams_grade(160.0, grass_pct=10.0)) == "Good"
    assert grades.usda_ams_grade(160.0, grass_pct=10.1) is None
    assert grades.usda_ams_grade(160.0, grass_pct=np.nan) is None


def illinois_name(rfv: float) -> str:
    table = rows("hay_guidelines_illinois_alfalfa.csv")
    return next(row["quality"] for row in table if rfv >= float(row["rfv_min"] or 0.0))


@pytest.mark.parametrize(
    ("rfv", "usda", "illinois"),
    [
        (182.0, "Premium", "Supreme"),
        (160.0, "Good", "Premium"),
        (140.0, "Fair", "Good"),
        (110.0, "Utility", "Fair"),
    ],
)
def test_same_hay_bears_another_name_in_illinois(rfv: float, usda: str, illinois: str) -> None:
    # Illinois Department of Agriculture, n.d., Hay quality guidelines: 180 / 150 / 125 / 100 under
    # the names the USDA guideline uses; hence no name without its limits
    assert name_of(grades.usda_ams_grade(rfv)) == usda
    assert illinois_name(rfv) == illinois


@pytest.mark.parametrize(
    ("grade", "text"),
    [
        (grades.USDA_AMS_ALFALFA[0], "Supreme (USDA AMS alfalfa: RFV 185 or more)"),
        (grades.USDA_AMS_ALFALFA[2], "Good (USDA AMS alfalfa: RFV 150 to below 170)"),
        (grades.USDA_AMS_ALFALFA[-1], "Utility (USDA AMS alfalfa: RFV below 130)"),
        (grades.AFGC[1], "Grade 1 (AFGC: RFV 125 to below 151)"),
    ],
)
def test_grade_is_written_with_its_scale_and_limits(grade: grades.Grade, text: str) -> None:
    assert str(grade) == text


@pytest.mark.parametrize("scale", [grades.AFGC, grades.USDA_AMS_ALFALFA])
def test_grades_leave_no_gap(scale: tuple[grades.Grade, ...]) -> None:
    assert [grade.rfv_below for grade in scale[1:]] == [grade.rfv_min for grade in scale[:-1]]
    assert (scale[0].rfv_below, scale[-1].rfv_min) == (np.inf, 0.0)


@pytest.mark.parametrize("rfv", [np.nan, 0.0, -5.0, 601.0, np.inf])
def test_no_grade_for_an_impossible_value(rfv: float) -> None:
    assert grades.afgc_grade(rfv) is None
    assert grades.usda_ams_grade(rfv) is None


def test_places_of_an_array_equal_grades_of_its_elements() -> None:
    values = np.array([[210.0, 151.0, 150.9], [60.0, np.nan, 87.0]])
    places = grades.places(values, grades.AFGC)
    assert places.shape == values.shape
    by_place = [None if place < 0 else grades.AFGC[place] for place in places.ravel()]
    assert by_place == [grades.afgc_grade(value) for value in values.ravel()]


@given(st.floats(min_value=1.0, max_value=600.0))
def test_a_grade_holds_the_value_it_was_given_for(rfv: float) -> None:
    for grade in (grades.afgc_grade(rfv), grades.usda_ams_grade(rfv)):
        assert grade is not None
        assert grade.rfv_min <= rfv < grade.rfv_below
