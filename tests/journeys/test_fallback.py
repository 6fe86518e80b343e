"""A text that cannot reach its number goes by email instead, through the real wiring."""

from __future__ import annotations

from datetime import date, time, timedelta

import pytest
from factories import results_sheet
from stations import PHONES, SAMPLED, Station

from alerts.loopback.mailbox import KeptMail

CLIP = {
    "sampled_on": SAMPLED.isoformat(),
    "lab": "kestrel",
    "lab_number": "K-1",
    "method": "wet",
    "rfv": 213,
}
NEXT = SAMPLED + timedelta(days=1)
MAIL = "ada@example.org"


@pytest.fixture(autouse=True)
def wished(station: Station) -> None:
    """The farmer of Plum Bottom wants an email where no text gets through."""
    marta = {"consultant": "Marta Quill", "consultant_email": "marta@example.org"}
    station.enrol({**marta, "email": MAIL, "email_if_unreached": "yes"})


def rounds(station: Station, on: date, *times: time) -> None:
    for at in times:
        station.round(on, at)


def plain(mail: KeptMail) -> str:
    return " ".join(mail.email.get_body(("plain",)).get_content().split())


def test_text_to_an_unreachable_number_arrives_by_email_and_is_not_said_again(
    station: Station,
) -> None:
    station.gateway.mark_unreachable(PHONES["Plum Bottom"])
    station.drop("monday.csv", results_sheet(CLIP))
    rounds(station, SAMPLED, time(12), time(12, 2), time(12, 4), time(12, 6), time(12, 8))
    [text] = station.outbox()
    assert (text.status, text.error_code) == ("undelivered", "30003")
    [mail] = station.mails(MAIL)
    assert mail.email["subject"].endswith("(by email instead of a text)")
    said = plain(mail)
    first, _, rest = said.partition(" This is what a text")
    assert text.text.startswith(f"{first} ")
    assert "your number ending in 0143 said, which did not arrive" in rest
    assert mail.email["list-unsubscribe"]
    # The farm has been told: the next morning's look has nothing to say.
    assert station.line("North").told == text.start_on
    rounds(station, NEXT, time(6, 5), time(7, 5), time(9))
    assert len(station.outbox()) == len(station.mails(MAIL)) == 1
    told = plain(station.mails("marta@example.org")[-1])
    assert "did not arrive (undelivered), sent by email instead" in told
    assert "email in place of a text to Ada Lindqvist: start about" in told


def test_gateway_down_for_hours_lets_the_text_go_by_email_and_never_both(
    station: Station,
) -> None:
    station.gateway.stop()
    station.drop("monday.csv", results_sheet(CLIP))
    rounds(station, SAMPLED, time(12), time(13), time(14), time(14, 55))
    assert [message.status for message in station.outbox()] == ["queued"]
    assert station.mails(MAIL) == []
    station.round(SAMPLED, time(15, 5))
    assert [message.status for message in station.outbox()] == ["cancelled"]
    [mail] = station.mails(MAIL)
    assert "could not be sent so far" in plain(mail)
    station.gateway.start()
    rounds(station, SAMPLED, time(15, 30), time(17))
    rounds(station, NEXT, time(6, 5), time(7, 5))
    assert station.texts() == []
    assert len(station.mails(MAIL)) == 1


def test_short_fault_of_the_gateway_still_ends_with_the_text(station: Station) -> None:
    station.gateway.stop()
    station.drop("monday.csv", results_sheet(CLIP))
    rounds(station, SAMPLED, time(12), time(13))
    station.gateway.start()
    rounds(station, SAMPLED, time(14), time(16))
    assert len(station.texts()) == 1
    assert station.mails(MAIL) == []


def test_who_texted_stop_is_not_followed_into_the_mailbox(station: Station) -> None:
    station.gateway.mark_opted_out(PHONES["Plum Bottom"])
    station.drop("monday.csv", results_sheet(CLIP))
    rounds(station, SAMPLED, time(12), time(12, 5), time(16))
    assert [message.status for message in station.outbox()] == ["failed"]
    assert station.mails(MAIL) == []
