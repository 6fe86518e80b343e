"""Emails through a mail server that takes them over SMTP.

The dialogue is walked step by step, because what a failure means depends on the step: before
the text went out nothing was taken; after its final dot, silence may hide an acceptance.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from functools import partial

import aiosmtplib
from aiosmtplib import SMTPException, SMTPResponseException

from alerts.domain.errors import ConfigurationError, TransportError
from alerts.transports.base import (
    Channel,
    Outcome,
    OutgoingMessage,
    SendResult,
    Sighting,
    Transport,
)
from alerts.transports.email_message import WIRE, build_email, mailbox

QUIT_TIMEOUT_S = 5.0
MAILBOX_FULL = 552
CLOSING = 421  # the server ends its service for now (RFC 5321 section 4.2.2)


class Security(StrEnum):
    """How the connection is protected."""

    PLAIN = "plain"
    STARTTLS = "starttls"
    TLS = "tls"


class Step(StrEnum):
    """Where in the dialogue something happened."""

    GREETING = "greeting"  # connecting, encrypting, logging in
    SENDER = "sender"
    RECIPIENT = "recipient"
    CONTENT = "content"


@dataclass(frozen=True, slots=True)
class _Envelope:
    recipient: str
    content: bytes
    message_id: str


class Smtp(Transport):
    """One account at one mail server; every message has a connection of its own.

    Parameters
    ----------
    host, port : the mail server
    sender, sender_name : address and display name of the From header; also the return path
    username, password : "" = no login
    use : 'plain', 'starttls' or 'tls'
    reply_to : address for replies; "" = none
    timeout_s : wait for each answer [s]
    data_timeout_s : wait for the answer to the text itself [s]; RFC 5321 section 4.5.3.2.6 asks
        for ten minutes, since giving up early makes duplicates
    tls_context : for a private certificate authority; by default the system's authorities

    Raises ConfigurationError for an unknown `use` or a sender that is no address.
    """

    channel: Channel = Channel.EMAIL
    name: str = "smtp"
    repeatable: bool = True

    def __init__(
        self,
        *,
        host: str,
        port: int,
        sender: str,
        sender_name: str = "",
        username: str = "",
        password: str = "",
        use: str = Security.STARTTLS,
        reply_to: str = "",
        timeout_s: float = 30.0,
        data_timeout_s: float = 600.0,
        tls_context: ssl.SSLContext | None = None,
    ) -> None:
        try:
            self._security = Security(use)
            self._sender = mailbox(sender, sender_name)
        except ValueError as error:
            raise ConfigurationError(f"The mail server setting is wrong: {error}") from error
        self._host, self._port = host, port
        self._username, self._password = username, password
        self._reply_to = reply_to
        self._timeout_s, self._data_timeout_s = timeout_s, data_timeout_s
        self._tls_context = tls_context

    async def send(self, message: OutgoingMessage) -> SendResult:
        try:
            envelope = self._envelope(message)
        except ValueError as error:
            return SendResult(Outcome.REFUSED, detail=str(error))
        client = self._new_client()
        try:
            return await self._deliver(client, envelope)
        finally:
            await _leave(client)

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        raise TransportError(
            f"The mail server {self._host} cannot be asked whether message "
            f"{message.message_id} arrived; decide without it (a repeat keeps its Message-ID)."
        )

    async def read_back(self, gateway_id: str) -> Sighting | None:
        return None

    async def log_in(self) -> None:
        """Greet, encrypt and log in as before an email, and leave."""
        client = self._new_client()
        try:
            await client.connect()
        except (SMTPException, OSError, ValueError) as error:
            raise TransportError(
                f"The mail server {self._host} does not let us in ({error}); check its address, "
                "port, encryption and login."
            ) from error
        finally:
            await _leave(client)

    async def aclose(self) -> None:
        """Nothing is held open between messages."""

    def _envelope(self, message: OutgoingMessage) -> _Envelope:
        email = build_email(message, self._sender, self._reply_to)
        # flattened here: the library's own flattening would fold List-Unsubscribe
        content = email.as_bytes(policy=WIRE)
        return _Envelope(mailbox(message.to).addr_spec, content, str(email["Message-ID"]))

    def _new_client(self) -> aiosmtplib.SMTP:
        return aiosmtplib.SMTP(
            hostname=self._host,
            port=self._port,
            username=self._username or None,
            password=self._password or None,
            local_hostname=self._sender.domain,
            timeout=self._timeout_s,
            use_tls=self._security is Security.TLS,
            start_tls=self._security is Security.STARTTLS,
            tls_context=self._tls_context,
        )

    async def _deliver(self, client: aiosmtplib.SMTP, envelope: _Envelope) -> SendResult:
        steps: tuple[tuple[Step, Callable[[], Awaitable[object]]], ...] = (
            (Step.GREETING, client.connect),
            (Step.SENDER, partial(client.mail, self._sender.addr_spec)),
            (Step.RECIPIENT, partial(client.rcpt, envelope.recipient)),
            (
                Step.CONTENT,
                partial(client.data, envelope.content, timeout=self._data_timeout_s),
            ),
        )
        for step, act in steps:
            try:
                await act()
            except SMTPResponseException as error:
                outcome = outcome_of_reply(error.code, step)
                ours = step is Step.GREETING or outcome is Outcome.MISCONFIGURED
                wide = ours or error.code == CLOSING
                return SendResult(
                    outcome, code=str(error.code), detail=error.message, gateway_wide=wide
                )
            except (SMTPException, OSError, ValueError) as error:
                outcome = outcome_of_break(error, step)
                wide = outcome is not Outcome.REFUSED
                return SendResult(outcome, detail=f"at {step}: {error}", gateway_wide=wide)
        return SendResult(Outcome.ACCEPTED, gateway_id=envelope.message_id)


def outcome_of_reply(code: int, step: Step) -> Outcome:
    """What a reply other than the hoped-for one means (RFC 5321 sections 4.2 and 4.5.3.1.10).

    Before the recipient is named, a permanent refusal concerns us and not the message: calling
    it final would lose every alert to one wrong setting.
    """
    kind = code // 100
    if kind == 4 or (code == MAILBOX_FULL and step is Step.RECIPIENT):
        return Outcome.LATER
    if code // 10 == 53:
        return Outcome.MISCONFIGURED
    if kind == 5:
        ours = step is Step.GREETING or (step is Step.SENDER and code != MAILBOX_FULL)
        return Outcome.MISCONFIGURED if ours else Outcome.REFUSED
    return _outcome_of_silence(step)


def outcome_of_break(error: Exception, step: Step) -> Outcome:
    """What a failure without a reply means."""
    if step is Step.GREETING and _is_refused_encryption(error):
        return Outcome.MISCONFIGURED
    if isinstance(error, OSError):  # timeouts and lost connections are of this family
        return _outcome_of_silence(step)
    if isinstance(error, ValueError):
        return Outcome.REFUSED  # the address cannot be written in the dialogue
    # what is left: the server offers no login or no encryption, though the setting asks for it
    return Outcome.UNKNOWN if step is Step.CONTENT else Outcome.MISCONFIGURED


def _outcome_of_silence(step: Step) -> Outcome:
    return Outcome.UNKNOWN if step is Step.CONTENT else Outcome.LATER


def _is_refused_encryption(error: BaseException | None) -> bool:
    """A certificate nobody vouches for, or no TLS at that port; not a line that merely broke."""
    while error is not None:
        if isinstance(error, ssl.SSLError):
            return not isinstance(error, ssl.SSLEOFError | ssl.SSLZeroReturnError)
        error = error.__cause__
    return False


async def _leave(client: aiosmtplib.SMTP) -> None:
    """Say goodbye; the outcome is already known, so nothing that happens here matters."""
    transport = client.transport
    with suppress(SMTPException, OSError):
        await client.quit(timeout=QUIT_TIMEOUT_S)
    client.close()
    if isinstance(transport, asyncio.WriteTransport):
        # an encrypted line would otherwise wait for the far side to close first
        transport.abort()
        await asyncio.sleep(0)
