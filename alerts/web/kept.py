"""Pages kept for as long as nothing in the database changes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeVar

T = TypeVar("T")


@dataclass(slots=True)
class _Place(Generic[T]):
    lock: threading.Lock = field(default_factory=threading.Lock)
    holds: tuple[str, T] | None = None  # the mark it was made after, and what was made


class Kept(Generic[T]):
    """What was made for a key, given again until the database changes or a minute begins.

    Everything a page depends on besides the database stands in its key: whom it is for, under
    which address, what was asked. Days begin, in any zone, with a minute. Of several who ask for
    the same at once, one makes it.
    """

    def __init__(self, mark: Callable[[], str], most: int) -> None:
        self._mark, self._most = mark, most
        self._lock = threading.Lock()
        self._places: OrderedDict[Hashable, _Place[T]] = OrderedDict()

    def get(self, key: Hashable, now: datetime, make: Callable[[], T]) -> T:
        """``make`` may raise; then nothing is kept."""
        place = self._place(key)
        with place.lock:
            # Asked for before anything is read: what is kept is never older than its mark.
            mark = f"{self._mark()} {now:%Y-%m-%dT%H:%M%z}"
            if place.holds is None or place.holds[0] != mark:
                place.holds = None
                place.holds = mark, make()
            return place.holds[1]

    def _place(self, key: Hashable) -> _Place[T]:
        with self._lock:
            place = self._places.setdefault(key, _Place())
            self._places.move_to_end(key)
            if len(self._places) > self._most:
                self._places.popitem(last=False)
            return place
