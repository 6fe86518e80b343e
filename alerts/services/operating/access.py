"""Handing out links and tokens: for whom, by the names an operator knows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.names import name_key
from alerts.services.access import links, tokens
from alerts.services.access.links import LinkRules, Role
from alerts.services.access.tokens import TokenRole
from alerts.store import links as stored_links
from alerts.store import operator, people
from alerts.store.session import Sessions


@dataclass(frozen=True, slots=True)
class LinkLine:
    """A link as an operator sees it; without its address, which opens it."""

    id: int
    role: str
    whose: str  # person or farm; "" for an operator's
    made_at: datetime
    expires_at: datetime
    revoked_at: datetime | None

    def in_force(self, now: datetime) -> bool:
        return self.revoked_at is None and self.expires_at > now


def make_link(
    sessions: Sessions, rules: LinkRules, role: str, who: str, area: str, now: datetime
) -> str:
    """Path of the pages of a person, a farm or the operator: '/farm/12.Zq...'.

    ``who`` is a person's name or email, or a farm's name; ``area`` tells farms of one name apart.
    CutcallError names those there are where it does not lead to exactly one.
    """
    kind = _role(role)
    with sessions.write() as session:
        person_id = _adviser(session, role, who) if kind in _ADVISERS else None
        farm_id = _farm(session, who, area) if kind is Role.FARM else None
        return links.link_path(session, rules, kind, person_id=person_id, farm_id=farm_id, now=now)


_ADVISERS = (Role.CONSULTANT, Role.SAMPLER)


def _role(role: str) -> Role:
    try:
        return Role(role)
    except ValueError:
        raise CutcallError(f"'{role}' has no pages; give one of {', '.join(Role)}") from None


def _adviser(session: Session, role: str, who: str) -> int:
    known = operator.advisers(session, role)
    wanted = name_key(who)
    found = [
        person
        for person in known
        if wanted == name_key(person.name) or who.casefold() == person.email.casefold()
    ]
    if len(found) == 1 and found[0].id is not None:
        return found[0].id
    if not found:
        names = ", ".join(person.name for person in known) or "none"
        raise CutcallError(f"no {role} '{who}' has farms; those that have are: {names}")
    emails = ", ".join(person.email for person in found)
    raise CutcallError(f"'{who}' is the name of {len(found)}; give an email: {emails}")


def _farm(session: Session, who: str, area: str) -> int:
    known = operator.farms(session)
    found = [
        farm
        for farm in known
        if name_key(farm.name) == name_key(who)
        and (not area or name_key(farm.area) == name_key(area))
    ]
    if len(found) == 1:
        return found[0].id
    if not found:
        names = ", ".join(farm.name for farm in known) or "none"
        raise CutcallError(f"no farm '{who}' is enrolled; farms that are: {names}")
    areas = ", ".join(farm.area for farm in found)
    raise CutcallError(f"'{who}' is a farm in {areas}; say which with --area")


def list_links(sessions: Sessions) -> list[LinkLine]:
    """Every link ever made, oldest first."""
    with sessions.read() as session:
        farms = {farm.id: farm.name for farm in operator.farms(session)}
        found = stored_links.all_links(session)
        names = people.names(session, [link.person_id or 0 for link in found])
    return [
        LinkLine(
            id=link.id or 0,
            role=link.role,
            whose=farms.get(link.farm_id or 0, "") or names.get(link.person_id or 0, ""),
            made_at=link.made_at,
            expires_at=link.expires_at,
            revoked_at=link.revoked_at,
        )
        for link in found
    ]


def revoke_link(sessions: Sessions, link_id: int, now: datetime) -> None:
    """Take a link back; CutcallError when there is none of this number."""
    with sessions.write() as session:
        links.revoke(session, link_id, now)


def make_token(
    sessions: Sessions,
    *,
    role: str,
    name: str,
    who: str,
    lab: str,
    scopes: Iterable[str],
    expires_at: datetime | None,
    now: datetime,
) -> tuple[int, str]:
    """A program's token: its number, and its secret, which nobody can be told again."""
    with sessions.write() as session:
        advises = role in (TokenRole.CONSULTANT, TokenRole.SAMPLER)
        person_id = _adviser(session, role, who or name) if advises else None
        token, secret = tokens.make_token(
            session, role, name, person_id, lab, scopes, expires_at, now
        )
        assert token.id is not None
        return token.id, secret


def revoke_token(sessions: Sessions, token_id: int, now: datetime) -> None:
    """Take a token back; CutcallError when there is none of this number."""
    with sessions.write() as session:
        tokens.revoke_token(session, token_id, now)
