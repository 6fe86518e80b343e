"""The log as people and programs read it."""

from __future__ import annotations

import asyncio
import json
import logging
import re
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

import pytest

from alerts import logs
from alerts.domain import trace
from alerts.logs import LogForm

PLAIN = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z (INFO|ERROR) \S+: ")


@dataclass(frozen=True, slots=True)
class Written:
    capture: pytest.CaptureFixture[str]

    def lines(self) -> list[str]:
        return self.capture.readouterr().err.splitlines()


@pytest.fixture
def written(capsys: pytest.CaptureFixture[str]) -> Iterator[Written]:
    """What goes to standard error; the log is as it was afterwards."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    noisy = {name: logging.getLogger(name).level for name in logs.NOISY}
    root.handlers = []
    yield Written(capsys)
    root.handlers, root.level = handlers, level
    for name, was in noisy.items():
        logging.getLogger(name).setLevel(was)


def begin(form: LogForm = LogForm.PLAIN) -> logging.Logger:
    logs.set_up(form, "INFO", "barn:7")
    return logging.getLogger("alerts.tests")


def test_plain_line_ends_with_the_ids_of_the_work(written: Written) -> None:
    log = begin()
    log.info("before")
    with trace.about(job="sending", run="3f2a"):
        log.info("%d left", 3)
        with trace.about(message_id="m-1"):
            log.info("accepted")
    log.info("after")
    lines = written.lines()
    assert all(PLAIN.match(line) for line in lines)
    assert [PLAIN.sub("", line) for line in lines] == [
        "before",
        "3 left [job=sending run=3f2a]",
        "accepted [job=sending run=3f2a message_id=m-1]",
        "after",
    ]


def test_ids_end_with_their_block_though_it_breaks() -> None:
    with suppress(ValueError), trace.about(area_id=4):
        raise ValueError
    assert trace.ids() == {}


def test_ids_follow_the_work_into_coroutines_and_their_threads() -> None:
    async def work() -> tuple[str, str]:
        with trace.about(message_id="m-2"):
            here = str(dict(trace.ids()))
            there = await asyncio.to_thread(lambda: str(dict(trace.ids())))
        return here, there

    async def both() -> tuple[str, str]:
        return await asyncio.create_task(work())

    with trace.about(job="sending"):
        assert asyncio.run(both()) == ("{'job': 'sending', 'message_id': 'm-2'}",) * 2
        assert trace.ids() == {"job": "sending"}


def test_ids_of_one_thread_are_not_those_of_another() -> None:
    seen: list[object] = []
    with trace.about(job="intake"):
        thread = threading.Thread(target=lambda: seen.append(dict(trace.ids())))
        thread.start()
        thread.join()
    assert seen == [{}]


@pytest.mark.parametrize("character", ["\n", "\r", "\x1b", "\x85", "\u2028", "\x00"])
def test_name_that_somebody_typed_begins_no_line_of_its_own(
    written: Written, character: str
) -> None:
    # Common Weakness Enumeration (MITRE, 2024), CWE-117: improper output neutralization for logs.
    log = begin()
    log.info("farm %s", f"Alder{character}2026-01-01T00:00:00.000Z INFO alerts: all is well")
    [line] = written.lines()
    assert character not in line
    assert line.count("alerts") == 2


def test_traceback_is_indented_and_its_words_stay_on_their_lines(written: Written) -> None:
    log = begin()
    try:
        raise ValueError("bad\nINFO alerts: forged")
    except ValueError:
        log.exception("it broke")
    first, *traced = written.lines()
    assert first.endswith("ERROR alerts.tests: it broke")
    assert traced
    assert all(line.startswith("    ") for line in traced)


def test_program_reads_one_object_an_event(written: Written) -> None:
    log = begin(LogForm.JSON)
    with trace.about(job="intake", document_id=12):
        log.info("file %s", "a\nb")
        try:
            raise ValueError("why")
        except ValueError:
            log.exception("it broke")
    said, broke = map(json.loads, written.lines())
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", said.pop("at"))
    assert said == {
        "level": "INFO",
        "logger": "alerts.tests",
        "message": "file a\nb",
        "process": "barn:7",
        "job": "intake",
        "document_id": "12",
    }
    assert broke["level"] == "ERROR"
    assert broke["exc_info"].endswith("ValueError: why")


def test_libraries_that_log_whole_addresses_are_held_back(written: Written) -> None:
    begin()
    logging.getLogger("httpx").info("GET https://gateway.example.org/Accounts/AC00 200")
    logging.getLogger("httpx").warning("slow")
    assert [line.rpartition(": ")[2] for line in written.lines()] == ["slow"]
