"""Which fields to clip next, and why.

A clip pays as long as a field stands uncut above its target. The first of a spring pays once the
crop may cross its target before two more clips could be read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from enum import StrEnum

from alerts.domain.records import Index


class Why(StrEnum):
    """Why a field is worth a clip."""

    FIRST = "first"  # no result of its own yet, and its crossing may be near
    OVERDUE = "overdue"  # a sampling day went by and no result came
    NARROWS = "narrows"  # another result narrows its range


class WhyNot(StrEnum):
    """Why a field is not clipped next."""

    UNWATCHED = "unwatched"
    PAUSED = "paused"  # its farm asked for quiet
    CUT = "cut"  # a regrowth that nobody has clipped yet
    BELOW = "below"  # already below its target, or surely so by now
    EARLY = "early"  # its crossing is still too far ahead for a first clip
    TOMORROW = "tomorrow"  # the sampling day's result comes too late, one of tomorrow does not
    LATE = "late"  # its result would come after its start date
    OVER = "over"  # the time of first clips has passed without one


@dataclass(frozen=True, slots=True)
class Clip:
    """A field to clip next."""

    area: str
    farm_id: int
    farm: str
    field_id: int
    field: str
    cutting: int
    acres: float | None
    index: Index
    standing_target: float
    sampler_id: int | None
    sampler: str  # "" where the farm has none
    on: date  # the sampling day of its area
    why: Why
    worth_days: float | None  # by how much a clip narrows the 80 % range; None: no outlook yet
    last_on: date | None  # its own newest result
    last_value: float | None
    last_index: Index | None  # of last_value
    days_since: int | None  # from that result to the day of the list
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    missed_on: date | None = None  # the sampling day that went by without a result


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An open field that is not clipped next."""

    farm_id: int
    farm: str
    field_id: int
    field: str
    why_not: WhyNot
    on: date | None = None  # the sampling day that would have been its next


@dataclass(frozen=True, slots=True)
class SamplingList:
    """Fields to clip next, those that are worth most first, and the rest with the reason."""

    day: date  # from this day on
    before: time  # local time by which a clip should be taken
    clips: tuple[Clip, ...]
    left_out: tuple[LeftOut, ...]


def by_worth(clip: Clip) -> tuple[bool, float, str, str]:
    """Sort key: what nobody knows anything of first, then the most days gained."""
    unknown = clip.worth_days is None
    return (not unknown, -(clip.worth_days or 0.0), clip.farm, clip.field)


def next_sampling_day(first: date, weekdays: frozenset[int]) -> date | None:
    """The first sampling day from ``first`` on, itself included; None where there are none."""
    coming = (first + timedelta(days=k) for k in range(7))
    return next((day for day in coming if day.weekday() in weekdays), None)


def missed_sampling_day(
    last_on: date, today: date, weekdays: frozenset[int], results_take_days: int
) -> date | None:
    """The first sampling day after ``last_on`` whose result should have come by ``today``.

    The result of a clip is there in ``results_take_days``; only the day after is it missed. None
    where no sampling day went by without one.
    """
    due = next_sampling_day(last_on + timedelta(days=1), weekdays)
    if due is None or today <= due + timedelta(days=results_take_days):
        return None
    return due
