"""Chance for the loopback servers: gateways and lines that fail in a given share of cases.

What real ones do was gathered from the interface's error pages and from what users report of
lost answers, texts made although the answer was an error, and greylisting mail servers.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from alerts.loopback.gateway import Fault, Reply
from alerts.loopback.mailbox import At, MailFault
from alerts.loopback.receipts import ReceiptFault

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Chance:
    """Faults by chance, each source of its own so that one does not shift another.

    ``share`` of all cases fail, in [0, 1]; ``patience_s`` is how long the client waits [s]: an
    answer that is slow comes after twice that.
    """

    seed: int
    share: float
    patience_s: float
    _sources: dict[str, random.Random] = field(default_factory=dict)

    def sending(self) -> Fault:
        """For `LoopbackGateway.misbehaviour`."""
        return self._drawn("sending", _sending(self.patience_s)) or Fault()

    def reading(self) -> Fault:
        """For `LoopbackGateway.read_misbehaviour`."""
        return self._drawn("reading", _reading(self.patience_s)) or Fault()

    def telling(self) -> ReceiptFault:
        """For `LoopbackGateway.receipt_misbehaviour`."""
        return self._drawn("telling", RECEIPTS) or ReceiptFault()

    def mailing(self) -> MailFault | None:
        """For `LoopbackMailbox.misbehaviour`."""
        return self._drawn("mailing", _mailing(self.patience_s))

    def _drawn(self, name: str, faults: Sequence[T]) -> T | None:
        source = self._sources.setdefault(name, random.Random(f"{self.seed} {name}"))  # noqa: S311
        return source.choice(faults) if source.random() < self.share else None


def _sending(patience_s: float) -> tuple[Fault, ...]:
    lost = (Reply.DROP, Reply.RESET, Reply.SERVER_ERROR, Reply.GARBAGE, Reply.BUSY_UNNAMED)
    return (
        Fault(delay_s=patience_s / 4),
        *(Fault(reply, keeps=keeps) for reply in lost for keeps in (False, True)),
        Fault(Reply.CUT_SHORT, keeps=True),
        Fault(Reply.BUSY),
        Fault(Reply.BUSY, retry_after_s=30),
        Fault(keeps=True, delay_s=patience_s * 2),
    )


def _reading(patience_s: float) -> tuple[Fault, ...]:
    replies = (Reply.DROP, Reply.RESET, Reply.CUT_SHORT, Reply.SERVER_ERROR, Reply.GARBAGE)
    return (
        *(Fault(reply) for reply in (*replies, Reply.BUSY, Reply.BUSY_UNNAMED)),
        Fault(delay_s=patience_s * 2),
    )


RECEIPTS = (
    ReceiptFault(times=0),
    ReceiptFault(times=2),
    ReceiptFault(times=3, delay_s=0.2),
    ReceiptFault(delay_s=0.2),  # so late that the next step is told first
)


def _mailing(patience_s: float) -> tuple[MailFault, ...]:
    steps = (At.GREETING, At.SENDER, At.RECIPIENT, At.DATA, At.CONTENT)
    return (
        *(MailFault("451 4.3.0 not now", at=at) for at in steps[1:]),
        MailFault("421 4.3.2 closing", at=At.GREETING),
        *(MailFault(at=at) for at in steps),
        *(MailFault("250 2.0.0 slow", at=at, delay_s=patience_s * 2) for at in steps[1:3]),
        MailFault(at=At.DATA, delay_s=patience_s * 2),
        MailFault(keeps=True),
        MailFault("451 4.3.0 kept, yet not now", keeps=True),
        MailFault("250 2.0.0 kept, slowly", keeps=True, delay_s=patience_s * 2),
    )
