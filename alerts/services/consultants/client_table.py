"""A consultant's clients as one table, sorted by start date, and what may be asked of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.agronomy.goals import standing_target
from alerts.domain import changes
from alerts.domain.decision import START_KINDS, Kind
from alerts.domain.delivery import TOLD, Status
from alerts.domain.names import name_key
from alerts.domain.records import DigestEvery, Index
from alerts.messages.digest import fate
from alerts.messages.digest_parts import DigestMessage
from alerts.messages.wording import ENGLISH
from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.services.access.masking import without_address
from alerts.services.delivery.fallbacks import emailed_instead
from alerts.services.delivery.unreached import why_unreached
from alerts.store import digests, people, told_farms
from alerts.store.client_fields import ClientFieldRow, client_fields
from alerts.store.tables import OutboxMessage, Person

FAILURES = frozenset({Status.FAILED, Status.UNDELIVERED, Status.EXPIRED})
"""Fates that leave somebody without the message."""


@dataclass(frozen=True, slots=True)
class ToldLine:
    """The last start date said to somebody over one channel, and what became of it."""

    on: date
    to: str
    channel: str  # sms or email
    kind: Kind
    start_on: date | None
    fate: str
    failed: bool


@dataclass(frozen=True, slots=True)
class ClientField:
    """A field of a client; its dates are None where its outlook says none."""

    id: int
    name: str
    cutting: int
    acres: float | None
    index: Index
    standing_target: float
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    cut_on: date | None
    results: int
    last: str  # the newest result in words

    @property
    def target(self) -> str:
        return ENGLISH.reading(self.index, self.standing_target)


@dataclass(frozen=True, slots=True)
class Client:
    farm_id: int
    farm: str
    area: str
    farmer: str
    harvest_method: str
    cutting: int | None
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    no_date: str  # why there is no start date; "" when there is one
    fields: tuple[ClientField, ...]  # in harvest order
    told: tuple[ToldLine, ...]
    known: date | None  # the start date told last by a message that left
    was: date | None  # the start date of the last digest, where it was another one
    paused_until: date | None  # None where that day is gone
    silent: str  # why the farmer is not written to; "" when they are

    @property
    def first(self) -> ClientField | None:
        """The field to start with."""
        return self.fields[0] if self.fields else None

    @property
    def failed(self) -> bool:
        return any(line.failed for line in self.told)

    @property
    def moved(self) -> bool:
        """Whether the date is another one than the farmer knows."""
        return None not in (self.known, self.start_median) and self.known != self.start_median

    @property
    def changed(self) -> bool:
        return self.was is not None or self.moved


@dataclass(frozen=True, slots=True)
class ClientFilter:
    """What is asked of the table; the defaults let everything through."""

    text: str = ""  # in the names of farm, farmer, area or field
    area: str = ""
    within_days: int | None = None  # start date at most so many days ahead
    only: str = ""  # changed, moved (told another date), failed, or either
    method: str = ""

    def holds(self, client: Client, today: date) -> bool:
        return (
            self._text_in(client)
            and self.area in ("", client.area)
            and self.method in ("", client.harvest_method)
            and self._is_due(client, today)
            and self._is_news(client)
        )

    def _text_in(self, client: Client) -> bool:
        names = (client.farm, client.farmer, client.area, *(one.name for one in client.fields))
        told = name_key(" ".join(names))
        return all(word in told for word in name_key(self.text).split())

    def _is_due(self, client: Client, today: date) -> bool:
        if self.within_days is None:
            return True
        median = client.start_median
        return median is not None and (median - today).days <= self.within_days

    def _is_news(self, client: Client) -> bool:
        wanted = {
            "changed": client.changed,
            "moved": client.moved,
            "failed": client.failed,
            "either": client.changed or client.failed,
        }
        return wanted.get(self.only, True)


ONLY = ("changed", "moved", "failed", "either")


@dataclass(frozen=True, slots=True)
class DigestWish:
    """How a consultant wants to be written to."""

    name: str
    email: str
    digest: DigestEvery
    if_unchanged: bool


@dataclass(frozen=True, slots=True)
class ClientTable:
    today: date
    clients: tuple[Client, ...]  # those asked for, by start date
    total: int
    areas: tuple[str, ...]
    methods: tuple[str, ...]
    consultant: DigestWish


def client_table(
    session: Session,
    visitor: Visitor,
    now: datetime,
    season_first_day: date,
    wanted: ClientFilter = ClientFilter(),
) -> ClientTable:
    """The consultant's clients; the day is that of their first farm's area."""
    person = session.get_one(Person, visitor.person_id)
    farm_ids = scope.farm_ids(session, visitor)
    rows = client_fields(session, farm_ids)
    today = _today(rows, now)
    everyone = _clients(session, rows, person, today, season_first_day)
    return ClientTable(
        today=today,
        clients=tuple(by_date(one for one in everyone if wanted.holds(one, today))),
        total=len(everyone),
        areas=tuple(sorted({one.area for one in everyone})),
        methods=tuple(sorted({one.harvest_method for one in everyone})),
        consultant=DigestWish(
            person.name, person.email, DigestEvery(person.digest), person.digest_if_unchanged
        ),
    )


def by_date(clients: Iterable[Client]) -> list[Client]:
    """Earliest start date first, clients without one last."""
    return sorted(clients, key=lambda one: (one.start_median or date.max, one.farm, one.farm_id))


def set_digest(session: Session, visitor: Visitor, every: DigestEvery, if_unchanged: bool) -> None:
    """How often the consultant wants the digest, and whether one that says nothing new comes."""
    person = session.get_one(Person, visitor.person_id)
    person.digest, person.digest_if_unchanged = every.value, if_unchanged
    session.add(person)


def _today(rows: Sequence[ClientFieldRow], now: datetime) -> date:
    zone = rows[0].time_zone if rows else "UTC"
    return now.astimezone(ZoneInfo(zone)).date()


def _clients(
    session: Session,
    rows: Sequence[ClientFieldRow],
    person: Person,
    today: date,
    season_first_day: date,
) -> list[Client]:
    farms: dict[int, list[ClientFieldRow]] = {}
    for row in rows:
        farms.setdefault(row.farm_id, []).append(row)
    farmers = {group[0].farmer_id for group in farms.values()}
    names = people.names(session, farmers)
    silent = why_unreached(session, farmers)
    told = _told(session, farms, season_first_day)
    was = _last_digest(session, person)
    return [
        _client(group, names, silent, told.get(farm_id, []), was.get(farm_id), today)
        for farm_id, group in farms.items()
    ]


def _last_digest(session: Session, person: Person) -> dict[int, date]:
    """The start date of each client in the last digest."""
    assert person.id is not None
    sent = digests.last_digests(session, [person.id]).get(person.id)
    if sent is None:
        return {}
    said = changes.from_json(sent.said)
    return {farm_id: one.start for farm_id, one in said.items() if one.start is not None}


def _told(
    session: Session, farm_ids: Iterable[int], season_first_day: date
) -> dict[int, list[OutboxMessage]]:
    """This season's start-date messages of each farm, oldest first."""
    found: dict[int, list[OutboxMessage]] = {}
    for message in told_farms.messages(session, farm_ids, season_first_day):
        if message.kind in START_KINDS and message.status != Status.CANCELLED:
            found.setdefault(message.farm_id or 0, []).append(message)
    return found


def _newest(messages: Iterable[OutboxMessage]) -> list[OutboxMessage]:
    """The newest message to each person over each channel."""
    return list({(one.person_id, one.channel): one for one in messages}.values())


def _known(messages: Iterable[OutboxMessage]) -> date | None:
    left = [one for one in messages if one.status in TOLD and one.start_on is not None]
    return left[-1].start_on if left else None


def _client(
    rows: Sequence[ClientFieldRow],
    names: Mapping[int, str],
    silent: Mapping[int, str],
    said: Sequence[OutboxMessage],
    was: date | None,
    today: date,
) -> Client:
    farm = rows[0]
    farmer = names[farm.farmer_id]
    ours = [one for one in said if _is_of(one, farm.whole_cutting)]
    fields = tuple(_field_line(row) for row in sorted(rows, key=_harvest_order))
    client = Client(
        farm_id=farm.farm_id,
        farm=farm.farm,
        area=farm.area,
        farmer=farmer,
        harvest_method=farm.harvest_method,
        cutting=farm.whole_cutting,
        start_p10=farm.whole_p10,
        start_median=farm.whole_median,
        start_p90=farm.whole_p90,
        no_date=_no_date(farm.whole_median, fields),
        fields=fields,
        told=tuple(told_line(one, farmer, emailed_instead(ours)) for one in _newest(ours)),
        known=_known(ours),
        was=None,
        paused_until=farm.paused_until if farm.paused_until and farm.paused_until > today else None,
        silent=silent.get(farm.farmer_id, ""),
    )
    differs = was is not None and client.start_median is not None and was != client.start_median
    return replace(client, was=was) if differs else client


def _is_of(message: OutboxMessage, cutting: int | None) -> bool:
    """What was told of an earlier cutting is old news."""
    return cutting is None or message.cutting in (None, cutting)


def _harvest_order(row: ClientFieldRow) -> tuple[int, int, str]:
    if row.own_position is None:
        return (row.cutting, 1, row.field)
    return (row.cutting, -1, f"{row.own_position:05d}")


def _no_date(median: date | None, fields: Sequence[ClientField]) -> str:
    if median is not None:
        return ""
    if any(field.start_p10 is not None for field in fields):
        return "later than the outlook reaches"
    if fields and all(field.cut_on is not None for field in fields):
        return "all fields cut"
    return "no usable result yet"


def _field_line(row: ClientFieldRow) -> ClientField:
    index = Index(row.farm_index)
    target = standing_target(row.feed_target, row.handling_loss, falls=index.falls)
    return ClientField(
        id=row.field_id,
        name=row.field,
        cutting=row.cutting,
        acres=row.acres,
        index=index,
        standing_target=float(target),
        start_p10=row.own_p10,
        start_median=row.own_median,
        start_p90=row.own_p90,
        cut_on=row.cut_on,
        results=row.own_results or 0,
        last=_last(row, index),
    )


def _last(row: ClientFieldRow, index: Index) -> str:
    return ENGLISH.evidence_of(
        index,
        row.own_results or 0,
        date.fromisoformat(row.own_last_on) if row.own_last_on else None,
        row.own_last_value,
        row.own_stands_in or "",
        Index(row.own_last_index) if row.own_last_index else None,
        is_area=bool(row.own_is_area),
        area_fields=row.own_area_fields or 0,
    )


def told_line(
    message: OutboxMessage, farmer: str, emailed: frozenset[int | None] = frozenset()
) -> ToldLine:
    """``emailed`` are texts in whose place an email went: nobody waits for them in vain."""
    status = Status(message.status)
    is_emailed = message.id in emailed
    said = DigestMessage(
        on=message.told_on,
        to=farmer,
        kind=message.kind,
        start_on=message.start_on,
        channel=message.channel,
        status=status,
        detail=without_address(message.error_detail, message.to_address),
        instead=message.fallback_of is not None,
        emailed=is_emailed,
    )
    return ToldLine(
        on=message.told_on,
        to=farmer,
        channel=message.channel,
        kind=Kind(message.kind),
        start_on=message.start_on,
        fate=fate(ENGLISH, said),
        failed=status in FAILURES and not is_emailed,
    )
