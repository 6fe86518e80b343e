"""Who wrote a text, and which of their fields a few words mean."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from difflib import get_close_matches
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.intake.inbound_text import said_key
from alerts.store import inbound, outlooks, sign_ups
from alerts.store.outlooks import FieldView
from alerts.store.tables import Farm, Person

LIKENESS = 0.75
"""How alike a misspelt name must be to that of a field."""

_OTHER_WORD = {"norte": "north", "sur": "south", "este": "east", "oeste": "west"}


@dataclass(frozen=True, slots=True)
class Writer:
    """Whoever a phone belongs to; a family may share one.

    ``own``: open fields of the farms they farm, ``sampled``: of those they sample.
    """

    persons: tuple[Person, ...]
    farms: tuple[Farm, ...]
    own: tuple[FieldView, ...]
    sampled: tuple[FieldView, ...]
    zone: ZoneInfo
    language: str
    names: dict[int, tuple[str, ...]] = field(default_factory=dict)  # of a field, as compared

    @property
    def is_known(self) -> bool:
        return bool(self.persons)

    @property
    def person_ids(self) -> list[int]:
        return [person.id for person in self.persons if person.id is not None]

    @property
    def readable(self) -> tuple[FieldView, ...]:
        """Fields whose stems they may read: their own and those they sample."""
        return (*self.own, *self.sampled)

    def today(self, now: datetime) -> date:
        return now.astimezone(self.zone).date()

    def all_names(self) -> frozenset[str]:
        """Every name by which one of the fields, or a farm, may be meant."""
        return frozenset(name for names in self.names.values() for name in names)


def writer_of(session: Session, phone: str, fallback_zone: str, language: str) -> Writer:
    """The people at a phone, with their farms; nobody's where it is not known."""
    persons = sign_ups.persons_at(session, "sms", phone)
    ids = [person.id for person in persons if person.id is not None]
    farms = inbound.farms_of(session, ids)
    own = _views(session, farms)
    mine = {farm.id for farm in farms}
    others = [farm for farm in inbound.sampled_farms_of(session, ids) if farm.id not in mine]
    sampled = _views(session, others)
    zone = next((view.area.time_zone for view in (*own, *sampled)), fallback_zone)
    return Writer(
        persons=tuple(persons),
        farms=tuple(farms),
        own=own,
        sampled=sampled,
        zone=ZoneInfo(zone),
        language=persons[0].language if persons else language,
        names=_names(session, (*own, *sampled)),
    )


def _views(session: Session, farms: Sequence[Farm]) -> tuple[FieldView, ...]:
    if not farms:
        return ()
    return tuple(outlooks.field_views(session, [farm.id for farm in farms if farm.id is not None]))


def _names(session: Session, views: Sequence[FieldView]) -> dict[int, tuple[str, ...]]:
    ids = [view.field.id for view in views if view.field.id is not None]
    nicknames = inbound.other_names(session, ids)
    found = {}
    for view in views:
        assert view.field.id is not None
        farm, own = said_key(view.farm.name), said_key(view.field.name)
        other = (said_key(name) for name in nicknames.get(view.field.id, ()))
        names = (own, f"{farm} {own}", f"{own} {farm}", *other, farm)
        found[view.field.id] = tuple(name for name in dict.fromkeys(names) if name)
    return found


def fields_named(writer: Writer, views: Sequence[FieldView], said: str) -> list[FieldView]:
    """Fields that a few words may mean: one where they are clear, several where they are not.

    By full name, another name, the farm's name; else by how a name begins; else by how alike it is.
    """
    key = _one_language(said_key(said))
    if not key:
        return []
    names = {
        view.field.id: [_one_language(name) for name in writer.names[view.field.id or 0]]
        for view in views
    }
    for means in (_is_called, _begins, _is_like):
        found = [view for view in views if means(names[view.field.id], key)]
        if found:
            return found
    return []


def _is_called(names: Collection[str], key: str) -> bool:
    return key in names


def _begins(names: Collection[str], key: str) -> bool:
    return any(name.startswith(key) for name in names)


def _is_like(names: Collection[str], key: str) -> bool:
    return bool(get_close_matches(key, names, 1, LIKENESS))


def _one_language(key: str) -> str:
    return " ".join(_OTHER_WORD.get(word, word) for word in key.split())
