"""Gateway, mail server or the process itself fail: nothing is lost and nothing is sent twice."""

from __future__ import annotations

from datetime import time, timedelta

import pytest
from factories import results_sheet
from stations import SAMPLED, Station

from alerts.loopback.gateway import Fault, Reply

NEXT = SAMPLED + timedelta(days=1)
NOON = time(12)

CLIP = {
    "sampled_on": SAMPLED.isoformat(),
    "lab": "kestrel",
    "lab_number": "K-1",
    "method": "wet",
    "rfv": 205,
}
BROOK = {**CLIP, "farm": "Brook Farm", "field": "East", "lab_number": "K-2"}


def rounds(station: Station, *times: time) -> None:
    for at in times:
        station.round(SAMPLED, at)


LATER = (time(12, 10), time(12, 45), time(13, 30), time(15), time(17))
"""Later rounds of the day, beyond the longest back-off."""


def test_gateway_that_is_down_gets_the_text_once_when_it_is_back(station: Station) -> None:
    station.gateway.stop()
    station.drop("monday.csv", results_sheet(CLIP))
    report = station.round(SAMPLED, NOON)
    assert report.later == 1
    [waiting] = station.outbox()
    assert waiting.status == "queued"
    assert waiting.attempts == 1
    rounds(station, *LATER[:2])
    assert station.outbox()[0].status == "queued"
    station.gateway.start()
    rounds(station, *LATER[2:])
    assert len(station.texts()) == 1
    [message] = station.outbox()
    assert message.status == "delivered"
    assert station.texts()[0].body == message.text == waiting.text


def test_gateway_that_goes_down_between_texts_gets_each_once(station: Station) -> None:
    """Now the connection of the first text is still held open when the gateway goes."""
    station.drop("monday.csv", results_sheet(CLIP))
    station.round(SAMPLED, NOON)
    station.gateway.stop()
    station.drop("brook.csv", results_sheet(BROOK))
    rounds(station, time(12, 5), *LATER[:1])
    assert len(station.gateway.texts) == 1
    station.gateway.start()
    rounds(station, *LATER[1:])
    assert len(station.texts("Plum Bottom")) == len(station.texts("Brook Farm")) == 1
    assert {message.status for message in station.outbox()} == {"delivered"}


def test_mail_server_that_is_down_gets_the_email_once_when_it_is_back(station: Station) -> None:
    station.mailbox.stop()
    station.drop("brook.csv", results_sheet(BROOK))
    station.round(SAMPLED, NOON)
    [waiting] = [m for m in station.outbox("email") if m.to_address == "ned@example.org"]
    assert (waiting.status, waiting.attempts) == ("queued", 1)
    assert len(station.texts("Brook Farm")) == 1  # the text does not wait for the email
    station.mailbox.start()
    rounds(station, *LATER)
    assert len(station.mails("ned@example.org")) == 1
    assert {message.status for message in station.outbox("email")} == {"accepted"}


@pytest.mark.parametrize("after_sending", [True, False])
def test_process_killed_in_the_act_still_sends_one_text(
    after_sending: bool, station: Station
) -> None:
    """Claimed and committed as 'sending', then the process ends before the outcome is recorded."""
    station.drop("monday.csv", results_sheet(CLIP))
    station.crash_while(SAMPLED, NOON, after_sending=after_sending)
    [message] = station.outbox()
    assert message.status == "sending"
    assert len(station.texts()) == (1 if after_sending else 0)
    station.round(SAMPLED, time(12, 1))  # the lease of three minutes still runs
    assert station.outbox()[0].status == "sending"
    rounds(station, *LATER)
    assert len(station.texts()) == 1
    [message] = station.outbox()
    assert message.status == "delivered"
    assert message.second_sends == (0 if after_sending else 1)
    steps = station.steps(message)
    assert steps[:3] == ["queued", "sending", "unknown"]
    assert steps[-1] == "delivered"


@pytest.mark.parametrize("reply", [Reply.DROP, Reply.RESET, Reply.SERVER_ERROR, Reply.GARBAGE])
@pytest.mark.parametrize("keeps", [True, False])
def test_unclear_answer_of_the_gateway_never_makes_two_texts(
    reply: Reply, keeps: bool, station: Station
) -> None:
    station.gateway.script(Fault(reply, keeps=keeps))
    station.drop("monday.csv", results_sheet(CLIP))
    station.round(SAMPLED, NOON)
    assert station.outbox()[0].status == "unknown"
    rounds(station, *LATER)
    assert len(station.texts()) == 1
    assert station.outbox()[0].status == "delivered"


def test_text_that_became_useless_while_the_gateway_was_down_is_not_sent(
    station: Station,
) -> None:
    station.gateway.stop()
    station.drop("monday.csv", results_sheet(CLIP))
    station.round(SAMPLED, NOON)
    station.gateway.start()
    late = SAMPLED + timedelta(days=20)
    station.round(late, time(6, 5))  # outside the farm's hours: nothing new may go out
    assert station.texts() == []
    old, new = station.outbox()
    assert (old.kind, old.status) == ("coming", "cancelled")
    assert (new.kind, new.status) == ("past", "queued")
    station.round(late, time(7, 5))
    assert [text.body for text in station.texts()] == [new.text]


def test_digest_that_became_useless_while_the_mail_server_was_down_is_not_sent(
    station: Station,
) -> None:
    station.mailbox.stop()
    station.drop("monday.csv", results_sheet(CLIP))
    station.round(SAMPLED, NOON)
    station.mailbox.start()
    station.round(NEXT, time(9))
    [mail] = station.mails("marta@example.org")
    # What the lost one said was never told: it is as new as on the day before.
    assert mail.email["subject"].startswith("Start dates on Wed May 12")
    assert "nothing changed" not in mail.email["subject"]
    digests = [message.status for message in station.outbox("email") if message.kind == "digest"]
    assert digests == ["expired", "accepted"]


def test_two_processes_on_one_database_send_one_text(station: Station) -> None:
    station.drop("monday.csv", results_sheet(CLIP))
    other = Station(station.settings, station.clock, station.gateway, station.mailbox)
    try:
        station.round(SAMPLED, NOON)
        other.round(SAMPLED, NOON)
        station.round(SAMPLED, time(12, 10))
    finally:
        other.close()
    assert len(station.texts()) == 1
