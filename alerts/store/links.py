"""Access links: who may open which pages, until when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import bindparam
from sqlmodel import Session, col, select

from alerts.store.tables import AccessLink, Farm


def add_link(
    session: Session,
    *,
    role: str,
    person_id: int | None,
    farm_id: int | None,
    now: datetime,
    expires_at: datetime,
) -> AccessLink:
    link = AccessLink(
        role=role, person_id=person_id, farm_id=farm_id, made_at=now, expires_at=expires_at
    )
    session.add(link)
    session.flush()
    return link


def find_in_force(
    session: Session, *, role: str, person_id: int | None, farm_id: int | None, until: datetime
) -> AccessLink | None:
    """The newest link for just this that holds at least ``until``."""
    return session.exec(
        select(AccessLink)
        .where(
            AccessLink.role == role,
            AccessLink.person_id == person_id,
            AccessLink.farm_id == farm_id,
            col(AccessLink.revoked_at).is_(None),
            col(AccessLink.expires_at) > until,
        )
        .order_by(col(AccessLink.id).desc())
        .limit(1)
    ).first()


def get_link(session: Session, link_id: int) -> AccessLink | None:
    return session.get(AccessLink, link_id)


_WITH_FARMER = (
    select(AccessLink, Farm.farmer_id)
    .join(Farm, col(Farm.id) == col(AccessLink.farm_id), isouter=True)
    .where(AccessLink.id == bindparam("link_id"))
)


def link_with_farmer(session: Session, link_id: int) -> tuple[AccessLink, int | None] | None:
    """A link, and who farms its farm by now; None in that place where it has none."""
    found = session.exec(_WITH_FARMER, params={"link_id": link_id}).first()
    return None if found is None else (found[0], found[1])


def all_links(session: Session) -> Sequence[AccessLink]:
    return session.exec(select(AccessLink).order_by(col(AccessLink.id))).all()


def revoke(session: Session, links: Sequence[AccessLink], now: datetime) -> int:
    """Let these links lead nowhere from now on; returns how many still did."""
    open_ones = [link for link in links if link.revoked_at is None]
    for link in open_ones:
        link.revoked_at = now
        session.add(link)
    return len(open_ones)


def links_of_person(session: Session, person_id: int) -> Sequence[AccessLink]:
    return session.exec(select(AccessLink).where(AccessLink.person_id == person_id)).all()


def links_of_farm(session: Session, farm_id: int) -> Sequence[AccessLink]:
    return session.exec(select(AccessLink).where(AccessLink.farm_id == farm_id)).all()
