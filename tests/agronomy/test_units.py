"""Unit conversions against their definitions, and the package's rule for refused values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.agronomy import units


def test_percent_from_fraction_spans_nothing_to_everything() -> None:
    # definition of the percent
    assert [units.percent_from_fraction(value) for value in (0.0, 0.405, 1.0)] == [0.0, 40.5, 100.0]


@pytest.mark.parametrize("fraction", [-0.01, 1.01, 40.0, np.nan, np.inf])
def test_percent_from_fraction_refuses_what_is_no_fraction(fraction: float) -> None:
    assert np.isnan(units.percent_from_fraction(fraction))


def test_percent_from_g_per_kg_matches_published_error_conversion() -> None:
    # Andrzejewska and others, 2014, Field prediction of alfalfa fibre constituents in northern
    # Europe: an error printed as 21.6 g/kg is 2.16 percentage units
    assert units.percent_from_g_per_kg(21.6) == pytest.approx(2.16)
    assert [units.percent_from_g_per_kg(end) for end in (0.0, 1000.0)] == [0.0, 100.0]


@pytest.mark.parametrize("value", [-1.0, 1000.1])
def test_percent_from_g_per_kg_refuses_more_than_the_whole(value: float) -> None:
    assert np.isnan(units.percent_from_g_per_kg(value))


def test_dry_matter_basis_divides_by_the_dry_share() -> None:
    # arithmetic: 6.2 lb of protein in 100 lb of haylage holding 31 lb of dry matter is 20 %
    assert units.dry_matter_basis(6.2, 31.0) == pytest.approx(20.0)
    assert units.dry_matter_basis(20.0, 100.0) == 20.0


@pytest.mark.parametrize(
    ("value", "dry_matter"),
    [(5.0, 0.0), (5.0, -10.0), (5.0, 100.5), (40.0, 35.0), (-1.0, 35.0), (5.0, np.nan)],
)
def test_dry_matter_basis_refuses_impossible_feed(value: float, dry_matter: float) -> None:
    assert np.isnan(units.dry_matter_basis(value, dry_matter))


@given(
    dry_share=st.floats(min_value=0.01, max_value=1.0),
    dry_matter=st.floats(min_value=1.0, max_value=100.0),
)
def test_dry_matter_basis_undoes_adding_water(dry_share: float, dry_matter: float) -> None:
    as_fed = dry_share * dry_matter
    assert units.dry_matter_basis(as_fed, dry_matter) == pytest.approx(100.0 * dry_share)


def test_inches_from_cm_matches_the_stage_scale() -> None:
    # Kalu, B.A.; Fick, G.W., 1981, Quantifying morphological development of alfalfa: the late
    # vegetative stage starts at 31 cm, which stem-height guides print as 12 in
    assert round(units.inches_from_cm(31.0)) == 12
    # the inch is 2.54 cm by definition
    assert units.inches_from_cm(2.54) == 1.0
    assert units.cm_from_inches(40.0) == pytest.approx(101.6)


@pytest.mark.parametrize(("celsius", "fahrenheit"), [(5.0, 41.0), (0.0, 32.0), (-40.0, -40.0)])
def test_temperatures_meet_at_known_points(celsius: float, fahrenheit: float) -> None:
    # definition of the Fahrenheit scale; 41 F = 5 C is the base of alfalfa degree days
    assert units.fahrenheit_from_celsius(celsius) == pytest.approx(fahrenheit)
    assert units.celsius_from_fahrenheit(fahrenheit) == pytest.approx(celsius)


def test_temperatures_below_absolute_zero_are_refused() -> None:
    assert np.isnan(units.fahrenheit_from_celsius(-273.16))
    assert np.isnan(units.celsius_from_fahrenheit(-459.68))


@given(st.floats(min_value=-273.0, max_value=1e6))
def test_temperature_comes_back_unchanged(celsius: float) -> None:
    fahrenheit = units.fahrenheit_from_celsius(celsius)
    assert units.celsius_from_fahrenheit(fahrenheit) == pytest.approx(celsius, abs=1e-9)


@given(st.floats(min_value=0.0, max_value=1e6))
def test_length_comes_back_unchanged(length_cm: float) -> None:
    assert units.cm_from_inches(units.inches_from_cm(length_cm)) == pytest.approx(length_cm)


def test_lengths_below_zero_are_refused() -> None:
    assert np.isnan(units.inches_from_cm(-1.0))
    assert np.isnan(units.cm_from_inches(-1.0))


def test_within_keeps_both_ends_and_drops_the_rest() -> None:
    kept = units.within(np.array([-np.inf, 14.9, 15.0, 85.0, 85.1, np.inf, np.nan]), (15.0, 85.0))
    np.testing.assert_array_equal(kept, [np.nan, np.nan, 15.0, 85.0, np.nan, np.nan, np.nan])


def test_within_never_takes_infinity() -> None:
    assert np.isnan(units.within(np.inf, (0.0, np.inf)))


def test_floats_give_a_float_and_arrays_an_array() -> None:
    assert type(units.inches_from_cm(2.54)) is float
    assert type(units.inches_from_cm(np.float64(2.54))) is float
    result = units.inches_from_cm(np.array([[2.54, -1.0]]))
    np.testing.assert_array_equal(result, [[1.0, np.nan]])


def test_a_mix_of_float_and_array_is_broadcast() -> None:
    result = units.dry_matter_basis(7.0, np.array([[35.0], [0.0]]))
    np.testing.assert_allclose(result, [[20.0], [np.nan]])


def test_an_input_array_is_left_as_it_was() -> None:
    given_values = np.array([2.0, 0.5])
    units.percent_from_fraction(given_values)
    np.testing.assert_array_equal(given_values, [2.0, 0.5])
