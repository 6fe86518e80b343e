"""Two tickers on one database: one leads, the other takes over when it dies; no tick is doubled."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest
from crew import Crew, empty_database, environment

from alerts.loopback.gateway import LoopbackGateway

TAKEOVER = timedelta(seconds=30)
PATIENCE_S = 60.0
TICK = re.compile(r"^(\S+) DEBUG \S+: tick (\d+) of (\w+)$", re.MULTILINE)


class Tick(NamedTuple):
    by: str
    at: datetime
    number: int
    job: str


def ticks(crew: Crew, name: str) -> list[Tick]:
    found = TICK.findall(crew.log(name).read_text())
    return [Tick(name, datetime.fromisoformat(at), int(n), job) for at, n, job in found]


def wait_until(happened: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < until, f"{what} did not happen within {PATIENCE_S:.0f} s"
        time.sleep(0.1)


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_standby_ticks_soon_after_the_leader_was_killed(engine: str, tmp_path: Path) -> None:
    names = ["ticker-one", "ticker-two"]
    with (
        empty_database(engine, tmp_path) as url,
        LoopbackGateway(clock=lambda: datetime.now(UTC)) as gateway,
    ):
        crew = Crew(tmp_path, environment(gateway, url, tmp_path))
        try:
            for name in names:
                crew.start(name)
            wait_until(
                lambda: any(len(ticks(crew, name)) > 8 for name in names), "the leader's ticks"
            )
            [leader] = [name for name in names if ticks(crew, name)]
            [standby] = [name for name in names if name != leader]
            crew.kill(leader)
            killed_at = datetime.now(UTC)
            wait_until(lambda: len(ticks(crew, standby)) > 8, "the standby's ticks")
        finally:
            del crew.running[leader]
            crew.end()
        took = min(tick.at for tick in ticks(crew, standby)) - killed_at
        assert took < TAKEOVER
        everything = ticks(crew, leader) + ticks(crew, standby)
        counted = Counter((tick.job, tick.number) for tick in everything)
        assert max(counted.values()) == 1
        intake = sorted(tick.number for tick in everything if tick.job == "intake")
        assert intake == list(range(1, len(intake) + 1))
