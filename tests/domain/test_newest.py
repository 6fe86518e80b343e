"""Which result is named for a farm without a sample: the middle of fields nearby, never one."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FieldOutlook
from alerts.domain.records import Index, Method

DAY = date(2031, 5, 12)
NIR, STEM = Method.NIR, Method.STEM


@pytest.fixture(scope="session")
def unsampled(look: Callable[..., Any], farm_plan: Any, field_plan: Any) -> Callable[..., Any]:
    """The field of a farm without a result, beside six fields of others; rows say field, days
    ago, value, method."""

    def of(*rows: tuple[Any, ...]) -> FieldOutlook:
        farms = [farm_plan(id=k, name=f"Farm {k}") for k in range(1, 8)]
        fields = [field_plan(k, f"Field {k}", farm=k - 1) for k in range(1, 8)]
        given = [
            (field, DAY - timedelta(days=ago), value, method, 1, False, *index)
            for field, ago, value, method, *index in rows
        ]
        found = look(farms, fields, given, DAY)
        return next(f for farm in found for f in farm.fields if farm.farm.id == 7)  # type: ignore[no-any-return]

    return of


def test_middle_of_the_newest_day_with_enough_fields_is_named(
    unsampled: Callable[..., FieldOutlook], guidelines: GuidelineSet
) -> None:
    assert guidelines.value("alerts.fields_for_area") == 3
    field = unsampled(
        *((k, 4, 200.0 + k, NIR) for k in range(4)),  # 200, 201, 202, 203
        *((k, 1, 190.0 + 10 * k, NIR) for k in range(2)),  # newer, of two fields only
    )
    assert (field.stands_in, field.is_area, field.area_fields) == ("Upper Vale", True, 4)
    assert (field.last_on, field.last_value) == (DAY - timedelta(days=4), 201.5)


def test_two_clips_of_a_field_are_one_field(unsampled: Callable[..., FieldOutlook]) -> None:
    field = unsampled((0, 1, 200.0, NIR), (0, 1, 210.0, NIR), (1, 1, 190.0, NIR))
    assert (field.last_value, field.area_fields, field.is_area) == (None, 0, True)
    field = unsampled(
        (0, 1, 200.0, NIR), (0, 1, 210.0, NIR), (1, 1, 190.0, NIR), (2, 1, 220.0, NIR)
    )
    assert (field.last_value, field.area_fields) == (205.0, 3)


def test_laboratories_come_before_newer_stem_readings(
    unsampled: Callable[..., FieldOutlook],
) -> None:
    stems = [(k, 0, 172.0, STEM) for k in range(3)]
    field = unsampled(*stems, *((k, 3, 205.0, NIR) for k in range(3, 6)))
    assert (field.last_value, field.last_on) == (205.0, DAY - timedelta(days=3))
    field = unsampled(*stems)
    assert (field.last_value, field.area_fields) == (172.0, 3)


def test_index_of_the_farm_comes_first(unsampled: Callable[..., FieldOutlook]) -> None:
    other = [(k, 0, 180.0, NIR, Index.RFQ) for k in range(3)]
    field = unsampled(*other)
    assert (field.last_value, field.last_index) == (180.0, Index.RFQ)
    field = unsampled(*other, *((k, 5, 205.0, NIR) for k in range(3)))
    assert (field.last_value, field.last_index) == (205.0, None)
