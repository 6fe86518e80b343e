"""Answers to texts: short words in one part where that can be, the date first and then why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from alerts.domain.decision import below_target
from alerts.domain.outlook import HORIZON_DAYS, FarmOutlook, FieldOutlook
from alerts.domain.records import WhichLoad
from alerts.messages.letters import NAME_LENGTHS, fit
from alerts.messages.segments import clean
from alerts.messages.start_messages import in_words, source
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording, one_line, shortened

MOST_FARMS = (4, 2, 1)
"""Farms in one answer, and where that makes it too long."""

Values = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class FarmSaid:
    """What is known of a farm when somebody asks."""

    name: str
    outlook: FarmOutlook | None  # None: nothing to go by
    held_until: date | None = None


def answer(templates: Templates, language: str, name: str, *versions: Values) -> str:
    """Template ``reply_<name>.txt`` filled by the fullest of ``versions`` that fits."""
    filled = (templates.fill(f"reply_{name}.txt", language, values) for values in versions or ({},))
    return fit([clean(" ".join(text.split())) for text in filled])


def short(name: str, longest: int = NAME_LENGTHS[0]) -> str:
    return shortened(one_line(name), longest)


def listed(words: Wording, names: Sequence[str], most: int, longest: int) -> str:
    return words.listed([short(name, longest) for name in names], most)


def name_lists(words: Wording, names: Sequence[str]) -> Iterable[str]:
    """A list of names, from the longest to the shortest way of writing it."""
    return (listed(words, names, most, longest) for longest in NAME_LENGTHS for most in (8, 5, 3))


# --------------------------------------------------------------------------- when


def when(templates: Templates, language: str, farms: Sequence[FarmSaid], today: date) -> str:
    """The start date of each farm."""
    words = templates.wording(language)
    dated = any(farm.outlook is not None and not farm.outlook.rough for farm in farms)
    versions = [
        {
            "dated": dated,
            "farms": [_when(farm, today, words, longest, most) for farm in farms[:shown]],
            "more": len(farms) - shown if len(farms) > shown else 0,
        }
        for longest in NAME_LENGTHS
        for shown in MOST_FARMS
        for most in (4, 2, 1)
    ]
    return answer(templates, language, "when", *versions)


def _when(farm: FarmSaid, today: date, words: Wording, longest: int, most: int) -> dict[str, str]:
    outlook = farm.outlook
    said = {
        "farm": short(farm.name, longest),
        "held": words.full_day(farm.held_until) if farm.held_until else "",
        **dict.fromkeys(("state", "start", "likely", "field", "order"), ""),
    }
    if outlook is None or outlook.rough:
        return said | {"state": "none"}
    start = outlook.start.median
    said |= {
        "state": _state(outlook, today),
        "field": short(outlook.tightest.name, longest),
        "start": words.full_day(start or today + timedelta(days=HORIZON_DAYS)),
        "likely": words.likely_start(outlook.start, today),
    }
    if start is not None and said["state"] == "soon":
        said["start"] = words.near_day(start, today)
    if len(outlook.fields) > 1 and most > 1:
        said["order"] = words.harvest_order(outlook, most, longest)
    return said


def _state(outlook: FarmOutlook, today: date) -> str:
    if below_target(outlook):
        return "past"
    if outlook.under_way:
        return "rest"
    if outlook.start.median is None:
        return "later"
    ahead = (outlook.start.median - today).days
    if ahead < 0:
        return "late"
    return "soon" if ahead <= 1 else "start"  # today and tomorrow are said as such, as in a text


def when_field(
    templates: Templates,
    language: str,
    farm: FarmSaid,
    field: FieldOutlook,
    today: date,
) -> str:
    """The day by which one field is due on its own, and the farm's."""
    words = templates.wording(language)
    assert farm.outlook is not None
    whole, own = farm.outlook.start.median, field.start.median
    versions = [
        {
            "farm": short(farm.name, longest),
            "field": short(field.name, longest),
            "start": words.full_day(own) if own else "",
            "likely": words.likely_start(field.start, today),
            "farm_start": words.full_day(whole) if whole and len(farm.outlook.fields) > 1 else "",
            "standing": words.reading(field.index, field.days[0].median),
            "target": words.number(field.standing_target),
        }
        for longest in NAME_LENGTHS
    ]
    return answer(templates, language, "when_field", *versions)


# ---------------------------------------------------------------------- why, waiting


def why(templates: Templates, language: str, farm: FarmSaid, today: date) -> str:
    """The sum behind the date in one breath."""
    words = templates.wording(language)
    assert farm.outlook is not None
    outlook = in_words(farm.outlook, words)
    plan, field = outlook.farm, outlook.tightest
    start = outlook.start.median
    last = field.last_on is not None and field.last_value is not None
    shared = {
        "start": words.full_day(start) if start else "",
        "now": words.reading(field.index, field.days[0].median),
        "change": words.decimals(field.change_per_day, 1),
        "falls": plan.index.falls,
        "target": words.number(field.standing_target),
        "feed": words.number(plan.feed_target),
        "loss": words.number(plan.handling_loss),
        "days": words.days(outlook.harvest_days),
        "last_load": plan.which_load is WhichLoad.LAST,
        "latest": words.dated_reading(
            field.last_index or field.index, field.last_value or 0.0, field.last_on
        )
        if last and field.last_on
        else "",
    }
    versions = [
        {
            **shared,
            "farm": short(plan.name, longest),
            "field": short(field.name, longest),
            "source": source(field, longest) if field.stands_in else "",
            "brief": brief,
        }
        for longest in NAME_LENGTHS
        for brief in (False, True)
    ]
    return answer(templates, language, "why", *versions)


def wait(
    templates: Templates,
    language: str,
    farms: Sequence[FarmSaid],
    until: date,
    ahead: int,
    ask_for: int = 0,
) -> str:
    """What waiting costs: the chance of missing, and the standing quality then.

    ``ask_for``: days that would have to be asked for; 0: they were, and the texts are held.
    Of the farm due first; ``ahead`` [d] must lie within the days that an outlook shows.
    """
    words = templates.wording(language)
    known = [farm for farm in farms if farm.outlook is not None and not farm.outlook.rough]
    first = min(known, key=_due, default=None)
    shared: dict[str, object] = {
        "until": words.full_day(until),
        "ask_for": ask_for,
        "many": len(farms) > 1,
        **dict.fromkeys(("chance", "standing", "low", "high", "target", "field"), ""),
    }
    if first is not None and first.outlook is not None:
        field = first.outlook.tightest
        day = field.days[ahead]
        shared |= {
            "chance": words.percent(first.outlook.start.waiting[ahead]),
            "standing": words.reading(field.index, day.median),
            "low": f"{day.low:.0f}",
            "high": f"{day.high:.0f}",
            "target": words.number(field.standing_target),
        }
    chosen = first or farms[0]
    versions = [
        {
            **shared,
            "farm": short(chosen.name, longest),
            "field": short(first.outlook.tightest.name, longest) if first and first.outlook else "",
        }
        for longest in NAME_LENGTHS
    ]
    return answer(templates, language, "wait", *versions)


def _due(farm: FarmSaid) -> date:
    assert farm.outlook is not None
    return farm.outlook.start.median or date.max
