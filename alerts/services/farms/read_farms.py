"""Farms, and the outlooks of their fields, as programs ask for them; always within a scope."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from alerts.agronomy.goals import standing_target
from alerts.domain.days_ahead import DaysAhead
from alerts.domain.records import Index
from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.store import outlooks, told_farms
from alerts.store.outlooks import FieldView
from alerts.store.tables import FarmOutlookRow, FieldOutlookRow


@dataclass(frozen=True, slots=True)
class FieldPart:
    """A field as it is enrolled."""

    id: int
    name: str
    acres: float | None
    grass_pct: float
    cutting: int
    last_cut_on: date | None


@dataclass(frozen=True, slots=True)
class FarmView:
    id: int
    name: str
    area: str
    animal_class: str
    index: str
    feed_target: float
    handling_loss: float
    standing_target: float
    harvest_method: str
    harvest_days: float
    which_load: str
    notice_days: int
    fields: tuple[FieldPart, ...]


@dataclass(frozen=True, slots=True)
class StartRange:
    """A start date with its 80 % range; None: later than the outlook looks, or no outlook."""

    early: date | None
    median: date | None
    late: date | None


@dataclass(frozen=True, slots=True)
class Standing:
    """Standing quality on one day: median and 80 % range [index units]."""

    day: date
    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LastResult:
    sampled_on: date
    value: float
    index: str
    stands_in: str  # the field or area whose result it is; "" for the field's own


@dataclass(frozen=True, slots=True)
class FieldOutlookView:
    field_id: int
    field: str
    farm_id: int
    farm: str
    area: str
    cutting: int
    index: str
    standing_target: float
    results: int
    made_at: datetime | None
    start: StartRange
    last_result: LastResult | None
    change_per_day: float | None
    chance_meets_today: float | None
    sample_worth_days: float | None
    days: tuple[Standing, ...]


@dataclass(frozen=True, slots=True)
class ToldView:
    """The start date a farmer was told last."""

    start_on: date
    kind: str
    on: date


@dataclass(frozen=True, slots=True)
class FarmOutlookView:
    farm_id: int
    farm: str
    area: str
    cutting: int | None
    made_at: datetime | None
    start: StartRange
    rough: bool
    told: ToldView | None
    fields: tuple[FieldOutlookView, ...]  # in harvest order


@dataclass(frozen=True, slots=True)
class OutlookFilter:
    """None lets everything through; days are of the median start date, both ends included."""

    area: str | None = None
    farm_id: int | None = None
    cutting: int | None = None
    start_from: date | None = None
    start_to: date | None = None

    def holds(self, view: FieldOutlookView) -> bool:
        median = view.start.median
        return (
            (self.area is None or view.area.casefold() == self.area.strip().casefold())
            and (self.farm_id is None or view.farm_id == self.farm_id)
            and (self.cutting is None or view.cutting == self.cutting)
            and (self.start_from is None or (median is not None and median >= self.start_from))
            and (self.start_to is None or (median is not None and median <= self.start_to))
        )


def farms_page(
    session: Session, visitor: Visitor, *, after: int, limit: int
) -> tuple[list[FarmView], int | None]:
    """Up to ``limit`` farms with an id above ``after``, and the id to go on after, if any is left.

    Fields that are closed are left out.
    """
    allowed = sorted(one for one in scope.farm_ids(session, visitor) if one > after)
    chosen = allowed[:limit]
    views: dict[int, list[FieldView]] = {farm_id: [] for farm_id in chosen}
    for view in outlooks.field_views(session, chosen):
        views[view.farm.id or 0].append(view)
    farms = [_farm(group) for group in views.values() if group]
    return farms, chosen[-1] if len(allowed) > limit else None


def _farm(views: list[FieldView]) -> FarmView:
    farm, area = views[0].farm, views[0].area
    return FarmView(
        id=farm.id or 0,
        name=farm.name,
        area=area.name,
        animal_class=farm.animal_class,
        index=farm.index,
        feed_target=farm.feed_target,
        handling_loss=farm.handling_loss,
        standing_target=_standing_target(views[0]),
        harvest_method=farm.harvest_method,
        harvest_days=farm.harvest_days,
        which_load=farm.which_load,
        notice_days=farm.notice_days,
        fields=tuple(
            FieldPart(
                id=view.field.id or 0,
                name=view.field.name,
                acres=view.field.acres,
                grass_pct=view.field.grass_pct,
                cutting=view.field.cutting,
                last_cut_on=view.field.cut_on,
            )
            for view in views
        ),
    )


def outlooks_page(
    session: Session, visitor: Visitor, wanted: OutlookFilter, *, after: int, limit: int
) -> tuple[list[FieldOutlookView], int | None]:
    """Up to ``limit`` outlooks of fields with an id above ``after``, and the id to go on after."""
    found = _fields(session, scope.farm_ids(session, visitor))
    rest = sorted(
        (one for one in found if one.field_id > after and wanted.holds(one)),
        key=lambda one: one.field_id,
    )
    chosen = rest[:limit]
    return chosen, chosen[-1].field_id if len(rest) > limit else None


def _fields(session: Session, farm_ids: Iterable[int]) -> list[FieldOutlookView]:
    return [_field(view) for view in outlooks.field_views(session, farm_ids)]


def farm_outlook(session: Session, visitor: Visitor, farm_id: int) -> FarmOutlookView:
    """A farm's start date and its fields in harvest order; NotYours outside the scope."""
    farm = scope.require_farm(session, visitor, farm_id)
    views = outlooks.field_views(session, [farm_id])
    whole = views[0].farm_outlook if views else None
    told = told_farms.by_field(session, [farm_id])
    ordered = sorted(views, key=lambda view: _position(view.outlook))
    return FarmOutlookView(
        farm_id=farm_id,
        farm=farm.name,
        area=views[0].area.name if views else "",
        cutting=whole.cutting if whole else None,
        made_at=whole.made_at if whole else None,
        start=_range(whole),
        rough=any(view.outlook is not None and view.outlook.detail["rough"] for view in views),
        told=_told(views, told),
        fields=tuple(map(_field, ordered)),
    )


def _told(views: list[FieldView], told: dict[int, told_farms.ToldField]) -> ToldView | None:
    """What was last told of an open cutting."""
    known = [
        one
        for view in views
        if (one := told.get(view.field.id or 0)) is not None
        and one.cutting == view.field.cutting
        and one.farm_start_on is not None
    ]
    last = max(known, key=lambda one: one.on, default=None)
    if last is None or last.farm_start_on is None:
        return None
    return ToldView(last.farm_start_on, last.kind, last.on)


def _position(row: FieldOutlookRow | None) -> tuple[bool, int]:
    return (True, 0) if row is None else (False, int(row.detail["position"]))


def _field(view: FieldView) -> FieldOutlookView:
    row = view.outlook
    return FieldOutlookView(
        field_id=view.field.id or 0,
        field=view.field.name,
        farm_id=view.farm.id or 0,
        farm=view.farm.name,
        area=view.area.name,
        cutting=view.field.cutting,
        index=view.farm.index,
        standing_target=_standing_target(view),
        results=row.results if row else 0,
        made_at=row.made_at if row else None,
        start=_range(row),
        last_result=_last(row),
        change_per_day=row.detail["change_per_day"] if row else None,
        chance_meets_today=row.detail["meets_today"] if row else None,
        sample_worth_days=row.detail["sample_worth_days"] if row else None,
        days=tuple(
            Standing(one.day, one.median, one.low, one.high)
            for one in (DaysAhead.of_json(row.detail["days"]) if row else ())
        ),
    )


def _standing_target(view: FieldView) -> float:
    farm = view.farm
    falls = Index(farm.index).falls
    return float(standing_target(farm.feed_target, farm.handling_loss, falls=falls))


def _range(row: FieldOutlookRow | FarmOutlookRow | None) -> StartRange:
    if row is None:
        return StartRange(None, None, None)
    return StartRange(row.start_p10, row.start_median, row.start_p90)


def _last(row: FieldOutlookRow | None) -> LastResult | None:
    if row is None or row.detail["last_on"] is None or row.detail["last_value"] is None:
        return None
    return LastResult(
        sampled_on=date.fromisoformat(row.detail["last_on"]),
        value=round(float(row.detail["last_value"]), 1),
        index=row.detail["last_index"] or row.index,
        stands_in=row.detail["stands_in"],
    )
