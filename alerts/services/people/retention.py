"""Taking away words and traces of people that have been kept long enough."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlmodel import Session

from alerts.store import retention as store
from alerts.store.session import Sessions

BATCH = 200
"""Rows of one transaction, so that nobody waits long for the write lock."""

MOST_BATCHES = 25
"""Of one kind in one round; the next round, an hour later, goes on."""

YEAR = timedelta(days=365.25)


@dataclass(frozen=True, slots=True)
class RetentionRules:
    """How long each is kept."""

    messages: timedelta
    texts_in: timedelta
    consents: timedelta  # of who was forgotten
    links: timedelta
    ips: timedelta
    sign_ups: timedelta  # never confirmed
    answers: timedelta  # to requests that may be repeated


Find = Callable[[Session, datetime, int], Sequence[Any]]
Remove = Callable[[Session, Sequence[Any]], None]


def _kinds(rules: RetentionRules) -> list[tuple[str, timedelta, Find, Remove]]:
    return [
        ("messages", rules.messages, store.old_messages, store.blank_messages),
        ("texts in", rules.texts_in, store.old_texts, store.blank_texts),
        ("sign-ups", rules.sign_ups, store.old_sign_ups, store.blank_sign_ups),
        ("IPs of sign-ups", rules.ips, store.old_sign_up_ips, store.blank_sign_up_ips),
        ("IPs of consents", rules.ips, store.old_consent_ips, store.blank_consent_ips),
        ("consents", rules.consents, store.old_consents, store.drop_consents),
        ("links", rules.links, store.old_links, store.drop_links),
        ("answers", rules.answers, store.old_answers, store.drop_answers),
    ]


def take_away(sessions: Sessions, rules: RetentionRules, now: datetime) -> dict[str, int]:
    """Blank or remove what is older than it may be; returns how many of which kind.

    Many short transactions of `BATCH` rows: one that fails leaves those before it done.
    """
    done = {}
    for kind, kept, find, remove in _kinds(rules):
        if count := _batches(sessions, now - kept, find, remove):
            done[kind] = count
    return done


def _batches(sessions: Sessions, before: datetime, find: Find, remove: Remove) -> int:
    count = 0
    for _ in range(MOST_BATCHES):
        with sessions.read() as session:
            found = find(session, before, BATCH)
        if not found:
            break
        with sessions.write() as session:
            remove(session, found)
        count += len(found)
    return count
