"""What a text gateway posts to us: texts that came in, and what became of those we sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qsl

from alerts.transports.base import Sighting, TextIn
from alerts.transports.gateway_codes import delivery_of_status, is_opted_out
from alerts.transports.signatures import Pairs, Webhook, WebhookKeys, is_signed

MOST_FIELDS = 200


@dataclass(frozen=True, slots=True)
class SmsWebhooks:
    """Reads the webhooks of the gateway whose ``keys`` sign them."""

    keys: WebhookKeys

    def form(self, url: str, headers: Mapping[str, str], body: bytes) -> Pairs | None:
        """The form of a signed request; None for one that is not signed by our gateway.

        ``url`` is the public address with the query, ``headers`` have lower-case names.
        """
        try:
            pairs = parse_qsl(
                body.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS
            )
        except ValueError:
            return None
        webhook = Webhook(url, headers, tuple(pairs), body)
        return pairs if is_signed(webhook, self.keys) else None

    def text(self, form: Pairs) -> TextIn | None:
        """The text somebody sent; None where the form holds none."""
        said = _storable(form)
        gateway_id = said.get("MessageSid") or said.get("SmsSid", "")
        if not gateway_id or not said.get("From"):
            return None
        return TextIn(
            gateway_id=gateway_id,
            from_address=said["From"].strip(),
            to_address=said.get("To", "").strip(),
            body=said.get("Body", ""),
            opt_out_type=said.get("OptOutType", ""),
        )

    def receipt(self, form: Pairs) -> Sighting | None:
        """What became of a message of ours; None where the form does not say."""
        said = _storable(form)
        gateway_id = said.get("MessageSid") or said.get("SmsSid", "")
        status = said.get("MessageStatus") or said.get("SmsStatus", "")
        if not gateway_id or not status:
            return None
        code, delivery = said.get("ErrorCode", ""), delivery_of_status(status)
        return Sighting(gateway_id, delivery, status, code, is_opted_out(delivery, code))


def _storable(form: Pairs) -> dict[str, str]:
    """The form without NULs, which PostgreSQL does not keep."""
    return {name: value.replace("\x00", "") for name, value in form}
