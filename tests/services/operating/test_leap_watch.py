from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from alerts.services.operating.leap_watch import LeapWatch

PATIENCE_S = 10.0


@dataclass
class Computer:
    """A computer's two clocks: one that is set, one that only runs."""

    shown: datetime = datetime(2027, 5, 10, 12, tzinfo=UTC)
    ran_s: float = 1000.0
    calls: list[datetime] = field(default_factory=list)

    def runs(self, seconds: float, *, shows: timedelta | None = None) -> None:
        self.ran_s += seconds
        self.shown += timedelta(seconds=seconds) if shows is None else shows

    def watch(self) -> LeapWatch:
        return LeapWatch(
            lambda: self.shown, lambda: self.ran_s, lambda: self.calls.append(self.shown)
        )


def test_clock_that_runs_as_it_should_calls_nobody() -> None:
    computer = Computer()
    watch = computer.watch()
    for seconds in (5, 5, 3600):  # the last one: the process was stopped meanwhile
        computer.runs(seconds)
        assert watch.look() == timedelta()
    assert computer.calls == []


def test_clock_set_back_is_noticed_once() -> None:
    computer = Computer()
    watch = computer.watch()
    computer.runs(5, shows=timedelta(days=-365))
    assert watch.look() == timedelta(days=365, seconds=5)
    assert len(computer.calls) == 1
    computer.runs(5)
    watch.look()
    assert len(computer.calls) == 1


def test_small_correction_and_a_clock_put_forward_hinder_no_job() -> None:
    computer = Computer()
    watch = computer.watch()
    computer.runs(5, shows=timedelta(seconds=4))
    watch.look()
    computer.runs(5, shows=timedelta(days=365))
    assert watch.look() < timedelta()
    assert computer.calls == []


def test_watch_looks_by_itself_until_it_is_stopped() -> None:
    computer, noticed = Computer(), threading.Event()
    watch = LeapWatch(lambda: computer.shown, lambda: computer.ran_s, noticed.set, every_s=0.01)
    watch.start()
    computer.shown -= timedelta(hours=2)
    assert noticed.wait(PATIENCE_S)
    watch.stop()
