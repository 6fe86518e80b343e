"""Keys with which programs use the API.

A secret is 256 random bits behind a prefix by which a leaked one can be found; it is shown once.
Only its SHA-256 is kept: what cannot be guessed needs no slow hash, and a stolen database opens
nothing. A token may do what its scopes say, and only on the farms of whom it belongs to.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.services.access.links import Role, Visitor
from alerts.services.access.senders import Sender
from alerts.store import tokens
from alerts.store.session import Sessions
from alerts.store.tables import ApiToken

PREFIX = "cutcall_"
SECRET_BYTES = 32
START_CHARS = len(PREFIX) + 6
"""Characters kept in the clear, enough to tell tokens apart and far too few to guess one."""

USE_NOTED_EVERY = timedelta(hours=1)


class Scope(StrEnum):
    """What a token may do."""

    RESULTS_WRITE = "results:write"
    OUTLOOKS_READ = "outlooks:read"
    FARMS_READ = "farms:read"
    CUTS_WRITE = "cuts:write"


class TokenRole(StrEnum):
    """Whose token it is."""

    LAB = "lab"
    CONSULTANT = "consultant"
    SAMPLER = "sampler"


USUAL_SCOPES = {
    TokenRole.LAB: (Scope.RESULTS_WRITE,),
    TokenRole.CONSULTANT: (Scope.FARMS_READ, Scope.OUTLOOKS_READ, Scope.CUTS_WRITE),
    TokenRole.SAMPLER: (Scope.RESULTS_WRITE, Scope.OUTLOOKS_READ),
}


class TokenRefused(CutcallError):
    """The token is missing, none of ours, expired or revoked."""


class ScopeMissing(CutcallError):
    """The token is good, but not for this."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks, as far as the token tells."""

    token_id: int
    name: str
    role: TokenRole
    person_id: int | None
    lab: str
    scopes: frozenset[Scope]

    @property
    def sender(self) -> Sender:
        """Under whose name a document is kept; it outlives the token."""
        if self.role is TokenRole.LAB:
            return Sender(self.role, self.lab or f"token {self.token_id}")
        return Sender(self.role, str(self.person_id))

    @property
    def visitor(self) -> Visitor:
        """The same as a visitor of pages, for `scope`; a laboratory sees no farm."""
        role = Role.SAMPLER if self.role is TokenRole.SAMPLER else Role.CONSULTANT
        if self.role is TokenRole.LAB or self.person_id is None:
            return Visitor(0, Role.FARM, None, None)
        return Visitor(0, role, self.person_id, None)


@dataclass(frozen=True, slots=True)
class TokenLine:
    """A token as an operator sees it."""

    id: int
    name: str
    role: str
    whose: str  # person or laboratory
    scopes: tuple[str, ...]
    start: str
    made_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    last_used_at: datetime | None

    def in_force(self, now: datetime) -> bool:
        return self.revoked_at is None and (self.expires_at is None or self.expires_at > now)


def make_token(
    session: Session,
    role: str,
    name: str,
    person_id: int | None,
    lab: str,
    scopes: Iterable[str],
    expires_at: datetime | None,
    now: datetime,
) -> tuple[ApiToken, str]:
    """A new token and its secret, which nobody can be told again.

    ``scopes`` empty gives the usual ones of the role. CutcallError for an unknown role or scope,
    a consultant or sampler that is nobody, or an end that lies behind.
    """
    kind, wanted = _role(role), _scopes(role, scopes)
    if kind is not TokenRole.LAB and not (person_id and tokens.has_person(session, person_id)):
        raise CutcallError(f"a {role}'s token needs the person it is for; enrol them first")
    if not name.strip():
        raise CutcallError("a token needs a name by which you will know it again")
    if expires_at is not None and expires_at <= now:
        raise CutcallError(
            f"the token would have expired on {expires_at:%Y-%m-%d}; give a later day"
        )
    secret = PREFIX + secrets.token_urlsafe(SECRET_BYTES)
    token = ApiToken(
        name=name.strip(),
        role=kind,
        person_id=None if kind is TokenRole.LAB else person_id,
        lab=lab.strip() if kind is TokenRole.LAB else "",
        scopes=" ".join(sorted(wanted)),
        start=secret[:START_CHARS],
        sha256=_hash(secret),
        made_at=now,
        expires_at=expires_at,
    )
    return tokens.add_token(session, token), secret


def check(session: Session, secret: str, scope: Scope | str, now: datetime) -> Caller:
    """Who bears this secret; TokenRefused when nobody does, ScopeMissing without the scope."""
    caller = caller_of(session, secret, now)
    if scope not in caller.scopes:
        raise ScopeMissing(f"this token may not do that; it needs the scope {scope}")
    return caller


def caller_of(session: Session, secret: str, now: datetime) -> Caller:
    """The same whatever the token may do."""
    token = tokens.find_token(session, _hash(secret)) if secret.startswith(PREFIX) else None
    if token is None:
        raise TokenRefused("the bearer token is missing or wrong; ask the operator for yours")
    if token.revoked_at is not None:
        raise TokenRefused("this token was revoked; ask the operator for a new one")
    if token.expires_at is not None and token.expires_at <= now:
        raise TokenRefused("this token has expired; ask the operator for a new one")
    assert token.id is not None
    return Caller(
        token_id=token.id,
        name=token.name,
        role=TokenRole(token.role),
        person_id=token.person_id,
        lab=token.lab,
        scopes=frozenset(Scope(scope) for scope in token.scopes.split()),
    )


def admit(sessions: Sessions, secret: str, scope: Scope, now: datetime) -> Caller:
    """:func:`check`, and a note of the use at most once an hour."""
    with sessions.read() as session:
        caller = check(session, secret, scope, now)
        token = tokens.get_token(session, caller.token_id)
        last = token.last_used_at if token else None
    if last is None or last < now - USE_NOTED_EVERY:
        with sessions.write() as session:
            tokens.note_use(session, caller.token_id, now, now - USE_NOTED_EVERY)
    return caller


def revoke_token(session: Session, token_id: int, now: datetime) -> ApiToken:
    """Take a token back; CutcallError when there is none of this number. Twice changes nothing."""
    token = tokens.get_token(session, token_id)
    if token is None:
        raise CutcallError(f"there is no token {token_id}; list them to see their numbers")
    token.revoked_at = token.revoked_at or now
    session.add(token)
    return token


def list_tokens(session: Session) -> list[TokenLine]:
    """All tokens, oldest first, without anything that would open a door."""
    return [
        TokenLine(
            id=token.id or 0,
            name=token.name,
            role=token.role,
            whose=person.name if person else token.lab,
            scopes=tuple(token.scopes.split()),
            start=token.start,
            made_at=token.made_at,
            expires_at=token.expires_at,
            revoked_at=token.revoked_at,
            last_used_at=token.last_used_at,
        )
        for token, person in tokens.all_tokens(session)
    ]


def _role(role: str) -> TokenRole:
    try:
        return TokenRole(role)
    except ValueError:
        raise CutcallError(f"'{role}' is no role of a token; use {', '.join(TokenRole)}") from None


def _scopes(role: str, scopes: Iterable[str]) -> frozenset[Scope]:
    wanted = set(scopes)
    unknown = sorted(wanted - set(Scope))
    if unknown:
        raise CutcallError(f"'{unknown[0]}' is no scope; use {', '.join(Scope)}")
    return frozenset(map(Scope, wanted)) or frozenset(USUAL_SCOPES[TokenRole(role)])


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
