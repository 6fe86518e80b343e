"""Which results count for one field: its own, those in other indexes, those of nobody.

Days are counted from the sampling day.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, time, timedelta
from typing import Any

import numpy as np
import pytest
from area_rows import FieldPlan, ResultRow, one_area

from alerts.domain.evidence import index_values
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import (
    FarmOutlook,
    look_ahead,
)
from alerts.domain.records import Index, Method, Readings, Result, WhichLoad
from alerts.domain.snapshot import FarmPlan

SAMPLED = date(2031, 5, 12)
WET = Method.WET_CHEMISTRY

Look = Callable[..., tuple[FarmOutlook, ...]]
Plan = Callable[..., FarmPlan]
Field = Callable[..., FieldPlan]
LookAt = Callable[..., FarmOutlook]


RFQ = {"index": Index.RFQ}
NDF = {"index": Index.NDF, "feed_target": 40.0, "handling_loss": 2.0}


def clip(value: float | None, *, after: int = 0, **said: Any) -> tuple[Any, ...]:
    """A row of a wet-chemistry clip of field 0."""
    usual: dict[str, Any] = {"method": WET, "spots": 0, "late": False}
    return (0, SAMPLED + timedelta(days=after), value, *(usual | said).values())


def days_after(day: date | None) -> int:
    assert day is not None
    return (day - SAMPLED).days


# --- which results count


def test_result_without_any_index_does_not_count(look_at: LookAt) -> None:
    alone = look_at(clip(205.0), after=1)
    both = look_at(clip(205.0), clip(None, after=1), after=1)
    assert both == alone
    assert both.tightest.results == 1


def relative_width(outlook: FarmOutlook) -> float:
    """Width of today's 80 % range of RFV or RFQ on the scale 1/sqrt(index)."""
    day = outlook.tightest.days[0]
    return float(1 / np.sqrt(day.low) - 1 / np.sqrt(day.high))


def test_result_in_another_index_counts_with_a_wider_range_and_says_so(
    look_at: LookAt, guidelines: GuidelineSet
) -> None:
    # Undersander, D.; Berti, M., 2014, Check alfalfa hay for fibre digestibility: RFQ and RFV of a
    # lot may lie 40 to 50 points apart, so a shift of its own and a wider error come on top
    own, other = (look_at(clip(205.0, index=index), **RFQ) for index in (Index.RFQ, Index.RFV))
    assert (own.tightest.results, own.tightest.last_index) == (1, None)
    field = other.tightest
    assert (field.results, field.last_index, field.stands_in) == (0, Index.RFV, "")
    assert (field.last_on, field.last_value) == (SAMPLED, 205.0)
    assert not other.rough
    value = guidelines.value
    narrow = np.hypot(value("result_sd.wet.rfq"), value("visit_sd.any.rfq"))
    wide = np.hypot(narrow, np.hypot(value("other_index.rfq"), value("other_index_sd.rfq")))
    # the nearly free level of the area takes a few percent off the wide one
    level = np.hypot(value("area_level.rfq"), value("field_level.rfq"))
    wide, narrow = (sd / np.hypot(1.0, sd / level) for sd in (wide, narrow))
    assert relative_width(other) / relative_width(own) == pytest.approx(wide / narrow, rel=0.01)
    assert wide > 2 * narrow
    assert days_after(other.start.p10) < days_after(own.start.p10)
    assert days_after(other.start.p90) > days_after(own.start.p90)


@pytest.mark.parametrize("index", list(Index))
def test_result_in_the_index_of_the_farm_wins_over_another_of_the_same_bag(
    look: Look, farm_plan: Plan, field_plan: Field, guidelines: GuidelineSet, index: Index
) -> None:
    values = {Index.RFV: 230.0, Index.RFQ: 205.0, Index.NDF: 33.0}
    rows: list[ResultRow] = [
        (0, SAMPLED, rfv, rfq, ndf, WET, 0, False)
        for given in ([index], list(Index))
        for rfv, rfq, ndf in [[values[each] if each in given else None for each in Index]]
    ]
    farm = farm_plan(**(NDF if index is Index.NDF else {"index": index}))
    alone, with_others = (
        look_ahead(
            one_area([farm], [field_plan()], [row]),
            guidelines,
            SAMPLED,
        )
        for row in rows
    )
    assert alone == with_others
    assert alone[0].tightest.last_value == values[index]


def test_farm_with_own_results_is_hardly_moved_by_another_index_elsewhere(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    # RFV 230 next door says about 8 points of RFQ, within its own shift of 20: it is worth less
    # than a tenth of the own result, and less than a day
    farms = [farm_plan(id=1, index=Index.RFQ), farm_plan(id=2, name="Birch Run")]
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill", farm=1)]
    rows = [clip(205.0, after=-3), clip(203.0, after=-3), clip(205.0)]
    (alone,) = look(farms[:1], fields[:1], rows, SAMPLED)
    both = look(farms, fields, [*rows, (1, *clip(230.0)[1:])], SAMPLED)
    assert abs(both[0].tightest.days[0].median - alone.tightest.days[0].median) < 2.5
    assert abs(days_after(both[0].start.median) - days_after(alone.start.median)) <= 1
    assert both[0].tightest.results == 3
    assert both[0].tightest.last_index is None


def test_own_result_is_named_before_a_newer_one_of_another_index(look_at: LookAt) -> None:
    field = look_at(clip(205.0), clip(33.0, after=2, index=Index.NDF), after=2).tightest
    assert (field.results, field.last_value, field.last_index) == (1, 205.0, None)


def test_result_that_cannot_be_carried_over_says_nothing(look_at: LookAt, look: Look) -> None:
    # no alfalfa of RFV 45 has an NDF in the range of the equations
    assert look_at(clip(45.0)).tightest.results == 1
    farm = FarmPlan(1, "Alder Bend", Index.NDF, 40.0, 2.0, 2.0, WhichLoad.LAST, 5)
    field = FieldPlan(1, 0, "Creek", 1, None, 0.0, True)
    assert look([farm], [field], [clip(45.0, index=Index.RFV)], SAMPLED) == ()


def indexes_of(guidelines: GuidelineSet, **readings: float) -> dict[Index, float | None]:
    result = Result(
        row=2,
        field_label="Creek",
        farm_label="",
        sampled_on=SAMPLED,
        sampled_at=time(7),
        method=WET,
        lab="",
        lab_number="1",
        cutting=1,
        readings=Readings(**readings),
    )
    (values,) = index_values([result], [0.0], guidelines)
    return {Index.RFV: values.rfv, Index.RFQ: values.rfq, Index.NDF: values.ndf}


@pytest.mark.parametrize("printed", [Index.RFV, Index.RFQ], ids=str)
def test_rfv_and_rfq_are_never_read_as_one_another(
    guidelines: GuidelineSet,
    look: Look,
    farm_plan: Plan,
    field_plan: Field,
    printed: Index,
) -> None:
    values = indexes_of(guidelines, **{printed.value: 205.0})
    assert values == {index: 205.0 if index is printed else None for index in Index}
    for index in Index:
        row = clip(values[printed], index=printed)
        (found,) = look([farm_plan(index=index)], [field_plan()], [row], SAMPLED)
        assert found.tightest.results == (1 if index is printed else 0)
        assert found.tightest.last_index is (None if index is printed else printed)


def test_area_without_fields_has_no_outlook(look: Look, farm_plan: Plan) -> None:
    assert look([farm_plan()], [], [], SAMPLED) == ()


def test_field_without_results_has_no_outlook(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    assert look([farm_plan()], [field_plan()], [], SAMPLED) == ()
    assert look([farm_plan()], [field_plan()], [clip(None)], SAMPLED) == ()


def test_outlook_shows_the_last_result_of_its_field(look_at: LookAt) -> None:
    outlook = look_at(clip(220.0), clip(205.0, after=4), clip(212.0, after=2), after=5)
    field = outlook.tightest
    assert (field.results, field.last_on, field.last_value) == (
        3,
        SAMPLED + timedelta(days=4),
        205.0,
    )
    assert field.stands_in == ""
