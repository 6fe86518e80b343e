"""Goals of alfalfa-grass stands against the guides; keys in tests/data/quality/SOURCES.md."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Protocol

import numpy as np
import pytest

from alerts.agronomy import mixtures
from alerts.agronomy.units import N

DATA = Path(__file__).parents[1] / "data" / "quality"

Row = dict[str, str]


class Formula(Protocol):
    def __call__(self, grass_pct: N) -> N: ...


FORMULAS: list[Formula] = [
    mixtures.stored_ndf_target,
    mixtures.standing_ndf_target,
    mixtures.alfalfa_height_to_begin,
    mixtures.daily_ndf_rise,
]


def rows(name: str) -> list[Row]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


TARGETS = rows("mixed_stand_targets.csv")


@pytest.mark.parametrize(
    "row", [row for row in TARGETS if "CCE_2021" in row["source_id"]], ids=lambda row: row["basis"]
)
def test_stored_target_and_height_match_the_height_guide(row: Row) -> None:
    # Letham, J., 2017, and Smith, E., 2021, 1st cutting forage quality update: height guide
    grass = float(row["grass_pct_of_stand"])
    assert mixtures.stored_ndf_target(grass) == float(row["target_ndf_pct_dm"])
    height = float(row["alfalfa_height_in_to_begin_cutting"])
    assert mixtures.alfalfa_height_to_begin(grass) == height


@pytest.mark.parametrize(
    "row",
    [row for row in TARGETS if row["source_id"] == "FORAGES_ORG"],
    ids=lambda row: row["basis"],
)
def test_standing_target_matches_pure_stands(row: Row) -> None:
    # Cherney, J.H., n.d., Alfalfa-grass NDF assessment
    grass = float(row["grass_pct_of_stand"])
    assert mixtures.standing_ndf_target(grass) == float(row["target_ndf_pct_dm"])


@pytest.mark.parametrize("row", [row for row in TARGETS if row["source_id"] == "UVM"])
def test_standing_target_lies_inside_a_second_guide(row: Row) -> None:
    # Bosworth, S.; Jimenez-Serrano, F.; Aleong, J., 2004: 38-40 for alfalfa, 50 for grass
    low, _, high = row["target_ndf_pct_dm"].partition("-")
    standing = mixtures.standing_ndf_target(float(row["grass_pct_of_stand"]))
    assert float(low) <= standing <= float(high or low)


def test_daily_rise_matches_the_guide() -> None:
    # Smith, E., 2021, 1st cutting forage quality update: 0.5 used for alfalfa (0.4-0.7), 0.8 half
    # and half, 1.0 used for grass (0.8-1.2)
    alfalfa, half, grass = rows("ndf_rise_per_day.csv")
    assert mixtures.daily_ndf_rise(50.0) == float(half["change_per_day_low"]) == 0.8
    for share, row in ((0.0, alfalfa), (100.0, grass)):
        used = float(row["note"].partition(" used")[0])
        assert mixtures.daily_ndf_rise(share) == used
        assert float(row["change_per_day_low"]) <= used <= float(row["change_per_day_high"])


def test_standing_target_is_one_straight_line() -> None:
    # 38, 44, 50 lie on a line; 40, 44, 50 do not
    shares = np.linspace(0.0, 100.0, 11)
    np.testing.assert_allclose(mixtures.standing_ndf_target(shares), 38.0 + 0.12 * shares)


@pytest.mark.parametrize(
    ("formula", "at_25", "at_75"),
    list(zip(FORMULAS, (42.0, 41.0, 25.0, 0.65), (47.0, 47.0, 18.0, 0.9), strict=True)),
)
def test_between_published_shares_a_straight_line_holds(
    formula: Formula, at_25: float, at_75: float
) -> None:
    # our choice; half way between the neighbouring published figures
    assert [formula(25.0), formula(75.0)] == pytest.approx([at_25, at_75])


@pytest.mark.parametrize("formula", FORMULAS)
def test_shares_that_are_no_percentage_are_refused(formula: Formula) -> None:
    shares = np.array([-0.1, 0.0, 100.0, 100.1, np.nan, np.inf])
    assert np.isnan(formula(shares)).tolist() == [True, False, False, True, True, True]
    assert np.isnan(formula(101.0))


@pytest.mark.parametrize("formula", FORMULAS)
def test_array_equals_its_elements(formula: Formula) -> None:
    shares = np.array([[0.0, 33.0], [50.0, 100.0]])
    one_by_one = [[formula(float(share)) for share in line] for line in shares]
    np.testing.assert_array_equal(formula(shares), one_by_one)
    assert type(formula(33.0)) is float
