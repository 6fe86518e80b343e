"""Signed links by which a person stops an address, without a login (RFC 8058)."""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import datetime

from alerts.domain.errors import CutcallError
from alerts.store import opt_outs
from alerts.store.session import Sessions

SIGNATURE_CHARS = 32


class BadLink(CutcallError):
    """The link was cut short or changed."""


def address_url(public_url: str, secret: str, channel: str, address: str) -> str:
    """Link that stops this address; "" for texts and where the service has no public address."""
    if not public_url or channel != "email":
        return ""
    return f"{public_url.rstrip('/')}/stop/{_token(secret, channel, address)}"


def _token(secret: str, channel: str, address: str) -> str:
    said = base64.urlsafe_b64encode(f"{channel}|{address}".encode()).decode().rstrip("=")
    return f"{said}.{_signature(secret, said)}"


def _signature(secret: str, said: str) -> str:
    digest = hmac.new(secret.encode(), b"stop:" + said.encode(), hashlib.sha256).hexdigest()
    return digest[:SIGNATURE_CHARS]


def read_token(secret: str, token: str) -> tuple[str, str]:
    """Channel and address of a link; BadLink when it is not one of ours."""
    said, _, signature = token.encode("utf-8", "replace").decode().partition(".")
    if not hmac.compare_digest(signature.encode(), _signature(secret, said).encode()):
        raise BadLink("this link is not complete; copy all of it from the email")
    try:
        decoded = base64.urlsafe_b64decode(said + "=" * (-len(said) % 4)).decode()
    except ValueError as error:
        raise BadLink("this link is damaged; copy all of it from the email") from error
    channel, _, address = decoded.partition("|")
    return channel, address


def stop(sessions: Sessions, secret: str, token: str, now: datetime) -> str:
    """Enter the address of the link into the opt-out ledger; returns the address."""
    channel, address = read_token(secret, token)
    if channel == "email":  # emails sent earlier name it as it was typed
        address = address.casefold()
    with sessions.write() as session:
        opt_outs.stop(session, channel, address, now, "link in an email")
    return address
