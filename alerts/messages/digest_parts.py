"""What a digest says, before it is put into words: its clients, their fields and messages."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from alerts.domain.changes import Change, ChangeKind
from alerts.domain.clips import Clip
from alerts.domain.delivery import Status
from alerts.domain.records import Index


@dataclass(frozen=True, slots=True)
class DigestField:
    name: str
    cutting: int
    index: Index
    standing_target: float
    results: int
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    evidence: str
    cut_on: date | None = None  # when the cutting before this one was taken
    was: date | None = None  # the start date the last digest said, where it was another one
    fresh: ChangeKind | None = None  # RESULT, CORRECTED or NEW_FIELD since the last digest


@dataclass(frozen=True, slots=True)
class DigestMessage:
    """What was said to whom, and what became of it."""

    on: date
    to: str
    kind: str
    start_on: date | None
    channel: str
    status: Status
    detail: str
    instead: bool = False  # an email in the place of a text that did not arrive
    emailed: bool = False  # a text in whose place such an email went


@dataclass(frozen=True, slots=True)
class DigestClient:
    farm: str
    farmer: str
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    fields: tuple[DigestField, ...]
    messages: tuple[DigestMessage, ...]
    farm_id: int = 0
    paused_until: date | None = None
    changes: tuple[Change, ...] = ()
    url: str = ""  # its page
    picture: str = ""  # Content-ID of the chart of the field due first


@dataclass(frozen=True, slots=True)
class Digest:
    """All that one digest says."""

    today: date
    clients: tuple[DigestClient, ...]
    mark: str
    since: date | None = None  # the day of the last digest; None: this is the first
    gone: tuple[str, ...] = ()  # farms that are no longer clients
    clips: tuple[Clip, ...] = ()  # to take next, worth most first
    page_url: str = ""
    unsubscribe_url: str = ""
    has_calendar: bool = False  # whether one is attached: a client has a date

    @property
    def is_unchanged(self) -> bool:
        return self.since is not None and not self.gone and not any(c.changes for c in self.clients)


def by_date(clients: Iterable[DigestClient]) -> list[DigestClient]:
    """Earliest start date first, farms without one last."""
    return sorted(
        clients,
        key=lambda client: (
            client.start_median is None,
            client.start_median or date.max,
            client.farm,
        ),
    )
