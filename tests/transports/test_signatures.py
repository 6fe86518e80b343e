"""Signatures of webhooks against the examples that the gateways' libraries publish.

Source of every vector: its own `source` entry (documentation and open-source validators of the
gateways); the note of each says what it is about.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from alerts.transports.signatures import Webhook, WebhookKeys, is_signed, joined_sorted, signature

DATA = Path(__file__).parents[1] / "data" / "messaging" / "signature_vectors.json"
VECTORS: list[dict[str, Any]] = json.loads(DATA.read_text(encoding="utf-8"))["vectors"]
HEADERS = {"dedupe": "x-twilio-signature", "submission_order": "x-signalwire-signature"}
URL = "https://cutcall.example.org/webhooks/sms/inbound"
FORM = (("Body", "Stop"), ("From", "+12025550143"))
KEYS = WebhookKeys(("a key",))


def webhook(vector: dict[str, Any], **changes: Any) -> Webhook:
    values = {
        "url": vector["request_url"],
        "headers": {HEADERS[vector["repeated_names"]]: vector["expected"]},
        "form": tuple((name, value) for name, value in vector["params"]),
        "body": vector.get("raw_body", "").encode(),
    }
    return Webhook(**(values | changes))


def named(vector: dict[str, Any]) -> str:
    return str(vector["id"])


@pytest.mark.parametrize("vector", VECTORS, ids=named)
def test_published_signature_is_judged_as_published(vector: dict[str, Any]) -> None:
    assert is_signed(webhook(vector), WebhookKeys((vector["token"],))) is vector["valid"]


def test_vectors_are_all_there_and_one_is_to_be_refused() -> None:
    assert len(VECTORS) == 25
    assert [v["id"] for v in VECTORS if not v["valid"]] == ["sdk_prefix_names_wrong_order"]


@pytest.mark.parametrize("vector", [v for v in VECTORS if v["valid"]], ids=named)
def test_changed_request_is_refused(vector: dict[str, Any]) -> None:
    keys = WebhookKeys((vector["token"],))
    other_path = vector["request_url"].replace(".com", ".org").replace(".io", ".org")
    assert not is_signed(webhook(vector, url=other_path), keys)
    assert not is_signed(webhook(vector), WebhookKeys(("another",)))
    assert not is_signed(webhook(vector, headers={}), keys)
    if "raw_body" in vector:
        assert not is_signed(webhook(vector, body=b"{}x"), keys)
    else:
        assert not is_signed(webhook(vector, form=(*webhook(vector).form, ("To", "x"))), keys)


def test_order_of_repeated_names_belongs_to_its_header() -> None:
    [vector] = [v for v in VECTORS if v["repeated_names"] == "submission_order"]
    wrong = {HEADERS["dedupe"]: vector["expected"]}
    assert not is_signed(webhook(vector, headers=wrong), WebhookKeys((vector["token"],)))


def signed(secret: str, digest: str = "sha1", **headers: str) -> Webhook:
    made = signature(secret, URL + joined_sorted(FORM), digest)
    return Webhook(URL, {"x-twilio-signature": made, **headers}, FORM)


def test_key_before_still_opens_while_keys_are_changed() -> None:
    keys = WebhookKeys(("the new key", "the old key"))
    assert is_signed(signed("the new key"), keys)
    assert is_signed(signed("the old key"), keys)
    assert not is_signed(signed("the oldest key"), keys)


@pytest.mark.parametrize("secrets", [(), ("",), ("", "a key")])
def test_empty_key_signs_nothing(secrets: tuple[str, ...]) -> None:
    assert not is_signed(signed(""), WebhookKeys(secrets))


RULE = "x-twilio-webhooks-signature-settings"


def test_rule_of_its_own_needs_its_key() -> None:
    said = {RULE: "key=spring,algorithm=HMAC_SHA256"}
    request = signed("shared", "sha256", **said)
    assert is_signed(request, WebhookKeys((), {"spring": "shared"}))
    assert not is_signed(request, WebhookKeys(("shared",)))  # named, but not configured
    assert not is_signed(request, WebhookKeys((), {"autumn": "shared"}))


@pytest.mark.parametrize(
    "said", ["", "key=", "algorithm=HMAC_SHA256", "key=spring", "key=spring,algorithm=HMAC_MD5"]
)
def test_unknown_rule_is_refused_even_with_a_good_signature(said: str) -> None:
    assert is_signed(signed("a key"), KEYS)
    assert not is_signed(signed("a key", **{RULE: said}), WebhookKeys(("a key",), {"spring": "x"}))


@pytest.mark.parametrize("given", ["", "ä", "=", "x" * 100_000])
def test_nonsense_in_the_header_is_refused(given: str) -> None:
    assert not is_signed(Webhook(URL, {"x-twilio-signature": given}, FORM), KEYS)


def test_hash_in_the_address_takes_the_form_out_of_the_signature() -> None:
    # With a hash the form is not signed: a body that does not match it must not come through.
    url = f"{URL}?bodySHA256={'0' * 64}"
    request = Webhook(url, {"x-twilio-signature": signature("a key", url)}, FORM, b"Body=Stop")
    assert not is_signed(request, KEYS)


def test_address_with_ipv6_host_and_port() -> None:
    url = "https://[2001:db8::1]:8443/hook"
    made = signature("a key", "https://[2001:db8::1]/hook")
    assert is_signed(Webhook(url, {"x-twilio-signature": made}), KEYS)
