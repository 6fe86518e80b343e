"""Whether a webhook comes from our gateway: the signature over its address and its form.

The signed string is the public address of the webhook followed by every name and value of the form,
names sorted, nothing in between. A body that is not a form is covered by its hash in the address.

References
----------
1. The requests and the validators of the gateways' own open-source libraries, of which
   ``tests/data/messaging/signature_vectors.json`` holds the published examples.
2. H. Krawczyk, M. Bellare, R. Canetti, 1997, HMAC: Keyed-hashing for message authentication,
   RFC 2104.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from urllib.parse import SplitResult, parse_qsl, urlsplit, urlunsplit

Pairs = Sequence[tuple[str, str]]
"""Names and values of a form, in the order in which they came."""

BODY_HASH = "bodySHA256"
SETTINGS_HEADER = "x-twilio-webhooks-signature-settings"
_DEFAULT_PORTS = {"https": "443", "http": "80"}


@dataclass(frozen=True, slots=True)
class WebhookKeys:
    """What webhooks may be signed with.

    ``secrets``: of the account; several while one is being replaced. Empty ones sign nothing.
    ``named``: keys that a webhook names itself, for HMAC-SHA256; by name.
    """

    secrets: tuple[str, ...]
    named: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Webhook:
    """A request as it came, under our public address.

    ``url`` is made from the settings and the path and query of the request, never from the Host
    header, which anybody can set. ``headers`` have lower-case names.
    """

    url: str
    headers: Mapping[str, str]
    form: Pairs = ()
    body: bytes = b""


def is_signed(webhook: Webhook, keys: WebhookKeys) -> bool:
    """Whether one of ``keys`` signed the request; takes the same time whichever did not."""
    given, joined = _signature_of(webhook.headers)
    chosen = _keys_for(webhook.headers, keys)
    if not given or chosen is None:
        return False
    query = dict(parse_qsl(urlsplit(webhook.url).query, keep_blank_values=True))
    hashed = query.get(BODY_HASH)
    whole = hashed is None or hmac.compare_digest(
        hashed.lower().encode(), hashlib.sha256(webhook.body).hexdigest().encode()
    )
    tail = joined(webhook.form) if hashed is None else ""
    right = [
        hmac.compare_digest(signature(secret, url + tail, chosen.digest).encode(), given.encode())
        for secret in chosen.secrets
        for url in _spellings(webhook.url)
    ]
    return whole and any(right)


def signature(secret: str, signed: str, digest: str = "sha1") -> str:
    """Base64 of the HMAC of a string."""
    made = hmac.new(secret.encode(), signed.encode("utf-8", "surrogatepass"), digest)
    return base64.b64encode(made.digest()).decode()


# ----------------------------------------------------------------- repeated names


def joined_sorted(form: Pairs) -> str:
    """The values of a repeated name sorted, each once."""
    return "".join(f"{name}{value}" for name, value in sorted(set(form)))


def joined_in_order(form: Pairs) -> str:
    """The values of a repeated name as they were sent."""
    return "".join(f"{name}{value}" for name, value in sorted(form, key=lambda pair: pair[0]))


_HEADERS: dict[str, Callable[[Pairs], str]] = {
    "x-twilio-signature": joined_sorted,
    "x-signalwire-signature": joined_in_order,
}
"""Header that carries the signature, and how its gateway joins a form."""


def _signature_of(headers: Mapping[str, str]) -> tuple[str, Callable[[Pairs], str]]:
    for header, joined in _HEADERS.items():
        if header in headers:
            return headers[header], joined
    return "", joined_sorted


# --------------------------------------------------------------------------- keys


@dataclass(frozen=True, slots=True)
class _Chosen:
    secrets: tuple[str, ...]
    digest: str


def _keys_for(headers: Mapping[str, str], keys: WebhookKeys) -> _Chosen | None:
    """The keys a request may be signed with; None where it names a rule we do not have."""
    if SETTINGS_HEADER not in headers:
        return _Chosen(_filled(keys.secrets), "sha1")
    parts = (part.partition("=") for part in headers[SETTINGS_HEADER].split(","))
    said = {name.strip().lower(): value.strip() for name, _, value in parts}
    secret = keys.named.get(said.get("key", ""), "")
    if said.get("algorithm") != "HMAC_SHA256" or not secret:
        return None
    return _Chosen((secret,), "sha256")


def _filled(secrets: Iterable[str]) -> tuple[str, ...]:
    return tuple(secret for secret in secrets if secret)


# ---------------------------------------------------------------------- addresses


def _spellings(url: str) -> tuple[str, ...]:
    """The address as it is, without a port, and with the usual one: gateways differ."""
    parts = urlsplit(url)
    parts = parts._replace(query=parts.query.replace("'", "%27"))
    login, at, place = parts.netloc.rpartition("@")
    host = _host(place)
    port = _DEFAULT_PORTS.get(parts.scheme, "")
    netlocs = [parts.netloc, f"{login}{at}{host}", f"{login}{at}{host}:{port}"]
    return tuple(_with_netloc(parts, netloc) for netloc in netlocs)


def _host(place: str) -> str:
    """The host without its port; an IPv6 address keeps its brackets."""
    if place.startswith("["):
        return place.partition("]")[0] + "]"
    return place.partition(":")[0]


def _with_netloc(parts: SplitResult, netloc: str) -> str:
    return urlunsplit(parts._replace(netloc=netloc))
