"""`cutcall demo --serve` as a process of its own: every address it prints is answered."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from operators import Command

PATIENCE_S = 120.0
NAMES = {
    *("home", "sign-up", "farm page", "consultant", "sampler", "operator"),
    *("area results", "phones"),
}


@dataclass(slots=True)
class Running:
    process: subprocess.Popen[str]
    folder: Path

    @property
    def said(self) -> str:
        return (self.folder / "out.txt").read_text(encoding="utf-8")

    @property
    def errors(self) -> str:
        return (self.folder / "err.txt").read_text(encoding="utf-8")

    @property
    def addresses(self) -> dict[str, str]:
        return dict(re.findall(r"^(\S[\w -]*?) +(http://\S+)$", self.said, re.M))

    def wait_until(self, happened: Callable[[], bool]) -> None:
        until = time.monotonic() + PATIENCE_S
        while not happened():
            assert self.process.poll() is None, self.errors
            assert time.monotonic() < until, self.said
            time.sleep(0.1)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("serve")
    arguments = ("demo", "--serve", "--port", "0", "--folder", str(folder / "spring"))
    with (folder / "out.txt").open("w") as out, (folder / "err.txt").open("w") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "alerts", *arguments],
            cwd=folder,
            env=Command(folder).full_environment({}),
            stdout=out,
            stderr=err,
            text=True,
        )
        running = Running(process, folder)
        running.wait_until(lambda: "Ctrl-C ends it" in running.said)
        yield running
        if process.poll() is None:
            process.kill()
            process.wait()


def page(running: Running, name: str) -> str:
    answer = httpx.get(running.addresses[name], timeout=30)
    assert answer.status_code == 200, answer.text
    return answer.text


def test_every_address_printed_is_answered(running: Running) -> None:
    assert set(running.addresses) == NAMES
    for name in NAMES:
        page(running, name)


def test_pages_stand_in_the_middle_of_the_spring(running: Running) -> None:
    assert "Alder Bottom" in page(running, "farm page")
    assert "Alder Bottom" in page(running, "consultant")
    assert "Cold Spring" not in page(running, "consultant")  # another consultant's client
    assert "+12025550111" in page(running, "phones")


def test_ticker_works_on_the_clock_of_the_spring(running: Running) -> None:
    def ran() -> bool:
        text = page(running, "operator")
        return "none yet" not in text and "overdue" not in text

    running.wait_until(ran)
    assert "kestrel-2027-05-06.csv" in page(running, "operator")  # the typing slip waits there


def test_text_that_did_not_arrive_can_be_sent_again(running: Running) -> None:
    text = page(running, "operator")
    assert "Did not arrive" in text
    assert "Two Gates" in text
    assert "Send again" in text


def test_text_back_from_a_phone_is_answered(running: Running) -> None:
    form = {"from": "+12025550111", "body": "WHEN"}
    assert httpx.post(running.addresses["phones"], data=form, timeout=30).status_code == 303
    running.wait_until(lambda: "Text WHY for the sum" in page(running, "phones"))


def test_demo_ends_cleanly_when_it_is_told_to(running: Running) -> None:
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(timeout=30) == 0
    assert running.errors == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--day", "2026-05-14"), "the demo's spring has no 2026-05-14"),
        (("--folder", "full"), "full is not empty"),
    ],
)
def test_what_cannot_be_served_is_said(
    tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("keep")
    done = Command(tmp_path).run("demo", "--serve", "--port", "0", *arguments)
    assert done.returncode == 1
    assert words in done.stderr
