"""How long an answer of a web service may be used again, and the answers kept that long.

The rules are those of a private cache in RFC 9111 (HTTP Caching, 2022), as far as a service that
answers GET with whole documents needs them.
"""

from __future__ import annotations

import re
import zlib
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

import httpx

LONGEST_FRESH = timedelta(days=1)  # no header may freeze a forecast for longer, our judgement
MOST_KEPT = 256  # forecasts are some hundred kB of JSON, a twentieth of that compressed
_BOUND_TO_ONE_ANSWER = ("age", "date")
_SECONDS = re.compile(r"[0-9]{1,9}")


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """A document as it came, compressed, and what its sender said about using it again."""

    packed: bytes
    headers: httpx.Headers
    fresh_until: datetime

    @property
    def body(self) -> bytes:
        return zlib.decompress(self.packed)

    def conditions(self) -> dict[str, str]:
        """Request headers by which the sender may say that nothing has changed."""
        asked = {"If-None-Match": "etag", "If-Modified-Since": "last-modified"}
        return {ask: self.headers[name] for ask, name in asked.items() if name in self.headers}

    def confirmed(self, headers: httpx.Headers, now: datetime, hold: timedelta) -> KeptAnswer:
        """The same document after its sender confirmed it, with the newer headers."""
        merged = self.headers.copy()
        for name in _BOUND_TO_ONE_ANSWER:
            merged.pop(name, None)
        merged.update(headers)
        return KeptAnswer(self.packed, merged, fresh_until(merged, now, hold))


def kept_answer(
    body: bytes, headers: httpx.Headers, now: datetime, hold: timedelta
) -> KeptAnswer | None:
    """An answer ready to be kept; None where its sender forbids it."""
    if "no-store" in _directives(headers):
        return None
    return KeptAnswer(zlib.compress(body), headers, fresh_until(headers, now, hold))


def fresh_until(headers: httpx.Headers, now: datetime, hold: timedelta) -> datetime:
    """Moment up to which an answer that came `now` may be used without asking again.

    max-age, less the age it already had, goes before Expires. `hold` is the least time the caller
    holds on to it whatever the headers say. Unreadable headers count as stale.
    """
    lifetime = min(_lifetime(headers, now), LONGEST_FRESH)
    return now + max(lifetime, hold)


def retry_after_s(headers: httpx.Headers, now: datetime) -> float | None:
    """Seconds a service asks to be left alone, given as seconds or as a date; None: not said."""
    raw = headers.get("Retry-After", "").strip()
    if _SECONDS.fullmatch(raw):
        return float(raw)
    until = _moment(raw)
    return None if until is None else max(0.0, (until - now).total_seconds())


def _lifetime(headers: httpx.Headers, now: datetime) -> timedelta:
    directives = _directives(headers)
    if "no-cache" in directives:
        return timedelta(0)
    if "max-age" in directives:
        return _seconds(directives["max-age"]) - _seconds(headers.get("Age", "0"))
    expires = _moment(headers.get("Expires", ""))
    if expires is None:
        return timedelta(0)
    return expires - (_moment(headers.get("Date", "")) or now)


def _directives(headers: httpx.Headers) -> dict[str, str]:
    parts = (part.partition("=") for part in headers.get("Cache-Control", "").split(","))
    return {name.strip().lower(): value.strip().strip('"') for name, _, value in parts}


def _seconds(raw: str) -> timedelta:
    return timedelta(seconds=int(raw)) if _SECONDS.fullmatch(raw.strip()) else timedelta(0)


def _moment(raw: str) -> datetime | None:
    """A date of RFC 2822, which is the form HTTP uses."""
    try:
        found = parsedate_to_datetime(raw)
    except ValueError:
        return None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


class KeptAnswers:
    """The most recently used answers by address."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._answers: OrderedDict[str, KeptAnswer] = OrderedDict()
        self._most = most

    def get(self, address: str) -> KeptAnswer | None:
        answer = self._answers.get(address)
        if answer is not None:
            self._answers.move_to_end(address)
        return answer

    def put(self, address: str, answer: KeptAnswer) -> None:
        self._answers[address] = answer
        self._answers.move_to_end(address)
        while len(self._answers) > self._most:
            self._answers.popitem(last=False)

    def forget(self, address: str) -> None:
        self._answers.pop(address, None)
