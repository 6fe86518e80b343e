"""A farm of several fields: its order, its one start day, and the fields nobody sampled.

NDF throughout, where the arithmetic can be done by hand: 38 % standing wanted (40 stored, 2 gained
on the way), pure alfalfa rising 0.55 a day. Days are counted from the sampling day.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Index, Method, WhichLoad
from alerts.domain.snapshot import FarmPlan, FieldPlan

SAMPLED = date(2031, 5, 12)

Look = Callable[..., tuple[FarmOutlook, ...]]
Plan = Callable[..., FarmPlan]
Field = Callable[..., FieldPlan]
LookAt = Callable[..., FarmOutlook]


def clip(field: int, ndf: float) -> tuple[Any, ...]:
    return (field, SAMPLED, ndf, Method.WET_CHEMISTRY, 0, False)


@pytest.fixture(scope="session")
def look_at(look: Look, farm_plan: Plan) -> LookAt:
    """The outlook of one farm on the sampling day."""

    def at(fields: list[FieldPlan], *rows: tuple[Any, ...], **farm: Any) -> FarmOutlook:
        plan = farm_plan(index=Index.NDF, feed_target=40.0, handling_loss=2.0, **farm)
        (found,) = look([plan], fields, rows, SAMPLED)
        return found

    return at


def days_after(day: date | None) -> int:
    assert day is not None
    return (day - SAMPLED).days


def names(outlook: FarmOutlook) -> list[str]:
    return [field.name for field in outlook.fields]


# --- one crew, one start day


def test_farm_starts_on_the_latest_day_on_which_every_field_meets_its_target(
    look_at: LookAt, field_plan: Field
) -> None:
    # our arithmetic: Creek is due on day (38 - 35) / 0.55 = 5.45, Hill on (38 - 36) / 0.55 = 3.64,
    # so Hill goes first; five days each. Hill must start by 3.64 - 5 = -1.36, the farm for Creek
    # by 5.45 - 10 = -4.55, hence on the morning of day -5.
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill")]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0), harvest_days=10.0)
    assert names(outlook) == ["Hill", "Creek"]
    assert [field.own_days for field in outlook.fields] == [5.0, 5.0]
    assert [days_after(field.start.median) for field in outlook.fields] == [-2, 0]
    assert days_after(outlook.start.median) == -5


def test_field_due_first_can_decide_the_start_of_the_farm(
    look_at: LookAt, field_plan: Field
) -> None:
    # our arithmetic: Hill is due on day (38 - 37) / 0.55 = 1.82 and takes one day: start by 0.82;
    # Creek, due on (38 - 33) / 0.55 = 9.09 and done on the third day, would have time until 6.09
    fields = [field_plan(1, "Creek", acres=40.0), field_plan(2, "Hill", acres=20.0)]
    outlook = look_at(fields, clip(0, 33.0), clip(1, 37.0), harvest_days=3.0)
    assert names(outlook) == ["Hill", "Creek"]
    assert days_after(outlook.start.median) == 0
    assert outlook.tightest is outlook.fields[0]


def test_average_of_a_farm_weighs_its_fields_by_their_days(
    look_at: LookAt, field_plan: Field
) -> None:
    # our arithmetic: Hill (NDF 36) takes 2 of 8 days and goes first, Creek (35) takes 6; their
    # middles lie 1 and 5 days after the start S, so the crop averages
    # 0.25 (36 + 0.55 (S + 1)) + 0.75 (35 + 0.55 (S + 5)) = 37.45 + 0.55 S, which is 38 at S = 1;
    # for the last load Creek asks for (38 - 35) / 0.55 - 8 = -2.55
    fields = [field_plan(1, "Creek", acres=30.0), field_plan(2, "Hill", acres=10.0)]
    rows = (clip(0, 35.0), clip(1, 36.0))
    average = look_at(fields, *rows, harvest_days=8.0, which_load=WhichLoad.AVERAGE)
    assert days_after(average.start.median) == 1
    assert days_after(look_at(fields, *rows, harvest_days=8.0).start.median) == -3


@pytest.mark.parametrize("count", [2, 5])
def test_equal_fields_start_when_one_field_of_their_size_would(
    look_at: LookAt, field_plan: Field, count: int
) -> None:
    one = look_at([field_plan()], clip(0, 33.0), harvest_days=6.0)
    fields = [field_plan(i, f"Field {i}") for i in range(count)]
    split = look_at(fields, *(clip(i, 33.0) for i in range(count)), harvest_days=6.0)
    assert (split.start.p10, split.start.median, split.start.p90) == (
        one.start.p10,
        one.start.median,
        one.start.p90,
    )


def test_grassy_field_goes_before_pure_alfalfa_of_the_same_ndf(
    look_at: LookAt, field_plan: Field
) -> None:
    # common practice: grassiest first (Kaatz, P., 2010-2015, Growing degree days for timing first
    # cutting alfalfa: grassiest first, then purest alfalfa)
    fields = [
        field_plan(1, "Pure"),
        field_plan(2, "Grass", grass_pct=100.0),
        field_plan(3, "Half", grass_pct=50.0),
    ]
    outlook = look_at(fields, clip(0, 34.0), clip(1, 34.0), clip(2, 34.0))
    assert names(outlook) == ["Grass", "Half", "Pure"]


# --- days of the harvest


def test_days_are_shared_by_acres(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek", acres=45.0), field_plan(2, "Hill", acres=15.0)]
    outlook = look_at(fields, clip(0, 36.0), clip(1, 35.0), harvest_days=8.0)
    assert {field.name: field.own_days for field in outlook.fields} == {"Creek": 6.0, "Hill": 2.0}


def test_field_without_acres_takes_the_days_of_a_typical_one(
    look_at: LookAt, field_plan: Field
) -> None:
    fields = [
        field_plan(1, "Creek", acres=40.0),
        field_plan(2, "Hill", acres=20.0),
        field_plan(3, "Moss"),
    ]
    outlook = look_at(fields, *(clip(i, 35.0) for i in range(3)), harvest_days=9.0)
    days = {field.name: field.own_days for field in outlook.fields}
    assert days == pytest.approx({"Creek": 4.0, "Hill": 2.0, "Moss": 3.0})


def test_fields_without_any_acres_share_the_days_evenly(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill")]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0), harvest_days=5.0)
    assert [field.own_days for field in outlook.fields] == [2.5, 2.5]


# --- fields nobody sampled


def test_unsampled_field_goes_with_the_field_due_first_and_says_so(
    look_at: LookAt, field_plan: Field
) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill"), field_plan(3, "Moss")]
    outlook = look_at(fields, clip(0, 34.0), clip(1, 36.0), harvest_days=6.0)
    assert names(outlook) == ["Hill", "Moss", "Creek"]
    hill, moss, creek = outlook.fields
    assert (hill.stands_in, moss.stands_in, creek.stands_in) == ("", "Hill", "")
    assert (moss.results, moss.last_on, moss.last_value) == (0, SAMPLED, 36.0)
    assert moss.start == hill.start
    # our arithmetic: done on days 2, 4 and 6, due on 3.64, 3.64 and 7.27: Moss decides, -0.36
    assert days_after(outlook.start.median) == -1


def test_unsampled_field_of_another_farm_gets_no_outlook(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    farms = [farm_plan(id=1, name="Alder Bend"), farm_plan(id=2, name="Birch Run")]
    fields = [field_plan(1, "Creek", farm=0), field_plan(2, "Hill", farm=1)]
    rows = [(0, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False)]
    found = look(farms, fields, rows, SAMPLED)
    assert [outlook.farm.name for outlook in found] == ["Alder Bend"]


def test_farms_of_an_area_do_not_touch_one_another(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    farms = [
        farm_plan(id=1, name="Alder Bend"),
        farm_plan(id=2, name="Birch Run", index=Index.NDF, feed_target=40.0, handling_loss=2.0),
    ]
    fields = [field_plan(1, "Creek", farm=0), field_plan(2, "Hill", farm=1)]
    rows = [
        (0, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False),
        (1, SAMPLED, 35.0, Method.NIR, 0, True),
    ]
    both = look(farms, fields, rows, SAMPLED)
    alder = look(farms[:1], fields[:1], rows[:1], SAMPLED)
    birch = look(farms[1:], [field_plan(2, "Hill", farm=0)], [(0, *rows[1][1:])], SAMPLED)
    assert both == alder + birch


# --- cuttings


def test_field_already_cut_is_left_out_and_keeps_its_share_of_days(
    look_at: LookAt, field_plan: Field
) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill", cutting=2), field_plan(3, "Moss")]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 30.0), clip(2, 36.0), harvest_days=6.0)
    assert outlook.cutting == 1
    assert names(outlook) == ["Moss", "Creek"]
    assert [field.own_days for field in outlook.fields] == [2.0, 2.0]
    assert outlook.under_way
    # our arithmetic: Moss is due on 3.64 and done on 2, Creek due on 5.45 and done on 4
    assert days_after(outlook.start.median) == 1


def test_harvest_not_begun_is_not_under_way(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek", cutting=2), field_plan(2, "Hill", cutting=2)]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0))
    assert outlook.cutting == 2
    assert not outlook.under_way


def test_later_cutting_waits_until_the_present_one_is_done(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    # only the field on its second cutting has a result: nothing is known of the present harvest
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill", cutting=2)]
    rows = [(1, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False)]
    assert look([farm_plan()], fields, rows, SAMPLED) == ()


def test_field_that_does_not_mature_goes_last(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    # twice RFV 120, then twice 320: such results turn the line of a later cutting around
    fields = [field_plan(1, "Odd", cutting=3), field_plan(2, "Creek", cutting=3)]
    odd = [
        (0, SAMPLED - timedelta(days=back), value, Method.WET_CHEMISTRY, 0, False)
        for back, value in ((20, 120.0), (17, 120.0), (3, 320.0), (0, 320.0))
    ]
    rows = [*odd, (1, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False)]
    (outlook,) = look([farm_plan()], fields, rows, SAMPLED)
    assert [field.name for field in outlook.fields] == ["Creek", "Odd"]
    assert outlook.fields[1].start.median is None
