"""A farm's outlook as the last look left it, made whole again from its rows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np

from alerts.domain.days_ahead import DaysAhead
from alerts.domain.outlook import FarmOutlook, FieldOutlook, StartDates
from alerts.domain.records import Index
from alerts.domain.snapshot import FarmPlan, share_days
from alerts.store.outlooks import FieldView
from alerts.store.snapshots import farm_plan
from alerts.store.tables import FarmField, FarmOutlookRow, FieldOutlookRow


def stored_outlook(views: Sequence[FieldView]) -> FarmOutlook | None:
    """The outlook of the farm whose open fields these are; None where no look has made one.

    Its fields are in harvest order. One that was cut since, or never had an outlook, is left out.
    """
    known = [(view.field, view.outlook) for view in views if view.outlook is not None]
    whole = views[0].farm_outlook if views else None
    if whole is None or not known:
        return None
    plan = farm_plan(views[0].farm)
    shares = _shares(plan, [view.field for view in views])
    ordered = sorted(known, key=lambda one: one[1].detail["position"])
    return FarmOutlook(
        farm=plan,
        cutting=whole.cutting,
        start=_start(whole),
        fields=tuple(_field(field, row, shares[field.id or 0]) for field, row in ordered),
        under_way=len(known) < len(views),
        rough=any(row.detail["rough"] for _, row in known),
        follows_heat=any(row.detail["follows_heat"] for _, row in known),
    )


def is_overtaken(views: Sequence[FieldView]) -> bool:
    """Whether a field was cut, opened, taken out or its cut undone since the last look.

    Until the next one, in a minute, the farm's dates and chances speak of other fields than those
    that stand.
    """
    whole = views[0].farm_outlook if views else None
    if whole is None:
        return False
    standing = {view.field.id for view in views if view.field.cutting == whole.cutting}
    return bool(standing) and set(whole.detail["order"]) != standing


def _shares(plan: FarmPlan, fields: Sequence[FarmField]) -> dict[int, float]:
    shares = share_days(
        np.array([plan.harvest_days]),
        np.zeros(len(fields), dtype=np.intp),
        np.array([field.acres for field in fields], dtype=np.float64),
    )
    return {field.id or 0: days for field, days in zip(fields, shares.tolist(), strict=True)}


def _start(row: FarmOutlookRow | FieldOutlookRow) -> StartDates:
    return StartDates(
        p10=row.start_p10,
        median=row.start_median,
        p90=row.start_p90,
        chance_within_notice=row.chance_start_within_notice or 0.0,
        waiting=row.detail["waiting"],
        load=row.detail.get("load", ()),  # a look before this was kept has none
    )


def _field(field: FarmField, row: FieldOutlookRow, own_days: float) -> FieldOutlook:
    detail: dict[str, Any] = row.detail
    return FieldOutlook(
        field_id=row.field_id,
        name=field.name,
        cutting=row.cutting,
        index=Index(row.index),
        standing_target=row.standing_target,
        results=row.results,
        last_on=date.fromisoformat(detail["last_on"]) if detail["last_on"] else None,
        last_value=detail["last_value"],
        stands_in=detail["stands_in"],
        change_per_day=detail["change_per_day"],
        own_days=own_days,
        start=_start(row),
        days=DaysAhead.of_json(detail["days"]),
        meets_today=detail["meets_today"],
        last_index=Index(detail["last_index"]) if detail["last_index"] else None,
        sample_worth_days=detail["sample_worth_days"],
        is_area=detail.get("is_area", False),
        area_fields=detail.get("area_fields", 0),
    )
