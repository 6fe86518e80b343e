"""How far off one field's start may be, and what one more clip would narrow it by.

Days are counted from the sampling day.
"""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from clipped import NDF, SAMPLED, WET, DenseOf, Field, Look, LookAt, Plan, clip, days_after
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import (
    DAYS_SHOWN,
    HORIZON_DAYS,
    FieldOutlook,
)
from alerts.domain.records import Index, Method, WhichLoad

# --- ranges

VALUES = {Index.RFV: (90.0, 320.0), Index.RFQ: (90.0, 320.0), Index.NDF: (25.0, 55.0)}


@st.composite
def situations(draw: st.DrawFn) -> dict[str, Any]:
    index = draw(st.sampled_from(list(Index)))
    low, high = VALUES[index]
    days = draw(st.lists(st.integers(0, 20), min_size=1, max_size=5))
    return {
        "rows": [clip(draw(st.floats(low, high)), after=day) for day in days],
        "after": draw(st.integers(20, 25)),
        "cutting": draw(st.integers(1, 4)),
        "grass_pct": draw(st.floats(0, 100)),
        "harvest_days": draw(st.floats(0, 20)),
        "which_load": draw(st.sampled_from(list(WhichLoad))),
        **(NDF if index is Index.NDF else {"index": index}),
    }


@settings(deadline=None)
@given(situations())
def test_range_is_in_order_and_waiting_never_helps(
    look_at: LookAt, situation: dict[str, Any]
) -> None:
    rows = situation.pop("rows")
    outlook = look_at(*rows, **situation)
    beyond = SAMPLED + timedelta(days=situation["after"] + HORIZON_DAYS + 1)
    for start in (outlook.start, outlook.tightest.start):
        assert (start.p10 or beyond) <= (start.median or beyond) <= (start.p90 or beyond)
        assert all(sooner <= later for sooner, later in pairwise(start.waiting))
        assert len(start.waiting) == DAYS_SHOWN
    for day in outlook.tightest.days:
        assert day.low <= day.median <= day.high


@settings(deadline=None)
@given(situations(), st.integers(0, 30), st.integers(0, 30))
def test_longer_notice_raises_the_chance_that_the_start_falls_within_it(
    look_at: LookAt, situation: dict[str, Any], one: int, other: int
) -> None:
    rows = situation.pop("rows")
    short, long = (
        look_at(*rows, notice_days=notice, **situation).start.chance_within_notice
        for notice in sorted((one, other))
    )
    assert 0.0 <= short <= long <= 1.0


def test_chance_within_notice_is_even_when_the_notice_reaches_the_median(look_at: LookAt) -> None:
    # our arithmetic: NDF 31 is 38 in 12.73 days, so the start is in 10.73: not in 10, but in 11
    within = {
        notice: look_at(clip(31.0), notice_days=notice, **NDF).start.chance_within_notice
        for notice in (9, 10)
    }
    assert within[9] < 0.5 < within[10]


def test_waiting_is_the_chance_that_a_later_start_misses(look_at: LookAt) -> None:
    start = look_at(clip(31.0), **NDF).start
    median = days_after(start.median)
    assert start.waiting[median] <= 0.5 < start.waiting[median + 1]


def width(field: FieldOutlook) -> float:
    return field.days[0].high - field.days[0].low


@pytest.mark.parametrize(
    ("index", "value"), [(Index.RFV, 205.0), (Index.RFQ, 205.0), (Index.NDF, 35.0)]
)
def test_less_exact_results_give_wider_ranges(look_at: LookAt, index: Index, value: float) -> None:
    farm = NDF if index is Index.NDF else {"index": index}
    kinds: list[dict[str, Any]] = [
        {},
        {"method": Method.NIR},
        {"method": Method.STEM, "spots": 5},
        {"method": Method.STEM, "spots": 1},
    ]
    outlooks = [look_at(clip(value, **kind), **farm) for kind in kinds]
    widths = [width(outlook.tightest) for outlook in outlooks]
    assert widths == sorted(widths)
    assert len(set(widths)) == len(kinds)
    dates = [outlook.start for outlook in outlooks]
    for sooner, later in pairwise(dates):
        span = [days_after(start.p90) - days_after(start.p10) for start in (sooner, later)]
        assert span[0] <= span[1]
    # the less exact, the more the wide prior of the area pulls at them
    medians = [days_after(start.median) for start in dates]
    assert max(medians) - min(medians) <= 1


@pytest.mark.parametrize("kind", [{}, {"method": Method.NIR}, {"method": Method.STEM, "spots": 5}])
def test_sampling_late_in_the_day_widens_the_range(look_at: LookAt, kind: dict[str, Any]) -> None:
    early = look_at(clip(35.0, **kind), **NDF).tightest
    late = look_at(clip(35.0, late=True, **kind), **NDF).tightest
    assert width(late) > width(early)


def test_range_of_one_ndf_result_follows_from_the_guidelines(
    look_at: LookAt, guidelines: GuidelineSet
) -> None:
    # our arithmetic: error of the result and of its day against the nearly free level of the area
    # around 38; 1.2816 standard deviations each way hold 80 % of a normal one (normal table)
    value = guidelines.value
    var = value("result_sd.wet.ndf") ** 2 + value("visit_sd.any.ndf") ** 2
    free = value("area_level.ndf") ** 2 + value("field_level.ndf") ** 2
    middle = (35.0 * free + 38.0 * var) / (free + var)
    sd = np.sqrt(var * free / (free + var))
    today = look_at(clip(35.0), **NDF).tightest.days[0]
    assert today.median == pytest.approx(middle, abs=0.02)
    assert today.high == pytest.approx(middle + 1.2816 * sd, abs=0.02)
    assert today.low == pytest.approx(middle - 1.2816 * sd, abs=0.02)


@pytest.mark.parametrize("ndf", [28.0, 31.0, 35.0])
def test_start_range_of_one_ndf_result_holds_80_percent(
    look_at: LookAt, dense: DenseOf, ndf: float
) -> None:
    # our arithmetic: the mean is 1.2816 standard deviations (normal table) from 38, less 2 days of
    # harvest. Error of result, day and rate and the straying calendar, all from the guidelines;
    # between the published spreads and fields twice less alike.
    start = look_at(clip(ndf), **NDF).start
    for found, away in ((start.p10, 1.2816), (start.median, 0.0), (start.p90, -1.2816)):
        days = [dense(apart=apart).reached([(0, 0.0, ndf)], 0, 38.0, away) - 2 for apart in (1, 2)]
        assert np.floor(min(days)) <= days_after(found) <= np.floor(max(days))
        if not away:
            assert days_after(found) == np.floor(days[0])


def test_range_of_days_ahead_follows_from_rate_and_straying_calendar(
    look_at: LookAt, dense: DenseOf
) -> None:
    for ahead, day in enumerate(look_at(clip(31.0), **NDF).tightest.days):
        mean, sd = dense().at([(0, 0.0, 31.0)], 0, float(ahead))
        loosest = dense(apart=2.0).at([(0, 0.0, 31.0)], 0, float(ahead))[1]
        assert day.median == pytest.approx(mean, abs=0.04)
        assert 1.2816 * sd - 0.01 <= (day.high - day.low) / 2 <= 1.2816 * loosest + 0.01


@pytest.mark.parametrize("spots", [3, 4, 10])
def test_three_spots_or_more_make_a_mean(look_at: LookAt, spots: int) -> None:
    def stem(spots: int) -> float:
        return width(look_at(clip(205.0, method=Method.STEM, spots=spots)).tightest)

    assert stem(spots) == stem(5) < stem(2) == stem(1)


@pytest.mark.parametrize("which_load", list(WhichLoad))
def test_start_far_off_is_beyond_the_horizon(look_at: LookAt, which_load: WhichLoad) -> None:
    outlook = look_at(
        clip(390.0), cutting=3, feed_target=100.0, handling_loss=15.0, which_load=which_load
    )
    assert outlook.start.median is None
    assert outlook.start.p90 is None


# --- what one more sample is worth


def test_clip_is_worth_less_the_more_results_there_are(look_at: LookAt) -> None:
    rows = [clip(30.0 + 0.55 * day, after=day) for day in range(0, 18, 3)]
    worth = [
        look_at(*rows[-count:], after=15, **NDF).tightest.sample_worth_days for count in (1, 3, 6)
    ]
    assert worth[0] > worth[1] > worth[2] > 0


def test_clip_of_an_unsampled_field_is_worth_more(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill")]
    (found,) = look([farm_plan(**NDF)], fields, [clip(33.0)], SAMPLED)
    worth = {field.name: field.sample_worth_days for field in found.fields}
    assert worth["Hill"] > worth["Creek"] > 0


def test_worth_of_a_clip_is_what_it_would_narrow(look_at: LookAt, dense: DenseOf) -> None:
    # our arithmetic: NIR on the third day from now (error 1.8, guidelines), a Gaussian does not
    # mind what it will read. With n further wet clips of that day the variance where 38 is reached
    # would be v0 - c^2 / (v + (1.4^2 / n) + 1.5^2); 1.4^2 / n is the error of NIR where n = 0.605
    model = dense()
    row = (0, 0.0, 31.0)
    there = model.reached([row], 0, 38.0, 0.0)
    before = model.at([row], 0, there)[1]
    value = model.guidelines.value
    then = model.at([row], 0, 3.0)[1]
    free = value("visit_sd.any.ndf") ** 2 + value("result_sd.wet.ndf") ** 2
    wet = before**2 - model.at([row, (0, 3.0, 32.65)], 0, there)[1] ** 2
    learnt = wet * (then**2 + free) / (then**2 + free + 1.8**2 - 1.4**2)
    days = 2 * 1.2816 * (before - np.sqrt(before**2 - learnt)) / 0.55
    found = look_at(clip(31.0), **NDF).tightest.sample_worth_days
    assert found == pytest.approx(days, rel=0.1)


@pytest.mark.parametrize(("method", "spots", "wider"), [(Method.STEM, 5, 1.5), (WET, 0, 1.0)])
def test_stem_readings_of_a_regrowth_count_with_a_wider_error(
    look_at: LookAt, guidelines: GuidelineSet, method: Method, spots: int, wider: float
) -> None:
    # extension.org Dairy, n.d., Predicting optimum time of alfalfa harvest: the stem method was
    # good on the first cutting and not adequate on the third; the factor 1.5 is our judgement
    kind = "stem_mean" if method is Method.STEM else "wet"
    sd = guidelines.value(f"result_sd.{kind}.ndf")
    visit = guidelines.value("visit_sd.any.ndf")
    widths = []
    for cutting in (1, 2):
        row = clip(35.0, method=method, spots=spots)
        today = look_at(row, cutting=cutting, **NDF).tightest.days[0]
        widths.append(today.high - today.low)
    expected = np.hypot(sd * wider, visit) / np.hypot(sd, visit)
    assert widths[1] / widths[0] == pytest.approx(expected, rel=0.03)
