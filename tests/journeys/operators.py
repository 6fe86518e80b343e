"""`python -m alerts` in a folder of its own, as an operator runs it.

The season of the edited config begins on 1 January, and the area lies where clocks show UTC all
year, so that what runs on the computer's own clock holds on any day of the year.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from factories import ROSTER_ROW, sheet

from alerts.configfiles import shipped_config_dir

TODAY = datetime.now(UTC).date()
ALWAYS = {
    "time_zone": "Africa/Abidjan",
    "send_from": "00:00",
    "send_to": "00:00",
    "consent_on": TODAY.isoformat(),
}
ROSTER = [
    {**ALWAYS, "field": "North"},
    {**ALWAYS, "field": "Closed Piece"},
    {**ALWAYS, "farm": "Quote Farm", "phone": "+12025550145", "index": "rfq", "field": "Ridge"},
    {
        **ALWAYS,
        "farm": "Brook Farm",
        "field": "East",
        "phone": "+12025550146",
        "email": "ned@example.org",
        "alert_by": "both",
    },
]


def iso(days: int = 0) -> str:
    return (TODAY + timedelta(days=days)).isoformat()


@dataclass(frozen=True, slots=True)
class Command:
    """`python -m alerts` in a folder of its own, as an operator runs it."""

    folder: Path
    environment: dict[str, str] = field(default_factory=dict)

    def run(self, *arguments: str, **settings: str) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "alerts", *arguments],
            cwd=self.folder,
            env=self.full_environment(settings),
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert "Traceback" not in done.stdout + done.stderr, done.stderr
        return done

    def json(self, *arguments: str, **settings: str) -> object:
        done = self.run(*arguments, "--json", **settings)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def full_environment(self, settings: Mapping[str, str]) -> dict[str, str]:
        outside = {k: v for k, v in os.environ.items() if not k.startswith("CUTCALL_")}
        return {**outside, "COLUMNS": "200", **self.environment, **settings}

    def write(self, name: str, content: str | bytes) -> str:
        path = self.folder / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return name


def put_operator(folder: Path) -> Command:
    """A folder with an edited config and an enrolled roster."""
    config = folder / "config"
    config.mkdir()
    schedule = (shipped_config_dir() / "schedule.toml").read_text(encoding="utf-8")
    schedule = schedule.replace('first_day = "03-01"', 'first_day = "01-01"')
    schedule = schedule.replace("backoff_base_s = 20", "backoff_base_s = 0.01")
    (config / "schedule.toml").write_text(schedule, encoding="utf-8")
    command = Command(folder, {"CUTCALL_CONFIG_DIR": "config", "CUTCALL_TIME_ZONE": "UTC"})
    command.write("roster.csv", sheet([{**ROSTER_ROW, **row} for row in ROSTER]))
    report = command.json("enrol", "roster.csv")
    assert isinstance(report, dict)
    assert (report["farms"], report["fields"], report["rejected"]) == (3, 4, [])
    return command


def result(**values: object) -> dict[str, object]:
    return {"farm": "Plum Bottom", "field": "North", "sampled_on": iso(), **values}


def taken(command: Command, name: str, content: str | bytes) -> dict[str, Any]:
    report = command.json("intake", command.write(name, content))
    assert isinstance(report, dict)
    return report
