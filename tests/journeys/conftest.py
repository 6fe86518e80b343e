"""The whole service between real servers, one for each test."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

# pytest's importlib mode puts nothing on the path; the station is a module of its own.
sys.path.insert(0, str(Path(__file__).parent))

from factories import loopback_settings
from fakes import SettableClock
from stations import ROSTER, ZONE, Station

from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox


@pytest.fixture(autouse=True)
def no_settings_from_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("CUTCALL_")]:
        monkeypatch.delenv(name)


@pytest.fixture
def station(database_url: str, tmp_path: Path) -> Iterator[Station]:
    clock = SettableClock(datetime(2027, 5, 11, 12, tzinfo=ZONE), ZONE)
    (tmp_path / "inbox").mkdir()
    with LoopbackGateway(clock=clock) as gateway, LoopbackMailbox() as mailbox:
        settings = loopback_settings(database_url, tmp_path, gateway, mailbox)
        station = Station(settings, clock, gateway, mailbox)
        station.enrol(*ROSTER)
        yield station
        station.close()


@pytest.fixture
def free_ports() -> tuple[int, int]:
    """Two ports that nobody listens on."""
    with socket.socket() as one, socket.socket() as other:
        for probe in (one, other):
            probe.bind(("127.0.0.1", 0))
        return one.getsockname()[1], other.getsockname()[1]
