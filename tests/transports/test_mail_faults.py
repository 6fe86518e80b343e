"""The mail transport against a mail server that hangs, hangs up or greylists at each step.

Source of what a step means: RFC 5321 (Klensin 2008), sections 3.8, 4.2.1 and 6.1. Greylisting with
4xx at a first contact is common practice.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from alerts.loopback.mailbox import At, LoopbackMailbox, MailFault
from alerts.transports.base import Outcome, OutgoingMessage, SendResult
from alerts.transports.smtp import Smtp

HANGS_S = 30.0
BEFORE = (At.GREETING, At.SENDER, At.RECIPIENT)


def send(server: LoopbackMailbox, message: OutgoingMessage) -> SendResult:
    transport = Smtp(
        host=server.host,
        port=server.port,
        sender="alerts@example.org",
        use="plain",
        timeout_s=0.3,
        data_timeout_s=0.3,
    )
    return asyncio.run(transport.send(message))


@pytest.mark.parametrize("at", BEFORE)
@pytest.mark.parametrize("delay_s", [0.0, HANGS_S], ids=["hangs up", "hangs"])
def test_before_the_text_silence_means_later(mail: OutgoingMessage, at: At, delay_s: float) -> None:
    with LoopbackMailbox() as server:
        server.script(MailFault(at=at, delay_s=delay_s))
        assert send(server, mail).outcome is Outcome.LATER
        assert send(server, mail).outcome is Outcome.ACCEPTED
        assert len(server.mails) == 1


@pytest.mark.parametrize("at", [At.DATA, At.CONTENT])
@pytest.mark.parametrize("delay_s", [0.0, HANGS_S], ids=["hangs up", "hangs"])
@pytest.mark.parametrize("keeps", [False, True])
def test_from_the_text_on_silence_means_nobody_knows(
    mail: OutgoingMessage, at: At, delay_s: float, keeps: bool
) -> None:
    with LoopbackMailbox() as server:
        server.script(MailFault(at=at, keeps=keeps and at is At.CONTENT, delay_s=delay_s))
        assert send(server, mail).outcome is Outcome.UNKNOWN
        assert len(server.mails) == int(keeps and at is At.CONTENT)


@pytest.mark.parametrize("at", list(At))
def test_not_now_means_later_at_every_step(mail: OutgoingMessage, at: At) -> None:
    with LoopbackMailbox() as server:
        server.script(MailFault("421 4.3.2 closing", at=at))
        result = send(server, mail)
        assert (result.outcome, result.code) == (Outcome.LATER, "421")
        assert server.mails == ()


def test_kept_though_refused_for_now_is_repeated_under_the_same_id(mail: OutgoingMessage) -> None:
    with LoopbackMailbox() as server:
        server.script(MailFault("451 4.3.0 kept, yet not now", keeps=True))
        assert send(server, mail).outcome is Outcome.LATER
        assert send(server, mail).outcome is Outcome.ACCEPTED
        assert list(server.held().values()) == [2]


def test_greylisted_mail_goes_later_and_then_through(mail: OutgoingMessage) -> None:
    with LoopbackMailbox(greylist=True) as server:
        first, other = send(server, mail), send(server, replace(mail, to="two@example.org"))
        again = send(server, mail)
        assert len(server.mails) == 1
    assert [first.outcome, other.outcome, again.outcome] == [
        Outcome.LATER,
        Outcome.LATER,
        Outcome.ACCEPTED,
    ]
