"""The service as several processes, each with a part of the work, on one database."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from alerts.configfiles import shipped_config_dir
from alerts.loopback.gateway import LoopbackGateway

SENDER = "+12025550100"
QUICK = {
    "intake_s = 20": "intake_s = 1",
    "evaluation_s = 20": "evaluation_s = 1",
    "sending_s = 5": "sending_s = 1",
    "receipts_s = 60\n": "receipts_s = 10\n",
    "lease_s = 300": "lease_s = 20",
    "lease_s = 180": "lease_s = 40",
    "settle_s = 30": "settle_s = 3",
    'first_day = "03-01"': 'first_day = "01-01"',
    "per_second = 20, in_flight = 40": "per_second = 0, in_flight = 1000",
}
"""Changes of the schedule, so that what a killed process held is taken up within a minute."""


@dataclass(slots=True)
class Crew:
    """Processes by name: the role, a dash, and whatever tells them apart."""

    folder: Path
    environment: Mapping[str, str]
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start(self, name: str) -> None:
        role = name.partition("-")[0]
        with self.log(name).open("ab") as out:
            self.running[name] = subprocess.Popen(
                [sys.executable, "-m", "alerts", "serve", "--only", role],
                cwd=self.folder,
                env=dict(self.environment),
                stdout=out,
                stderr=out,
            )

    def log(self, name: str) -> Path:
        return self.folder / f"{name}.log"

    def kill(self, name: str) -> None:
        """SIGKILL; RuntimeError when the process had ended by itself."""
        process = self.running[name]
        if process.poll() is not None:
            raise RuntimeError(f"{name} had ended by itself; see {self.log(name)}")
        process.kill()
        process.wait()

    def end(self) -> None:
        """As an operator would: each may finish what it has begun."""
        for process in self.running.values():
            process.terminate()
        for process in self.running.values():
            process.wait(timeout=60)


def environment(gateway: LoopbackGateway, url: str, folder: Path) -> dict[str, str]:
    """Settings of the crew; makes the folder's config/ with a quick schedule."""
    config = folder / "config"
    config.mkdir()
    schedule = (shipped_config_dir() / "schedule.toml").read_text(encoding="utf-8")
    for usual, quick in QUICK.items():
        if usual not in schedule:
            raise ValueError(f"config/schedule.toml does not say {usual!r} any more")
        schedule = schedule.replace(usual, quick)
    (config / "schedule.toml").write_text(schedule, encoding="utf-8")
    own = {name: value for name, value in os.environ.items() if not name.startswith("CUTCALL_")}
    return own | {
        "CUTCALL_DATABASE_URL": url,
        "CUTCALL_CONFIG_DIR": str(config),
        "CUTCALL_INBOX_DIR": str(folder / "inbox"),
        "CUTCALL_TIME_ZONE": "UTC",
        "CUTCALL_SMS": "rest",
        "CUTCALL_SMS_URL": gateway.base_url,
        "CUTCALL_SMS_ACCOUNT": gateway.account,
        "CUTCALL_SMS_SECRET": gateway.secret,
        "CUTCALL_SMS_SENDER": SENDER,
        "CUTCALL_LOG_LEVEL": "DEBUG",
    }


@contextmanager
def empty_database(engine: str, folder: Path) -> Iterator[str]:
    """Address of a database for several processes that lives as long as the block."""
    if engine == "sqlite":
        yield f"sqlite:///{folder / 'cutcall.db'}"
        return
    from databases import own_server

    with own_server(folder) as url:
        yield url
