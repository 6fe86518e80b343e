"""The usual cautions that stand beside a start date, in emails and on the farm's page."""

from __future__ import annotations

from datetime import date, timedelta

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import HarvestMethod
from alerts.messages.templates import Templates


def before_cutting(
    templates: Templates,
    language: str,
    method: HarvestMethod,
    *,
    cutting: int,
    start_on: date | None,
    fall_from: date | None,
) -> tuple[str, ...]:
    """Those of every cut and of this way of harvesting; of a regrowth; of a cut late in the year.

    ``fall_from`` is the day from which on a cut may weaken the stand for winter, None: no such day.
    """
    found = templates.cautions(language, method)
    if cutting > 1:
        found += templates.caution_list(language, "regrowth")
    if fall_from is not None and start_on is not None and start_on >= fall_from:
        found += templates.caution_list(language, "fall")
    return found


def outlook_cautions(
    templates: Templates,
    language: str,
    method: HarvestMethod,
    outlook: FarmOutlook | None,
    fall_from: date,
) -> tuple[str, ...]:
    """Those of a farm's page; none where nothing is in sight that could be cut."""
    if outlook is None:
        return ()
    start, cutting = outlook.start.median, outlook.cutting
    return before_cutting(
        templates, language, method, cutting=cutting, start_on=start, fall_from=fall_from
    )


def fall_day(guidelines: GuidelineSet, year: int) -> date:
    """The day of the year from which on a cut may weaken the stand for winter."""
    day = int(guidelines.value("fall.caution_from_day_of_year"))
    return date(year, 1, 1) + timedelta(days=day - 1)
