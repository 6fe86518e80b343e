"""Keys of programs to the API, and the answers kept for requests that may be repeated."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import update
from sqlmodel import Session, col, delete, or_, select

from alerts.store.tables import ApiRequest, ApiToken, Person


def add_token(session: Session, token: ApiToken) -> ApiToken:
    session.add(token)
    session.flush()
    return token


def find_token(session: Session, sha256: str) -> ApiToken | None:
    return session.exec(select(ApiToken).where(ApiToken.sha256 == sha256)).first()


def get_token(session: Session, token_id: int) -> ApiToken | None:
    return session.get(ApiToken, token_id)


def all_tokens(session: Session) -> list[tuple[ApiToken, Person | None]]:
    """Every token with whose it is, oldest first."""
    rows = session.exec(
        select(ApiToken, Person)
        .join(Person, col(Person.id) == col(ApiToken.person_id), isouter=True)
        .order_by(col(ApiToken.id))
    )
    return list(rows)


def has_person(session: Session, person_id: int) -> bool:
    return session.get(Person, person_id) is not None


def note_use(session: Session, token_id: int, now: datetime, since: datetime) -> None:
    """Write down that a token was used, unless that was done after ``since``."""
    stale = or_(col(ApiToken.last_used_at).is_(None), col(ApiToken.last_used_at) < since)
    session.exec(
        update(ApiToken).where(col(ApiToken.id) == token_id, stale).values(last_used_at=now)
    )


def find_answer(session: Session, token_id: int, key: str) -> ApiRequest | None:
    return session.get(ApiRequest, (token_id, key))


def keep_answer(
    session: Session,
    *,
    token_id: int,
    key: str,
    sha256: str,
    status: int,
    answer: dict[str, Any],
    now: datetime,
    forget_before: datetime,
) -> None:
    """Keep an answer under its key, and drop those of the token from before ``forget_before``."""
    session.exec(
        delete(ApiRequest).where(
            col(ApiRequest.token_id) == token_id, col(ApiRequest.at) < forget_before
        )
    )
    if find_answer(session, token_id, key) is None:
        session.add(
            ApiRequest(
                token_id=token_id, key=key, sha256=sha256, status=status, answer=answer, at=now
            )
        )
