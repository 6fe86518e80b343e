"""Texts and emails that tell a farmer about the start date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from alerts.agronomy.goals import start_quality
from alerts.domain.decision import Decision, Kind
from alerts.domain.outlook import FarmOutlook, FieldOutlook, standing_target
from alerts.domain.records import HarvestMethod, Index, WhichLoad
from alerts.messages import wording
from alerts.messages.segments import clean, count
from alerts.messages.templates import Templates

MOST_PARTS = 2
"""A text never costs more than two parts."""

NAME_LENGTHS = (24, 12)
"""Longest names in a text [characters], and where that makes it too long."""

WAITING_SHOWN = 8
"""Days of waiting shown in an email, today included."""


@dataclass(frozen=True, slots=True)
class Letter:
    """A message put into words, for either channel."""

    subject: str
    text: str
    html: str = ""


@dataclass(frozen=True, slots=True)
class Setting:
    """Who is written to, and what else the words depend on."""

    language: str
    harvest_method: HarvestMethod
    mark: str
    today: date
    first_text: bool = False
    unsubscribe_url: str = ""
    rain: str = ""  # a few words on rain in the forecast
    dry_from: date | None = None  # first day of a run of dry days long enough for the harvest
    dry_days: int = 0  # days without rain that the harvest method needs
    gain_lb_per_acre_day: float = 0.0  # dry matter that waiting brings [lb DM an acre a day]
    fall_from: date | None = None  # from this day on a cut may weaken the stand for winter


def start_text(
    templates: Templates, decision: Decision, outlook: FarmOutlook, setting: Setting
) -> Letter:
    """The text message: GSM-7, one part where it can, two at most, the mark last.

    The fullest wording that still takes one part wins; failing that, the fullest in two. Names
    are cut short only where nothing else brings the text down to two parts.
    """
    tail = setting.mark
    if setting.first_text:
        tail = f"{templates.fill('first_text.txt', setting.language, {})} {tail}"
    text = ""
    for longest in NAME_LENGTHS:
        text = fit(
            [
                _with_tail(templates.fill(f"{decision.kind}.txt", setting.language, values), tail)
                for values in _text_values(templates, decision, outlook, setting, longest)
            ]
        )
        if count(text).parts <= MOST_PARTS:
            break
    return Letter(subject="", text=text)


def fit(versions: Sequence[str]) -> str:
    """The first version of one part, else the first of two, else the last."""
    for most in range(1, MOST_PARTS + 1):
        for version in versions:
            if count(version).parts <= most:
                return version
    return versions[-1]


def _with_tail(text: str, tail: str) -> str:
    return clean(f"{' '.join(text.split())} {tail}")


def _text_values(
    templates: Templates,
    decision: Decision,
    outlook: FarmOutlook,
    setting: Setting,
    longest: int,
) -> list[dict[str, object]]:
    """Values for the template, from the fullest wording to the shortest."""
    outlook = _cleaned(outlook)
    field, today = outlook.tightest, setting.today
    index = outlook.farm.index
    shared: dict[str, object] = {
        "farm": wording.shortened(outlook.farm.name, longest),
        "field": wording.shortened(field.name, longest),
        "today": wording.full_day(today),
        "start": _start_words(decision),
        "likely": wording.likely_start(outlook.start, today),
        "latest": wording.at_latest(outlook.start.p90, today),
        "was": wording.full_day(decision.was) if decision.was else "",
        "late": decision.start_on < today,
        "when": wording.near_day(decision.start_on, today),
        "index": index.label,
        "standing": wording.number(round(field.days[0].median, 1 if index is Index.NDF else 0)),
        "target": wording.number(field.standing_target),
        "feed": wording.number(outlook.farm.feed_target),
        "worse": "under" if index.falls else "over",
        "caution": templates.text_caution(setting.language, setting.harvest_method),
    }
    whys = _reasons(outlook, longest)
    return [
        {
            **shared,
            "order": wording.harvest_order(outlook, most, longest),
            "why": why,
            "short": why != whys[0],
            "rain": setting.rain,
        }
        for most in (6, 3, 2)
        for why in whys
    ]


def _cleaned(outlook: FarmOutlook) -> FarmOutlook:
    """Names as a text can hold them; cleaned first, since that may lengthen them."""
    fields = (
        replace(
            field,
            name=wording.one_line(field.name),
            stands_in=wording.one_line(field.stands_in),
        )
        for field in outlook.fields
    )
    return replace(
        outlook,
        farm=replace(outlook.farm, name=wording.one_line(outlook.farm.name)),
        fields=tuple(fields),
    )


def _start_words(decision: Decision) -> str:
    day = wording.full_day(decision.start_on)
    return f"after {day}" if decision.beyond_horizon else day


def _reasons(outlook: FarmOutlook, longest: int) -> tuple[str, str, str]:
    """The numbers behind the date, from the fullest wording to the shortest."""
    farm, field = outlook.farm, outlook.tightest
    latest, target = _latest(field, longest), wording.number(field.standing_target)
    needs = "needs" if farm.index.falls else "limit"
    return (
        f"{latest}; {needs} {target} standing to store {wording.number(farm.feed_target)}, "
        f"{wording.days(farm.harvest_days)} harvest.",
        f"{latest}; {needs} {target} standing.",
        f"{latest}, {needs} {target}.",
    )


def _latest(field: FieldOutlook, longest: int) -> str:
    name = wording.shortened(field.stands_in or field.name, longest)
    if field.last_on is None or field.last_value is None:
        return f"{name} no result"
    other = field.last_index
    untested = "" if other is None else f" (no {field.index.label} yet)"
    return (
        f"{name} {wording.reading(other or field.index, field.last_value)} "
        f"on {wording.short_day(field.last_on)}{untested}"
    )


# ---------------------------------------------------------------------------- email


def start_email(
    templates: Templates, decision: Decision, outlook: FarmOutlook, setting: Setting
) -> Letter:
    """The email: the same news first, then each field, the sum in words, and the cautions."""
    values = {
        "headline": headline(decision, outlook, setting.today),
        "arithmetic": arithmetic(outlook),
        "rows": [_row(field, setting.today) for field in outlook.fields],
        "waiting": _waiting(outlook, setting),
        "standing": _standing(outlook.tightest),
        "clock": "degree days" if outlook.follows_heat else "the calendar",
        "rain": setting.rain,
        "dry": _dry_words(setting),
        "a_day": _a_day(outlook.tightest),
        "cautions": (
            *templates.cautions(setting.language, setting.harvest_method),
            *_season_cautions(templates, decision, outlook, setting),
        ),
        "unsubscribe_url": setting.unsubscribe_url,
        "mark": setting.mark,
    }
    return Letter(
        subject=headline(decision, outlook, setting.today),
        text=templates.fill("start_email.txt", setting.language, values),
        html=templates.fill("start_email.html", setting.language, values),
    )


def headline(decision: Decision, outlook: FarmOutlook, today: date) -> str:
    """One line with the date and the farm; also the subject of the email."""
    start, farm = _start_words(decision), outlook.farm.name
    if decision.kind is Kind.PAST:
        field = outlook.tightest
        return f"{farm}: {field.name} is already past its {field.index.label} target"
    if decision.kind is Kind.START:
        told = f", instead of {wording.full_day(decision.was)}" if decision.was else ""
        if decision.start_on < today:
            return f"{farm}: start cutting now, the day to start was {start}{told}"
        return f"{farm}: start cutting {wording.near_day(decision.start_on, today)}{told}"
    if decision.kind is Kind.MOVED and decision.was is not None:
        return f"{farm}: start date moved to {start}, was {wording.full_day(decision.was)}"
    return f"{farm}: start cutting about {start}"


def arithmetic(outlook: FarmOutlook) -> str:
    """The sum in words: feed target, handling loss, harvest length, quality at the start."""
    farm, field = outlook.farm, outlook.tightest
    target = standing_target(farm)
    at_start = float(
        start_quality(
            target,
            farm.harvest_days,
            field.change_per_day,
            share=0.5 if farm.which_load is WhichLoad.AVERAGE else 1.0,
            falls=farm.index.falls,
        )
    )
    days = wording.number(farm.harvest_days)
    load = "last load" if farm.which_load is WhichLoad.LAST else "average of the crop"
    unit = "points" if farm.index.falls else "units"
    return (
        f"You want {wording.reading(farm.index, farm.feed_target)} in storage. Handling "
        f"{'loses' if farm.index.falls else 'adds'} about {wording.number(farm.handling_loss)} "
        f"{unit}, so the {load} must still stand at {wording.number(target)} when it is cut. "
        f"{field.name} {'loses' if farm.index.falls else 'gains'} about "
        f"{field.change_per_day:.1f} {unit} a day and the harvest takes "
        f"{days} day{'' if days == '1' else 's'}: start near "
        f"{wording.reading(farm.index, at_start)}."
    )


def _row(field: FieldOutlook, today: date) -> dict[str, str]:
    return {
        "name": field.name,
        "start": wording.full_day(field.start.median) if field.start.median else "later",
        "likely": wording.likely_start(field.start, today),
        "evidence": wording.evidence(field),
    }


def _waiting(outlook: FarmOutlook, setting: Setting) -> list[dict[str, str]]:
    """What each day of waiting costs and buys, for the field due first."""
    farm, field = outlook.farm, outlook.tightest
    handled = -farm.handling_loss if farm.index.falls else farm.handling_loss
    return [
        {
            "day": wording.full_day(setting.today + timedelta(days=k)),
            "chance": wording.percent(chance),
            "standing": _whole(day.median, farm.index),
            "range": f"{_whole(day.low, farm.index)}-{_whole(day.high, farm.index)}",
            "stored": _whole(day.median + handled, farm.index),
            "gained": f"{k * setting.gain_lb_per_acre_day:.0f}",
        }
        for k, (chance, day) in enumerate(
            zip(outlook.start.waiting[:WAITING_SHOWN], field.days, strict=False)
        )
    ]


def _whole(value: float, index: Index) -> str:
    return wording.number(round(value, 1 if index is Index.NDF else 0))


def _dry_words(setting: Setting) -> str:
    """'The forecast's first 3 dry days in a row begin Thu May 20.'; "" where none are in sight."""
    if setting.dry_from is None:
        return ""
    begin = wording.full_day(setting.dry_from)
    if setting.dry_days == 1:
        return f"The first dry day in the forecast is {begin}."
    return f"The first {setting.dry_days} dry days in a row in the forecast begin {begin}."


def _a_day(field: FieldOutlook) -> str:
    """'4 points of RFV a day', 'NDF units ...': what waiting costs."""
    if field.index.falls:
        return f"{field.change_per_day:.0f} points of {field.index.label} a day"
    return f"{field.change_per_day:.1f} units of NDF a day"


def _season_cautions(
    templates: Templates, decision: Decision, outlook: FarmOutlook, setting: Setting
) -> tuple[str, ...]:
    """Cautions of a regrowth, and of a cut late in the year."""
    found: tuple[str, ...] = ()
    if outlook.cutting > 1:
        found += templates.caution_list(setting.language, "regrowth")
    if setting.fall_from is not None and decision.start_on >= setting.fall_from:
        found += templates.caution_list(setting.language, "fall")
    return found


def _standing(field: FieldOutlook) -> str:
    today = field.days[0]
    low, high = (
        wording.number(round(v, field.index is Index.NDF)) for v in (today.low, today.high)
    )
    return (
        f"{field.name} stands at about {wording.reading(field.index, today.median)} today "
        f"(80 % range {low} to {high})."
    )
