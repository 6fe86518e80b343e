"""A mail server on this machine that keeps what it is given and can be told to refuse.

Built on aiosmtpd; every message is kept as the bytes that came and as a parsed email, and, if
wanted, written to a folder as .eml files that any mail program opens.
"""

from __future__ import annotations

import asyncio
import logging
import re
import ssl
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from enum import StrEnum
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast
from weakref import WeakSet

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

log = logging.getLogger(__name__)
SERVER_LOG = logging.getLogger("mail.log")  # the name aiosmtpd uses
HOST = "127.0.0.1"
ACCEPTED = "250 2.0.0 OK: kept"
GREYLISTED = "451 4.7.1 Greylisted, please try again later"
LOGIN_FIRST = "530 5.7.0 Authentication required"
LONGEST_SLUG = 40
STOP_S = 4.0


class At(StrEnum):
    """Step of the dialogue at which a scripted reply is given."""

    SENDER = "sender"
    RECIPIENT = "recipient"
    CONTENT = "content"


@dataclass(frozen=True, slots=True)
class MailFault:
    """One scripted reply to one message; an empty reply drops the connection.

    `keeps` (at the content only) says whether the message is kept before the reply.
    """

    reply: str = ""
    at: At = At.CONTENT
    keeps: bool = False
    delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class KeptMail:
    number: int  # 1 = the first
    sender: str
    recipients: tuple[str, ...]
    content: bytes  # as it came over the wire
    email: EmailMessage
    path: Path | None


class LoopbackMailbox:
    """The mail server; use it as a context manager, or call `start` and `stop`.

    Parameters
    ----------
    folder : where to write NNN-subject.eml files; created when missing
    on_message : called for every kept message, on the server's thread; may fail
    port : 0 = a free one, known after `start`
    refuse : recipient -> full reply line, for example '550 5.1.1 no such mailbox'
    greylist : answer 451 to the first contact of each sender and recipient
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
        username: str = "",
        password: str = "",
        tls_context: ssl.SSLContext | None = None,
        implicit_tls: bool = False,
    ) -> None:
        self._desk = _Desk(folder, on_message, dict(refuse or {}), greylist)
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

    def script(self, *faults: MailFault) -> None:
        """Answer the next messages so, one fault each, then normally again."""
        self._desk.script(faults)

    def start(self) -> None:
        """Listen; after a stop, again on the same port. Raises OSError when it is taken."""
        if not SERVER_LOG.level:
            SERVER_LOG.setLevel(logging.WARNING)  # it would tell of every line of every dialogue
        handler = _Handler(self._desk, needs_login=any(self._login))
        self._controller = _FreePortController(
            handler,
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

    def __init__(self, handler: _Handler, **settings: Any) -> None:
        super().__init__(handler, **settings)
        self._sessions: WeakSet[SMTP] = WeakSet()

    def factory(self) -> SMTP:
        session: SMTP = super().factory()  # type: ignore[no-untyped-call]
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


class _Desk:
    """What the mailbox holds; used from the server's thread and from the caller's."""

    def __init__(
        self,
        folder: Path | None,
        on_message: Callable[[KeptMail], None] | None,
        refuse: dict[str, str],
        greylist: bool,
    ) -> None:
        self._folder, self._on_message = folder, on_message
        self._refuse, self._greylist = refuse, greylist
        self._met: set[tuple[str, str]] = set()
        self._mails: list[KeptMail] = []
        self._faults: deque[MailFault] = deque()
        self._lock = threading.Lock()

    def kept(self) -> tuple[KeptMail, ...]:
        with self._lock:
            return tuple(self._mails)

    def script(self, faults: tuple[MailFault, ...]) -> None:
        with self._lock:
            self._faults.extend(faults)

    def fault(self, at: At) -> MailFault | None:
        """The next scripted fault, if it belongs to this step; it is then used up."""
        with self._lock:
            if self._faults and self._faults[0].at is at:
                return self._faults.popleft()
            return None

    def complaint(self, sender: str, recipient: str) -> str:
        """Reply that refuses a recipient, or ''."""
        with self._lock:
            if recipient in self._refuse:
                return self._refuse[recipient]
            is_new = (sender, recipient) not in self._met
            self._met.add((sender, recipient))
            return GREYLISTED if self._greylist and is_new else ""

    def keep(self, envelope: Envelope) -> None:
        content = cast(bytes, envelope.original_content)
        email = message_from_bytes(content, policy=default)
        with self._lock:
            number = len(self._mails) + 1
            path = self._written(number, email, content)
            recipients = tuple(envelope.rcpt_tos)
            mail = KeptMail(number, envelope.mail_from or "", recipients, content, email, path)
            self._mails.append(mail)
        self._announce(mail)

    def _announce(self, mail: KeptMail) -> None:
        if self._on_message is None:
            return
        try:
            self._on_message(mail)
        except Exception:  # the mail is kept; a broken display must not look like a refusal
            log.exception("the hook for arriving mail failed")

    def _written(self, number: int, email: EmailMessage, content: bytes) -> Path | None:
        if self._folder is None:
            return None
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._folder / f"{number:03d}-{slug_of(str(email['Subject'] or ''))}.eml"
        path.write_bytes(content)
        return path


class _Handler:
    """The hooks that aiosmtpd calls by name."""

    def __init__(self, desk: _Desk, *, needs_login: bool) -> None:
        self._desk = desk
        self._needs_login = needs_login

    async def handle_MAIL(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self._needs_login and not session.authenticated:
            return LOGIN_FIRST
        fault = self._desk.fault(At.SENDER)
        if fault is not None:
            return await _suffer(fault, server)
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 2.1.0 OK"

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        fault = self._desk.fault(At.RECIPIENT)
        if fault is not None and not fault.reply.startswith("2"):
            return await _suffer(fault, server)
        complaint = self._desk.complaint(envelope.mail_from or "", address)
        if complaint:
            return complaint
        envelope.rcpt_tos.append(address)
        return fault.reply if fault else "250 2.1.5 OK"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        fault = self._desk.fault(At.CONTENT)
        if fault is None or fault.keeps:
            self._desk.keep(envelope)
        return ACCEPTED if fault is None else await _suffer(fault, server)


async def _suffer(fault: MailFault, server: SMTP) -> str:
    await asyncio.sleep(fault.delay_s)
    if not fault.reply and server.transport is not None:
        server.transport.close()
    return fault.reply


def slug_of(subject: str) -> str:
    """A subject as part of a file name: lower-case letters, digits and dashes."""
    words = re.sub(r"[^a-z0-9]+", "-", subject.lower()).strip("-")
    return words[:LONGEST_SLUG].rstrip("-") or "no-subject"
