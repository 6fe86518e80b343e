"""Which results and days a field's chart shows."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from datetime import date

from sqlmodel import Session

from alerts.charts.outlook_chart import ChartResult, OutlookChart
from alerts.domain.outlook import FarmOutlook, FieldOutlook, standing_target
from alerts.domain.records import Index, Method
from alerts.domain.snapshot import (
    FarmPlan,
    belongs_to_open_cutting,
    is_after_last_cut,
    is_too_young,
)
from alerts.store import fields, outlooks
from alerts.store.tables import FarmField, LabResult

Results = Mapping[int, Sequence[LabResult]]
"""Results of each field's open cutting, oldest first, by field id."""


def open_results(
    session: Session, fields: Sequence[FarmField], season_first_day: date
) -> dict[int, list[LabResult]]:
    """This season's results of the crop that stands on each field now, those that count for it."""
    return open_and_young_results(session, fields, season_first_day)[0]


def open_and_young_results(
    session: Session, fields: Sequence[FarmField], season_first_day: date
) -> tuple[dict[int, list[LabResult]], dict[int, list[LabResult]]]:
    """The same, and those taken too soon after the last cut to be of the regrowth, which count
    for nothing."""
    by_id = {field.id: field for field in fields if field.id is not None}
    found = outlooks.season_results(session, by_id, season_first_day)

    def chosen(is_wanted: Callable[[FarmField, int | None, date], bool]) -> _Rows:
        return {
            field_id: [
                row for row in rows if is_wanted(by_id[field_id], row.cutting, row.sampled_on)
            ]
            for field_id, rows in found.items()
        }

    return chosen(belongs_to_open_cutting), chosen(_is_left_out)


_Rows = dict[int, list[LabResult]]


def _is_left_out(field: FarmField, cutting: int | None, sampled_on: date) -> bool:
    return is_after_last_cut(field, cutting, sampled_on) and is_too_young(field.cut_on, sampled_on)


def field_chart(
    outlook: FarmOutlook, field: FieldOutlook, results: Results, title: str
) -> OutlookChart:
    """The chart of one field with its own start date; on a farm of several it is said so."""
    return _chart(outlook, field, results, title, alone=len(outlook.fields) > 1)


def farm_chart(outlook: FarmOutlook, results: Results, title: str) -> OutlookChart:
    """The chart of the field due first with the start date of the whole farm."""
    return _chart(outlook, outlook.tightest, results, title, alone=False)


def email_chart(session: Session, outlook: FarmOutlook, season_first_day: date) -> OutlookChart:
    """:func:`farm_chart` as an email shows it."""
    standing = fields.open_fields(session, outlook.farm.id)
    title = f"{outlook.farm.name}, {outlook.tightest.name}"
    return farm_chart(outlook, open_results(session, standing, season_first_day), title)


def bare_chart(
    farm: FarmPlan, field_id: int, results: Results, title: str, today: date
) -> OutlookChart:
    """The chart of a field about whose course nothing is known yet."""
    return OutlookChart(
        title=title,
        index=farm.index,
        today=today,
        standing_target=standing_target(farm),
        results=_points(results.get(field_id, ()), farm.index, own=True),
    )


def chart_version(chart: OutlookChart, language: str) -> str:
    """Changes with whatever the picture shows: a new look, a result, a name, a target."""
    return hashlib.sha256(f"{language}|{chart!r}".encode()).hexdigest()[:20]


def _chart(
    outlook: FarmOutlook, field: FieldOutlook, results: Results, title: str, *, alone: bool
) -> OutlookChart:
    start = field.start if alone else outlook.start
    return OutlookChart(
        title=title,
        index=field.index,
        today=field.days[0].day,
        standing_target=field.standing_target,
        results=_shown(outlook, field, results),
        days=field.days,
        start_p10=start.p10,
        start_median=start.median,
        start_p90=start.p90,
        alone=alone,
    )


def _shown(outlook: FarmOutlook, field: FieldOutlook, results: Results) -> tuple[ChartResult, ...]:
    """The field's own results, else those of the farm's other fields, else the area's newest.

    Of another farm's fields no more is shown than its messages tell: one value and its day.
    """
    own = _points(results.get(field.field_id, ()), field.index, own=True)
    if own or not field.stands_in:
        return own
    near = [
        point
        for other in outlook.fields
        if other.field_id != field.field_id
        for point in _points(results.get(other.field_id, ()), field.index, own=False)
    ]
    if near or field.last_on is None or field.last_value is None or field.last_index is not None:
        return tuple(near)
    return (ChartResult(field.last_on, field.last_value, Method.NIR, own=False),)


def _points(rows: Sequence[LabResult], index: Index, *, own: bool) -> tuple[ChartResult, ...]:
    values = ((row, getattr(row, index.value)) for row in rows)
    return tuple(
        ChartResult(row.sampled_on, float(value), Method(row.method), own)
        for row, value in values
        if value is not None
    )
