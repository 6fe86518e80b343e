"""What the loopback gateway holds: every text it took, and how it tells of them."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from email.utils import format_datetime
from hashlib import sha256
from itertools import islice
from urllib.parse import urlencode

API_VERSION = "2010-04-01"
PAGE_SIZE, LARGEST_PAGE = 50, 1000


@dataclass(frozen=True, slots=True)
class StoredText:
    """One text as the gateway holds it."""

    sid: str
    to: str
    sender: str
    service: str
    body: str
    created_at: datetime
    status: str
    error_code: int | None = None
    status_callback: str = ""
    validity_s: int | None = None


class TextShelf:
    """The texts of one account; used from several threads.

    ``journey``: statuses a text passes; ``unreachable``: numbers whose texts end 'undelivered'.
    """

    def __init__(self, account: str, journey: Sequence[str], unreachable: set[str]) -> None:
        self._account, self._journey, self._unreachable = account, tuple(journey), unreachable
        self._texts: dict[str, StoredText] = {}
        self._by_number: dict[str, list[str]] = {}
        self._lock = threading.Lock()

    def all(self) -> tuple[StoredText, ...]:
        """Oldest first."""
        with self._lock:
            return tuple(self._texts.values())

    def held(self) -> Counter[tuple[str, str]]:
        """How often each number holds the same words."""
        return Counter((text.to, text.body) for text in self.all())

    def take(self, fields: Mapping[str, str], now: datetime) -> StoredText:
        validity = fields.get("ValidityPeriod", "")
        with self._lock:
            text = StoredText(
                sid=f"SM{sha256(str(len(self._texts)).encode()).hexdigest()[:32]}",
                to=fields["To"],
                sender=fields.get("From", ""),
                service=fields.get("MessagingServiceSid", ""),
                body=fields["Body"],
                created_at=now,
                status=self._journey[0],
                status_callback=fields.get("StatusCallback", ""),
                validity_s=int(validity) if validity.isdigit() else None,
            )
            self._texts[text.sid] = text
            self._by_number.setdefault(text.to, []).append(text.sid)
        return text

    def move_on(self, sid: str) -> StoredText | None:
        """The text one step further on its journey; None where there is none of this id."""
        with self._lock:
            text = self._texts.get(sid)
            if text is not None:
                self._texts[sid] = text = self._moved_on(text)
        return text

    def _moved_on(self, text: StoredText) -> StoredText:
        if text.status not in self._journey[:-1]:
            return text
        status = self._journey[self._journey.index(text.status) + 1]
        if status == self._journey[-1] and text.to in self._unreachable:
            return replace(text, status="undelivered", error_code=30003)
        return replace(text, status=status)

    def page(self, path: str, wanted: Mapping[str, str]) -> dict[str, object]:
        """One page of the texts asked for, newest first, as the interface gives it."""
        size = min(max(1, _number(wanted.get("PageSize"), PAGE_SIZE)), LARGEST_PAGE)
        page = _number(wanted.get("Page"), 0)
        start = page * size
        found = self._newest(wanted, start, size + 1)
        return {
            "messages": [self.shown(text) for text in found[:size]],
            "page": page,
            "page_size": size,
            "start": start,
            "end": max(start, start + min(len(found), size) - 1),
            "uri": _page_uri(path, wanted, page, size),
            "first_page_uri": _page_uri(path, wanted, 0, size),
            "previous_page_uri": _page_uri(path, wanted, page - 1, size) if page else None,
            "next_page_uri": (
                _page_uri(path, wanted, page + 1, size) if len(found) > size else None
            ),
        }

    def _newest(self, wanted: Mapping[str, str], start: int, most: int) -> list[StoredText]:
        with self._lock:
            sids = self._by_number.get(wanted["To"], []) if "To" in wanted else self._texts
            chosen = (
                text
                for text in map(self._texts.__getitem__, reversed(sids))
                if wanted.get("From", text.sender) == text.sender
            )
            return list(islice(chosen, start, start + most))

    def shown(self, text: StoredText) -> dict[str, object]:
        """A text as the interface shows it."""
        created = format_datetime(text.created_at.astimezone(UTC))
        return {
            "account_sid": self._account,
            "api_version": API_VERSION,
            "body": text.body,
            "date_created": created,
            "date_sent": None if text.status == self._journey[0] else created,
            "date_updated": created,
            "direction": "outbound-api",
            "error_code": text.error_code,
            "error_message": None,
            "from": text.sender or None,
            "messaging_service_sid": text.service or None,
            "num_media": "0",
            "num_segments": str(parts_of(text.body)),
            "price": None,
            "price_unit": None,
            "sid": text.sid,
            "status": text.status,
            "to": text.to,
            "uri": f"/{API_VERSION}/Accounts/{self._account}/Messages/{text.sid}.json",
        }


def parts_of(body: str) -> int:
    """Number of parts of a text, roughly: characters beyond ASCII are counted as UCS-2."""
    whole, joined = (160, 153) if body.isascii() else (70, 67)
    return 1 if len(body) <= whole else -(-len(body) // joined)


def _number(raw: str | None, default: int) -> int:
    return int(raw) if raw and raw.isascii() and raw.isdigit() else default


def _page_uri(path: str, wanted: Mapping[str, str], page: int, size: int) -> str:
    kept = [(name, wanted[name]) for name in ("To", "From") if name in wanted]
    return f"{path}?{urlencode([*kept, ('PageSize', size), ('Page', page)])}"
