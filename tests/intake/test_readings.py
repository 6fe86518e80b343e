from __future__ import annotations

import math

import pytest

from alerts.intake.readings import READINGS, UNITS, complaint_about, find_unit, split_header


@pytest.mark.parametrize(
    ("unit", "value", "standard"),
    [
        # definition of the percent
        ("% DM", 38.2, 38.2),
        ("fraction DM", 0.382, 38.2),
        ("g/kg DM", 382.0, 38.2),
        ("fraction NDF", 0.49, 49.0),
        ("g/kg as fed", 240.0, 24.0),
        # 1 in = 2.54 cm exactly: Thompson & Taylor, 2008, Guide for the Use of the International
        # System of Units (NIST Special Publication 811; citation from memory)
        ("cm", 63.5, 25.0),
        ("in", 25.0, 25.0),
        ("index", 160.0, 160.0),
    ],
)
def test_unit_to_its_standard(unit: str, value: float, standard: float) -> None:
    found = find_unit(unit)
    assert found is not None
    assert found.standard(value) == pytest.approx(standard, abs=1e-9)


@pytest.mark.parametrize(("unit", "value"), [("fraction DM", 38.2), ("g/kg DM", 2000.0)])
def test_unit_refuses_a_value_it_cannot_have(unit: str, value: float) -> None:
    found = find_unit(unit)
    assert found is not None
    assert math.isnan(found.standard(value))


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("% of DM", "% DM"),
        ("percent dm", "% DM"),
        ("g per kg DM", "g/kg DM"),
        ("% as received", "% as fed"),
        ("inches", "in"),
    ],
)
def test_find_unit_in_other_spellings(spelling: str, unit: str) -> None:
    found = find_unit(spelling)
    assert found is not None
    assert found.name == unit


@pytest.mark.parametrize("text", ["", "%", "furlongs", "mg/kg DM", "% ADF"])
def test_find_unit_knows_no_other(text: str) -> None:
    assert find_unit(text) is None


@pytest.mark.parametrize("reading", ["ndfd48", "ndfd30"])
@pytest.mark.parametrize("unit", ["% DM", "fraction DM", "g/kg DM", "% as fed"])
def test_complaint_about_ndfd_that_is_not_part_of_ndf(reading: str, unit: str) -> None:
    # University of Georgia CAES, n.d., Georgia Forages glossary, letter T: the RFQ equations take
    # 48-hour NDFD in % of NDF
    found = find_unit(unit)
    assert found is not None
    assert "NDFD must be in % of NDF" in complaint_about(READINGS[reading], found)


def test_complaint_about_a_basis_lists_the_fitting_units() -> None:
    found = find_unit("% NDF")
    assert found is not None
    complaint = complaint_about(READINGS["cp"], found)
    assert "'% DM'" in complaint
    assert "'in'" not in complaint


def test_every_reading_can_come_in_some_unit_without_complaint() -> None:
    for reading in READINGS.values():
        assert any(not complaint_about(reading, unit) for unit in UNITS), reading.name


@pytest.mark.parametrize(
    ("header", "reading", "rest"),
    [
        ("NDF (g/kg DM)", "ndf", "g_kg_dm"),
        ("aNDF [% of DM]", "ndf", "pct_dm"),
        ("crude protein % DM", "cp", "pct_dm"),
        ("ndfd48_pct_dm", "ndfd48", "pct_dm"),
        ("NDFD 48 h (% NDF)", "ndfd48", "pct_ndf"),
        ("Dry matter (%)", "dm", "pct"),
        ("NDF (furlongs)", "ndf", "furlongs"),
        ("RFV", "rfv", ""),
    ],
)
def test_split_header_into_reading_and_unit(header: str, reading: str, rest: str) -> None:
    cut = split_header(header)
    assert cut is not None
    assert (cut[0].name, cut[1]) == (reading, rest)


@pytest.mark.parametrize("header", ["starch % DM", "DM basis", "aNDFom (% DM)", "ash note", ""])
def test_split_header_leaves_what_is_no_reading_of_ours(header: str) -> None:
    assert split_header(header) is None
