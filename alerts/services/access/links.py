"""Signed links in the place of passwords: who holds one may open the pages it stands for.

The address carries the number of a row, signed; the row says for whom, for what and until when, so
that a link can be revoked. Nothing is kept in cookies: another site cannot act in a visitor's name.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from itsdangerous import BadSignature, Signer
from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.store import links
from alerts.store.tables import AccessLink

USUAL_SHARE = 0.5
"""A link is handed out again until less than this share of its life is left, so that an email read
late still leads somewhere, and not every email makes a new link."""


class Role(StrEnum):
    """Whose pages a link opens."""

    FARM = "farm"
    CONSULTANT = "consultant"
    SAMPLER = "sampler"
    OPERATOR = "operator"


class LinkGone(CutcallError):
    """The link is none of ours, has expired or was revoked."""


@dataclass(frozen=True, slots=True)
class LinkRules:
    """``secrets``: those before the last one only open links made earlier (rotation)."""

    public_url: str
    secrets: tuple[str, ...]  # oldest first; the last one signs
    lasts: timedelta
    operator_lasts: timedelta  # shorter: it opens everybody's pages

    def life(self, role: Role) -> timedelta:
        return self.operator_lasts if role is Role.OPERATOR else self.lasts


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who opened a page, as far as the link tells."""

    link_id: int
    role: Role
    person_id: int | None
    farm_id: int | None
    until: datetime | None = None  # None: not by a link


def link_url(
    session: Session,
    rules: LinkRules,
    role: Role,
    *,
    person_id: int | None = None,
    farm_id: int | None = None,
    now: datetime,
) -> str:
    """Address of somebody's page; "" where the service has no public address."""
    if not rules.public_url:
        return ""
    path = link_path(session, rules, role, person_id=person_id, farm_id=farm_id, now=now)
    return f"{rules.public_url.rstrip('/')}{path}"


def link_path(
    session: Session,
    rules: LinkRules,
    role: Role,
    *,
    person_id: int | None = None,
    farm_id: int | None = None,
    now: datetime,
) -> str:
    """The same below the public address: '/farm/12.Zq...'."""
    lasts = rules.life(role)
    link = links.find_in_force(
        session,
        role=role.value,
        person_id=person_id,
        farm_id=farm_id,
        until=now + lasts * USUAL_SHARE,
    )
    if link is None:
        link = links.add_link(
            session,
            role=role.value,
            person_id=person_id,
            farm_id=farm_id,
            now=now,
            expires_at=now + lasts,
        )
    return f"/{role}/{token_of(rules, link)}"


def token_of(rules: LinkRules, link: AccessLink) -> str:
    """The signed number of a link; bound to its role, so that it opens no page of another kind."""
    return _signer(rules, Role(link.role)).sign(str(link.id)).decode()


def open_link(session: Session, rules: LinkRules, role: Role, token: str, now: datetime) -> Visitor:
    """Who holds this link; LinkGone when it leads nowhere (any more)."""
    try:
        link_id = int(_signer(rules, role).unsign(token.encode()))
    except (BadSignature, ValueError):
        raise LinkGone("this link is not complete; copy all of it from the message") from None
    found = links.link_with_farmer(session, link_id)
    if found is None or found[0].role != role:
        raise LinkGone("this link leads nowhere; ask for a new one")
    link, farmer_id = found
    if link.revoked_at is not None:
        raise LinkGone("this link was taken back; ask for a new one")
    if link.expires_at <= now:
        raise LinkGone("this link has expired; ask for a new one")
    if role is Role.FARM and not _is_of_the_farmer(link, farmer_id):
        raise LinkGone("this link was taken back; ask for a new one")
    assert link.id is not None
    return Visitor(link.id, role, link.person_id, link.farm_id, link.expires_at)


def _is_of_the_farmer(link: AccessLink, farmer_id: int | None) -> bool:
    """A farm may change hands: whoever farmed it before has no business on its page."""
    return None in (link.person_id, link.farm_id) or link.person_id == farmer_id


def revoke(session: Session, link_id: int, now: datetime) -> None:
    """Take one link back; CutcallError when there is none of this number."""
    link = links.get_link(session, link_id)
    if link is None:
        raise CutcallError(f"no link {link_id}; 'cutcall links' lists their numbers")
    links.revoke(session, [link], now)


def revoke_of_person(session: Session, person_id: int, now: datetime) -> int:
    """Take all links of a person back, say when a phone was lost; returns how many."""
    return links.revoke(session, links.links_of_person(session, person_id), now)


def revoke_of_farm(session: Session, farm_id: int, farmer_id: int | None, now: datetime) -> int:
    """Take back the links of a farm that changed hands, but for those of its farmer by now."""
    others = [
        link
        for link in links.links_of_farm(session, farm_id)
        if farmer_id is None or link.person_id != farmer_id
    ]
    return links.revoke(session, others, now)


def _signer(rules: LinkRules, role: Role) -> Signer:
    return Signer(list(rules.secrets), salt=f"cutcall.link.{role}")
