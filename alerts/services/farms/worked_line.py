"""The sum behind a start date, while a farm is being described: from the feed to the field."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np

from alerts.agronomy.goals import harvest_days_from_capacity, standing_target, start_quality
from alerts.agronomy.mixtures import GRASS_PCT
from alerts.domain.guidelines import STANDS, GuidelineSet
from alerts.domain.records import HarvestMethod, Index, RosterRow, WhichLoad
from alerts.intake.roster_row import FEED_TARGET_RANGE, HANDLING_LOSS_RANGE
from alerts.messages.templates import Templates
from alerts.services.farms.farm_form import (
    FIELD_CONTROLS,
    FormRules,
    Typed,
    control,
    field_numbers,
    index_of,
    read_farm,
)

SHARE = {WhichLoad.LAST: 1.0, WhichLoad.AVERAGE: 0.5}
_FILLED_IN = {
    "farmer": "a",
    "phone": "+12025550100",
    "farm": "a",
    "area": "a",
    "alert_by": "text",
    "email": "",
    "email_if_unreached": "",
}


@dataclass(frozen=True, slots=True)
class Worked:
    """Feed target, standing target and start quality [index points; % of DM for NDF]."""

    index: Index
    feed: float
    loss: float
    standing: float
    days: float  # from the first to the last day of cutting
    per_day: float  # first cutting, for the stand's share of grass
    which_load: WhichLoad
    ahead: float
    start: float


def worked(typed: Typed, rules: FormRules) -> Worked | None:
    """The sum, as soon as the controls it needs are in order; None before.

    Who signs up, and where, is not asked for: the sum is there before the form is complete.
    """
    index = index_of(typed, rules.defaults.index)
    names = {
        control("field", number): typed.get(control("field", number), "") or f"field {number}"
        for number in _with_something(typed)
    }
    reading = read_farm({**typed, **names, **_FILLED_IN, "index": index}, rules)
    rows = reading.rows
    return _worked(rows, rules.guidelines) if rows else None


def _with_something(typed: Typed) -> list[int]:
    found = [
        number
        for number in field_numbers(typed)
        if any(typed.get(control(column, number)) for column in FIELD_CONTROLS)
    ]
    return found or [1]


def _worked(rows: tuple[RosterRow, ...], guidelines: GuidelineSet) -> Worked:
    first = rows[0]
    feed = first.feed_target
    if feed is None:
        feed = guidelines.feed_target(first.animal_class, first.index)
    assert feed is not None  # the form asks for one where none was published
    loss = first.handling_loss
    if loss is None:
        loss = guidelines.value(f"handling_loss.{first.harvest_method}.{first.index}")
    days = _harvest_days(rows)
    per_day = daily_change(guidelines, first.index, _grass_pct(rows))
    share, falls = SHARE[first.which_load], first.index.falls
    target = float(standing_target(feed, loss, falls=falls))
    start = float(start_quality(target, days, per_day, share=share, falls=falls))
    return Worked(
        index=first.index,
        feed=feed,
        loss=loss,
        standing=target,
        days=days,
        per_day=per_day,
        which_load=first.which_load,
        ahead=share * days * per_day,
        start=start,
    )


def _harvest_days(rows: tuple[RosterRow, ...]) -> float:
    if rows[0].harvest_days is not None:
        return rows[0].harvest_days
    acres, pace = sum(row.acres or 0.0 for row in rows), rows[0].acres_per_day
    assert pace is not None  # the form asks for one of the two
    return harvest_days_from_capacity(acres, pace)


def _grass_pct(rows: tuple[RosterRow, ...]) -> float:
    return sum(row.grass_pct for row in rows) / len(rows)


def daily_change(guidelines: GuidelineSet, index: Index, grass_pct: float) -> float:
    """Change a day of the first cutting [points or % of DM a day], straight between the stands.

    ``grass_pct`` [% of DM, 0 to 100].
    """
    entries = [guidelines.value(f"daily_change.first.{stand}.{index}") for stand in STANDS]
    return float(np.interp(grass_pct, GRASS_PCT, entries))


# --------------------------------------------------------------------------- in words


def worked_line(sum_: Worked, templates: Templates, language: str) -> str:
    """The sum as one line, such as '150 RFV fed + 15 lost in handling = 165 standing ...'."""
    words = templates.wording(language)
    point = words.say("numbers.decimal")

    def short(value: float) -> str:
        return f"{value:.2f}".rstrip("0").rstrip(".").replace(".", point)

    values: dict[str, object] = {
        name: short(value) for name, value in asdict(sum_).items() if isinstance(value, float)
    }
    if sum_.index is not Index.NDF:
        # Halves go up, as in the script that works the same line out.
        values["start"] = str(math.floor(sum_.start + 0.5))
    count = short(sum_.days)
    days = words.say("numbers.days_one" if count == "1" else "numbers.days", count=count)
    return fill_line(templates, language, sum_.index, sum_.which_load, {**values, "days": days})


def fill_line(
    templates: Templates,
    language: str,
    index: Index,
    which_load: WhichLoad,
    values: Mapping[str, object],
) -> str:
    """The line with these values; with values like '{feed}' it is a pattern for a script."""
    said = {
        **values,
        "index": index.label,
        "falls": index.falls,
        "average": which_load is WhichLoad.AVERAGE,
    }
    return " ".join(templates.fill("worked_line.txt", language, said).split())


def script_data(rules: FormRules, templates: Templates, language: str) -> dict[str, object]:
    """Everything a script needs to work the same line out while the form is filled in."""
    words, guidelines = templates.wording(language), rules.guidelines
    tokens = {
        name: f"{{{name}}}"
        for name in ("feed", "loss", "standing", "days", "per_day", "ahead", "start")
    }
    return {
        "decimal": words.say("numbers.decimal"),
        "days": words.say("numbers.days", count="{count}"),
        "days_one": words.say("numbers.days_one", count="{count}"),
        "falls": {index.value: index.falls for index in Index},
        "ranges": {
            "feed_target": {index.value: FEED_TARGET_RANGE[index] for index in Index},
            "handling_loss": {index.value: HANDLING_LOSS_RANGE[index] for index in Index},
        },
        "feed": {
            f"{animals}.{index}": guidelines.feed_target(animals, index)
            for animals in guidelines.animal_classes()
            for index in Index
        },
        "loss": {
            f"{method}.{index}": guidelines.value(f"handling_loss.{method}.{index}")
            for method in HarvestMethod
            for index in Index
        },
        "change": {
            index.value: [
                guidelines.value(f"daily_change.first.{stand}.{index}") for stand in STANDS
            ]
            for index in Index
        },
        "grass": list(GRASS_PCT),
        "share": {load.value: SHARE[load] for load in WhichLoad},
        "line": {
            f"{index}.{load}": fill_line(templates, language, index, load, tokens)
            for index in Index
            for load in WhichLoad
        },
    }
