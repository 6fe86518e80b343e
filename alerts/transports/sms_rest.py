"""Texts through any gateway with the widespread REST message interface.

The interface has no idempotency key, so one call of `send` is one POST, and everything that is
not clearly a yes or a no is UNKNOWN: `find` then looks whether the text exists after all.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from urllib.parse import quote, urlsplit

import httpx

from alerts.domain.errors import ConfigurationError, TransportError
from alerts.transports.base import (
    Channel,
    Outcome,
    OutgoingMessage,
    SendResult,
    Sighting,
    Transport,
)
from alerts.transports.gateway_codes import (
    CODES,
    code_number,
    delivery_of_status,
    is_gateway_wide,
    is_opted_out,
    outcome_of_code,
)
from alerts.transports.one_shot import new_client

API_VERSION = "2010-04-01"
CONNECT_TIMEOUT_S = 10.0
VALIDITY_S = (5, 14400)  # what every gateway of this kind takes
PAGE_SIZE = 100
MAX_PAGES = 40
EARLIEST = timedelta(minutes=1)  # clocks of two machines differ
STALE = timedelta(days=1)
LONGEST_WAIT_S = 86400.0  # whoever asks for more, in earnest or by a slip, is asked again

NOT_SENT = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout, httpx.ProxyError)
SETUP_STATUSES = (401, 403, 404)
UNCLEAR_STATUSES = (408, 429)  # a proxy may answer so after it passed the request on

JsonObject = dict[str, object]


class SmsRest(Transport):
    """One account at one gateway.

    Parameters
    ----------
    base_url : https address, with or without the version segment and a trailing slash
    account : account id, part of every path
    secret : password of HTTP Basic; belongs to `key` where given, else to the account
    clock : gives the present, aware
    key : user name of HTTP Basic; "" = the account
    sender, service : number that sends, or id of a messaging service; the service wins
    status_callback : address for status receipts; the message id is added as `m`; "" = none
    timeout_s : how long to wait for an answer [s]
    codes : meaning of the gateway's error codes, for a gateway that numbers differently
    client : for tests; by default a client of its own, closed by `aclose`

    Raises ConfigurationError for a base that is no web address or where a part is missing.
    """

    channel: Channel = Channel.SMS
    name: str = "rest"
    repeatable: bool = False

    def __init__(
        self,
        *,
        base_url: str,
        account: str,
        secret: str,
        clock: Callable[[], datetime],
        key: str = "",
        sender: str = "",
        service: str = "",
        status_callback: str = "",
        timeout_s: float = 30.0,
        codes: Mapping[int, Outcome] = CODES,
        client: httpx.AsyncClient | None = None,
    ) -> None:
        _demand(account=account, secret=secret, **{"sender or service": sender or service})
        self._account_url = f"{base_of(base_url)}/Accounts/{quote(account, safe='')}"
        self._texts_url = httpx.URL(f"{self._account_url}/Messages.json")
        self._auth = httpx.BasicAuth(key or account, secret)
        self._origin = {"MessagingServiceSid": service} if service else {"From": sender}
        self._status_callback = status_callback
        self._clock = clock
        self._codes = codes
        self._timeout = httpx.Timeout(timeout_s, connect=CONNECT_TIMEOUT_S)
        self._client = client or new_client()
        self._owns_client = client is None

    async def send(self, message: OutgoingMessage) -> SendResult:
        try:
            response = await self._client.post(
                self._texts_url,
                data=self._form(message),
                auth=self._auth,
                timeout=self._timeout,
                follow_redirects=False,
            )
        except NOT_SENT as error:
            detail = f"not connected: {_words(error)}"
            return SendResult(Outcome.LATER, detail=detail, gateway_wide=True)
        except httpx.HTTPError as error:
            detail = f"no answer: {_words(error)}"
            return SendResult(Outcome.UNKNOWN, detail=detail, gateway_wide=True)
        return result_of(response, self._codes, self._clock())

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        asked = {"To": message.to, "PageSize": str(PAGE_SIZE)}
        url = self._texts_url.copy_merge_params(asked)
        for _ in range(MAX_PAGES):
            page = self._body_of(await self._get(url))
            rows = self._rows_of(page)
            seen = (sighting_of(row) for row in rows if is_same(row, message))
            found = next((sighting for sighting in seen if sighting is not None), None)
            if found is not None:
                return found
            next_uri = _text(page.get("next_page_uri"))
            if not next_uri or _is_stale(rows, message):
                return None
            url = self._joined(url, next_uri)
        raise self._error(f"listed over {MAX_PAGES} pages without an end")

    async def read_back(self, gateway_id: str) -> Sighting | None:
        if not gateway_id:
            return None
        url = httpx.URL(f"{self._account_url}/Messages/{quote(gateway_id, safe='')}.json")
        response = await self._get(url)
        if response.status_code == httpx.codes.NOT_FOUND:
            return None
        sighting = sighting_of(self._body_of(response))
        if sighting is None:
            raise self._error("answered without a message id")
        return sighting

    async def time_there(self) -> datetime | None:
        """The Date of any answer (RFC 9110, section 6.6.1), be it a refusal."""
        response = await self._get(httpx.URL(f"{self._account_url}.json"))
        return _instant(response.headers.get("Date", ""))

    async def log_in(self) -> None:
        """Ask for the newest text: what `find` needs to be allowed, too."""
        url = httpx.URL(f"{self._account_url}/Messages.json", params={"PageSize": "1"})
        self._rows_of(self._body_of(await self._get(url)))

    async def aclose(self) -> None:
        if self._owns_client:
            await self._client.aclose()

    def _form(self, message: OutgoingMessage) -> dict[str, str]:
        lifetime = int((message.expires_at - self._clock()).total_seconds())
        low, high = VALIDITY_S
        form = {"To": message.to, **self._origin, "Body": message.text}
        form["ValidityPeriod"] = str(min(max(lifetime, low), high))
        if self._status_callback:
            # the id in the address proves that the text exists even when our answer was lost
            url = httpx.URL(self._status_callback).copy_add_param("m", message.message_id)
            form["StatusCallback"] = str(url)
        return form

    async def _get(self, url: httpx.URL) -> httpx.Response:
        try:
            return await self._client.get(
                url, auth=self._auth, timeout=self._timeout, follow_redirects=False
            )
        except httpx.HTTPError as error:
            raise self._error(f"did not answer ({_words(error)})") from error

    def _body_of(self, response: httpx.Response) -> JsonObject:
        body = _json_object(response)
        if not response.is_success:
            raise self._error(f"answered HTTP {response.status_code} {_complaint(body)[1]}".strip())
        if body is None:
            raise self._error("answered with something that is not JSON")
        return body

    def _rows_of(self, page: JsonObject) -> list[JsonObject]:
        rows = page.get("messages")
        if not isinstance(rows, list):
            raise self._error("answered without a list of messages")
        return [row for row in rows if isinstance(row, dict)]

    def _joined(self, url: httpx.URL, next_uri: str) -> httpx.URL:
        try:
            joined = url.join(next_uri)
        except httpx.InvalidURL as error:
            raise self._error("gives an unreadable address for its next page") from error
        if (joined.scheme, joined.host, joined.port) != (url.scheme, url.host, url.port):
            # our password would follow the link
            raise self._error(f"points to another host ({joined.host}) for its next page")
        return joined

    def _error(self, what: str) -> TransportError:
        host = urlsplit(self._account_url).netloc
        return TransportError(
            f"The text gateway at {host} {what}; check its address and credentials, "
            "or ask again later."
        )


def base_of(url: str) -> str:
    """The address up to and including the version segment, without a trailing slash."""
    trimmed = url.strip().rstrip("/")
    parts = urlsplit(trimmed)
    if parts.scheme not in ("http", "https") or not parts.netloc:
        raise ConfigurationError(
            f"{url!r} is not the address of a text gateway; it should look like "
            f"https://gateway.example.org/{API_VERSION}."
        )
    dated = re.match(r".*?/\d{4}-\d{2}-\d{2}(?=/|$)", trimmed)
    return dated.group() if dated else f"{trimmed}/{API_VERSION}"


def result_of(response: httpx.Response, codes: Mapping[int, Outcome], now: datetime) -> SendResult:
    """What the answer to a create request says; `now` turns a Retry-After date into seconds."""
    body = _json_object(response)
    if response.is_success:
        return _created(response, body)
    if response.is_client_error:
        return _declined(response, body, codes, now)
    code, words = _complaint(body)
    detail = words or f"HTTP {response.status_code}"
    return SendResult(Outcome.UNKNOWN, code=code, detail=detail, gateway_wide=True)


def _created(response: httpx.Response, body: JsonObject | None) -> SendResult:
    sid = _text(body.get("sid")) if body else ""
    if body is None or not sid:
        detail = f"HTTP {response.status_code} without a message id"
        return SendResult(Outcome.UNKNOWN, detail=detail, gateway_wide=True)
    return SendResult(Outcome.ACCEPTED, gateway_id=sid, parts=_parts(body.get("num_segments")))


def _declined(
    response: httpx.Response,
    body: JsonObject | None,
    codes: Mapping[int, Outcome],
    now: datetime,
) -> SendResult:
    code, words = _complaint(body)
    outcome = outcome_of_code(code, codes)
    if outcome is None:
        outcome = _outcome_of_status(response.status_code, clear=bool(code or words))
    wait = _retry_after_s(response, now) if outcome is Outcome.LATER else None
    return SendResult(
        outcome,
        code=code,
        detail=words or f"HTTP {response.status_code}",
        retry_after_s=wait,
        gateway_wide=is_gateway_wide(code) or response.status_code in (401, *UNCLEAR_STATUSES),
    )


def _outcome_of_status(status: int, *, clear: bool) -> Outcome:
    """For a 4xx whose code we do not know.

    Vendors add and change codes without notice. A 4xx with an error object still says that the
    request was looked at and turned down, so the same text would be turned down again: REFUSED
    lets the other channel take over at once.
    """
    if status in SETUP_STATUSES:
        return Outcome.MISCONFIGURED
    if status in UNCLEAR_STATUSES or not clear:
        return Outcome.UNKNOWN
    return Outcome.REFUSED


def _complaint(body: JsonObject | None) -> tuple[str, str]:
    """Code and words out of an error body, whichever of its three forms it has."""
    if body is None:
        return "", ""
    listed = body.get("errors")
    first = listed[0] if isinstance(listed, list) and listed else {}
    inner: JsonObject = first if isinstance(first, dict) else {}
    code = _text(body.get("code")) or _text(inner.get("code"))
    sources = (body.get("message"), body.get("detail"), body.get("title"), inner.get("message"))
    return code, next((text for text in map(_text, sources) if text), "")


def is_same(row: JsonObject, message: OutgoingMessage) -> bool:
    """True when a listed text is an attempt of this message, and not an old one with its mark."""
    created = _instant(_text(row.get("date_created")))
    if created is not None and created < message.created_at - EARLIEST:
        return False
    return (message.mark or message.text) in _text(row.get("body"))


def _is_stale(rows: Sequence[JsonObject], message: OutgoingMessage) -> bool:
    """True when a page holds only texts far older than the message: lists start with the newest."""
    dates = [_instant(_text(row.get("date_created"))) for row in rows]
    known = [date for date in dates if date is not None]
    return bool(known) and max(known) < message.created_at - STALE


def sighting_of(row: JsonObject) -> Sighting | None:
    """A message object as the gateway gives it; None when it has no id to hold on to."""
    sid, status = _text(row.get("sid")), _text(row.get("status"))
    if not sid:
        return None
    code, delivery = _text(row.get("error_code")), delivery_of_status(status)
    return Sighting(sid, delivery, status, code, is_opted_out(delivery, code))


def _retry_after_s(response: httpx.Response, now: datetime) -> float | None:
    raw = response.headers.get("Retry-After", "").strip()
    if raw.isascii() and raw.isdigit():
        return min(float(raw), LONGEST_WAIT_S)
    until = _instant(raw)
    if until is None:
        return None
    return min(max(0.0, (until - now).total_seconds()), LONGEST_WAIT_S)


def _instant(raw: str) -> datetime | None:
    """A date of RFC 2822 or ISO 8601; one without a zone is taken as UTC."""
    for parse in (parsedate_to_datetime, datetime.fromisoformat):
        try:
            found = parse(raw)
        except ValueError:
            continue
        return found if found.tzinfo else found.replace(tzinfo=UTC)
    return None


def _parts(raw: object) -> int | None:
    """Number of parts; None while the gateway has not counted them (it then says 0)."""
    return code_number(_text(raw)) or None


def _json_object(response: httpx.Response) -> JsonObject | None:
    try:
        body: object = response.json()
    except (ValueError, RecursionError):  # nested without an end
        return None
    return body if isinstance(body, dict) else None


def _text(raw: object) -> str:
    """A JSON scalar as text; gateways differ on whether numbers come as strings."""
    return str(raw) if isinstance(raw, str | int) and not isinstance(raw, bool) else ""


def _words(error: httpx.HTTPError) -> str:
    return f"{type(error).__name__} {error}".strip()


def _demand(**parts: str) -> None:
    missing = [name for name, value in parts.items() if not value]
    if missing:
        raise ConfigurationError(
            f"The text gateway cannot be used without {' and '.join(missing)}; "
            "set it in the environment."
        )
