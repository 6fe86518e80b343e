"""A process of the service that is killed in the middle of its first text; run by a test.

    python dying_sender.py NOW before|after

Settings come from the environment; NOW is an aware ISO time. The process ends without a word,
before the gateway is asked or right after it has answered.
"""

from __future__ import annotations

import asyncio
import os
import sys
from dataclasses import replace
from datetime import datetime

from alerts.bootstrap import build_parts
from alerts.scheduler import run_round
from alerts.settings import read_settings
from alerts.transports.base import Channel, OutgoingMessage, SendResult, Sighting, Transport

KILLED = 9


class Dying(Transport):
    """The real transport of a process that ends in the act."""

    channel = Channel.SMS
    name = "dying"
    repeatable = False

    def __init__(self, real: Transport, *, after_sending: bool) -> None:
        self._real = real
        self._after_sending = after_sending

    async def send(self, message: OutgoingMessage) -> SendResult:
        if self._after_sending:
            await self._real.send(message)
        os._exit(KILLED)

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        return await self._real.find(message)

    async def read_back(self, gateway_id: str) -> Sighting | None:
        return await self._real.read_back(gateway_id)

    async def aclose(self) -> None:
        await self._real.aclose()


def main(now: str, when: str) -> None:
    moment = datetime.fromisoformat(now)
    parts = build_parts(read_settings(_env_file=None), clock=lambda: moment)
    sms = Dying(parts.transports[Channel.SMS], after_sending=when == "after")
    dying = replace(parts, transports={**parts.transports, Channel.SMS: sms})
    asyncio.run(run_round(dying))


if __name__ == "__main__":
    main(*sys.argv[1:])
