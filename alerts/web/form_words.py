"""What the form about a farm calls its choices, and its errors in the language of the page."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from alerts.services.farms.farm_form import OTHER_CLASS, FormError

Say = Callable[[str], str]
"""A sentence in the language of the page (gettext)."""

ANIMALS = {
    "milking_cows": "Milking cows",
    "high_producing_cows": "High-producing cows",
    "heifers_to_one_year": "Heifers to one year",
    "bred_heifers": "Bred heifers",
    "dry_cows": "Dry cows",
    "nursing_beef_cows": "Nursing beef cows",
    "stockers": "Stockers",
    "horses": "Horses",
    OTHER_CLASS: "Other animals: I have my adviser's number",
}

SENTENCES = (
    (
        r"(?P<text>'.*') is no phone number that can be texted; .*",
        "%(text)s is no phone number that can be texted; "
        "give ten digits with the area code, such as 202 555 0143.",
    ),
    (
        r"(?P<text>'.*') is no email address: .*",
        "%(text)s is no email address; write it like ada@example.org.",
    ),
    (
        r"(?P<text>'.*') is out of range; give from (?P<low>\S+) to (?P<high>\S+)(?P<unit> .*)?",
        "%(text)s is out of range; give %(low)s to %(high)s%(unit)s.",
    ),
    (
        r"(?P<text>'.*') is out of range; give above (?P<low>\S+) to (?P<high>\S+)(?P<unit> .*)?",
        "%(text)s is out of range; give more than %(low)s and at most %(high)s%(unit)s.",
    ),
    (
        r"(?P<text>'.*') is no number; .*",
        "%(text)s is no number; write it like 12.5, without a unit.",
    ),
    (
        r"(?P<text>'.*') is not a whole number; give (?P<low>\S+) to (?P<high>\S+)(?P<unit> .*)?",
        "%(text)s is no whole number; give %(low)s to %(high)s%(unit)s.",
    ),
    (
        r"(?P<text>'.*') is no time of day; .*",
        "%(text)s is no time of day; write it like 07:00 or 19:30.",
    ),
    (
        r"that is not after (?P<clock>\S+), the first hour; give a later one",
        "That is not after %(clock)s, the first hour; give a later one.",
    ),
    (
        r"(?P<text>'.*') is no ZIP code; .*",
        "%(text)s is no ZIP code; write its five digits, like 54321.",
    ),
    (
        r"(?P<text>'.*') is no ZIP code we know; .*",
        "%(text)s is no ZIP code we know; correct it, leave it empty, or give the exact place.",
    ),
    (
        r"(?P<zip>\d{5}) is more than (?P<miles>\S+) miles from the fields of (?P<area>.*); "
        r"correct it .*",
        "%(zip)s is more than %(miles)s miles from the fields of %(area)s; "
        "correct it or the area, or tick that it is right.",
    ),
    (
        r"(?P<number>\S+) lies east of Greenwich; .*",
        "%(number)s lies east of Greenwich; in North America write a minus in front, -%(number)s.",
    ),
    (
        r"(?P<year>\d+) is still to come; .*",
        "%(year)s is still to come; give the year the field was seeded.",
    ),
    (
        r"the latitude is missing beside its partner; .*",
        "The latitude is missing beside the longitude; give both or neither.",
    ),
    (
        r"the longitude is missing beside its partner; .*",
        "The longitude is missing beside the latitude; give both or neither.",
    ),
    (
        r"this is too long; give at most (?P<most>\d+) characters",
        "This is too long; give at most %(most)s characters.",
    ),
    (
        r"(?P<text>'.*') is a spreadsheet error; .*",
        "%(text)s is no value; type the value itself.",
    ),
    (
        r"(?P<text>'.*') looks like a formula; .*",
        "%(text)s looks like a formula; leave out the sign in front.",
    ),
    (
        r"(?P<text>'.*') has neither a letter nor a digit; .*",
        "%(text)s has neither a letter nor a digit; give a name.",
    ),
    (
        r"(?P<text>'.*') is (none of|neither yes nor no|no known|no language code).*",
        "%(text)s cannot be chosen here; choose one of the list.",
    ),
    (
        r"no (?P<index>\S+) target was published for (?P<animals>.*); give .*",
        "No %(index)s target was published for these animals; "
        "give your adviser's number, or choose another index.",
    ),
    (
        r"field (?P<number>\d+) bears this name already; .*",
        "Field %(number)s bears this name already; give each field its own.",
    ),
    (
        r"texts go to numbers that begin with (?P<starts>.*); choose email",
        "Texts go to numbers that begin with %(starts)s; choose email.",
    ),
)
"""What the readers and checks say, as patterns, and the sentence of the form for it: it speaks of
no columns or spreadsheets, and has its like in every language."""

UNITS = ("acres", "acres a day", "days", "degrees", "% of dry matter")
POINTS = "points of "
POINTS_OF = "points of %(index)s"

EXPECTED = {
    "phone": "Check the phone number: ten digits with the area code.",
    "email": "Check the email address.",
    "farmer": "Check the name: letters, no formula, no web address, at most 60 characters.",
    "farm": "Check the farm's name: letters, no formula, no web address, at most 40 characters.",
    "area": "Choose an area of the list.",
    "field": "Check the field's name: its own, no formula, at most 40 characters.",
    "zip": "Check the ZIP code: five digits, or leave it empty.",
    "latitude": "Check the latitude: degrees such as 44.25; give both numbers or neither.",
    "longitude": "Check the longitude: degrees such as -93.5; give both numbers or neither.",
    "acres": "Check the acres: a number above 0.",
    "grass_pct": "Check the share of grass: 0 to 100.",
    "seeding_year": "Check the year: four digits.",
    "animal_class": "Choose who eats the feed.",
    "feed_target": "Check the feed target: a number of the index.",
    "handling_loss": "Check the handling loss: points of the index, 0 or more.",
    "harvest_days": "Check the days of harvest: 0.25 to 45.",
    "acres_per_day": "Check the acres a day: a number above 0.",
    "notice_days": "Check the days of notice: 0 to 30.",
    "send_from": "Check the hour: such as 07:00.",
    "send_to": "Check the hour: such as 20:00.",
    "alert_by": "Choose how you want to be told.",
    "email_if_unreached": "Tick the box or leave it.",
    "address": "Give a phone number with its area code, or an email address.",
}
"""What to give instead, for what has no sentence in the language of the page."""

ANYTHING = "Check this value, or leave it empty."


def sentence(error: FormError, say: Say, language: str) -> str:
    """What is wrong, and what to do, as one sentence."""
    known = _known(error.reason, say)
    if known:
        return known
    english = f"{error.reason[:1].upper()}{error.reason[1:].rstrip('.')}."
    if language == "en":
        return english
    exactly = say(english)
    return exactly if exactly != english else say(EXPECTED.get(error.column, ANYTHING))


def _known(reason: str, say: Say) -> str:
    for pattern, words in SENTENCES:
        found = re.fullmatch(pattern, reason, re.DOTALL)
        if found:
            values = {name: value or "" for name, value in found.groupdict().items()}
            if "unit" in values:
                values["unit"] = _unit(values["unit"].strip(), say)
            return say(words) % values
    return ""


def _unit(unit: str, say: Say) -> str:
    """The unit behind a number, with the blank before it."""
    if unit.startswith(POINTS):
        return " " + say(POINTS_OF) % {"index": unit.removeprefix(POINTS)}
    return f" {say(unit)}" if unit else ""


def animal_choices(classes: Sequence[str], say: Say) -> list[tuple[str, str]]:
    """Classes of animal as (value, label); one an operator added bears its own name."""
    named = [
        (name, say(ANIMALS.get(name, name.replace("_", " ").capitalize()))) for name in classes
    ]
    return [*named, (OTHER_CLASS, say(ANIMALS[OTHER_CLASS]))]
