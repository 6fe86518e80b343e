"""How far one stem reading by one farm can move the date of another in its area."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import pytest
from area_rows import FieldPlan

from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Method
from alerts.domain.snapshot import FarmPlan

TODAY = date(2031, 5, 14)
NIR, STEM = Method.NIR, Method.STEM
LOW = 178.0
"""Thirty points below what the four sampled fields stand at."""

Look = Callable[[Sequence[tuple[Any, ...]]], list[FarmOutlook]]


@pytest.fixture(scope="session")
def look_around(
    look: Callable[..., tuple[FarmOutlook, ...]],
    farm_plan: Callable[..., FarmPlan],
    field_plan: Callable[..., FieldPlan],
) -> Look:
    """Five farms of a field each, four of them clipped twice, and some more results."""

    def at(more: Sequence[tuple[Any, ...]]) -> list[FarmOutlook]:
        farms = [farm_plan(id=k, name=f"Farm {k}", handling_loss=15.0) for k in range(1, 6)]
        fields = [field_plan(k, f"Field {k}", farm=k - 1) for k in range(1, 6)]
        clips = [
            (field, TODAY - timedelta(days=ago), value + off, NIR, 0, False)
            for field, off in enumerate((-6.0, 4.0, -2.0, 4.0))
            for ago, value in ((6, 232.0), (2, 216.0))
        ]
        return list(look(farms, fields, [*clips, *more], TODAY))

    return at


def shift(before: FarmOutlook, after: FarmOutlook) -> float:
    """Days by which the crop turns out riper than before, five days ahead."""
    old, new = before.tightest, after.tightest
    return (old.days[5].median - new.days[5].median) / old.change_per_day


def test_reading_of_an_unsampled_field_moves_others_by_half_a_day_at_most(
    look_around: Look,
) -> None:
    before = look_around([])
    after = look_around([(4, TODAY, LOW, STEM, 1, False)])
    moved = [shift(old, new) for old, new in zip(before[:4], after[:4], strict=True)]
    assert all(0.0 <= days <= 0.5 for days in moved)
    assert shift(before[4], after[4]) > 2.0  # its own date is another matter


def test_reading_of_a_sampled_field_moves_others_by_less_than_a_day(look_around: Look) -> None:
    before = look_around([])
    after = look_around([(3, TODAY, LOW, STEM, 1, False)])
    moved = [shift(old, new) for old, new in zip(before[:3], after[:3], strict=True)]
    assert all(0.0 <= days < 0.9 for days in moved)
    assert shift(before[3], after[3]) > max(moved)


def test_one_spot_says_less_than_the_mean_of_five_and_this_less_than_a_clip(
    look_around: Look,
) -> None:
    before = look_around([])[0]
    one, five, clip = (
        shift(before, look_around([(4, TODAY, LOW, method, spots, False)])[0])
        for method, spots in ((STEM, 1), (STEM, 5), (NIR, 0))
    )
    assert 0.0 < one < five < clip
