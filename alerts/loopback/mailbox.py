"""A mail server on this machine that keeps what it is given and can be told to refuse.

Built on aiosmtpd; every message is kept as the bytes that came and as a parsed email, and, if
wanted, written to a folder as .eml files that any mail program opens.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast
from weakref import WeakSet

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from alerts.loopback.mail_desk import At, KeptMail, MailDesk, MailFault, slug_of

__all__ = ["At", "KeptMail", "LoopbackMailbox", "MailFault", "slug_of"]

SERVER_LOG = logging.getLogger("mail.log")  # the name aiosmtpd uses
HOST = "127.0.0.1"
ACCEPTED = "250 2.0.0 OK: kept"
LOGIN_FIRST = "530 5.7.0 Authentication required"
STOP_S = 4.0


class LoopbackMailbox:
    """The mail server; use it as a context manager, or call `start` and `stop`.

    Parameters
    ----------
    folder : where to write NNN-subject.eml files; created when missing
    on_message : called for every kept message, on the server's thread; may fail
    port : 0 = a free one, known after `start`
    refuse : recipient -> full reply line, for example '550 5.1.1 no such mailbox'
    greylist : answer 451 to the first contact of each sender and recipient
    misbehaviour : asked once for every connection that no `script` speaks of; None = no fault
    username, password : when given, a client must log in
    tls_context : when given, the server offers STARTTLS, or with `implicit_tls` starts with TLS
    """

    def __init__(
        self,
        *,
        folder: Path | None = None,
        on_message: Callable[[KeptMail], None] | None = None,
        port: int = 0,
        refuse: Mapping[str, str] | None = None,
        greylist: bool = False,
        misbehaviour: Callable[[], MailFault | None] = lambda: None,
        username: str = "",
        password: str = "",
        tls_context: ssl.SSLContext | None = None,
        implicit_tls: bool = False,
    ) -> None:
        self._desk = MailDesk(folder, on_message, dict(refuse or {}), greylist, misbehaviour)
        self._port = port
        self._login = (username, password)
        self._starttls = None if implicit_tls else tls_context
        self._tls = tls_context if implicit_tls else None
        self._controller: _FreePortController | None = None

    @property
    def host(self) -> str:
        return HOST

    @property
    def port(self) -> int:
        """Known from the first start on."""
        return self._port

    @property
    def mails(self) -> tuple[KeptMail, ...]:
        """Every message kept so far, oldest first."""
        return self._desk.kept()

    def held(self) -> Counter[tuple[str, str]]:
        """How often each (recipient, Message-ID) was kept: more than 1 is a repeat, which mail
        systems merge; two ids of one message are a mail sent twice."""
        return Counter(
            (recipient, str(mail.email["Message-ID"]))
            for mail in self.mails
            for recipient in mail.recipients
        )

    @property
    def seen(self) -> Counter[str]:
        """How many connections it has seen, and the faults among them, such as 'mail data 451'."""
        return self._desk.seen()

    def script(self, *faults: MailFault) -> None:
        """Answer the next messages so, one fault each, then normally again."""
        self._desk.script(faults)

    def start(self) -> None:
        """Listen; after a stop, again on the same port. Raises OSError when it is taken."""
        if not SERVER_LOG.level:
            SERVER_LOG.setLevel(logging.WARNING)  # it would tell of every line of every dialogue
        self._controller = _FreePortController(
            self._desk,
            needs_login=any(self._login),
            hostname=HOST,
            port=self._port,
            ssl_context=self._tls,
            server_hostname="localhost",
            tls_context=self._starttls,
            auth_require_tls=False,
            authenticator=self._authenticate,
        )
        self._controller.start()
        self._port = self._controller.port

    def stop(self) -> None:
        """Stop listening; does nothing when not started."""
        if self._controller is not None:
            self._controller.stop()
            self._controller = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _authenticate(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: object
    ) -> AuthResult:
        given = data if isinstance(data, LoginPassword) else LoginPassword(b"", b"")
        wanted = tuple(part.encode("utf-8") for part in self._login)
        return AuthResult(success=(given.login, given.password) == wanted, handled=False)


class _FreePortController(Controller):
    """Finds out its port by itself, and ends without leaving a socket open."""

    def __init__(self, desk: MailDesk, *, needs_login: bool, **settings: Any) -> None:
        super().__init__(_Handler(desk, needs_login=needs_login), **settings)
        self._desk = desk
        self._sessions: WeakSet[SMTP] = WeakSet()

    def factory(self) -> SMTP:
        session = _Dialogue(self._desk, self.handler, **self.SMTP_kwargs)
        self._sessions.add(session)
        return session

    def _trigger_server(self) -> None:
        # port 0 has become a real port by now, and the base class is about to connect to it
        server = cast(asyncio.Server, self.server)
        self.port = server.sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]

    def stop(self, no_assert: bool = False) -> None:
        asyncio.run_coroutine_threadsafe(self._hang_up(), self.loop).result(STOP_S)
        super().stop(no_assert)

    async def _hang_up(self) -> None:
        cast(asyncio.Server, self.server).close()
        for session in list(self._sessions):
            if session.transport is not None:
                cast(asyncio.Transport, session.transport).abort()
        dialogues = asyncio.all_tasks() - {asyncio.current_task()}
        if dialogues:
            await asyncio.wait(dialogues, timeout=STOP_S / 2)
        await asyncio.sleep(0)  # the loop closes the sockets one turn later


class _Dialogue(SMTP):
    """One connection, with the fault that chance has set for it."""

    def __init__(self, desk: MailDesk, handler: _Handler, **settings: Any) -> None:
        super().__init__(handler, **settings)
        self._desk = desk
        self._drawn: MailFault | None = None
        self._has_drawn = False

    def fault(self, at: At) -> MailFault | None:
        """The fault of this step, scripted or by chance; it is then used up."""
        scripted = self._desk.fault(at)
        if scripted is not None:
            return scripted
        if not self._has_drawn:
            self._drawn, self._has_drawn = self._desk.draw(), True
        drawn = self._drawn
        if drawn is None or drawn.at is not at:
            return None
        self._drawn = None
        return drawn

    async def smtp_EHLO(self, hostname: str) -> None:  # noqa: N802
        if not await self._suffers(At.GREETING):
            await super().smtp_EHLO(hostname)

    async def smtp_HELO(self, hostname: str) -> None:  # noqa: N802
        if not await self._suffers(At.GREETING):
            await super().smtp_HELO(hostname)

    async def smtp_DATA(self, arg: str) -> None:  # noqa: N802
        if not await self._suffers(At.DATA):
            await super().smtp_DATA(arg)

    async def _suffers(self, at: At) -> bool:
        fault = self.fault(at)
        if fault is not None:
            reply = await _suffer(fault, self)
            if reply:
                await self.push(reply)
        return fault is not None


class _Handler:
    """The hooks that aiosmtpd calls by name."""

    def __init__(self, desk: MailDesk, *, needs_login: bool) -> None:
        self._desk = desk
        self._needs_login = needs_login

    async def handle_MAIL(  # noqa: N802
        self,
        server: _Dialogue,
        session: Session,
        envelope: Envelope,
        address: str,
        options: list[str],
    ) -> str:
        if self._needs_login and not session.authenticated:
            return LOGIN_FIRST
        fault = server.fault(At.SENDER)
        if fault is not None:
            return await _suffer(fault, server)
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 2.1.0 OK"

    async def handle_RCPT(  # noqa: N802
        self,
        server: _Dialogue,
        session: Session,
        envelope: Envelope,
        address: str,
        options: list[str],
    ) -> str:
        fault = server.fault(At.RECIPIENT)
        if fault is not None and not fault.reply.startswith("2"):
            return await _suffer(fault, server)
        complaint = self._desk.complaint(envelope.mail_from or "", address)
        if complaint:
            return complaint
        envelope.rcpt_tos.append(address)
        return fault.reply if fault else "250 2.1.5 OK"

    async def handle_DATA(  # noqa: N802
        self, server: _Dialogue, session: Session, envelope: Envelope
    ) -> str:
        fault = server.fault(At.CONTENT)
        if fault is None or fault.keeps:
            self._desk.keep(envelope)
        return ACCEPTED if fault is None else await _suffer(fault, server)


async def _suffer(fault: MailFault, server: _Dialogue) -> str:
    await asyncio.sleep(fault.delay_s)
    if not fault.reply and server.transport is not None:
        server.transport.close()
    return fault.reply
