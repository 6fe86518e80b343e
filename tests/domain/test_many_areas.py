"""Areas looked at together say what each of them says by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from area_rows import FieldPlan, ResultRow, one_area

from alerts.domain.area_clock import DailyHeat
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, StartDates, look_ahead
from alerts.domain.records import Index, Method, WhichLoad
from alerts.domain.snapshot import FarmPlan, FieldTable, ResultTable, Snapshot

TODAY = date(2031, 5, 20)
METHODS = Method.NIR, Method.WET_CHEMISTRY, Method.STEM


def area_of(seed: int, *, farms: int, sampled: float, days: int, warm: bool = False) -> Snapshot:
    """An invented area: farms of one to five fields with different wishes, some cut already."""
    rng = np.random.default_rng(seed)
    plans, fields, rows = list[FarmPlan](), list[FieldPlan](), list[ResultRow]()
    level = 210 + rng.normal(0, 20)
    for farm in range(farms):
        index = list(Index)[rng.integers(3)]
        plans.append(
            FarmPlan(
                id=100 * seed + farm,
                name=f"Farm {farm}",
                index=index,
                feed_target=40.0 if index is Index.NDF else 150.0,
                handling_loss=2.0 if index is Index.NDF else 20.0,
                harvest_days=float(rng.integers(1, 6)),
                which_load=list(WhichLoad)[rng.integers(2)],
                notice_days=5,
            )
        )
        for number in range(rng.integers(1, 6)):
            cut = rng.random() < 0.15
            fields.append(
                FieldPlan(
                    id=1000 * seed + 10 * farm + number,
                    farm=farm,
                    name=f"Field {number}",
                    cutting=2 if cut else 1,
                    acres=None if rng.random() < 0.3 else float(rng.integers(5, 40)),
                    grass_pct=float(rng.choice([0, 20, 60])),
                    watched=True,
                    soil=str(rng.choice(["", "sandy loam"])),
                    slope=str(rng.choice(["", "south"])),
                    cut_on=TODAY - timedelta(days=20) if cut else None,
                )
            )
            if rng.random() < sampled:
                for ago in sorted(rng.choice(days, size=rng.integers(1, 5)), reverse=True):
                    rfv = level + 4.0 * float(ago) + rng.normal(0, 10)
                    speaks = rng.random() < 0.8
                    rows.append(
                        (
                            len(fields) - 1,
                            TODAY - timedelta(days=int(ago)),
                            rfv if speaks else None,
                            rfv - 8 if rng.random() < 0.3 else None,
                            36.0 - 0.4 * float(ago) if not speaks else None,
                            METHODS[rng.integers(3)],
                            3,
                            bool(rng.random() < 0.2),
                        )
                    )
    heat = None
    if warm:
        day = np.arange(date(2031, 3, 1).toordinal(), TODAY.toordinal() + 6)
        high = 60 + 0.25 * (day - day[0]) + rng.normal(0, 6, day.size)
        heat = DailyHeat(day, high, high - 20)
    return one_area(plans, fields, rows, heat=heat)


def together(areas: Sequence[Snapshot]) -> Snapshot:
    """Areas as one snapshot, one after the other."""
    farms = np.cumsum([0, *(len(area.farms) for area in areas)])
    fields = np.cumsum([0, *(area.fields.id.size for area in areas)])

    def joined(tables: Sequence[object], name: str, shifts: Sequence[int] | None = None) -> object:
        columns = [getattr(table, name) for table in tables]
        if not isinstance(columns[0], np.ndarray):
            return [value for column in columns for value in column]
        if shifts is not None:
            columns = [column + shift for column, shift in zip(columns, shifts, strict=False)]
        return np.concatenate(columns)

    field_tables, result_tables = [a.fields for a in areas], [a.results for a in areas]
    return Snapshot(
        areas=tuple(replace(a.areas[0], id=k) for k, a in enumerate(areas)),
        farms=tuple(farm for area in areas for farm in area.farms),
        area=np.repeat(np.arange(len(areas)), [len(area.farms) for area in areas]),
        fields=FieldTable(
            **{
                name: joined(field_tables, name, farms.tolist() if name == "farm" else None)
                for name in FieldTable.__slots__
            }
        ),
        results=ResultTable(
            **{
                name: joined(result_tables, name, fields.tolist() if name == "field" else None)
                for name in ResultTable.__slots__
            }
        ),
        season_first_day=areas[0].season_first_day,
    )


def assert_alike(one: FarmOutlook, other: FarmOutlook) -> None:
    """The same but for the last digit that is kept."""
    assert (one.farm, one.cutting, one.under_way, one.rough, one.follows_heat) == (
        other.farm,
        other.cutting,
        other.under_way,
        other.rough,
        other.follows_heat,
    )
    assert [field.field_id for field in one.fields] == [field.field_id for field in other.fields]
    assert_same_dates(one.start, other.start)
    for mine, its in zip(one.fields, other.fields, strict=True):
        assert_same_dates(mine.start, its.start)
        for name in ("days", "start", "meets_today", "sample_worth_days", "change_per_day"):
            assert name in type(mine).__slots__
        bare = {
            "start": its.start,
            "days": its.days,
            "meets_today": its.meets_today,
            "sample_worth_days": its.sample_worth_days,
            "change_per_day": its.change_per_day,
        }
        assert replace(mine, **bare) == its
        assert mine.meets_today == pytest.approx(its.meets_today, abs=2e-4)
        assert mine.sample_worth_days == pytest.approx(its.sample_worth_days, abs=0.011)
        assert mine.change_per_day == pytest.approx(its.change_per_day, abs=0.021)
        for day, its_day in zip(mine.days, its.days, strict=True):
            assert day.day == its_day.day
            assert (day.median, day.low, day.high) == pytest.approx(
                (its_day.median, its_day.low, its_day.high), abs=0.011
            )


def assert_same_dates(one: StartDates, other: StartDates) -> None:
    assert (one.p10, one.median, one.p90) == (other.p10, other.median, other.p90)
    assert one.chance_within_notice == pytest.approx(other.chance_within_notice, abs=2e-4)
    assert one.waiting == pytest.approx(other.waiting, abs=2e-4)
    assert one.load == pytest.approx(other.load, abs=0.011)


AREAS = (
    area_of(1, farms=6, sampled=0.8, days=30),
    area_of(2, farms=1, sampled=1.0, days=10),
    area_of(3, farms=9, sampled=0.3, days=60, warm=True),
    area_of(4, farms=3, sampled=0.0, days=20),  # of which nothing is known
    area_of(5, farms=4, sampled=0.0, days=20, warm=True),  # of which heat alone is
    area_of(6, farms=12, sampled=0.6, days=5, warm=True),
)


def test_areas_together_say_what_each_says_alone(guidelines: GuidelineSet) -> None:
    both = look_ahead(together(AREAS), guidelines, TODAY)
    alone = [outlook for area in AREAS for outlook in look_ahead(area, guidelines, TODAY)]
    assert [outlook.farm.id for outlook in both] == [outlook.farm.id for outlook in alone]
    assert len(both) > 25
    for one, other in zip(both, alone, strict=True):
        assert_alike(one, other)


def test_each_area_has_a_sampling_day_of_its_own(guidelines: GuidelineSet) -> None:
    soon, late = TODAY + timedelta(days=1), TODAY + timedelta(days=6)
    area = AREAS[0]
    both = look_ahead(together([area, area]), guidelines, TODAY, [soon, late])
    half = len(both) // 2
    for day, mine in ((soon, both[:half]), (late, both[half:])):
        alone = look_ahead(area, guidelines, TODAY, [day])
        assert [f.sample_worth_days for o in mine for f in o.fields] == pytest.approx(
            [f.sample_worth_days for o in alone for f in o.fields], abs=0.011
        )


def test_area_of_which_nothing_is_known_has_no_outlook(guidelines: GuidelineSet) -> None:
    found = look_ahead(together([AREAS[3], AREAS[0]]), guidelines, TODAY)
    assert {outlook.farm.id // 100 for outlook in found} == {1}
