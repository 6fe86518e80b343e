"""Noticing that the computer's clock was set back while the service runs.

The library that runs the jobs plans each next run by that clock: set back by a year, it would run
none for a year.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta

log = logging.getLogger(__name__)

LEAST = timedelta(seconds=2)
"""Clocks are corrected by less than this all the time, which hinders no job (our judgement)."""


class LeapWatch:
    """Compares two clocks on a thread of its own until it is stopped.

    Parameters
    ----------
    wall : gives the present, aware
    steady : seconds that only ever pass, such as `time.monotonic`
    on_set_back : called whenever ``wall`` has lost `LEAST` or more against ``steady``
    every_s : pause between two looks [s]
    """

    def __init__(
        self,
        wall: Callable[[], datetime],
        steady: Callable[[], float],
        on_set_back: Callable[[], None],
        every_s: float = 5.0,
    ) -> None:
        self._wall, self._steady = wall, steady
        self._on_set_back, self._every_s = on_set_back, every_s
        self._seen = (wall(), steady())
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="leap watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join()

    def look(self) -> timedelta:
        """How much the clock lost since the last look; below zero where it gained."""
        before, self._seen = self._seen, (self._wall(), self._steady())
        passed = timedelta(seconds=self._seen[1] - before[1])
        lost = passed - (self._seen[0] - before[0])
        if lost >= LEAST:
            log.warning("the computer's clock was set back by %.0f s", lost.total_seconds())
            self._on_set_back()
        return lost

    def _run(self) -> None:
        while not self._stopping.wait(self._every_s):
            try:
                self.look()
            except Exception:
                log.exception("the clock could not be watched; it is tried again")
