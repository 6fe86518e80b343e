"""The mail transport against a real mail server on this machine.

Source of the reply classes: RFC 5321 (Klensin 2008), sections 3.8, 4.2 and 4.5.3; rows 53x after
RFC 4954, from memory; kept in tests/data/messaging/smtp_reply_classes.csv.
"""

from __future__ import annotations

import asyncio
import csv
import logging
import socket
import ssl
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from alerts.domain.errors import ConfigurationError, TransportError
from alerts.loopback.mailbox import At, LoopbackMailbox, MailFault
from alerts.transports.base import Outcome, OutgoingMessage, SendResult
from alerts.transports.smtp import Smtp, Step, outcome_of_break, outcome_of_reply

DATA = Path(__file__).parents[1] / "data" / "messaging"
CLASSES = {
    "retry": Outcome.LATER,
    "permanent": Outcome.REFUSED,
    "config": Outcome.MISCONFIGURED,
}


def reply_rows() -> list[dict[str, str]]:
    with (DATA / "smtp_reply_classes.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


REFUSALS = [row for row in reply_rows() if row["class"] in CLASSES and row["reply"].isdigit()]


@pytest.fixture
def server() -> Iterator[LoopbackMailbox]:
    with LoopbackMailbox() as mailbox:
        yield mailbox


def smtp(host: str, port: int, **changes: Any) -> Smtp:
    settings: dict[str, Any] = {
        "host": host,
        "port": port,
        "sender": "alerts@example.org",
        "sender_name": "Cutcall",
        "use": "plain",
        "timeout_s": 5.0,
        "data_timeout_s": 5.0,
    }
    return Smtp(**(settings | changes))


def send(transport: Smtp, message: OutgoingMessage) -> SendResult:
    return asyncio.run(transport.send(message))


def to(server: LoopbackMailbox, message: OutgoingMessage, **changes: Any) -> SendResult:
    return send(smtp(server.host, server.port, **changes), message)


def test_rows_cover_all_classes() -> None:
    assert {row["class"] for row in REFUSALS} == set(CLASSES)
    assert len(REFUSALS) == 16


@pytest.mark.parametrize("at", [At.RECIPIENT, At.CONTENT])
@pytest.mark.parametrize("row", REFUSALS, ids=lambda row: row["reply"])
def test_refusal_means_what_its_class_says(
    server: LoopbackMailbox, mail: OutgoingMessage, row: dict[str, str], at: At
) -> None:
    server.script(MailFault(f"{row['reply']} words", at=at))
    result = to(server, mail)
    # RFC 5321 section 4.5.3.1.10: 552 in answer to RCPT is to be treated as 452
    full = row["reply"] == "552" and at is At.RECIPIENT
    expected = Outcome.LATER if full else CLASSES[row["class"]]
    # The server closes (421), or wants another login (RFC 4954 section 6): so for every message.
    wide = row["reply"] == "421" or expected is Outcome.MISCONFIGURED
    assert result == SendResult(expected, code=row["reply"], detail="words", gateway_wide=wide)
    assert server.mails == ()


def test_yes_rows_are_a_yes(server: LoopbackMailbox, mail: OutgoingMessage) -> None:
    # an ordinary dialogue holds 220, 250 and 354; 251 may answer RCPT
    assert {row["reply"] for row in reply_rows() if row["class"] in ("ok", "continue")} == {
        "220",
        "250",
        "251",
        "354",
    }
    server.script(MailFault("251 will forward", at=At.RECIPIENT))
    result = to(server, mail)
    assert result == SendResult(Outcome.ACCEPTED, gateway_id="<att_02@example.org>")
    assert len(server.mails) == 1


def test_sender_refusal_concerns_the_operator_not_the_farmer(
    server: LoopbackMailbox, mail: OutgoingMessage
) -> None:
    server.script(
        MailFault("553 5.1.8 sender not allowed", at=At.SENDER),
        MailFault("452 4.3.1 later", at=At.SENDER),
        MailFault("552 5.3.4 too big", at=At.SENDER),
    )
    outcomes = [to(server, mail).outcome for _ in range(3)]
    assert outcomes == [Outcome.MISCONFIGURED, Outcome.LATER, Outcome.REFUSED]


class TestLogin:
    def test_greets_and_leaves_without_an_email(self, server: LoopbackMailbox) -> None:
        asyncio.run(smtp(server.host, server.port).log_in())
        assert server.mails == ()

    def test_says_what_to_check_where_nobody_answers(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        with pytest.raises(TransportError, match=r"does not let us in .* check its address"):
            asyncio.run(smtp("127.0.0.1", port).log_in())

    def test_login_where_none_is_offered_is_told_without_the_password(
        self, server: LoopbackMailbox
    ) -> None:
        transport = smtp(server.host, server.port, username="cutcall", password="violet-heron")
        with pytest.raises(TransportError, match="login") as raised:
            asyncio.run(transport.log_in())
        assert "violet-heron" not in str(raised.value)


class TestLine:
    def test_refused_connection_is_tried_later(self, mail: OutgoingMessage) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        assert send(smtp("127.0.0.1", port), mail).outcome is Outcome.LATER

    @pytest.mark.parametrize(
        ("at", "keeps", "outcome"),
        [
            (At.SENDER, False, Outcome.LATER),
            (At.RECIPIENT, False, Outcome.LATER),
            (At.CONTENT, False, Outcome.UNKNOWN),
            (At.CONTENT, True, Outcome.UNKNOWN),
        ],
    )
    def test_lost_connection_depends_on_the_step(
        self, server: LoopbackMailbox, mail: OutgoingMessage, at: At, keeps: bool, outcome: Outcome
    ) -> None:
        # row "connection lost": as 451, but after the final dot a duplicate is possible
        server.script(MailFault(at=at, keeps=keeps))
        result = to(server, mail)
        assert (result.outcome, len(server.mails)) == (outcome, int(keeps))
        assert at.value in result.detail

    def test_silence_after_the_final_dot_is_unknown(
        self, server: LoopbackMailbox, mail: OutgoingMessage
    ) -> None:
        server.script(MailFault("250 kept", keeps=True, delay_s=30.0))
        assert to(server, mail, data_timeout_s=0.1).outcome is Outcome.UNKNOWN
        assert len(server.mails) == 1

    def test_silence_before_the_text_is_tried_later(
        self, server: LoopbackMailbox, mail: OutgoingMessage
    ) -> None:
        server.script(MailFault("250 ok", at=At.SENDER, delay_s=30.0))
        assert to(server, mail, timeout_s=0.1).outcome is Outcome.LATER

    @pytest.mark.parametrize(
        ("lines", "outcome"),
        [
            (["421 busy"], Outcome.LATER),
            (["554 no mail service here"], Outcome.MISCONFIGURED),
            (["220 ready", "550 go away", "550 go away"], Outcome.MISCONFIGURED),
            (["hello?"], Outcome.LATER),
            ([], Outcome.LATER),
            (["220 ready", "250 hi", "250 ok", "250 ok", "354 go", "what?"], Outcome.UNKNOWN),
            (["220 ready", "250 hi", "250 ok", "250 ok", "200 eh"], Outcome.UNKNOWN),
        ],
    )
    def test_dialogue_word_by_word(
        self, mail: OutgoingMessage, lines: list[str], outcome: Outcome
    ) -> None:
        assert asyncio.run(send_to_reciter(lines, mail)).outcome is outcome


async def send_to_reciter(lines: list[str], mail: OutgoingMessage, **changes: Any) -> SendResult:
    """Send to a server that says one line after each thing the client says, then hangs up."""
    finished = asyncio.Event()

    async def recite(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for line in lines:
            writer.write(f"{line}\r\n".encode())
            await (reader.readuntil(b"\r\n.\r\n") if line[:3] == "354" else reader.readline())
        writer.close()
        await writer.wait_closed()
        finished.set()

    async with await asyncio.start_server(recite, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        result = await smtp("127.0.0.1", port, **changes).send(mail)
        await finished.wait()
    return result


def client_context() -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(DATA / "localhost_tls.pem"))


def server_context() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(DATA / "localhost_tls.pem")
    return context


class TestSecurity:
    @pytest.mark.parametrize(("use", "implicit"), [("starttls", False), ("tls", True)])
    def test_encrypted_connection_carries_the_message(
        self, mail: OutgoingMessage, use: str, implicit: bool
    ) -> None:
        with LoopbackMailbox(tls_context=server_context(), implicit_tls=implicit) as server:
            result = to(server, mail, use=use, tls_context=client_context())
            assert (result.outcome, len(server.mails)) == (Outcome.ACCEPTED, 1)

    @pytest.mark.parametrize(("use", "implicit"), [("starttls", False), ("tls", True)])
    def test_unknown_certificate_calls_the_operator(
        self, mail: OutgoingMessage, use: str, implicit: bool
    ) -> None:
        with LoopbackMailbox(tls_context=server_context(), implicit_tls=implicit) as server:
            result = to(server, mail, use=use)
            assert (result.outcome, server.mails) == (Outcome.MISCONFIGURED, ())

    @pytest.mark.parametrize("use", ["starttls", "tls"])
    def test_server_without_encryption_calls_the_operator(
        self, server: LoopbackMailbox, mail: OutgoingMessage, use: str
    ) -> None:
        result = to(server, mail, use=use, timeout_s=2.0)
        assert (result.outcome, server.mails) == (Outcome.MISCONFIGURED, ())

    def test_login_decides(self, mail: OutgoingMessage) -> None:
        with LoopbackMailbox(username="alerts", password="right") as server:
            wrong = to(server, mail, username="alerts", password="wrong")
            missing = to(server, mail)
            right = to(server, mail, username="alerts", password="right")
        assert (wrong.outcome, wrong.code) == (Outcome.MISCONFIGURED, "535")
        assert (missing.outcome, missing.code) == (Outcome.MISCONFIGURED, "530")
        assert right.outcome is Outcome.ACCEPTED

    def test_login_the_server_does_not_offer_calls_the_operator(
        self, mail: OutgoingMessage
    ) -> None:
        lines = ["220 ready", "250 hi", "221 bye"]
        result = asyncio.run(send_to_reciter(lines, mail, username="a", password="b"))
        assert result.outcome is Outcome.MISCONFIGURED

    def test_logs_hold_neither_password_nor_text(
        self, mail: OutgoingMessage, caplog: pytest.LogCaptureFixture
    ) -> None:
        server = LoopbackMailbox(username="alerts", password="secret-word")
        with server, caplog.at_level(logging.DEBUG):
            to(server, mail, username="alerts", password="secret-word")
        assert len(server.mails) == 1
        assert "secret-word" not in caplog.text
        assert mail.subject not in caplog.text


class TestMessage:
    def test_unusable_message_is_refused_without_a_connection(
        self, server: LoopbackMailbox, mail: OutgoingMessage
    ) -> None:
        broken = (
            replace(mail, subject="a\r\nBcc: other@example.org"),
            replace(mail, to="nobody"),
            replace(mail, to="ü@example.org"),
        )
        for message in broken:
            result = to(server, message)
            assert result.outcome is Outcome.REFUSED
            assert result.detail
        assert server.mails == ()

    def test_repeat_keeps_the_message_id(
        self, server: LoopbackMailbox, mail: OutgoingMessage
    ) -> None:
        server.script(MailFault(keeps=True))
        assert to(server, mail).outcome is Outcome.UNKNOWN
        second = to(server, mail)
        ids = [kept.email["Message-ID"] for kept in server.mails]
        assert ids == [second.gateway_id] * 2
        assert server.mails[0].content == server.mails[1].content

    def test_mail_server_cannot_be_asked(
        self, server: LoopbackMailbox, mail: OutgoingMessage
    ) -> None:
        transport = smtp(server.host, server.port)
        with pytest.raises(TransportError, match="att_02"):
            asyncio.run(transport.find(mail))
        assert asyncio.run(transport.read_back("<att_02@example.org>")) is None
        asyncio.run(transport.aclose())


class TestSetup:
    def test_unknown_security_is_named(self) -> None:
        with pytest.raises(ConfigurationError, match="'ssl'"):
            smtp("127.0.0.1", 25, use="ssl")

    def test_sender_must_be_an_address(self) -> None:
        with pytest.raises(ConfigurationError, match="'alerts'"):
            smtp("127.0.0.1", 25, sender="alerts")


def test_address_the_dialogue_cannot_carry_is_refused() -> None:
    assert outcome_of_break(ValueError("control character"), Step.RECIPIENT) is Outcome.REFUSED


def test_reply_without_a_class_depends_on_the_step() -> None:
    assert outcome_of_reply(-1, Step.GREETING) is Outcome.LATER
    assert outcome_of_reply(-1, Step.CONTENT) is Outcome.UNKNOWN
