"""What every way into the service hands over, and the rules a reader judges it by."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, tzinfo
from typing import Protocol


@dataclass(frozen=True, slots=True)
class RawDocument:
    """A file or post as it came, not yet looked into."""

    name: str  # file name, as the sender would recognise it in an error
    content: bytes
    source: str  # the way it came, for example "folder" or "http"
    lab: str = ""  # laboratory the sender named; "" when nobody said


class Source(Protocol):
    """A place documents wait in until somebody takes them.

    A document waits again after a crash until `done` or `refused` was called for it, so reading
    it twice must do no harm.
    """

    def waiting(self) -> Iterator[RawDocument]:
        """Give the waiting documents, in an order that repeats. OSError: one cannot be read."""
        ...

    def done(self, document: RawDocument) -> None:
        """Put aside a document whose rows were taken over. OSError: it stays and waits again."""
        ...

    def refused(self, document: RawDocument) -> None:
        """Put aside a document that cannot be read. OSError: it stays and waits again."""
        ...


@dataclass(frozen=True, slots=True)
class ReadingRules:
    """What a row is held against.

    `limits` gives the lowest and highest plausible value under the name of an attribute of
    `Readings`, or "height_in" for a stem, in the unit of that name. A percentage without an entry
    must lie in 0 to 100, anything else must not be negative.
    """

    today: date  # the latest date it is anywhere; a later sampling date is refused
    season_first_day: date  # an earlier sampling date is refused
    limits: Mapping[str, tuple[float, float]]
    max_cell_chars: int = 500
    max_rows: int = 200_000
    time_zone: tzinfo = UTC  # local time of a sampling time written in UTC
