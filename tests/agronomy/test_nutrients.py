"""Coefficients of both RFQ equations, digit by digit, and the ends of their ranges.

The values themselves are checked in test_quality.py, against worked cases.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from alerts.agronomy import nutrients, quality
from alerts.agronomy.units import FloatArray

DATA = Path(__file__).parents[1] / "data" / "quality"

# name in rfq_coefficients.csv (term, equation) -> ours
CODED = {
    ("rfq_divisor", "both"): quality.RFQ_DIVISOR,
    ("tdn_nfc_coefficient", "both"): nutrients.TDN_NFC,
    ("tdn_cp_coefficient", "legume"): nutrients.TDN_CP_LEGUME,
    ("tdn_cp_coefficient", "grass"): nutrients.TDN_CP_GRASS,
    ("tdn_fa_coefficient", "both"): nutrients.TDN_FA,
    ("tdn_fa_energy_multiplier", "both"): nutrients.FA_ENERGY,
    ("tdn_metabolic_constant", "legume"): nutrients.TDN_METABOLIC_LEGUME,
    ("tdn_metabolic_constant", "grass"): nutrients.TDN_METABOLIC_GRASS,
    ("ndfn_factor", "both"): nutrients.NDFN_FACTOR,
    ("dmi_ndf_numerator", "legume"): quality.NDF_INTAKE_CONSTANT,
    ("dmi_ndfd_reference", "legume"): quality.NDFD_REFERENCE,
    ("dmi_ndfd_slope", "legume"): quality.NDFD_INTAKE_SLOPE_LB,
    ("dmi_body_weight_lb", "legume"): quality.COW_WEIGHT_LB,
    ("dmi_intercept", "grass"): quality.DMI_INTERCEPT,
    ("dmi_cp", "grass"): quality.DMI_CP,
    ("dmi_cp_squared", "grass"): quality.DMI_CP_SQUARED,
    ("dmi_tdn", "grass"): quality.DMI_TDN,
    ("dmi_tdn_squared", "grass"): quality.DMI_TDN_SQUARED,
    ("dmi_adf", "grass"): quality.DMI_ADF,
    ("dmi_adf_squared", "grass"): quality.DMI_ADF_SQUARED,
    ("dmi_cp_times_adf", "grass"): quality.DMI_CP_ADF,
}
IN_WORDS = {
    ("tdn_ndf_digestibility_input", "legume"): "NDFD (48 h, pct of NDF)",
    ("tdn_ndf_digestibility_input", "grass"): "NDFDp = 22.7 + 0.664*NDFD",
    ("fa_from_ee", "both"): "FA = EE - 1",
}


def test_every_coefficient_equals_the_compared_sources() -> None:
    # sources: the keys of each row, see tests/data/quality/SOURCES.md
    with (DATA / "rfq_coefficients.csv").open(newline="", encoding="utf-8") as file:
        table = {(row["term"], row["equation"]): row["value"] for row in csv.DictReader(file)}
    assert {key: table.pop(key) for key in IN_WORDS} == IN_WORDS
    assert {key: float(value) for key, value in table.items()} == CODED


# (formula, lowest and highest value the docstring promises); the limits are our judgement
STATED_RANGES: list[tuple[Callable[[float], float], float, float]] = [
    (quality.ddm_pct_dm, 5.0, 75.0),
    (quality.dmi_pct_bw, 15.0, 85.0),
    (nutrients.nitrogen_free_ndf, 15.0, 85.0),
    (lambda ndficp: nutrients.nitrogen_free_ndf(40.0, ndficp), 0.0, 39.999),
    (nutrients.ndfdp_pct_ndf, 10.0, 95.0),
    (nutrients.fatty_acids_pct_dm, 0.2, 15.0),
]


@pytest.mark.parametrize(("formula", "lowest", "highest"), STATED_RANGES)
def test_stated_range_is_kept_at_both_ends(
    formula: Callable[[float], float], lowest: float, highest: float
) -> None:
    assert np.isfinite([formula(lowest), formula(highest)]).all()
    assert np.isnan([formula(lowest - 0.001), formula(highest + 0.001)]).all()


@pytest.mark.parametrize(
    ("argument", "lowest", "highest"),
    [("cp_pct_dm", 2.0, 40.0), ("ee_pct_dm", 0.2, 15.0), ("ash_pct_dm", 1.0, 30.0)],
)
def test_carbohydrate_keeps_the_stated_ranges_of_its_parts(
    argument: str, lowest: float, highest: float
) -> None:
    parts: dict[str, FloatArray] = {
        name: np.asarray(value)
        for name, value in (
            ("ndfn_pct_dm", 20.0),
            ("cp_pct_dm", 15.0),
            ("ee_pct_dm", 3.0),
            ("ash_pct_dm", 9.0),
        )
    }
    ends = np.array([lowest - 0.001, lowest, highest, highest + 0.001])
    result = nutrients.nfc_pct_dm(**(parts | {argument: ends}))
    assert np.isnan(result).tolist() == [True, False, False, True]


def test_grass_fiber_digestibility_keeps_its_line() -> None:
    # NDFDp = 22.7 + 0.664 NDFD: University of Georgia, n.d., Georgia Forages glossary
    np.testing.assert_allclose(
        nutrients.ndfdp_pct_ndf(np.array([10.0, 50.0, 95.0])), [29.34, 55.9, 85.78]
    )


def test_fatty_acids_never_go_below_nought() -> None:
    # FA = 0 where EE is below 1: from memory of National Research Council, 2001, Nutrient
    # requirements of dairy cattle
    np.testing.assert_allclose(
        nutrients.fatty_acids_pct_dm(np.array([0.1, 0.8, 1.0, 3.5, 15.1])),
        [np.nan, 0.0, 0.0, 2.5, np.nan],
    )


def test_carbohydrate_is_refused_when_the_parts_outweigh_the_whole() -> None:
    parts = {"ndfn_pct_dm": 60.0, "cp_pct_dm": 25.0, "ee_pct_dm": 5.0}
    assert nutrients.nfc_pct_dm(**parts, ash_pct_dm=10.0) == 0.0
    assert np.isnan(nutrients.nfc_pct_dm(**parts, ash_pct_dm=10.1))


@pytest.mark.parametrize("tdn", [nutrients.tdn_legume, nutrients.tdn_grass])
@pytest.mark.parametrize(
    ("argument", "bad"),
    [
        ("nfc_pct_dm", -1.0),
        ("cp_pct_dm", 41.0),
        ("fa_pct_dm", 101.0),
        ("ndfn_pct_dm", np.nan),
        ("ndfd48_pct_ndf", 96.0),
    ],
)
def test_digestible_nutrients_refuse_any_part_out_of_range(
    tdn: Callable[..., float], argument: str, bad: float
) -> None:
    parts = {
        "nfc_pct_dm": 29.8,
        "cp_pct_dm": 20.0,
        "fa_pct_dm": 2.0,
        "ndfn_pct_dm": 37.2,
        "ndfd48_pct_ndf": 45.0,
    }
    assert np.isfinite(tdn(**parts))
    assert np.isnan(tdn(**(parts | {argument: bad})))
