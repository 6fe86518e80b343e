"""Farms and fields: finding them by name, and opening the next cutting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import tuple_
from sqlmodel import Session, col, select

from alerts.domain.names import name_key
from alerts.store.tables import Area, Cut, Farm, FarmField, FieldName

Labels = tuple[str, str]
"""Keys of (farm, field) as a document names them; the farm may be ""."""

CHUNK = 400
"""Names looked up in one statement; SQLite takes at most 32,766 parameters."""


@dataclass(frozen=True, slots=True)
class KnownField:
    id: int
    farm_id: int
    area_id: int
    name: str
    farm_name: str
    grass_pct: float
    cutting: int
    cut_on: date | None
    closed_on: date | None
    area_name: str


_COLUMNS = (
    col(FarmField.id),
    col(FarmField.farm_id),
    col(Farm.area_id),
    col(FarmField.name),
    col(Farm.name),
    col(FarmField.grass_pct),
    col(FarmField.cutting),
    col(FarmField.cut_on),
    col(FarmField.closed_on),
    col(Area.name),
)


def find_fields(session: Session, labels: Iterable[Labels]) -> dict[Labels, list[KnownField]]:
    """Fields that answer to each pair of names, by their own name or by another one.

    More than one field for a pair means that the pair is ambiguous.
    """
    found: dict[Labels, dict[int, KnownField]] = defaultdict(dict)
    wanted = sorted(set(labels))
    for start in range(0, len(wanted), CHUNK):
        chunk = wanted[start : start + CHUNK]
        for pair, field in _by_own_name(session, chunk):
            found[pair][field.id] = field
        for pair, field in _by_other_name(session, chunk):
            found[pair][field.id] = field
    return {pair: list(fields.values()) for pair, fields in found.items()}


def _by_own_name(session: Session, pairs: list[Labels]) -> Iterable[tuple[Labels, KnownField]]:
    query = (
        select(Farm.key, FarmField.key, *_COLUMNS)  # type: ignore[call-overload]
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Area, col(Area.id) == col(Farm.area_id))
    )
    with_farm = [pair for pair in pairs if pair[0]]
    if with_farm:
        both = tuple_(col(Farm.key), col(FarmField.key)).in_(with_farm)
        for farm_key, field_key, *values in session.exec(query.where(both)):
            yield (farm_key, field_key), KnownField(*values)
    alone = [field_key for farm_key, field_key in pairs if not farm_key]
    if alone:
        for _, field_key, *values in session.exec(query.where(col(FarmField.key).in_(alone))):
            yield ("", field_key), KnownField(*values)


def _by_other_name(session: Session, pairs: list[Labels]) -> Iterable[tuple[Labels, KnownField]]:
    query = (
        select(FieldName.farm_key, FieldName.field_key, Farm.key, *_COLUMNS)  # type: ignore[call-overload]
        .join(FarmField, col(FarmField.id) == col(FieldName.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .where(col(FieldName.field_key).in_([pair[1] for pair in pairs]))
    )
    wanted = set(pairs)
    for named_farm, field_key, own_farm, *values in session.exec(query):
        field = KnownField(*values)
        # A name given without a farm still belongs to the field's own farm.
        for farm_key in {named_farm, own_farm, ""}:
            if (farm_key, field_key) in wanted:
                yield (farm_key, field_key), field


def get_known(session: Session, field_id: int) -> KnownField:
    query = (
        select(*_COLUMNS)  # type: ignore[call-overload]
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .where(col(FarmField.id) == field_id)
    )
    return KnownField(*session.exec(query).one())


def farms_of(session: Session, field_ids: Iterable[int]) -> dict[int, int]:
    """The farm of each field, by id."""
    found: dict[int, int] = {}
    wanted = sorted(set(field_ids))
    for start in range(0, len(wanted), CHUNK):
        chunk = wanted[start : start + CHUNK]
        rows = session.exec(
            select(FarmField.id, FarmField.farm_id).where(col(FarmField.id).in_(chunk))
        )
        found.update((field_id, farm_id) for field_id, farm_id in rows if field_id is not None)
    return found


def time_zone_of(session: Session, area_id: int) -> str:
    """The IANA name of an area's time zone."""
    return session.get_one(Area, area_id).time_zone


def time_zones(session: Session, farm_ids: Iterable[int]) -> list[tuple[frozenset[int], str]]:
    """Fields and time zone of each farm, in the order of the farms' ids."""
    rows = session.exec(
        select(Farm.id, FarmField.id, Area.time_zone)
        .join(Area, col(Area.id) == col(Farm.area_id))
        .outerjoin(FarmField, col(FarmField.farm_id) == col(Farm.id))
        .where(col(Farm.id).in_(sorted(farm_ids)))
        .order_by(col(Farm.id))
    )
    farms: dict[int | None, tuple[set[int], str]] = {}
    for farm_id, field_id, zone in rows:
        farms.setdefault(farm_id, (set(), zone))[0].update([field_id] if field_id else [])
    return [(frozenset(ids), zone) for ids, zone in farms.values()]


def farm_keys(session: Session, farm_ids: Iterable[int]) -> list[str]:
    """Names of farms, as they are compared."""
    return list(session.exec(select(Farm.key).where(col(Farm.id).in_(list(farm_ids)))))


def is_farm_known(session: Session, name: str) -> bool:
    """Whether a farm anywhere bears this name, or a laboratory writes it for one."""
    key = name_key(name)
    farm = session.exec(select(Farm.id).where(Farm.key == key).limit(1)).first()
    written = select(FieldName.id).where(FieldName.farm_key == key).limit(1)
    return farm is not None or session.exec(written).first() is not None


def add_name(session: Session, field_id: int, farm_label: str, field_label: str) -> None:
    """Let a field answer to another name from now on."""
    farm_key, field_key = name_key(farm_label), name_key(field_label)
    known = session.exec(
        select(FieldName).where(
            FieldName.field_id == field_id,
            FieldName.farm_key == farm_key,
            FieldName.field_key == field_key,
        )
    ).first()
    if known is None:
        session.add(FieldName(field_id=field_id, farm_key=farm_key, field_key=field_key))


def record_cut(
    session: Session,
    field_id: int,
    cut_on: date,
    now: datetime,
    detail: Mapping[str, object] | None = None,
) -> int:
    """Close the field's open cutting and open the next; returns the cutting that was closed.

    ``detail`` is what was known on the day, as ``KnownAtCut.as_json`` gives it.
    """
    field = session.get_one(FarmField, field_id)
    closed = field.cutting
    session.add(
        Cut(
            field_id=field_id,
            season=cut_on.year,
            cutting=closed,
            cut_on=cut_on,
            recorded_at=now,
            detail=dict(detail or {}),
        )
    )
    field.cutting = closed + 1
    field.cut_on = cut_on
    session.add(field)
    return closed


def undo_cut(session: Session, field_id: int) -> Cut | None:
    """Take back the newest cut of the field's season; None where the field bears none.

    The cutting it closed is open again, as it was before.
    """
    field = session.get_one(FarmField, field_id)
    taken = _cut_of(session, field, field.cutting - 1)
    if field.cut_on is None or taken is None:
        return None
    before = _cut_of(session, field, taken.cutting - 1)
    field.cutting = taken.cutting
    field.cut_on = before.cut_on if before else None
    session.add(field)
    session.delete(taken)
    return taken


def _cut_of(session: Session, field: FarmField, cutting: int) -> Cut | None:
    season = field.cut_on.year if field.cut_on else None
    return session.exec(
        select(Cut).where(Cut.field_id == field.id, Cut.season == season, Cut.cutting == cutting)
    ).first()


def close(session: Session, field_id: int, closed_on: date) -> None:
    """Leave a field out from now on; enrolling it again opens it."""
    field = session.get_one(FarmField, field_id)
    field.closed_on = closed_on
    session.add(field)


def open_fields(session: Session, farm_id: int) -> list[FarmField]:
    query = select(FarmField).where(
        FarmField.farm_id == farm_id, col(FarmField.closed_on).is_(None)
    )
    return list(session.exec(query.order_by(col(FarmField.id))))


def all_fields(session: Session, farm_id: int) -> list[FarmField]:
    """Fields of a farm, those given up included."""
    query = select(FarmField).where(FarmField.farm_id == farm_id).order_by(col(FarmField.id))
    return list(session.exec(query))


def open_new_season(session: Session, season_first_day: date) -> int:
    """Put fields cut in an earlier season back to their first cutting; returns how many."""
    stale = session.exec(
        select(FarmField).where(
            col(FarmField.cut_on).is_not(None), col(FarmField.cut_on) < season_first_day
        )
    ).all()
    for field in stale:
        field.cutting, field.cut_on = 1, None
        session.add(field)
    return len(stale)
