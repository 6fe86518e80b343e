"""What a private page reads for its link's holder, and whether it would read the same again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from sqlmodel import Session

from alerts.services.access.links import LinkRules, Role, Visitor, open_link
from alerts.store.session import Sessions

T = TypeVar("T")

Read = Callable[[Session, Visitor, datetime], T]
"""Reads what a page shows its visitor at a moment."""


@dataclass(frozen=True, slots=True)
class Opened(Generic[T]):
    who: Visitor
    found: T
    is_still_so: Callable[[], bool]  # asks the database; the link's end is not its business


def open_page(
    sessions: Sessions, rules: LinkRules, role: Role, token: str, now: datetime, read: Read[T]
) -> Opened[T]:
    """LinkGone when the link leads nowhere, which is read with all the rest."""

    def look(session: Session) -> tuple[Visitor, T]:
        who = open_link(session, rules, role, token, now)
        return who, read(session, who, now)

    (who, found), is_still_so = sessions.read_watched(look)
    return Opened(who, found, is_still_so)
