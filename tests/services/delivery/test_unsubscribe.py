from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import timedelta

import pytest
from factories import NOON, Service

from alerts.services.delivery.unsubscribe import (
    SIGNATURE_CHARS,
    BadLink,
    address_url,
    read_token,
    stop,
)
from alerts.store.tables import OptOut

SECRET = "a secret for the tests only"
PUBLIC = "https://cutcall.example.org"
ADDRESS = "ada@example.org"


def token(address: str = ADDRESS, secret: str = SECRET) -> str:
    return address_url(PUBLIC, secret, "email", address).removeprefix(f"{PUBLIC}/stop/")


def test_link_names_its_address(service: Service) -> None:
    assert read_token(SECRET, token()) == ("email", ADDRESS)


@pytest.mark.parametrize("address", ["weird|name@example.org", "Ünal@example.org", "a@b"])
def test_link_keeps_any_address(address: str) -> None:
    assert read_token(SECRET, token(address)) == ("email", address)


@pytest.mark.parametrize("public", [PUBLIC, f"{PUBLIC}/"])
def test_link_begins_with_the_public_address(public: str) -> None:
    assert address_url(public, SECRET, "email", ADDRESS).startswith(f"{PUBLIC}/stop/")


def test_texts_and_services_without_a_public_address_have_no_link() -> None:
    assert address_url(PUBLIC, SECRET, "sms", "+12025550143") == ""
    assert address_url("", SECRET, "email", ADDRESS) == ""


def other_address() -> str:
    """Somebody else's address under the signature of this one."""
    said = base64.urlsafe_b64encode(b"email|eva@example.org").decode().rstrip("=")
    return f"{said}.{token().partition('.')[2]}"


@pytest.mark.parametrize(
    "link",
    [
        token()[:-1],
        token().partition(".")[0],
        token().partition(".")[0] + ".",
        "x" + token(),
        other_address(),
        token(secret="another secret altogether"),
        "",
        ".",
        "ä.ö",
    ],
)
def test_link_that_was_changed_or_cut_short_is_refused(service: Service, link: str) -> None:
    with pytest.raises(BadLink, match="copy all of it from the email"):
        stop(service.sessions, SECRET, link, NOON)
    assert service.rows(OptOut) == []


def test_link_with_half_a_character_is_refused() -> None:
    with pytest.raises(BadLink):
        read_token(SECRET, "\ud800.\udfff")


@pytest.mark.parametrize("said", ["A", "_w", "AAAAA"])
def test_link_that_cannot_be_decoded_is_refused_however_it_is_signed(
    service: Service, said: str
) -> None:
    """Somebody who knows the secret, say the placeholder, must get a page and no fault."""
    signature = hmac.new(SECRET.encode(), b"stop:" + said.encode(), hashlib.sha256).hexdigest()
    with pytest.raises(BadLink, match="damaged; copy all of it"):
        stop(service.sessions, SECRET, f"{said}.{signature[:SIGNATURE_CHARS]}", NOON)
    assert service.rows(OptOut) == []


def test_stop_enters_the_address_into_the_ledger_once(service: Service) -> None:
    assert stop(service.sessions, SECRET, token(), NOON) == ADDRESS
    assert stop(service.sessions, SECRET, token(), NOON + timedelta(days=1)) == ADDRESS
    [entry] = service.rows(OptOut)
    assert (entry.channel, entry.address, entry.at, entry.how) == (
        "email",
        ADDRESS,
        NOON,
        "link in an email",
    )


def test_stop_by_the_link_of_a_sent_email_ends_the_emails(service: Service) -> None:
    service.enrol({"email": ADDRESS, "alert_by": "both"})
    service.results({"rfv": 215})
    service.evaluate()
    service.send()
    [mail] = service.mail.attempts
    stop(
        service.sessions,
        SECRET,
        mail.unsubscribe_url.removeprefix(f"{PUBLIC}/stop/"),
        service.clock(),
    )
    service.later(days=1)
    service.results({"rfv": 262, "sampled_on": service.clock().date()})
    service.evaluate()
    service.send()
    assert len(service.mail.attempts) == 1
    assert len(service.sms.attempts) == 2
