"""What a sampler's page shows, read in one go."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time

from sqlmodel import Session

from alerts.domain.clips import Clip, LeftOut, WhyNot
from alerts.messages.clip_words import why
from alerts.messages.wording import Wording
from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.services.outlooks.sampling_list import ClipRules, sampling_list
from alerts.services.results.reference_fields import ReferenceField, fields_of
from alerts.services.samplers.returned_results import (
    ReturnedResult,
    WaitingGroup,
    returned_results,
    waiting_results,
)
from alerts.store.tables import Person

WHY_NOT = {
    WhyNot.UNWATCHED: "nobody samples it",
    WhyNot.PAUSED: "the farm asked for quiet",
    WhyNot.CUT: "cut; the regrowth has no result yet",
    WhyNot.BELOW: "below its target already",
    WhyNot.EARLY: "too early",
    WhyNot.TOMORROW: "a clip tomorrow still helps, {day}'s will not",
    WhyNot.LATE: "a result would come after its start date",
    WhyNot.OVER: "the time of first clips is over",
}


@dataclass(frozen=True, slots=True)
class ClipLine:
    clip: Clip
    why: str


@dataclass(frozen=True, slots=True)
class LeftOutLine:
    left_out: LeftOut
    why_not: str


@dataclass(frozen=True, slots=True)
class ClipsOfDay:
    """Clips of one day, farm by farm; the farm worth most comes first."""

    day: date
    lines: tuple[ClipLine, ...]


@dataclass(frozen=True, slots=True)
class Round:
    """Which fields to clip next, and which not."""

    sampler: str
    today: date
    before: time
    days: tuple[ClipsOfDay, ...]
    tomorrow: tuple[LeftOutLine, ...]  # off the sampling days, and worth it
    left_out: tuple[LeftOutLine, ...]


@dataclass(frozen=True, slots=True)
class SamplerPage:
    round: Round
    waiting: tuple[WaitingGroup, ...]
    returned: tuple[ReturnedResult, ...]
    fields: tuple[ReferenceField, ...]


def next_round(
    session: Session, visitor: Visitor, today: date, rules: ClipRules, words: Wording
) -> Round:
    """The fields of the visitor's farms to clip next, by day and farm."""
    found = sampling_list(session, scope.farm_ids(session, visitor), today, rules)
    days: dict[date, list[ClipLine]] = {}
    for clip in found.clips:
        days.setdefault(clip.on, []).append(ClipLine(clip, why(words, clip)))
    left_out = [LeftOutLine(one, _why_not(one)) for one in found.left_out]
    return Round(
        sampler=session.get_one(Person, visitor.person_id).name,
        today=today,
        before=found.before,
        days=tuple(ClipsOfDay(day, _by_farm(days[day])) for day in sorted(days)),
        tomorrow=tuple(line for line in left_out if line.left_out.why_not is WhyNot.TOMORROW),
        left_out=tuple(line for line in left_out if line.left_out.why_not is not WhyNot.TOMORROW),
    )


def _why_not(one: LeftOut) -> str:
    return WHY_NOT[one.why_not].format(day=f"{one.on:%A}" if one.on else "")


def _by_farm(lines: list[ClipLine]) -> tuple[ClipLine, ...]:
    farms = list(dict.fromkeys(line.clip.farm_id for line in lines))
    return tuple(sorted(lines, key=lambda line: farms.index(line.clip.farm_id)))


def sampler_page(
    session: Session, visitor: Visitor, today: date, rules: ClipRules, words: Wording
) -> SamplerPage:
    """All of the page; five to ten statements, however many fields there are."""
    return SamplerPage(
        round=next_round(session, visitor, today, rules, words),
        waiting=tuple(waiting_results(session, visitor)),
        returned=tuple(returned_results(session, visitor, rules.season_first_day)),
        fields=tuple(fields_of(session, visitor)),
    )
