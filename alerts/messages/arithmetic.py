"""The sum behind a start date, in words: feed target, handling loss, length of the harvest."""

from __future__ import annotations

from alerts.agronomy.goals import start_quality
from alerts.domain.outlook import FarmOutlook, FieldOutlook, standing_target
from alerts.domain.records import WhichLoad
from alerts.messages.wording import ENGLISH, Wording


def arithmetic(outlook: FarmOutlook, words: Wording = ENGLISH) -> str:
    """The farm's sum in words: feed target, handling loss, harvest length, quality at the start.

    Of a harvest under way, the length is that of what still stands.
    """
    field, days = outlook.tightest, outlook.harvest_days
    takes = words.say(
        "email.takes_rest" if outlook.under_way else "email.takes",
        days=words.counted("numbers.days", round(days, 1)),
    )
    return _sum(outlook, field, "sum", at_start(outlook, field, days), words, takes=takes)


def field_arithmetic(outlook: FarmOutlook, field: FieldOutlook, words: Wording = ENGLISH) -> str:
    """The sum of one field, which takes its own part of the harvest only."""
    if len(outlook.fields) == 1 and not outlook.under_way:
        return arithmetic(outlook, words)
    return _sum(
        outlook,
        field,
        "field",
        at_start(outlook, field, field.own_days),
        words,
        own=words.number(round(field.own_days, 1)),
        days=words.counted("numbers.days", outlook.farm.harvest_days),
    )


def at_start(outlook: FarmOutlook, field: FieldOutlook, days: float) -> float:
    """Standing quality of a field on the day to start a harvest of ``days``, by the rule of
    thumb [index units]."""
    farm = outlook.farm
    share = 0.5 if farm.which_load is WhichLoad.AVERAGE else 1.0
    target, falls = standing_target(farm), farm.index.falls
    return float(start_quality(target, days, field.change_per_day, share=share, falls=falls))


def _sum(
    outlook: FarmOutlook,
    field: FieldOutlook,
    entry: str,
    near: float,
    words: Wording,
    **said: str,
) -> str:
    farm = outlook.farm
    return words.say(
        f"email.{entry}_{'falls' if farm.index.falls else 'rises'}",
        feed=words.reading(farm.index, farm.feed_target),
        loss=words.number(farm.handling_loss),
        load=words.say(f"email.{farm.which_load}_load"),
        target=words.number(standing_target(farm)),
        field=field.name,
        change=words.decimals(field.change_per_day, 1),
        at_start=words.reading(farm.index, near),
        **said,
    )
