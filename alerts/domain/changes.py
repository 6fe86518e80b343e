"""What a digest said of each client, and what has changed since."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any


class ChangeKind(StrEnum):
    """In the order of how much a consultant wants to know of it."""

    FAILED = "failed"  # a message did not get through
    MOVED = "moved"  # the start date is another one
    DATED = "dated"  # a start date where there was none
    UNDATED = "undated"  # none where there was one
    NEAR = "near"  # came into the farm's notice
    FAR = "far"  # left it
    CUT = "cut"
    UNCUT = "uncut"  # a cut was taken back
    RESULT = "result"
    CORRECTED = "corrected"  # a newer version of a result that was known
    PAUSED = "paused"
    RESUMED = "resumed"
    NEW_CLIENT = "new_client"
    NEW_FIELD = "new_field"
    GONE = "gone"


ORDER = {kind: place for place, kind in enumerate(ChangeKind)}


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is otherwise than the last digest said."""

    kind: ChangeKind
    field_id: int | None = None
    field: str = ""
    was: date | None = None
    now: date | None = None
    person: str = ""


@dataclass(frozen=True, slots=True)
class FieldSaid:
    """``results`` : ids of its results, each with the id of the sample it is a version of."""

    name: str
    start: date | None
    cut_on: date | None
    results: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FarmSaid:
    name: str
    start: date | None  # None: not known, or beyond the horizon
    near: bool  # whether the start date lies within the farm's notice
    paused_until: date | None  # None where that day is gone
    fields: Mapping[int, FieldSaid]
    failed: Mapping[int, str] = field(default_factory=dict)  # message id: to whom


Said = Mapping[int, FarmSaid]
"""Every client by the id of its farm."""


def as_json(said: Said) -> dict[str, Any]:
    """The same as a database keeps it; ``from_json`` reads it back."""
    return {
        str(farm_id): {
            "name": farm.name,
            "start": _text(farm.start),
            "near": farm.near,
            "paused_until": _text(farm.paused_until),
            "failed": {str(message): person for message, person in farm.failed.items()},
            "fields": {
                str(field_id): {
                    "name": one.name,
                    "start": _text(one.start),
                    "cut_on": _text(one.cut_on),
                    "results": {str(result): sample for result, sample in one.results.items()},
                }
                for field_id, one in farm.fields.items()
            },
        }
        for farm_id, farm in said.items()
    }


def from_json(kept: Mapping[str, Any]) -> Said:
    return {int(farm_id): _farm(farm) for farm_id, farm in kept.items()}


def _farm(kept: Mapping[str, Any]) -> FarmSaid:
    return FarmSaid(
        name=kept["name"],
        start=_date(kept["start"]),
        near=kept["near"],
        paused_until=_date(kept["paused_until"]),
        failed={int(message): person for message, person in kept["failed"].items()},
        fields={
            int(field_id): FieldSaid(
                one["name"],
                _date(one["start"]),
                _date(one["cut_on"]),
                {int(result): sample for result, sample in one["results"].items()},
            )
            for field_id, one in kept["fields"].items()
        },
    )


def _text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


# ---------------------------------------------------------------------- what changed


def changes_since(before: Said, now: Said, today: date) -> dict[int, tuple[Change, ...]]:
    """What changed of each client; clients of whom nothing did are left out.

    Two start dates that are both gone by are the same news: start now.
    """
    found = {farm_id: _of_farm(before.get(farm_id), farm, today) for farm_id, farm in now.items()}
    found |= {farm_id: [Change(ChangeKind.GONE)] for farm_id in before if farm_id not in now}
    return {
        farm_id: tuple(sorted(changes, key=lambda change: ORDER[change.kind]))
        for farm_id, changes in found.items()
        if changes
    }


def _of_farm(before: FarmSaid | None, now: FarmSaid, today: date) -> list[Change]:
    if before is None:
        return [Change(ChangeKind.NEW_CLIENT)]
    return [
        *_failures(before, now),
        *_dates(before, now, today),
        *_pause(before, now),
        *_fields(before, now),
    ]


def _failures(before: FarmSaid, now: FarmSaid) -> Iterator[Change]:
    for message, person in now.failed.items():
        if message not in before.failed:
            yield Change(ChangeKind.FAILED, person=person)


def _dates(before: FarmSaid, now: FarmSaid, today: date) -> Iterator[Change]:
    if any(_is_cut(before, field_id, one) for field_id, one in now.fields.items()):
        return  # of another crop, or of what is left of this one: the cut is the news
    if before.start is None or now.start is None:
        if now.start is not None:
            yield Change(ChangeKind.DATED, now=now.start)
        elif before.start is not None:
            yield Change(ChangeKind.UNDATED, was=before.start)
    elif now.start != before.start and max(now.start, before.start) >= today:
        yield Change(ChangeKind.MOVED, was=before.start, now=now.start)
    if now.near is not before.near:
        yield Change(ChangeKind.NEAR if now.near else ChangeKind.FAR, now=now.start)


def _is_cut(before: FarmSaid, field_id: int, now: FieldSaid) -> bool:
    known = before.fields.get(field_id)
    return known is not None and known.cut_on != now.cut_on


def _pause(before: FarmSaid, now: FarmSaid) -> Iterator[Change]:
    if now.paused_until == before.paused_until:
        return
    if now.paused_until is None:
        yield Change(ChangeKind.RESUMED)
    else:
        yield Change(ChangeKind.PAUSED, now=now.paused_until)


def _fields(before: FarmSaid, now: FarmSaid) -> Iterator[Change]:
    for field_id, one in now.fields.items():
        known = before.fields.get(field_id)
        if known is None:
            yield Change(ChangeKind.NEW_FIELD, field_id, one.name)
            known = FieldSaid(one.name, None, one.cut_on)
        if one.cut_on != known.cut_on:
            kind = ChangeKind.CUT if one.cut_on is not None else ChangeKind.UNCUT
            yield Change(kind, field_id, one.name, now=one.cut_on)
        yield from _results(field_id, known, one)


def _results(field_id: int, before: FieldSaid, now: FieldSaid) -> Iterator[Change]:
    fresh = {sample for result, sample in now.results.items() if result not in before.results}
    known = set(before.results.values())
    if fresh - known:
        yield Change(ChangeKind.RESULT, field_id, now.name)
    if fresh & known:
        yield Change(ChangeKind.CORRECTED, field_id, now.name)


def moved_fields(before: Said, now: Said, farm_ids: Iterable[int]) -> dict[int, date]:
    """The start dates that fields of these farms had, where they have others now."""
    return {
        field_id: known.start
        for farm_id in farm_ids
        if farm_id in before and farm_id in now
        for field_id, one in now[farm_id].fields.items()
        if (known := before[farm_id].fields.get(field_id)) is not None
        and known.start is not None
        and known.start != one.start
    }
