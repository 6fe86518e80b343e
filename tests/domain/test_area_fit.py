"""The area model with the published numbers put in.

Daily changes: Iowa State University Extension, 2022, Estimating first crop alfalfa harvest using
PEAQ (RFV 3 to 5 points a day); Smith, E., 2021, 1st cutting forage quality update: height guide
(NDF 0.4 to 0.7 units a day pure, 0.8 half grass, 1.0 grass); Iowa State University, 2005, Change in
yield and quality of alfalfa (second cutting 2 to 3, later 1 to 2 points of RFV).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from alerts.agronomy.index_exchange import rfv_from_ndf
from alerts.agronomy.scale import Floats, from_scale, to_scale
from alerts.domain.area_fit import (
    RESULT_KINDS,
    AreaFit,
    Evidence,
    Stands,
    fit_area,
    numbered_visits,
    prior_rate,
    stray_sd,
)
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

NIR = RESULT_KINDS.index("nir")


def stands(fields: int = 1, cutting: int = 1, grass_pct: float = 0.0) -> Stands:
    return Stands(
        unit=np.zeros(fields, dtype=np.intp),
        cutting=np.full(fields, cutting),
        grass_pct=np.full(fields, grass_pct),
        earlier_days=np.zeros(fields),
    )


def evidence(days: list[int], *, field: list[int] | None = None, **values: list[float]) -> Evidence:
    """Results on calendar days counted from the newest; indexes not given are NaN."""
    unsaid = [np.nan] * len(days)
    given: dict[str, Floats] = {
        name: np.array(values.get(name, unsaid), dtype=np.float64) for name in Index
    }
    return Evidence(
        field=np.array(field or [0] * len(days), dtype=np.intp),
        day=np.array(days, dtype=np.intp),
        clock=np.array(days, dtype=np.float64),
        kind=np.full(len(days), NIR),
        late=np.zeros(len(days), dtype=np.bool_),
        **given,
    )


def fit(guidelines: GuidelineSet, known: Evidence, index: Index, fields: int = 1) -> AreaFit:
    return fit_area(stands(fields), known, index, guidelines, origin=0.0)


def index_today(fitted: AreaFit, clock: float = 0.0) -> Floats:
    return from_scale(fitted.line(clock)[0], falls=fitted.index.falls)


# ------------------------------------------------------------- published numbers


@pytest.mark.parametrize(
    ("cutting", "at", "low", "high"),
    [(1, 185.0, 3.0, 5.0), (2, 170.0, 2.0, 3.0), (3, 165.0, 1.0, 2.0)],
)
def test_rfv_falls_as_published(
    guidelines: GuidelineSet, cutting: int, at: float, low: float, high: float
) -> None:
    x = to_scale(at, falls=True)
    a_day = at - from_scale(x + prior_rate(guidelines, Index.RFV, cutting, 0.0), falls=True)
    assert low <= float(a_day) <= high


@pytest.mark.parametrize(
    ("grass_pct", "low", "high"), [(0, 0.4, 0.7), (50, 0.8, 0.8), (100, 0.8, 1.2)]
)
def test_ndf_climbs_as_published(
    guidelines: GuidelineSet, grass_pct: float, low: float, high: float
) -> None:
    assert low <= float(prior_rate(guidelines, Index.NDF, 1, grass_pct)) <= high


def test_daily_change_of_a_stand_between_two_published_ones(guidelines: GuidelineSet) -> None:
    rates = prior_rate(guidelines, Index.NDF, 1, [0.0, 25.0, 50.0])
    assert rates[1] == pytest.approx((rates[0] + rates[2]) / 2)


def test_cuttings_after_the_third_go_on_like_it(guidelines: GuidelineSet) -> None:
    assert prior_rate(guidelines, Index.RFV, 6, 0.0) == prior_rate(guidelines, Index.RFV, 3, 0.0)


def test_clock_strays_like_a_sum_of_days_that_hang_together(guidelines: GuidelineSet) -> None:
    # variance of a sum, written out over all pairs of days
    sd, rho = (guidelines.value(f"clock.pace_{part}") for part in ("sd", "autocorrelation"))
    for days in (1, 2, 7, 20):
        apart = np.abs(np.subtract.outer(np.arange(days), np.arange(days)))
        expected = sd * np.sqrt(np.sum(rho**apart))
        assert float(stray_sd(days, guidelines)) == pytest.approx(expected)
    assert float(stray_sd(0.0, guidelines)) == 0.0


# ------------------------------------------------------------------------- fits


def test_one_result_goes_on_at_the_published_change(guidelines: GuidelineSet) -> None:
    fitted = fit(guidelines, evidence([0], rfv=[205.0]), Index.RFV)
    today, later = index_today(fitted), index_today(fitted, 5.0)
    assert today[0] == pytest.approx(205.0, abs=3.0)
    assert 3.0 <= (today[0] - later[0]) / 5 <= 5.5


def test_evidence_in_ndf_serves_an_rfv_target_with_less_weight(guidelines: GuidelineSet) -> None:
    own = fit(guidelines, evidence([0, -4], rfv=[170.0, 185.0]), Index.RFV)
    ndf = [36.0, 34.0]
    foreign = fit(guidelines, evidence([0, -4], ndf=ndf), Index.RFV)
    assert index_today(foreign)[0] == pytest.approx(float(rfv_from_ndf(36.0)), abs=12.0)
    assert foreign.line(0.0)[1][0] > 1.5 * own.line(0.0)[1][0]


def test_a_result_in_the_index_itself_is_never_replaced(guidelines: GuidelineSet) -> None:
    plain = fit(guidelines, evidence([0, -4], rfv=[170.0, 185.0]), Index.RFV)
    both = fit(guidelines, evidence([0, -4], rfv=[170.0, 185.0], ndf=[50.0, 48.0]), Index.RFV)
    np.testing.assert_array_equal(both.line(3.0), plain.line(3.0))


def test_results_without_any_index_take_no_part(guidelines: GuidelineSet) -> None:
    fitted = fit(guidelines, evidence([0, -4], rfv=[170.0, np.nan]), Index.RFV)
    np.testing.assert_array_equal(fitted.used, [True, False])


def test_a_clip_late_in_the_day_counts_less(guidelines: GuidelineSet) -> None:
    known = evidence([0, 0], field=[0, 1], rfv=[170.0, 170.0])
    late = replace(known, late=np.array([False, True]))
    var = fit(guidelines, late, Index.RFV, fields=2).line(0.0)[1]
    assert var[1] > var[0]


def test_a_clock_that_knows_the_weather_says_more(guidelines: GuidelineSet) -> None:
    days, field = np.tile(np.arange(-21, 1, 3), 8), np.repeat(np.arange(8), 8)
    known = evidence(days.tolist(), field=field.tolist(), ndf=(38.0 + 0.55 * days).tolist())
    told, untold = (
        fit_area(stands(8), known, Index.NDF, guidelines, origin=0.0, weather_known=weather)
        for weather in (True, False)
    )
    assert (told.line(10.0)[1] < 0.97 * untold.line(10.0)[1]).all()


def test_the_origin_of_the_clock_does_not_matter(guidelines: GuidelineSet) -> None:
    known = evidence([0, -3, -7], ndf=[38.0, 36.0, 35.0])
    for robust in (True, False):
        here, there = (
            fit_area(stands(), moved, Index.NDF, guidelines, origin=at, robust=robust).line(at + 6)
            for moved, at in ((known, 0.0), (replace(known, clock=known.clock + 150), 150.0))
        )
        np.testing.assert_allclose(there, here, rtol=1e-9)


def test_sampling_days_are_numbered_within_their_area() -> None:
    unit = np.array([1, 0, 0, 1, 1, 0])
    day = np.array([130, 131, 128, 130, 121, 131])
    np.testing.assert_array_equal(numbered_visits(unit, day), [1, 1, 0, 1, 0, 1])
    assert numbered_visits(unit[:0], day[:0]).size == 0


@pytest.mark.parametrize("index", [Index.NDF, Index.RFV])
def test_areas_with_clocks_and_weather_of_their_own_are_fitted_as_each_alone(
    guidelines: GuidelineSet, index: Index
) -> None:
    # three fields each: sampled with weather, known by their heat alone, and sampled by calendar
    unit = np.repeat(np.arange(3), 3)
    plan = Stands(unit, np.ones(9, dtype=np.intp), np.array([0.0, 50.0, 0.0] * 3), np.zeros(9))
    known = evidence([0, -3, -7, 0, -4], field=[0, 1, 0, 6, 8], ndf=[38.0, 36.0, 35.0, 41.0, 37.0])
    origin, weather = np.array([120.0, 95.0, 300.0]), np.array([True, True, False])
    known = replace(known, clock=known.clock + origin[unit[known.field]])
    ndf, ndf_sd = np.array([np.nan, 33.0, np.nan]), np.array([np.nan, 2.5, np.nan])
    whole = fit_area(
        plan,
        known,
        index,
        guidelines,
        origin=origin,
        units=3,
        weather_known=weather,
        area_ndf=(ndf, ndf_sd),
    )
    clock = origin[unit] + 4.0
    for area in range(3):
        fields, mine = slice(3 * area, 3 * area + 3), unit[known.field] == area
        rows = {name: getattr(known, name)[mine] for name in (*Index, "day", "clock")}
        alone = fit_area(
            Stands(unit[:3] * 0, plan.cutting[:3], plan.grass_pct[:3], plan.earlier_days[:3]),
            replace(
                known,
                **rows,
                field=known.field[mine] - 3 * area,
                kind=known.kind[mine],
                late=known.late[mine],
            ),
            index,
            guidelines,
            origin=float(origin[area]),
            weather_known=bool(weather[area]),
            area_ndf=None if np.isnan(ndf[area]) else (ndf[area], ndf_sd[area]),
        )
        for one, other in zip(whole.line(clock), alone.line(clock[fields]), strict=True):
            np.testing.assert_allclose(one[fields], other, rtol=1e-9)
    assert whole.origin.tolist() == origin.tolist()
