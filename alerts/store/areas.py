"""Areas: which are due, and who works on one."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, event, or_, update
from sqlmodel import Session, col, func, select

from alerts.store.tables import Area

_DUE = "areas that will be due"


def mark_due(session: Session, area_ids: Iterable[int], now: datetime) -> None:
    """Have these areas looked at again, once the session commits.

    An area already due gets the new instant too: whoever works on it right now sees by the changed
    value that there is more to do (see :func:`release`). Areas are the last that a transaction
    locks, all at once, so that nobody waits in a circle.
    """
    if _DUE not in session.info:
        session.info[_DUE] = {}
        event.listen(session, "before_commit", _mark)
    session.info[_DUE].update(dict.fromkeys(area_ids, now))


def _mark(session: Session) -> None:
    due: dict[int, datetime] = session.info[_DUE]
    if not due or session.in_nested_transaction():
        return
    session.flush()
    _lock(session, due)
    for moment in set(due.values()):
        ids = sorted(area_id for area_id, at in due.items() if at == moment)
        marked = update(Area).where(col(Area.id).in_(ids)).values(due_at=moment)
        session.exec(marked.execution_options(synchronize_session=False))
    due.clear()


def _lock(session: Session, area_ids: Iterable[int]) -> None:
    """Lock areas in the order of their ids; an update of several takes them as they come."""
    if session.get_bind().dialect.name == "postgresql":
        these = col(Area.id).in_(sorted(area_ids))
        session.exec(select(Area.id).where(these).order_by(col(Area.id)).with_for_update()).all()


def claim_due(
    session: Session, *, owner: str, now: datetime, lease: timedelta, limit: int = 1
) -> list[Area]:
    """Take due areas, those longest due first; the lease keeps other workers off until they are
    released or it lapses."""
    query = select(Area).where(*_is_free(now)).order_by(col(Area.due_at))
    found = list(session.exec(query.limit(limit).with_for_update(skip_locked=True)))
    if found:
        ids = [area.id for area in found]
        values = {"lease_owner": owner, "lease_until": now + lease}
        session.exec(update(Area).where(col(Area.id).in_(ids)).values(**values))
    return found


def count_due(session: Session, now: datetime) -> int:
    """Areas that :func:`claim_due` would take, were there no limit."""
    return session.exec(select(func.count(col(Area.id))).where(*_is_free(now))).one()


def _is_free(now: datetime) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    return col(Area.due_at) <= now, or_(
        col(Area.lease_until).is_(None), col(Area.lease_until) < now
    )


def due_since(session: Session, found: Iterable[Area]) -> dict[int, datetime | None]:
    """When each of these areas is, or was, due, as it stands in the database now."""
    ids = [area.id for area in found]
    rows = session.exec(select(Area.id, Area.due_at).where(col(Area.id).in_(ids)))
    return {area_id: due_at for area_id, due_at in rows if area_id is not None}


def renew(session: Session, found: Iterable[Area], until: datetime) -> None:
    """Hold areas, as they were claimed, for longer; one that was taken over stays the other's."""
    alike: dict[tuple[str, datetime | None], list[Area]] = {}
    for area in found:
        alike.setdefault((area.lease_owner, area.lease_until), []).append(area)
    _lock(session, (area.id for some in alike.values() for area in some if area.id is not None))
    for (owner, held_until), some in alike.items():
        session.exec(
            update(Area)
            .where(
                col(Area.id).in_([area.id for area in some]),
                col(Area.lease_owner) == owner,
                col(Area.lease_until) == held_until,
            )
            .values(lease_until=until)
            .execution_options(synchronize_session=False)
        )
        for area in some:
            area.lease_until = until


class Release(NamedTuple):
    """An area to be given back, as it was claimed."""

    area: Area
    due_seen: datetime | None
    next_due: datetime


def release(session: Session, releases: Iterable[Release]) -> bool:
    """Give areas back; False when the lease of one was taken over: what was made of them must not
    stay.

    A wish that came in meanwhile (a newer due_at) stays.
    """
    alike: dict[tuple[Any, ...], list[int | None]] = {}
    for area, due_seen, next_due in releases:
        key = area.lease_owner, area.lease_until, due_seen, next_due
        alike.setdefault(key, []).append(area.id)
    _lock(session, (area_id for ids in alike.values() for area_id in ids if area_id is not None))
    for (owner, until, due_seen, next_due), ids in alike.items():
        ours = (
            update(Area)
            .where(
                col(Area.id).in_(ids),
                col(Area.lease_owner) == owner,
                col(Area.lease_until) == until,
            )
            .execution_options(synchronize_session=False)
        )
        free = {"lease_owner": "", "lease_until": None}
        unchanged = ours.where(col(Area.due_at) == due_seen).values(due_at=next_due, **free)
        given = session.exec(unchanged).rowcount
        # Those given back by now bear this lease no more, so the rest is left.
        if given < len(ids) and given + session.exec(ours.values(**free)).rowcount < len(ids):
            return False
    return True


def all_areas(session: Session) -> dict[int, Area]:
    found = session.exec(select(Area).order_by(col(Area.name)))
    return {area.id: area for area in found if area.id is not None}
