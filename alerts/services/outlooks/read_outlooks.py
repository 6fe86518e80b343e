"""The outlook of every field as people ask for it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from alerts.agronomy.goals import standing_target
from alerts.domain.records import Index
from alerts.store import outlooks, told_farms
from alerts.store.outlooks import FieldView
from alerts.store.session import Sessions
from alerts.store.tables import FieldOutlookRow


@dataclass(frozen=True, slots=True)
class FieldLine:
    """One field: its start date with range, and what its farmer was told last."""

    field: str
    farm: str
    area: str
    cutting: int
    index: str
    standing_target: float
    results: int
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    chance_start_within_notice: float | None
    told: date | None  # start date last told to its farmer, for the farm
    told_kind: str | None
    told_on: date | None
    told_position: int  # in the harvest order told, 0 = first
    told_field_start: date | None  # what was said with it of this field on its own
    farm_start_median: date | None
    stands_in: str
    clock: str  # what the outlook runs on: "degree days" or "calendar"; "" without an outlook
    rough: bool  # degree days alone, no result in the area
    sample_worth_days: float  # by how much a clip on the next sampling day narrows the range


def field_lines(sessions: Sessions, *, farm: str = "") -> list[FieldLine]:
    """All open fields, earliest start date first within an area."""
    with sessions.read() as session:
        views = [
            view
            for view in outlooks.field_views(session)
            if not farm or view.farm.name.casefold() == farm.casefold()
        ]
        ids = {view.farm.id for view in views if view.farm.id is not None}
        told = told_farms.by_field(session, ids)
    lines = [_line(view, told.get(view.field.id or 0)) for view in views]
    return sorted(
        lines, key=lambda line: (line.area, line.start_median or date.max, line.farm, line.field)
    )


def _line(view: FieldView, told: told_farms.ToldField | None) -> FieldLine:
    farm, row = view.farm, view.outlook
    target = standing_target(farm.feed_target, farm.handling_loss, falls=Index(farm.index).falls)
    whole = view.farm_outlook
    if told is not None and told.cutting != view.field.cutting:
        told = None
    return FieldLine(
        field=view.field.name,
        farm=farm.name,
        area=view.area.name,
        cutting=view.field.cutting,
        index=farm.index,
        standing_target=float(target),
        results=row.results if row else 0,
        start_p10=row.start_p10 if row else None,
        start_median=row.start_median if row else None,
        start_p90=row.start_p90 if row else None,
        chance_start_within_notice=row.chance_start_within_notice if row else None,
        told=told.farm_start_on if told else None,
        told_kind=told.kind if told else None,
        told_on=told.on if told else None,
        told_position=told.position if told else 0,
        told_field_start=told.start_on if told else None,
        farm_start_median=whole.start_median if whole else None,
        stands_in=row.detail["stands_in"] if row else "",
        clock=_clock(row),
        rough=bool(row and row.detail["rough"]),
        sample_worth_days=row.detail["sample_worth_days"] if row else 0.0,
    )


def _clock(row: FieldOutlookRow | None) -> str:
    if row is None:
        return ""
    return "degree days" if row.detail["follows_heat"] else "calendar"
