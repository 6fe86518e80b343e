"""Texts and emails that tell a farmer about the start date."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from alerts.domain.decision import Decision, Kind
from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.domain.records import HarvestMethod, Index
from alerts.messages.arithmetic import arithmetic
from alerts.messages.cautions import before_cutting
from alerts.messages.letters import MOST_PARTS, NAME_LENGTHS, Letter, fit
from alerts.messages.segments import clean, count
from alerts.messages.templates import Templates
from alerts.messages.wording import ENGLISH, Wording, one_line, shortened

MOST_NAMED = (6, 3, 2)
"""Most fields that a text names, and where that makes it too long."""

WAITING_SHOWN = 8
"""Days of waiting shown in an email, today included."""


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
    page_url: str = ""  # the farm's own page
    picture: str = ""  # Content-ID of the chart, and what it shows in words
    picture_says: str = ""


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
            _with_tail(templates.fill(f"{decision.kind}.txt", setting.language, values), tail)
            for values in _text_values(templates, decision, outlook, setting, longest)
        )
        if count(text).parts <= MOST_PARTS:
            break
    return Letter(subject="", text=text)


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
    words = templates.wording(setting.language)
    outlook = _cleaned(in_words(outlook, words))
    field, today = outlook.tightest, setting.today
    index = outlook.farm.index
    shared: dict[str, object] = {
        "farm": shortened(outlook.farm.name, longest),
        "field": shortened(field.name, longest),
        "today": words.full_day(today),
        "start": _start_words(decision, words),
        "likely": words.likely_start(outlook.start, today),
        "latest": words.at_latest(outlook.start.p90, today),
        "was": words.full_day(decision.was) if decision.was else "",
        "late": decision.start_on < today,
        "when": words.near_day(decision.start_on, today),
        "index": index.label,
        "standing": _whole(field.days[0].median, index, words),
        "target": words.number(field.standing_target),
        "feed": words.number(outlook.farm.feed_target),
        "worse": words.say("why.under" if index.falls else "why.over"),
        "caution": templates.text_caution(setting.language, setting.harvest_method),
        "rain": setting.rain,
    }
    return [{**shared, **reason} for reason in _reasons(outlook, longest, words)]


def _cleaned(outlook: FarmOutlook) -> FarmOutlook:
    """Names as a text can hold them; cleaned first, since that may lengthen them."""
    fields = (
        replace(field, name=one_line(field.name), stands_in=one_line(field.stands_in))
        for field in outlook.fields
    )
    return replace(
        outlook,
        farm=replace(outlook.farm, name=one_line(outlook.farm.name)),
        fields=tuple(fields),
    )


def in_words(outlook: FarmOutlook, words: Wording) -> FarmOutlook:
    """The outlook with what stands in for a field named in this language."""
    fields = (replace(field, stands_in=words.stand_in(field)) for field in outlook.fields)
    return replace(outlook, fields=tuple(fields))


def _start_words(decision: Decision, words: Wording) -> str:
    day = words.full_day(decision.start_on)
    return words.say("dates.after", day=day) if decision.beyond_horizon else day


def _reasons(outlook: FarmOutlook, longest: int, words: Wording) -> Iterator[dict[str, object]]:
    """Harvest order and the numbers behind the date, from the fullest wording to the shortest."""
    farm, field = outlook.farm, outlook.tightest
    shared = {
        "needs": words.say("why.needs" if farm.index.falls else "why.limit"),
        "target": words.number(field.standing_target),
        "feed": words.number(farm.feed_target),
        "days": words.days(outlook.harvest_days),
    }
    latest = _latest(field, longest, words)
    for most in MOST_NAMED:
        order = words.harvest_order(outlook, most, longest)
        for entry in ("why.full", "why.middle", "why.short"):
            why = words.say(entry, latest=latest, **shared)
            yield {"order": order, "why": why, "short": entry != "why.full"}
        if order and not field.stands_in and field.last_value is not None:
            why = _reason_in_order(outlook, most, longest, words, shared)
            yield {"order": "", "why": why, "short": True}
    if longest == NAME_LENGTHS[-1]:
        # Last resort of a long first text: what the farmer knows or finds in the next one goes.
        bare = words.say("why.short", latest=latest, **shared)
        yield {"order": "", "why": bare, "short": True}
        yield {"order": "", "why": bare, "short": True, "was": ""}


def _reason_in_order(
    outlook: FarmOutlook, most: int, longest: int, words: Wording, shared: Mapping[str, str]
) -> str:
    """'Hill Top first (RFV 205 on May 11, needs 185), then North 40.': its name said once."""
    first, *others = outlook.fields
    return words.say(
        "why.in_order",
        first=shortened(first.name, longest),
        rest=words.listed([shortened(f.name, longest) for f in others], most - 1),
        latest=_newest(first, words),
        **shared,
    )


def _latest(field: FieldOutlook, longest: int, words: Wording) -> str:
    """'Long Strip RFV 205 on May 11'."""
    name = source(field, longest)
    newest = _newest(field, words)
    if not newest:
        return name if field.is_area else words.say("why.no_result", name=name)
    return words.say("why.latest", name=name, reading=newest)


def source(field: FieldOutlook, longest: int) -> str:
    """Whose result is named; a sentence's words, unlike a name, are never cut short."""
    return field.stands_in if field.is_area else shortened(field.stands_in or field.name, longest)


def _newest(field: FieldOutlook, words: Wording) -> str:
    """'RFV 205 on May 11', 'RFQ 198 on May 11 (no RFV yet)'; "" without any result."""
    if field.last_on is None or field.last_value is None:
        return ""
    latest = words.dated_reading(field.last_index or field.index, field.last_value, field.last_on)
    if field.last_index is None:
        return latest
    return words.say("why.other_index", latest=latest, index=field.index.label)


# ---------------------------------------------------------------------------- email


def start_email(
    templates: Templates, decision: Decision, outlook: FarmOutlook, setting: Setting
) -> Letter:
    """The email: the same news first, then each field, the sum in words, and the cautions."""
    words = templates.wording(setting.language)
    outlook = in_words(outlook, words)
    subject = headline(decision, outlook, setting.today, words)
    values = {
        "headline": subject,
        "arithmetic": arithmetic(outlook, words),
        "rows": [_row(field, setting.today, words) for field in outlook.fields],
        "waiting": _waiting(outlook, setting, words),
        "stored": words.say(f"email.{outlook.farm.which_load}_stored"),
        "standing": _standing(outlook.tightest, words),
        "clock": words.say("email.degree_days" if outlook.follows_heat else "email.calendar"),
        "rain": setting.rain,
        "dry": _dry_words(setting, words),
        "a_day": _a_day(outlook.tightest, words),
        "cautions": before_cutting(
            templates,
            setting.language,
            setting.harvest_method,
            cutting=outlook.cutting,
            start_on=decision.start_on,
            fall_from=setting.fall_from,
        ),
        "unsubscribe_url": setting.unsubscribe_url,
        "page_url": setting.page_url,
        "picture": setting.picture,
        "picture_says": setting.picture_says,
        "mark": setting.mark,
    }
    return Letter(
        subject=subject,
        text=templates.fill("start_email.txt", setting.language, values),
        html=templates.fill("start_email.html", setting.language, values),
    )


def headline(
    decision: Decision, outlook: FarmOutlook, today: date, words: Wording = ENGLISH
) -> str:
    """One line with the date and the farm; also the subject of the email."""
    return words.say(
        f"headline.{_headline_entry(decision, today)}",
        farm=outlook.farm.name,
        field=outlook.tightest.name,
        index=outlook.tightest.index.label,
        start=_start_words(decision, words),
        when=words.near_day(decision.start_on, today),
        was=words.full_day(decision.was) if decision.was else "",
    )


def _headline_entry(decision: Decision, today: date) -> str:
    moved = decision.was is not None
    if decision.kind is Kind.START:
        entry = "late" if decision.start_on < today else "start"
        return f"{entry}_moved" if moved else entry
    if decision.kind is Kind.MOVED and not moved:
        return "coming"
    return decision.kind


def _row(field: FieldOutlook, today: date, words: Wording) -> dict[str, str | bool]:
    start = field.start.median
    return {
        "name": field.name,
        "start": words.full_day(start) if start else words.say("dates.later"),
        "dated": start is not None,
        "likely": words.likely_start(field.start, today),
        "evidence": words.evidence(field),
    }


def _waiting(outlook: FarmOutlook, setting: Setting, words: Wording) -> list[dict[str, str]]:
    """What each day of waiting costs and buys: the field due first as it stands on that day, and
    the load that has to meet the target as it is stored."""
    farm, field = outlook.farm, outlook.tightest
    handled = -farm.handling_loss if farm.index.falls else farm.handling_loss

    start = outlook.start
    shown = start.waiting[:WAITING_SHOWN], start.load[:WAITING_SHOWN], field.days

    def whole(value: float) -> str:
        return _whole(value, farm.index, words)

    return [
        {
            "day": words.full_day(setting.today + timedelta(days=k)),
            "chance": words.percent(chance),
            "standing": whole(day.median),
            "range": f"{whole(day.low)}-{whole(day.high)}",
            "stored": whole(load + handled),
            "gained": f"{k * setting.gain_lb_per_acre_day:.0f}",
        }
        for k, (chance, load, day) in enumerate(zip(*shown, strict=False))
    ]


def _whole(value: float, index: Index, words: Wording) -> str:
    return words.number(round(value, 1 if index is Index.NDF else 0))


def _dry_words(setting: Setting, words: Wording) -> str:
    """'The forecast's first 3 dry days in a row begin Thu May 20.'; "" where none are in sight."""
    if setting.dry_from is None:
        return ""
    return words.counted("email.dry", setting.dry_days, day=words.full_day(setting.dry_from))


def _a_day(field: FieldOutlook, words: Wording) -> str:
    """'4 points of RFV a day', 'NDF units ...': what waiting costs."""
    falls = field.index.falls
    return words.say(
        "email.a_day_falls" if falls else "email.a_day_rises",
        change=words.decimals(field.change_per_day, 0 if falls else 1),
        index=field.index.label,
    )


def _standing(field: FieldOutlook, words: Wording) -> str:
    today = field.days[0]
    return words.say(
        "email.standing",
        field=field.name,
        reading=words.reading(field.index, today.median),
        low=_whole(today.low, field.index, words),
        high=_whole(today.high, field.index, words),
    )
