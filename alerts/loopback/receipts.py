"""How the loopback gateway tells what became of a text: step by step, by a few threads.

Receipts are best effort at real gateways: they come late, twice, in the wrong order or never.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count

POSTERS = 4


@dataclass(frozen=True, slots=True)
class ReceiptFault:
    """What becomes of one receipt; one later than the next overtakes nobody, and is overtaken.

    `times` : how often it is posted; 0 = lost
    `delay_s` : how late [s]
    """

    times: int = 1
    delay_s: float = 0.0


@dataclass(order=True, slots=True)
class _Errand:
    due: float  # on the machine's steady clock [s]
    number: int
    run: Callable[[], None] = field(compare=False)


class Errands:
    """Runs what is due, first come first served, on a few threads."""

    def __init__(self, threads: int = POSTERS) -> None:
        self._most = threads
        self._threads: list[threading.Thread] = []
        self._waiting: list[_Errand] = []
        self._numbers = count()
        self._running = 0
        self._hurry = self._ending = False
        self._change = threading.Condition()

    def add(self, run: Callable[[], None], delay_s: float = 0.0) -> None:
        """Run it after so many seconds; it must not raise."""
        with self._change:
            due = time.monotonic() + delay_s
            heapq.heappush(self._waiting, _Errand(due, next(self._numbers), run))
            if len(self._threads) < self._most:
                thread = threading.Thread(target=self._work, daemon=True)
                self._threads.append(thread)
                thread.start()
            self._change.notify_all()

    def finish(self) -> None:
        """Wait until nothing is left to run; delays are cut short."""
        with self._change:
            self._hurry = True
            self._change.notify_all()
            self._change.wait_for(lambda: not self._waiting and not self._running)
            self._hurry = False

    def stop(self) -> None:
        """The same, and end the threads; `add` starts new ones."""
        self.finish()
        with self._change:
            self._ending = True
            self._change.notify_all()
        for thread in self._threads:
            thread.join()
        self._threads.clear()
        self._ending = False

    def _work(self) -> None:
        while (errand := self._next()) is not None:
            try:
                errand.run()
            finally:
                with self._change:
                    self._running -= 1
                    self._change.notify_all()

    def _next(self) -> _Errand | None:
        """The next errand that is due, waited for; None when the threads are to end."""
        with self._change:
            while not self._ending:
                now = time.monotonic()
                # In a hurry, what is late still comes after what is under way.
                hurries = self._hurry and not self._running
                if self._waiting and (hurries or self._waiting[0].due <= now):
                    self._running += 1
                    return heapq.heappop(self._waiting)
                self._change.wait(self._waiting[0].due - now if self._waiting else None)
        return None
