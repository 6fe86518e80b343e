"""Odd and missing things: absurd results, stands of which little is known, regrowth.

Days are counted from the sampling day.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from clipped import NDF, SAMPLED, DenseOf, Field, Look, LookAt, Plan, clip, days_after

from alerts.domain.outlook import FieldOutlook
from alerts.domain.records import WhichLoad


def width(field: FieldOutlook) -> float:
    return field.days[0].high - field.days[0].low


# --- odd and missing things


def test_results_all_of_one_day_leave_the_published_rate(look_at: LookAt, dense: DenseOf) -> None:
    rows = [clip(value) for value in (33.0, 34.0, 35.0)]
    field = look_at(*rows, **NDF).tightest
    assert field.change_per_day == pytest.approx(0.55, abs=0.011)
    mean, sd = dense().at([(0, 0.0, value) for value in (33.0, 34.0, 35.0)], 0, 0.0)
    assert field.days[0].median == pytest.approx(mean, abs=0.04)
    # the shift of the day is not averaged out: 1.5 remains whatever is clipped on it
    assert width(field) == pytest.approx(2 * 1.2816 * sd, rel=0.03)
    assert width(field) > 2 * 1.2816 * 1.4


def test_quality_that_rises_with_time_still_ends_in_a_date(look_at: LookAt, dense: DenseOf) -> None:
    # a crop of 34 that tests 32 nine days on matures more slowly than published, but does mature
    results = [(0, float(day), 34.0 - day / 4.5) for day in (0, 3, 6, 9)]
    found = look_at(*(clip(value, after=int(day)) for _, day, value in results), after=9, **NDF)
    assert 0 < found.tightest.change_per_day < 0.55
    days = [
        dense(apart=times, pace=times).reached(results, 0, 38.0, 0.0) - 2 for times in (1.0, 2.0)
    ]
    assert np.floor(days[0]) <= days_after(found.start.median) <= np.floor(days[1])


SOUND = [30.0 + 0.55 * day for day in range(0, 18, 3)]
"""Six results, three days apart, that rise as published."""


@pytest.mark.parametrize("odd", [22.0, 48.0])
@pytest.mark.parametrize("place", [1, 3, 5])
def test_one_absurd_result_among_neighbors_moves_the_date_little(
    look: Look, farm_plan: Plan, field_plan: Field, odd: float, place: int
) -> None:
    # issue: one odd sampling day cannot swing the date. An error of 10 and more, taken as it
    # stands in the last of six, moves today's level by several units, that is by more than a week.
    fields = [field_plan(1, "Creek"), *(field_plan(i, f"F{i}", farm=1) for i in (2, 3))]
    farms = [farm_plan(id=1, **NDF), farm_plan(id=2, name="Birch Run", **NDF)]

    def median(bag: float) -> int:
        rows = [
            (of, *clip(bag if (of, at) == (0, place) else value, after=3 * at)[1:])
            for at, value in enumerate(SOUND)
            for of in range(3)
        ]
        alder, _ = look(farms, fields, rows, SAMPLED + timedelta(days=15))
        assert alder.tightest.results == 6
        return days_after(alder.start.median)

    assert abs(median(odd) - median(SOUND[place])) <= 2


def six(look_at: LookAt, place: int, value: float) -> int:
    """Median start of a lone field with six results, one of them replaced."""
    values = [value if at == place else sound for at, sound in enumerate(SOUND)]
    rows = [clip(value, after=3 * at) for at, value in enumerate(values)]
    return days_after(look_at(*rows, after=15, **NDF).start.median)


@pytest.mark.parametrize("odd", [22.0, 48.0])
@pytest.mark.parametrize("place", [1, 3])
def test_one_absurd_result_of_a_lone_field_moves_the_date_less_than_a_mean_would(
    look_at: LookAt, odd: float, place: int
) -> None:
    # our arithmetic: the plain mean of six moves by a sixth of the error, 0.55 a day
    plain = abs(odd - SOUND[place]) / 6 / 0.55
    assert abs(six(look_at, place, odd) - six(look_at, place, SOUND[place])) < plain


@pytest.mark.parametrize("odd", [22.0, 48.0])
@pytest.mark.parametrize("place", [0, 5])
def test_absurd_first_or_newest_result_of_a_lone_field_moves_the_date_less_than_a_week(
    look_at: LookAt, odd: float, place: int
) -> None:
    # at the end of the line, where an error of 10 and more bears on its slope as well
    assert abs(six(look_at, place, odd) - six(look_at, place, SOUND[place])) < 7


@pytest.mark.parametrize(
    ("said", "earlier"),
    [
        ({"soil": "Sandy loam"}, 1.0),
        ({"soil": "light"}, 1.0),
        ({"slope": "South"}, 1.0),
        ({"slope": "north"}, -1.0),
        ({"soil": "gravel", "slope": "south-west"}, 2.0),
        ({"soil": "clay", "slope": "east"}, 0.0),
        ({"grass_pct": 10.0}, 4.0),
    ],
)
def test_unsampled_field_is_earlier_by_its_stand(
    look: Look, farm_plan: Plan, field_plan: Field, said: dict[str, Any], earlier: float
) -> None:
    # shipped offsets of a day for light soil and slope (direction published, size our judgement);
    # 10 % grass is 2.2 units of NDF (CCE: at one date grass stands 23 units above alfalfa), which
    # takes 4 days at 0.55
    fields = [field_plan(1, "Creek"), field_plan(2, "Plain"), field_plan(3, "Hill", **said)]
    (found,) = look([farm_plan(**NDF)], fields, [clip(33.0)], SAMPLED)
    today = {field.name: field.days[0].median for field in found.fields}
    assert today["Hill"] - today["Plain"] == pytest.approx(0.55 * earlier, abs=0.02)


def test_regrowth_is_as_far_on_as_it_is_old(look: Look, farm_plan: Plan, field_plan: Field) -> None:
    # our arithmetic: cut 10 days apart, 0.39 a day in the second cutting: 3.9 units of NDF apart
    def cut(days: int) -> date:
        return SAMPLED - timedelta(days=days)

    fields = [
        field_plan(1, "Creek", cutting=2, cut_on=cut(25)),
        field_plan(2, "Early", cutting=2, cut_on=cut(30)),
        field_plan(3, "Late", cutting=2, cut_on=cut(20)),
        field_plan(4, "Unsaid", cutting=2),
    ]
    (found,) = look([farm_plan(**NDF)], fields, [clip(33.0)], SAMPLED)
    today = {field.name: field.days[0].median for field in found.fields}
    assert today["Early"] - today["Late"] == pytest.approx(3.9, abs=0.02)
    assert today["Unsaid"] == pytest.approx((today["Early"] + today["Late"]) / 2, abs=0.02)
    names = [field.name for field in found.fields]
    assert names.index("Early") < names.index("Unsaid") < names.index("Late")


@pytest.mark.parametrize("which_load", list(WhichLoad))
def test_harvest_of_no_days_starts_when_the_crop_meets_its_target(
    look_at: LookAt, which_load: WhichLoad
) -> None:
    # our arithmetic: (38 - 31) / 0.55 = 12.73
    start = look_at(clip(31.0), harvest_days=0.0, which_load=which_load, **NDF).start
    assert days_after(start.median) == 12


def test_same_input_gives_the_same_outlook(look_at: LookAt) -> None:
    rows = [clip(31.0), clip(33.5, after=4), clip(34.0, after=4)]
    assert look_at(*rows, after=5, **NDF) == look_at(*rows, after=5, **NDF)
