"""Requests that may come twice: under one key the first answer is given again.

The key is the client's, as the HTTP header Idempotency-Key of the IETF HTTPAPI working group
(draft, 2025) has it; answers to mistakes are not kept, so that a mended service can do better.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.store import tokens

KEPT = timedelta(days=7)
"""How long an answer is given again; a client that tries longer gives up first."""

LONGEST_KEY = 200


class KeyUnusable(CutcallError):
    """Not a key: empty, too long, or with characters that headers do not carry."""


class KeyReused(CutcallError):
    """The key was used before for something else."""


@dataclass(frozen=True, slots=True)
class Answer:
    status: int
    body: dict[str, Any]


def read_key(header: str) -> str:
    """The key a header holds, with or without the quotes of a structured field (RFC 9651).

    KeyUnusable when there is none in it.
    """
    key = header.strip()
    if len(key) > 1 and key[0] == key[-1] == '"':
        key = key[1:-1]
    if not 0 < len(key) <= LONGEST_KEY or not (key.isascii() and key.isprintable()):
        raise KeyUnusable(
            f"the Idempotency-Key must be 1 to {LONGEST_KEY} printable ASCII characters; "
            "a UUID will do"
        )
    return key


def digest_of(*parts: bytes) -> str:
    """What was asked, as one value to compare by."""
    whole = hashlib.sha256()
    for part in parts:
        whole.update(len(part).to_bytes(8, "big") + part)
    return whole.hexdigest()


def earlier_answer(
    session: Session, token_id: int, key: str, digest: str, now: datetime
) -> Answer | None:
    """The answer given before under this key; KeyReused when it was to something else."""
    known = tokens.find_answer(session, token_id, key)
    if known is None or known.at < now - KEPT:
        return None
    if known.sha256 != digest:
        raise KeyReused(
            "this Idempotency-Key was used for another request; send a new key with new content"
        )
    return Answer(known.status, known.answer)


def keep_answer(
    session: Session, token_id: int, key: str, digest: str, answer: Answer, now: datetime
) -> None:
    """Give this answer again when the request is repeated."""
    tokens.keep_answer(
        session,
        token_id=token_id,
        key=key,
        sha256=digest,
        status=answer.status,
        answer=answer.body,
        now=now,
        forget_before=now - KEPT,
    )
