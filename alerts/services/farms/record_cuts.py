"""What happens to a field: it is cut, the cut was a mistake, or the field is given up."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlmodel import Session

from alerts.domain.errors import CutcallError, UnknownField
from alerts.domain.names import name_key
from alerts.services.access.local_days import day_in
from alerts.services.farms.cut_detail import known_at_cut
from alerts.services.results.match_results import find_field
from alerts.store import areas, cuts, fields, outbox
from alerts.store.fields import KnownField
from alerts.store.outlooks import FieldView
from alerts.store.session import Sessions

SHORTEST_REGROWTH = timedelta(days=14)
"""A second cut of a field sooner than this is the same one with another date. Cuttings of alfalfa
lie four weeks and more apart (common practice)."""


LONGEST_AHEAD = timedelta(days=10)
"""A cut further ahead of the early end of the field's range than this is more likely a slip in the
date than a harvest. Our judgement."""


class DoubtfulCut(CutcallError):
    """A cut that what is known of the field speaks against.

    ``sentence`` may hold places for ``values`` ('%(field)s'), so that it can be translated.
    """

    def __init__(self, reason: str, sentence: str, field: str, on: date) -> None:
        self.reason, self.sentence, self.field, self.on = reason, sentence, field, on
        self.values = {"field": field, "day": on.isoformat()}
        super().__init__(sentence % self.values)


def record_cut(
    sessions: Sessions,
    *,
    farm: str,
    field: str,
    cut_on: date,
    now: datetime,
    area: str = "",
    season_first_day: date | None = None,
    early: bool = False,
) -> int:
    """Close the open cutting of a field as cut on ``cut_on``; returns its number.

    Messages about it that still wait are cancelled. CutcallError for a date that is still to come,
    lies before ``season_first_day``, or is too close to the cut before; DoubtfulCut for one before
    a sample of the same crop, or, unless ``early``, long before the field's range.
    """
    with sessions.write() as session:
        known = _find(session, area, farm, field)
        return _cut(session, known, cut_on, now, season_first_day, early=early)


def cut_field(
    sessions: Sessions,
    *,
    field_id: int,
    cut_on: date,
    now: datetime,
    season_first_day: date | None,
) -> int:
    """The same for a field known by its id; UnknownField when there is none."""
    with sessions.write() as session:
        return cut_field_in(
            session,
            field_id=field_id,
            cut_on=cut_on,
            now=now,
            season_first_day=season_first_day,
        )


def cut_field_in(
    session: Session,
    *,
    field_id: int,
    cut_on: date,
    now: datetime,
    season_first_day: date | None,
) -> int:
    """:func:`cut_field` inside the caller's transaction, which must be one that writes."""
    return _cut(session, _known(session, field_id), cut_on, now, season_first_day)


def _cut(
    session: Session,
    known: KnownField,
    cut_on: date,
    now: datetime,
    first_day: date | None,
    *,
    early: bool = False,
) -> int:
    _check_date(session, known, cut_on, now, first_day)
    view = cuts.find_view(session, known.id)
    assert view is not None  # _check_date refuses closed fields
    doubt = doubt_of(session, view, cut_on, early=early)
    if doubt is not None:
        raise doubt
    season = first_day or date(cut_on.year, 1, 1)
    detail = known_at_cut(session, view, cut_on, season)
    closed = fields.record_cut(session, known.id, cut_on, now, detail.as_json())
    outbox.cancel_waiting(session, known.farm_id, now, f"{known.name} was cut on {cut_on}")
    areas.mark_due(session, [known.area_id], now)
    return closed


def doubt_of(
    session: Session, view: FieldView, cut_on: date, *, early: bool = False
) -> DoubtfulCut | None:
    """What speaks against this day; ``early``: that it lies far ahead of the range is known."""
    name = view.field.name
    stood_on = cuts.sampled_after(session, view.field, cut_on, cut_on + SHORTEST_REGROWTH)
    if stood_on is not None:
        return DoubtfulCut(
            "standing",
            "%(field)s was sampled standing on %(day)s; give a later day, or have that sample "
            "taken back first",
            name,
            stood_on,
        )
    first = view.outlook.start_p10 if view.outlook else None
    if early or first is None or cut_on >= first - LONGEST_AHEAD:
        return None
    return DoubtfulCut(
        "early",
        "%(field)s is not expected to be ready before %(day)s; check the day of the cut, and if "
        "it is right, ask the operator to record it",
        name,
        first,
    )


def undo_cut(
    sessions: Sessions, *, farm: str, field: str, now: datetime, area: str = ""
) -> tuple[int, date]:
    """Take the newest cut of a field back; returns the cutting that is open again and its date."""
    with sessions.write() as session:
        return _undo(session, _find(session, area, farm, field), now)


def undo_cut_in(session: Session, *, field_id: int, now: datetime) -> tuple[int, date]:
    """:func:`undo_cut` for a field known by its id, inside the caller's transaction."""
    return _undo(session, _known(session, field_id), now)


def _undo(session: Session, known: KnownField, now: datetime) -> tuple[int, date]:
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
        _close(session, known, on, now)


def close_field_in(session: Session, *, field_id: int, on: date, now: datetime) -> None:
    """:func:`close_field` for a field known by its id, inside the caller's transaction."""
    _close(session, _known(session, field_id), on, now)


def _close(session: Session, known: KnownField, on: date, now: datetime) -> None:
    fields.close(session, known.id, on)
    outbox.cancel_waiting(session, known.farm_id, now, f"{known.name} was closed on {on}")
    areas.mark_due(session, [known.area_id], now)


def _known(session: Session, field_id: int) -> KnownField:
    if cuts.field_exists(session, field_id):
        return fields.get_known(session, field_id)
    raise UnknownField(f"there is no field {field_id}; check the number")


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


def _check_date(
    session: Session, known: KnownField, cut_on: date, now: datetime, first_day: date | None
) -> None:
    if known.closed_on is not None:
        raise CutcallError(f"{known.name} was closed on {known.closed_on}; enrol it again first")
    if cut_on > day_in(fields.time_zone_of(session, known.area_id), now):
        raise CutcallError(f"{cut_on} has not come yet; record the cut once it is made")
    if first_day is not None and cut_on < first_day:
        raise CutcallError(
            f"{cut_on} is before this season, which begins on {first_day}; check the year"
        )
    if known.cut_on is not None and cut_on < known.cut_on + SHORTEST_REGROWTH:
        raise CutcallError(
            f"{known.name} was already cut on {known.cut_on}; if that day is wrong, undo that "
            "cut and record the right one, else give a later date for its next cutting"
        )
