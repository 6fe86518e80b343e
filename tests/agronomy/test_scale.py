"""The straight scale against the RFV equation it is derived from.

RFV itself is checked in test_quality.py (Stallings, C.C., 2004, Relative feed value is an indicator
of hay quality).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.agronomy import quality
from alerts.agronomy.scale import Floats, from_scale, points_to_scale, to_scale

INDEX_VALUE = st.floats(min_value=20.0, max_value=500.0)


def rfv_of_growing_crop(ndf_pct_dm: Floats) -> Floats:
    """RFV where ADF climbs with NDF as the module says: 26 at 34, 30.5 at 40, 35 at 46."""
    return quality.rfv(26.0 + 0.75 * (ndf_pct_dm - 34.0), ndf_pct_dm)


def share_off_the_line(x: Floats, y: Floats) -> float:
    """Largest distance from the best straight line, as a share of the range of y."""
    line = np.polynomial.Polynomial.fit(x, y, 1)
    return float(np.abs(y - line(x)).max() / np.ptp(y))


@settings(deadline=None)
@given(INDEX_VALUE, st.booleans())
def test_scale_comes_back_to_the_index(value: float, falls: bool) -> None:
    back = from_scale(to_scale(value, falls=falls), falls=falls)
    assert float(back) == pytest.approx(value, rel=1e-12)


@settings(deadline=None)
@given(INDEX_VALUE, st.floats(min_value=0.01, max_value=15.0))
def test_scale_rises_as_a_falling_index_falls(value: float, loss: float) -> None:
    assert to_scale(value - loss, falls=True) > to_scale(value, falls=True)


def test_ndf_is_its_own_scale() -> None:
    ndf = np.array([28.0, 40.0, np.nan])
    np.testing.assert_array_equal(to_scale(ndf, falls=False), ndf)
    np.testing.assert_array_equal(from_scale(ndf, falls=False), ndf)
    assert float(points_to_scale(0.5, 185.0, falls=False)) == 0.5


@pytest.mark.parametrize("value", [0.0, -1.0, np.nan])
def test_scale_has_no_place_for_an_index_of_zero_or_less(value: float) -> None:
    np.testing.assert_array_equal(np.isnan(to_scale([value, 150.0], falls=True)), [True, False])
    np.testing.assert_array_equal(np.isnan(from_scale([value, 0.08], falls=True)), [True, False])


def test_scale_rises_evenly_with_ndf_where_rfv_does_not() -> None:
    # our arithmetic on the RFV equation; the figures of the module docstring, to their last digit
    rfv = quality.rfv(np.array([26.0, 30.5, 35.0]), np.array([34.0, 40.0, 46.0]))
    per_unit = np.diff(to_scale(rfv, falls=True)) / 6.0
    np.testing.assert_allclose(per_unit, [0.00138, 0.00139], atol=5e-6)
    np.testing.assert_allclose(-np.diff(rfv) / 6.0, [6.1, 4.5], atol=0.05)


def test_same_fiber_step_costs_more_rfv_when_rfv_is_high() -> None:
    # our arithmetic: NDF +0.5 and ADF +0.4 a day cost 3.6 points at RFV 188 and 2.6 at RFV 152
    adf, ndf = np.array([26.0, 30.0]), np.array([34.0, 40.0])
    before, after = quality.rfv(adf, ndf), quality.rfv(adf + 0.4, ndf + 0.5)
    np.testing.assert_allclose(before, [188.0, 152.0], atol=0.5)
    np.testing.assert_allclose(before - after, [3.6, 2.6], atol=0.05)
    on_scale = to_scale(after, falls=True) - to_scale(before, falls=True)
    assert on_scale[0] == pytest.approx(on_scale[1], rel=0.05)


def test_decline_is_straight_on_the_scale_over_a_whole_spring() -> None:
    # NDF 28 (RFV 240) to 50 (RFV 110): RFV bends by 11 % of its range, the scale by 0.3 %
    ndf = np.linspace(28.0, 50.0, 200)
    rfv = rfv_of_growing_crop(ndf)
    np.testing.assert_allclose(rfv[[0, -1]], [240.0, 110.0], atol=0.5)
    assert share_off_the_line(ndf, to_scale(rfv, falls=True)) < 0.003
    assert share_off_the_line(ndf, rfv) > 0.1


def test_scale_is_straighter_than_the_logarithm() -> None:
    ndf = np.linspace(28.0, 50.0, 200)
    rfv = rfv_of_growing_crop(ndf)
    on_scale, on_log = to_scale(rfv, falls=True), np.log(rfv)
    assert share_off_the_line(ndf, on_scale) < share_off_the_line(ndf, on_log) / 10


@settings(deadline=None)
@given(st.floats(min_value=60.0, max_value=350.0), st.floats(min_value=0.1, max_value=10.0))
def test_points_to_scale_is_the_derivative(at: float, points: float) -> None:
    step = at * 1e-5
    slope = (to_scale(at - step, falls=True) - to_scale(at + step, falls=True)) / (2 * step)
    assert float(points_to_scale(points, at, falls=True)) == pytest.approx(
        float(slope) * points, rel=1e-8
    )


def test_points_to_scale_works_on_arrays() -> None:
    steps = points_to_scale([4.0, 4.0], [185.0, 150.0], falls=True)
    one_by_one = [float(points_to_scale(4.0, at, falls=True)) for at in (185.0, 150.0)]
    np.testing.assert_array_equal(steps, one_by_one)


def test_laboratory_error_has_a_constant_size_on_the_scale() -> None:
    # Meyer, D., n.d., Learning about forage labs: within one laboratory about 1.4 NDF and 1.0 ADF.
    # Taken as independent standard deviations and carried through the RFV equation (our
    # arithmetic) they give 5.6 points at RFV 152 and 8.0 at RFV 188.
    adf, ndf, step = np.array([30.0, 26.0]), np.array([40.0, 34.0]), 1e-4
    per_ndf = (quality.rfv(adf, ndf + step) - quality.rfv(adf, ndf - step)) / (2 * step)
    per_adf = (quality.rfv(adf + step, ndf) - quality.rfv(adf - step, ndf)) / (2 * step)
    rfv_sd = np.hypot(1.4 * per_ndf, 1.0 * per_adf)
    np.testing.assert_allclose(rfv_sd, [5.6, 8.0], atol=0.05)
    on_scale = points_to_scale(rfv_sd, quality.rfv(adf, ndf), falls=True)
    assert on_scale[0] == pytest.approx(on_scale[1], rel=0.05)
    assert rfv_sd[1] / rfv_sd[0] > 1.4
