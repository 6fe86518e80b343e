"""Other processes that look at areas beside this one."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from ctypes import c_bool
from dataclasses import replace
from datetime import timedelta
from multiprocessing import get_context
from multiprocessing.context import SpawnProcess
from threading import Event, Timer

import pytest
from factories import Service

from alerts import evaluators
from alerts.bootstrap import Parts
from alerts.store.tables import Area, FarmOutlookRow

AREAS = 12


@pytest.fixture
def parts(service: Service, monkeypatch: pytest.MonkeyPatch) -> Iterator[Parts]:
    """A service with a dozen areas due, which it finds worth another process."""
    rows = [{"area": f"Reach {k}", "farm": f"Farm {k}"} for k in range(AREAS)]
    service.enrol(*rows)
    service.results(*({"farm": row["farm"], "rfv": 205 + k} for k, row in enumerate(rows)))
    monkeypatch.setattr(evaluators, "WORTH_A_PROCESS", AREAS)
    settings = service.parts.settings.model_copy(update={"evaluators": 2})
    yield replace(service.parts, settings=settings)


def looked_at(service: Service) -> int:
    """Areas that are due no more."""
    areas = service.rows(Area)
    assert len(service.rows(FarmOutlookRow)) == len(service.messages())
    return sum(area.due_at > service.clock() and not area.lease_owner for area in areas)


def test_another_process_looks_at_what_is_due(
    service: Service, parts: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(evaluators, "evaluate_due", lambda *told: 0)  # this one does nothing
    assert evaluators.evaluate_together(parts) == 0
    assert looked_at(service) == len(service.messages()) == AREAS


def test_together_every_area_is_looked_at_once(service: Service, parts: Parts) -> None:
    assert 0 < evaluators.evaluate_together(parts) <= AREAS
    assert looked_at(service) == len(service.messages()) == AREAS


@pytest.mark.parametrize(("number", "due"), [(1, AREAS), (2, AREAS - 1)])
def test_no_process_is_started_where_it_does_not_pay(
    service: Service, parts: Parts, monkeypatch: pytest.MonkeyPatch, number: int, due: int
) -> None:
    monkeypatch.setattr(evaluators, "get_context", None)  # to ask for one would fail
    monkeypatch.setattr(evaluators, "WORTH_A_PROCESS", AREAS if due == AREAS else AREAS + 1)
    settings = parts.settings.model_copy(update={"evaluators": number})
    assert evaluators.evaluate_together(replace(parts, settings=settings)) == AREAS


def test_wish_to_stop_reaches_the_other_process(
    service: Service, parts: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends after the areas it holds, and holds none then."""
    told = replace(parts, stopping=Event())

    def stop(*_: object) -> int:
        told.stopping.set()
        return 0

    monkeypatch.setattr(evaluators, "evaluate_due", stop)
    evaluators.evaluate_together(told)
    assert not any(area.lease_owner for area in service.rows(Area))


def test_process_that_fails_is_told_in_the_log(
    parts: Parts, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Its areas are looked at by this one, or due again."""
    wrong = parts.settings.model_copy(update={"config_dir": "/nowhere/at/all"})
    assert evaluators.evaluate_together(replace(parts, settings=wrong)) == AREAS
    assert "ended with 1" in caplog.text


def test_no_process_can_be_started(
    service: Service,
    parts: Parts,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    def refused(process: SpawnProcess) -> None:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(SpawnProcess, "start", refused)
    assert evaluators.evaluate_together(parts) == AREAS
    assert looked_at(service) == AREAS
    assert "no more processes" in caplog.text


@pytest.mark.parametrize("told_to_stop", [True, False])
def test_process_that_never_ends_is_killed(
    parts: Parts, monkeypatch: pytest.MonkeyPatch, told_to_stop: bool
) -> None:
    """At the end of the service, or when its lease has lapsed."""
    started: list[int] = []
    start = SpawnProcess.start

    def stopped(process: SpawnProcess) -> None:
        start(process)
        assert process.pid is not None
        os.kill(process.pid, signal.SIGSTOP)  # it heeds nothing any more
        started.append(process.pid)

    monkeypatch.setattr(SpawnProcess, "start", stopped)
    told = replace(parts, stopping=Event())
    if told_to_stop:
        told.stopping.set()
        monkeypatch.setattr(evaluators, "MOST_PATIENCE_S", 0.2)
    else:
        brief = replace(parts.evaluation_rules(), lease=timedelta(seconds=0.2))
        monkeypatch.setattr(Parts, "evaluation_rules", lambda _: brief)
    evaluators.evaluate_together(told)
    [pid] = started
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_wish_to_stop_can_be_told_by_a_signal_while_it_is_asked() -> None:
    """Nobody waits for anybody: a process that is killed holds nothing that the others want."""
    wish = evaluators._Wish(get_context("spawn").RawValue(c_bool, False))
    before = signal.signal(signal.SIGUSR1, lambda *_: wish.set())
    try:
        for _ in range(200):
            wish.shared.value = False
            Timer(0.001, os.kill, (os.getpid(), signal.SIGUSR1)).start()
            while not wish.is_set():
                pass
    finally:
        signal.signal(signal.SIGUSR1, before)
    assert wish.is_set()
