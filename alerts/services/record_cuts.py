"""What happens to a field: it is cut, the cut was a mistake, or the field is given up."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.names import name_key
from alerts.services.enrol import EARLIEST_CLOCK
from alerts.services.match_results import find_field
from alerts.store import areas, fields, outbox
from alerts.store.fields import KnownField
from alerts.store.session import Sessions

SHORTEST_REGROWTH = timedelta(days=14)
"""A second cut of a field sooner than this is the same one with another date. Cuttings of alfalfa
lie four weeks and more apart (common practice)."""


def record_cut(
    sessions: Sessions,
    *,
    farm: str,
    field: str,
    cut_on: date,
    now: datetime,
    area: str = "",
    season_first_day: date | None = None,
) -> int:
    """Close the open cutting of a field as cut on ``cut_on``; returns its number.

    Messages about it that still wait are cancelled. CutcallError for a date that is still to come,
    lies before ``season_first_day``, or is too close to the cut before.
    """
    with sessions.write() as session:
        known = _find(session, area, farm, field)
        _check_date(known, cut_on, now, season_first_day)
        closed = fields.record_cut(session, known.id, cut_on, now)
        outbox.cancel_waiting(session, known.farm_id, now, f"{known.name} was cut on {cut_on}")
        areas.mark_due(session, [known.area_id], now)
        return closed


def undo_cut(
    sessions: Sessions, *, farm: str, field: str, now: datetime, area: str = ""
) -> tuple[int, date]:
    """Take the newest cut of a field back; returns the cutting that is open again and its date."""
    with sessions.write() as session:
        known = _find(session, area, farm, field)
        taken = fields.undo_cut(session, known.id)
        if taken is None:
            raise CutcallError(f"no cut of {known.name} is recorded this season; nothing to undo")
        outbox.cancel_waiting(session, known.farm_id, now, f"the cut of {known.name} was undone")
        areas.mark_due(session, [known.area_id], now)
        return taken.cutting, taken.cut_on


def close_field(
    sessions: Sessions, *, farm: str, field: str, on: date, now: datetime, area: str = ""
) -> None:
    """Leave a field out from now on, say one that is ploughed; enrolling it again opens it."""
    with sessions.write() as session:
        known = _find(session, area, farm, field)
        if known.closed_on is not None:
            raise CutcallError(
                f"{known.name} was closed on {known.closed_on} already; enrol it again to open it"
            )
        fields.close(session, known.id, on)
        outbox.cancel_waiting(session, known.farm_id, now, f"{known.name} was closed on {on}")
        areas.mark_due(session, [known.area_id], now)


def _find(session: Session, area: str, farm: str, field: str) -> KnownField:
    """The one field of this name; where the same farm is in two areas, that of ``area``."""
    pair = (name_key(farm), name_key(field))
    candidates = fields.find_fields(session, [pair]).get(pair, [])
    chosen = [one for one in candidates if not area or name_key(one.area_name) == name_key(area)]
    if len(chosen) == 1:
        return chosen[0]
    if candidates and not chosen:
        known = ", ".join(sorted({one.area_name for one in candidates}))
        raise CutcallError(f"'{field}' is a field in {known}, not in '{area}'; say which area")
    if len({(one.farm_name, one.area_name) for one in chosen}) > len(
        {one.farm_name for one in chosen}
    ):
        places = ", ".join(sorted(f"{one.farm_name} in {one.area_name}" for one in chosen))
        raise CutcallError(f"'{field}' is a field of {places}; say which with --area")
    return find_field(session, farm, field)  # which says what is wrong


def _check_date(known: KnownField, cut_on: date, now: datetime, first_day: date | None) -> None:
    if known.closed_on is not None:
        raise CutcallError(f"{known.name} was closed on {known.closed_on}; enrol it again first")
    if cut_on > (now + EARLIEST_CLOCK).date():
        raise CutcallError(f"{cut_on} has not come yet; record the cut once it is made")
    if first_day is not None and cut_on < first_day:
        raise CutcallError(
            f"{cut_on} is before this season, which begins on {first_day}; check the year"
        )
    if known.cut_on is not None and cut_on < known.cut_on + SHORTEST_REGROWTH:
        raise CutcallError(
            f"{known.name} was already cut on {known.cut_on}; if that day is wrong, take it back "
            "with --undo and record the right one, else give a later date for its next cutting"
        )
