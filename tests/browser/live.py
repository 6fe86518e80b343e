"""A running service with its surroundings, as the browser tests see it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fakes import SettableClock
from playwright.sync_api import Page

from alerts.bootstrap import Parts
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.scheduler import LoopThread, RoundReport, run_round

WEBHOOK_SECRET = "webhook-key-of-the-browser-tests"

Shoot = Callable[[Page, str], None]
"""Leaves a picture of the whole page under a name."""


@dataclass(slots=True)
class Site:
    parts: Parts
    clock: SettableClock
    gateway: LoopbackGateway
    mailbox: LoopbackMailbox
    url: str
    loop: LoopThread  # the browser's driver keeps the test's own thread in a loop already

    def round(self) -> RoundReport:
        """Every job of the ticker, once."""
        return self.loop.run(run_round(self.parts))
