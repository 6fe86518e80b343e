"""A morning's look by as many processes as the machine has cores.

A look is arithmetic, of which a process of Python does one thing at a time. So where thousands of
areas are due, other processes look at areas too: each claims its own, as evaluators on other
machines do, and shares nothing with this one but the database. They end when nothing is due.
"""

from __future__ import annotations

import logging
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from ctypes import c_bool
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.context import SpawnContext, SpawnProcess
from time import monotonic
from typing import Any

from alerts import logs
from alerts.bootstrap import Clock, Parts, build_parts
from alerts.services.outlooks.evaluate_areas import count_due, evaluate_due
from alerts.settings import Settings

log = logging.getLogger(__name__)

WORTH_A_PROCESS = 400
"""Areas. A process takes about a second to start, in which one looks at as many."""

STOP_S = 0.5
"""How often this process tells the others that it was told to stop."""

MOST_PATIENCE_S = 20.0
"""What others may take to stop, then they are killed: nothing of theirs is half done."""


@dataclass(frozen=True, slots=True)
class _Wish:
    """A wish to stop, shared by processes.

    It has no lock: a signal may come while it is asked, and a process may be killed meanwhile.
    """

    shared: Any  # a c_bool

    def is_set(self) -> bool:
        return bool(self.shared.value)

    def set(self) -> None:
        self.shared.value = True


def evaluate_together(parts: Parts) -> int:
    """Evaluate every area that is due, with other processes where that pays; how many this one
    did. What broke in another is in its log, and is due again once its lease lapses."""
    due = count_due(parts.sessions, parts.clock())
    most = parts.settings.evaluators or _cores()
    others = min(most - 1, due // WORTH_A_PROCESS)
    with _beside(parts, others):
        return evaluate_due(
            parts.sessions, parts.evaluation_rules(), parts.owner, parts.clock, parts.stopping
        )


def _cores() -> int:
    """Those this process may use, where the system says so; else all there are."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def _beside(parts: Parts, others: int) -> Iterator[None]:
    """So many other processes that look at areas; waited for at the end."""
    if others < 1:
        yield
        return
    context = get_context("spawn")
    stopping = _Wish(context.RawValue(c_bool, False))
    processes = _started(context, parts, others, stopping)
    log.info("%d processes look at areas beside this one", len(processes))
    try:
        yield
    except (KeyboardInterrupt, SystemExit):
        stopping.set()
        raise
    finally:
        for process in processes:
            _wait_for(process, parts, stopping)


def _started(
    context: SpawnContext, parts: Parts, others: int, stopping: _Wish
) -> list[SpawnProcess]:
    """As many of the others as the machine lets start: this one can do all by itself."""
    processes: list[SpawnProcess] = []
    for _ in range(others):
        told = (parts.settings, parts.clock, stopping)
        # Should this process die, theirs end with the areas that are due.
        process = context.Process(target=_look, args=told, daemon=True)
        try:
            process.start()
        except OSError as error:
            log.warning("no further process can look at areas (%s); it takes longer", error)
            break
        processes.append(process)
    return processes


def _wait_for(process: SpawnProcess, parts: Parts, stopping: _Wish) -> None:
    """Until it ends; one that does not is killed once nobody can need it any more."""
    # What it holds for longer is another's by then.
    patience_s, began = parts.evaluation_rules().lease.total_seconds(), monotonic()
    while process.is_alive():
        if parts.stopping.is_set():
            stopping.set()
        if stopping.is_set():
            patience_s = min(patience_s, MOST_PATIENCE_S)
        if monotonic() > began + patience_s:
            log.warning("process %s looks at areas without end and is killed", process.pid)
            process.kill()
        process.join(STOP_S)
    if process.exitcode:
        log.warning("process %s that looked at areas ended with %s", process.pid, process.exitcode)


def _look(settings: Settings, clock: Clock, stopping: _Wish) -> None:
    """What another process does: it ends when nothing is due, or when it is told to."""
    for ends in (signal.SIGINT, signal.SIGTERM):
        signal.signal(ends, lambda *_: stopping.set())
    parts = build_parts(settings, clock=clock, migrate=False)
    logs.set_up(logs.LogForm(settings.log_form), settings.log_level, parts.owner)
    try:
        evaluate_due(parts.sessions, parts.evaluation_rules(), parts.owner, clock, stopping)
    finally:
        parts.sessions.close()
