"""Gathering what was known of a field on the day it was cut."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.agronomy.goals import standing_target
from alerts.agronomy.scale import from_scale, points_to_scale, to_scale
from alerts.domain.cut_record import KnownAtCut
from alerts.domain.days_ahead import DaysAhead
from alerts.domain.records import Index
from alerts.store import cuts
from alerts.store.outlooks import FieldView
from alerts.store.tables import FieldOutlookRow

Quality = tuple[float | None, float | None, float | None]
"""Median and ends of the 80 % range [index units]."""


def known_at_cut(session: Session, view: FieldView, cut_on: date, first_day: date) -> KnownAtCut:
    """What the farmer of an open field had been told by ``cut_on``, and the outlook as it stood.

    A cut recorded late meets an outlook made after it: that one is used, and said to be later; the
    quality on the day of the cut is then reckoned back from it. ``first_day`` is the season's.
    """
    farm, row, whole = view.farm, view.outlook, view.farm_outlook
    index = Index(farm.index)
    target = float(standing_target(farm.feed_target, farm.handling_loss, falls=index.falls))
    told = cuts.told_by(session, view.field, cut_on.year, cut_on)
    made_on = row.made_at.astimezone(ZoneInfo(view.area.time_zone)).date() if row else None
    expected, low, high = _expected(row, index, cut_on)
    results, last_on, last_value, last_index, stands_in = _last(session, view, cut_on, first_day)
    return KnownAtCut(
        index=farm.index,
        standing_target=target,
        which_load=farm.which_load,
        harvest_days=farm.harvest_days,
        told_start=told.farm_start_on if told else None,
        told_field_start=told.field_start_on if told else None,
        told_on=told.on if told else None,
        first_told_on=told.first_on if told else None,
        told_kind=told.kind if told else "",
        told_position=told.position if told else None,
        outlook_on=made_on,
        outlook_is_later=made_on is not None and made_on > cut_on,
        start_p10=row.start_p10 if row else None,
        start_median=row.start_median if row else None,
        start_p90=row.start_p90 if row else None,
        farm_start_p10=whole.start_p10 if whole else None,
        farm_start_median=whole.start_median if whole else None,
        farm_start_p90=whole.start_p90 if whole else None,
        expected=expected,
        expected_low=low,
        expected_high=high,
        results=results,
        last_on=last_on,
        last_value=last_value,
        last_index=last_index,
        stands_in=stands_in,
    )


def _expected(row: FieldOutlookRow | None, index: Index, day: date) -> Quality:
    """Standing quality on ``day``: from the outlook's days, or back from the first of them."""
    days = DaysAhead.of_json(row.detail["days"]) if row is not None else ()
    if row is None or not days:
        return None, None, None
    back = (days[0].day - day).days
    if back <= 0:
        if -back >= len(days):
            return None, None, None  # the outlook does not reach so far
        one = days[-back]
        return one.median, one.low, one.high
    first = days[0]
    step = back * points_to_scale(row.detail["change_per_day"], first.median, falls=index.falls)
    median, low, high = (
        round(float(from_scale(to_scale(value, falls=index.falls) - step, falls=index.falls)), 2)
        for value in (first.median, first.low, first.high)
    )
    return median, low, high


def _last(
    session: Session, view: FieldView, cut_on: date, first_day: date
) -> tuple[int, date | None, float | None, str, str]:
    """Own results, and day, value and index of the newest; else of the result that stood in."""
    wanted = Index(view.farm.index)
    own = cuts.results_until(session, view.field, first_day, cut_on)
    for result in reversed(own):
        for index in sorted(Index, key=lambda one: one is not wanted):
            value = getattr(result, index.value)
            if value is not None:
                return len(own), result.sampled_on, round(float(value), 1), index.value, ""
    row = view.outlook
    if row is None or not row.detail["stands_in"] or not row.detail["last_on"]:
        return len(own), None, None, "", ""
    last_on = date.fromisoformat(row.detail["last_on"])
    if last_on > cut_on:
        return len(own), None, None, "", ""
    index_name = row.detail["last_index"] or row.index
    value = round(float(row.detail["last_value"]), 1)
    return len(own), last_on, value, index_name, row.detail["stands_in"]
