"""What is known of areas, read as the projection wants it: in a few statements, as columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from itertools import compress
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from sqlalchemy import ColumnElement, case, or_
from sqlmodel import Session, col, select

from alerts.domain.area_clock import DailyHeat
from alerts.domain.area_fit import RESULT_KINDS
from alerts.domain.records import Index, Method, WhichLoad
from alerts.domain.snapshot import (
    NEVER,
    STEM_SPOTS_FOR_MEAN,
    AreaPlan,
    FarmPlan,
    FieldTable,
    Flags,
    Ints,
    RainAhead,
    ResultTable,
    Snapshot,
    are_old_enough,
)
from alerts.store import weather
from alerts.store.bulk import fetch
from alerts.store.tables import Area, AreaWeather, Farm, FarmField, LabResult


def load_snapshot(session: Session, areas: Iterable[Area], season_first_day: date) -> Snapshot:
    """Everything the projection needs of these areas, which come by their ids."""
    ordered = sorted(areas, key=_id)
    ids = np.array([_id(area) for area in ordered], dtype=np.intp)
    farms, farm_ids, area = _farms(session, ids)
    fields = _fields(session, ids, farm_ids)
    days = weather.days_since(session, ids.tolist(), season_first_day)
    return Snapshot(
        areas=tuple(_area_plan(one, days.get(_id(one), ())) for one in ordered),
        farms=farms,
        area=area,
        fields=fields,
        results=_results(session, ids, fields, season_first_day),
        season_first_day=season_first_day,
    )


def _id(area: Area) -> int:
    assert area.id is not None
    return area.id


def _area_plan(area: Area, days: Sequence[AreaWeather]) -> AreaPlan:
    return AreaPlan(
        id=_id(area),
        name=area.name,
        time_zone=area.time_zone,
        heat=_heat(days),
        rain=tuple(
            RainAhead(day.day, day.rain_chance_pct, day.rain_in) for day in days if day.forecast
        ),
    )


def _heat(days: Sequence[AreaWeather]) -> DailyHeat | None:
    if not days:
        return None
    return DailyHeat(
        day=np.array([day.day.toordinal() for day in days], dtype=np.intp),
        tmax_f=np.array([day.tmax_f for day in days], dtype=np.float64),
        tmin_f=np.array([day.tmin_f for day in days], dtype=np.float64),
    )


# --------------------------------------------------------------------------- farms

INDEXES = {index.value: index for index in Index}
LOADS = {which.value: which for which in WhichLoad}


def farm_plan(farm: Farm) -> FarmPlan:
    """What a farm wants and how it harvests, as the projection reads it."""
    assert farm.id is not None
    return FarmPlan(
        id=farm.id,
        name=farm.name,
        index=INDEXES[farm.index],
        feed_target=farm.feed_target,
        handling_loss=farm.handling_loss,
        harvest_days=farm.harvest_days,
        which_load=LOADS[farm.which_load],
        notice_days=farm.notice_days,
    )


def _farms(session: Session, area_ids: Ints) -> tuple[tuple[FarmPlan, ...], Ints, Ints]:
    """The farms by area and id, their ids, and each one's position among the areas."""
    area_id, farm_id, *said = fetch(
        session,
        select(  # type: ignore[call-overload]
            *(Farm.area_id, Farm.id, Farm.name, Farm.index, Farm.feed_target, Farm.handling_loss),
            *(Farm.harvest_days, Farm.which_load, Farm.notice_days),
        )
        .where(col(Farm.area_id).in_(area_ids.tolist()))
        .order_by(col(Farm.area_id), col(Farm.id)),
    )
    name, index, feed_target, handling_loss, harvest_days, which_load, notice_days = said
    plans = map(
        FarmPlan,
        *(farm_id, name, [INDEXES[one] for one in index], feed_target, handling_loss),
        *(harvest_days, [LOADS[one] for one in which_load], notice_days),
    )
    area = np.searchsorted(area_ids, _ints(area_id))
    return tuple(plans), _ints(farm_id), area


# -------------------------------------------------------------------------- fields


def _fields(session: Session, area_ids: Ints, farm_ids: Ints) -> FieldTable:
    field_id, farm_id, name, cutting, acres, grass_pct, watched, soil, slope, cut_on = fetch(
        session,
        select(  # type: ignore[call-overload]
            *(FarmField.id, FarmField.farm_id, FarmField.name, FarmField.cutting),
            *(FarmField.acres, FarmField.grass_pct, FarmField.watched, FarmField.soil),
            *(FarmField.slope, FarmField.cut_on),
        )
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(col(Farm.area_id).in_(area_ids.tolist()), col(FarmField.closed_on).is_(None))
        .order_by(col(Farm.area_id), col(FarmField.id)),
    )
    # A farm's number is its place by area and id; farms of one area need not have rising ids.
    farm, is_known = _places(farm_ids, _ints(farm_id))
    return FieldTable(
        id=_ints(field_id)[is_known],
        farm=farm[is_known],
        name=list(compress(name, is_known)),
        cutting=_ints(cutting)[is_known],
        acres=np.array(acres, dtype=np.float64)[is_known],
        grass_pct=np.array(grass_pct, dtype=np.float64)[is_known],
        watched=np.array(watched, dtype=np.bool_)[is_known],
        soil=list(compress(soil, is_known)),
        slope=list(compress(slope, is_known)),
        cut_on=_day_numbers(cut_on)[is_known],
    )


# ------------------------------------------------------------------------- results


def _results(
    session: Session, area_ids: Ints, fields: FieldTable, season_first_day: date
) -> ResultTable:
    """Results of this season that belong to each field's open cutting."""
    # A driver takes as long for each value as for a step of the query: few are asked for.
    field_id, result_id, sampled_on, rfv, rfq, ndf, kind = fetch(
        session,
        select(  # type: ignore[call-overload]
            *(LabResult.field_id, LabResult.id, LabResult.sampled_on, LabResult.rfv),
            *(LabResult.rfq, LabResult.ndf, _KIND_AND_LATE),
        )
        .join(FarmField, col(FarmField.id) == col(LabResult.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(
            col(Farm.area_id).in_(area_ids.tolist()),
            col(FarmField.closed_on).is_(None),
            or_(
                col(LabResult.cutting).is_(None),
                col(LabResult.cutting) == col(FarmField.cutting),
            ),
            col(LabResult.replaced_by).is_(None),
            col(LabResult.withdrawn_at).is_(None),
            col(LabResult.sampled_on) >= season_first_day,
        ),
    )
    field, is_known = _places(fields.id, _ints(field_id))
    day = _day_numbers(sampled_on)
    in_order = np.lexsort((_ints(result_id), day))
    in_order = in_order[is_known[in_order]]
    counts = in_order[are_old_enough(fields.cut_on[field[in_order]], day[in_order])]
    late, number = np.divmod(_ints(kind), len(RESULT_KINDS))

    def kept(values: ArrayLike, kind: type) -> Any:
        return np.array(values, dtype=kind)[counts]

    return ResultTable(
        field=field[counts],
        day=day[counts],
        rfv=kept(rfv, np.float64),
        rfq=kept(rfq, np.float64),
        ndf=kept(ndf, np.float64),
        kind=number[counts],
        late=late[counts].astype(np.bool_),
    )


def _kind_and_late() -> ColumnElement[int]:
    """The number of a result's kind in ``RESULT_KINDS``, more by their number where it is late."""
    number = {kind: at for at, kind in enumerate(RESULT_KINDS)}
    enough = col(LabResult.spots) >= STEM_SPOTS_FOR_MEAN
    stem = case((enough, number["stem_mean"]), else_=number["stem_one_spot"])
    laboratories = {method: number[method] for method in (Method.WET_CHEMISTRY, Method.NIR)}
    kind = case(laboratories, value=col(LabResult.method), else_=stem)
    return kind + case((col(LabResult.late_in_day), len(RESULT_KINDS)), else_=0)


_KIND_AND_LATE = _kind_and_late()


def _places(ids: Ints, wanted: Ints) -> tuple[Ints, Flags]:
    """Where each wanted id stands among these, in any order, and whether it is one of them.

    On PostgreSQL each statement sees what was committed by then: the one of the fields may give one
    of a farm that came after the farms were read. Its area is due anew by then.
    """
    by_id = np.argsort(ids)
    at = np.searchsorted(ids, wanted, sorter=by_id)
    if not len(ids):
        return at, np.zeros(len(at), dtype=np.bool_)
    place = by_id[np.minimum(at, len(ids) - 1)]
    return place, ids[place] == wanted


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.intp)


def _day_numbers(days: Sequence[date | None]) -> Ints:
    number = {day: NEVER if day is None else day.toordinal() for day in set(days)}
    return np.array([number[day] for day in days], dtype=np.intp)
