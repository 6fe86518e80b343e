"""`python -m alerts serve` as a process of its own, on the computer's clock."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from factories import ROSTER_ROW, sheet
from operators import ALWAYS, Command

from alerts.configfiles import shipped_config_dir

PATIENCE_S = 60.0
TICKS = ("intake_s = 20", "evaluation_s = 20", "sending_s = 5")


def wait_until(happened: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < until, f"{what} did not happen within {PATIENCE_S:.0f} s"
        time.sleep(0.1)


@pytest.fixture
def command(tmp_path: Path, free_ports: tuple[int, int]) -> Command:
    config = tmp_path / "config"
    config.mkdir()
    schedule = (shipped_config_dir() / "schedule.toml").read_text(encoding="utf-8")
    for tick in TICKS:
        assert tick in schedule
        schedule = schedule.replace(tick, f"{tick.split(' = ')[0]} = 1")
    schedule = schedule.replace('first_day = "03-01"', 'first_day = "01-01"')
    (config / "schedule.toml").write_text(schedule, encoding="utf-8")
    command = Command(
        tmp_path,
        {
            "CUTCALL_CONFIG_DIR": "config",
            "CUTCALL_TIME_ZONE": "UTC",
            "CUTCALL_WEB_PORT": str(free_ports[0]),
        },
    )
    second = {"farm": "Brook Farm", "field": "East", "phone": "+12025550146"}
    roster = [{**ROSTER_ROW, **ALWAYS}, {**ROSTER_ROW, **ALWAYS, **second}]
    command.write("roster.csv", sheet(roster))
    assert command.run("enrol", "roster.csv").returncode == 0
    return command


@pytest.fixture
def serving(command: Command) -> Iterator[subprocess.Popen[str]]:
    """The running service; its words are in out.txt and err.txt."""
    with (
        (command.folder / "out.txt").open("w") as out,
        (command.folder / "err.txt").open("w") as err,
    ):
        process = subprocess.Popen(
            [sys.executable, "-m", "alerts", "serve"],
            cwd=command.folder,
            env=command.full_environment({}),
            stdout=out,
            stderr=err,
            text=True,
        )
        yield process
        if process.poll() is None:
            process.kill()
            process.wait()


def test_service_turns_files_and_posts_into_texts_until_it_is_told_to_end(
    command: Command, serving: subprocess.Popen[str]
) -> None:
    made = command.run("token", "new", "--role", "lab", "--name", "test laboratory")
    token = made.stdout.strip()
    folder, url = command.folder, f"http://127.0.0.1:{command.environment['CUTCALL_WEB_PORT']}"

    def shown() -> str:
        return (folder / "out.txt").read_text()

    def healthy() -> bool:
        assert serving.poll() is None, (folder / "err.txt").read_text()
        try:
            return httpx.get(f"{url}/healthz", timeout=2).json() == {"status": "ok"}
        except httpx.TransportError:
            return False

    wait_until(healthy, "the web server's start")
    today = datetime.now(UTC).date().isoformat()
    north = {"farm": "Plum Bottom", "field": "North", "sampled_on": today, "rfv": 205}
    inbox = folder / "inbox"
    (inbox / "monday.csv.part").write_text(sheet([north]))
    (inbox / "monday.csv.part").rename(inbox / "monday.csv")
    wait_until(lambda: "--- sms to +12025550143" in shown(), "the text after the file")
    assert "Cutcall Plum Bottom: start cutting " in shown()
    assert (inbox / "done" / "monday.csv").is_file()

    east = {**north, "farm": "Brook Farm", "field": "East"}
    answer = httpx.post(
        f"{url}/api/v1/results",
        content=sheet([east]),
        headers={"authorization": f"Bearer {token}", "content-type": "text/csv"},
    )
    assert answer.json()["accepted"] == 1
    wait_until(lambda: "--- sms to +12025550146" in shown(), "the text after the post")

    serving.send_signal(signal.SIGTERM)
    assert serving.wait(timeout=20) == 0
    sent = re.findall(r"--- sms to \S+ \((\w+)\)", shown())
    assert len(sent) == len(set(sent)) >= 2  # at midnight, the new day may bring a text of its own
    errors = (folder / "err.txt").read_text()
    assert "Traceback" not in errors
    assert "monday.csv: 1 accepted" in errors
    assert token not in errors


def test_service_started_again_repeats_nothing(
    command: Command, serving: subprocess.Popen[str]
) -> None:
    today = datetime.now(UTC).date().isoformat()
    north = {"farm": "Plum Bottom", "field": "North", "sampled_on": today, "rfv": 205}
    out = command.folder / "out.txt"
    wait_until(lambda: (command.folder / "inbox").is_dir(), "the inbox")
    (command.folder / "inbox" / "monday.csv").write_text(sheet([north]))
    wait_until(lambda: "--- sms to +12025550143" in out.read_text(), "the text")
    os.kill(serving.pid, signal.SIGKILL)
    serving.wait()
    (command.folder / "inbox" / "again.csv").write_text(sheet([north]) + "\n")
    ticked = command.run("tick")
    assert ticked.returncode == 0
    assert "--- sms" not in ticked.stdout


def test_service_whose_port_is_taken_says_so_and_sends_nothing(command: Command) -> None:
    taken = int(command.environment["CUTCALL_WEB_PORT"])
    today = datetime.now(UTC).date().isoformat()
    north = {"farm": "Plum Bottom", "field": "North", "sampled_on": today, "rfv": 205}
    (command.folder / "inbox").mkdir()
    (command.folder / "inbox" / "monday.csv").write_text(sheet([north]))
    with socket.create_server(("127.0.0.1", taken)):
        done = command.run("serve")
    assert done.returncode == 2
    assert f"cutcall: CUTCALL_WEB_PORT: cannot listen on port {taken} of 127.0.0.1" in done.stderr
    assert "give another port" in done.stderr
    assert (command.folder / "inbox" / "monday.csv").exists()
