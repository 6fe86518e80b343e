"""Pages kept for as long as nothing that they show changes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeVar

T = TypeVar("T")

DAYS_BEGIN_S = 15 * 60
"""Seconds of which every zone's midnights are a multiple, in UTC."""


@dataclass(frozen=True, slots=True)
class Made(Generic[T]):
    """What was made of rows of the database."""

    what: T
    is_still_so: Callable[[], bool]  # asks whether the rows would be the same again
    until: datetime | None = None  # from then on its link leads nowhere


@dataclass(slots=True)
class _Place(Generic[T]):
    lock: threading.Lock = field(default_factory=threading.Lock)
    holds: Made[T] | None = None
    days: int = 0  # the quarter of an hour in which it was made
    mark: str = ""  # after which it was made or found to be so still


class Kept(Generic[T]):
    """What was made for a key, given again until its rows change or a day may have begun.

    Everything a page depends on besides rows and days stands in its key: whom it is for, under
    which address, what was asked. While the database's mark is the same, nothing has changed; with
    another mark, the rows are asked for. Of several who ask for the same at once, one makes it.
    """

    def __init__(self, mark: Callable[[], str], most: int) -> None:
        self._mark, self._most = mark, most
        self._lock = threading.Lock()
        self._places: OrderedDict[Hashable, _Place[T]] = OrderedDict()

    def get(self, key: Hashable, now: datetime, make: Callable[[], Made[T]]) -> T:
        """``make`` may raise; then nothing is kept."""
        place = self._place(key)
        with place.lock:
            # Asked for before anything is read: what is kept is never older than its mark.
            mark = self._mark()
            held = self._held(place, mark, now)
            if held is None:
                held = self._made(key, place, now, make)
            place.mark = mark
            return held.what

    def _held(self, place: _Place[T], mark: str, now: datetime) -> Made[T] | None:
        held = place.holds
        if (
            held is None
            or place.days != _days(now)
            or (held.until is not None and held.until <= now)
            or (place.mark != mark and not held.is_still_so())
        ):
            return None
        return held

    def _made(
        self, key: Hashable, place: _Place[T], now: datetime, make: Callable[[], Made[T]]
    ) -> Made[T]:
        place.holds = None
        try:
            held = make()
        except BaseException:
            self._forget(key, place)
            raise
        place.holds, place.days = held, _days(now)
        self._make_room()
        return held

    def _place(self, key: Hashable) -> _Place[T]:
        with self._lock:
            place = self._places.setdefault(key, _Place())
            self._places.move_to_end(key)
            return place

    def _make_room(self) -> None:
        # Only for what was made: addresses that lead nowhere put nothing out.
        with self._lock:
            while len(self._places) > self._most:
                self._places.popitem(last=False)

    def _forget(self, key: Hashable, place: _Place[T]) -> None:
        with self._lock:
            if self._places.get(key) is place:
                del self._places[key]


def _days(now: datetime) -> int:
    return int(now.timestamp() // DAYS_BEGIN_S)
