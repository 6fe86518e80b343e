"""Webhooks of the loopback gateway, signed as a real gateway signs them.

The signing is written anew here, apart from the checking in `alerts.transports.signatures`, so that
a mistake in one of them shows.
"""

from __future__ import annotations

import base64
import hmac
import logging
import ssl
from dataclasses import dataclass
from functools import cache
from xml.etree import ElementTree

import httpx

log = logging.getLogger(__name__)

TIMEOUT_S = 15.0
"""As long as a real gateway waits for an answer."""


@dataclass(frozen=True, slots=True)
class Webhooks:
    """``inbound_url``: where texts that came in are posted; ``key``: what all is signed with.

    ``public_url`` is what the receiver calls itself, which is signed; ``local_url`` where it really
    listens, for a receiver whose public name leads nowhere from here. Empty: the same.
    """

    inbound_url: str
    key: str
    public_url: str = ""
    local_url: str = ""

    def text_in(self, account: str, sid: str, from_: str, to: str, body: str) -> tuple[int, str]:
        """Post a text; returns the status and the words to send back at once."""
        response = self._post(
            self.inbound_url,
            {
                "MessageSid": sid,
                "SmsSid": sid,
                "AccountSid": account,
                "From": from_,
                "To": to,
                "Body": body,
                "NumMedia": "0",
                "NumSegments": "1",
                "ApiVersion": "2010-04-01",
            },
        )
        return response.status_code, _said(response.text)

    def status(
        self, url: str, account: str, sid: str, from_: str, to: str, status: str, code: str
    ) -> None:
        """Post what became of a text; like a real gateway it does not insist."""
        form = {
            "MessageSid": sid,
            "SmsSid": sid,
            "AccountSid": account,
            "From": from_,
            "To": to,
            "MessageStatus": status,
            "SmsStatus": status,
            "ApiVersion": "2010-04-01",
        }
        try:
            self._post(url, form | ({"ErrorCode": code} if code else {}))
        except httpx.HTTPError as error:
            log.warning("the receipt of %s found nobody: %s", sid, error)

    def _post(self, url: str, form: dict[str, str]) -> httpx.Response:
        signed = url + "".join(f"{name}{form[name]}" for name in sorted(form))
        digest = hmac.digest(self.key.encode(), signed.encode(), "sha1")
        where = url
        if self.public_url and self.local_url:
            where = url.replace(self.public_url, self.local_url, 1)
        # one connection each, as from many machines; making what TLS needs anew each time is dear
        with httpx.Client(verify=_authorities(), timeout=TIMEOUT_S) as client:
            return client.post(
                where,
                data=form,
                headers={"X-Twilio-Signature": base64.b64encode(digest).decode()},
            )


@cache
def _authorities() -> ssl.SSLContext:
    return ssl.create_default_context()


def _said(twiml: str) -> str:
    """The message in an answer; "" for silence and for what is no such answer."""
    if "<!" in twiml:  # nothing of ours holds a document type, and entities could be bombs
        return ""
    try:
        found = ElementTree.fromstring(twiml).findtext("Message")  # noqa: S314 - see above
    except ElementTree.ParseError:
        return ""
    return found or ""
