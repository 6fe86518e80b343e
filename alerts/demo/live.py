"""`cutcall demo --serve`: the demo's spring up to a noon, and from there on in real seconds.

What was played stays as it came about, and the service goes on from there as `cutcall serve` runs
it: web pages, ticker, the gateway with the phones it reaches, and the mail server.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path

from pydantic import SecretStr

from alerts.bootstrap import Parts, build_parts
from alerts.demo.replay import Replay
from alerts.demo.stage import GoingClock, demo_settings, one_by_one
from alerts.demo.world import FARMS, FIRST_DAY, LAST_DAY, SAMPLER, SWITCHED_OFF
from alerts.domain.errors import CutcallError
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.loopback.webhooks import Webhooks
from alerts.services.operating.access import make_link

USUAL_DAY = date(2027, 5, 14)
"""Several farms have been told a date ahead of this day, and nobody has begun to cut."""

NOON = time(12)
WEBHOOK_SECRET = "signs-webhooks-of-the-demo"  # noqa: S105 - guards invented people
LINKS = {
    "farm page": ("farm", FARMS[0].name),
    "consultant": ("consultant", FARMS[0].consultant),
    "sampler": ("sampler", SAMPLER[0]),
    "operator": ("operator", ""),
}


@dataclass(frozen=True, slots=True)
class LiveSpring:
    """The service in the middle of the demo's spring; its clock goes on."""

    parts: Parts
    gateway: LoopbackGateway
    home: Path

    def addresses(self) -> Sequence[tuple[str, str]]:
        """What there is to look at: a name and a web address each."""
        url, rules = self.parts.settings.public_url, self.parts.link_rules()
        private = [
            (name, make_link(self.parts.sessions, rules, role, who, "", self.parts.clock()))
            for name, (role, who) in LINKS.items()
        ]
        paths = [("home", "/"), ("sign-up", "/signup"), *private, ("area results", "/areas")]
        return [
            *((name, f"{url}{path}") for name, path in paths),
            ("phones", self.gateway.phones_url),
        ]


@contextmanager
def live_spring(home: Path, day: date, public_url: str) -> Iterator[LiveSpring]:
    """Play up to noon of ``day`` in ``home``, and let the clock go.

    Whoever takes the parts closes them. CutcallError for a day outside the demo's spring.
    """
    if not FIRST_DAY < day <= LAST_DAY:
        raise CutcallError(
            f"the demo's spring has no {day}; give a day after {FIRST_DAY} up to {LAST_DAY}"
        )
    # The demo scripts a gateway fault of its own; a log of it would only puzzle.
    logging.getLogger("alerts").setLevel(logging.ERROR)
    for noisy in ("httpx", "apscheduler", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    clock = GoingClock()
    webhooks = Webhooks(f"{public_url}/webhooks/sms/inbound", WEBHOOK_SECRET)
    with (
        LoopbackGateway(
            clock=clock, webhooks=webhooks, phones=True, unreachable=[SWITCHED_OFF]
        ) as gateway,
        LoopbackMailbox(folder=home / "mail") as mailbox,
    ):
        # While the spring is played nobody listens to webhooks yet: receipts are read back.
        settings = demo_settings(home, gateway, mailbox, public_url=public_url)
        played = build_parts(settings, clock=clock, jitter=random.Random(7).random)  # noqa: S311
        with asyncio.Runner() as runner:
            runner.run(_play(Replay(one_by_one(played), clock, gateway, home), day))
            runner.run(played.aclose())
        clock.set_local(day, NOON)
        clock.let_go()
        # Connections belong to the loop they were made in: the service gets parts of its own.
        settings = settings.model_copy(update={"sms_webhook_secret": SecretStr(WEBHOOK_SECRET)})
        yield LiveSpring(build_parts(settings, clock=clock), gateway, home)


async def _play(replay: Replay, last: date) -> None:
    replay.enrol()
    for day in replay.days():
        if day >= last:
            break
        await replay.live(day)
    await replay.rounds(last, NOON)
