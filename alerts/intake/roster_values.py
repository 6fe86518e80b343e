"""One cell of a roster read as what it stands for; ValueError says what is wrong with it.

The sentences name the text and what is expected; the caller adds the row and the column.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Collection
from datetime import date, time
from enum import StrEnum
from functools import cache
from typing import TypeVar
from zoneinfo import available_timezones

import phonenumbers
from email_validator import EmailNotValidError, validate_email

from alerts.domain.names import name_key
from alerts.intake.cells import is_formula
from alerts.intake.text import printable as printable
from alerts.intake.text import shown
from alerts.intake.zip_places import ZIP, ZipPlace, find_zip

_Choice = TypeVar("_Choice", bound=StrEnum)

HOME_REGION = "US"  # a phone number without "+" is read as dialled in the US or Canada

_YEAR_FIRST = re.compile(r"(?P<year>\d{4})([-/])(?P<month>\d{1,2})\2(?P<day>\d{1,2})")
_MONTH_IN_WORDS = (
    re.compile(r"(?P<day>\d{1,2})[-/ ](?P<month>[A-Za-z]{3,9})\.?[-/, ]{1,2}(?P<year>\d{4})"),
    re.compile(r"(?P<month>[A-Za-z]{3,9})\.? (?P<day>\d{1,2}),? (?P<year>\d{4})"),
)
_YEAR_LAST = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})")
_MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july"),
    *("august", "september", "october", "november", "december"),
)
_MONTHS_IN_YEAR = 12
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(,\d{3})+(\.\d+)?")
# What people write behind a number of the unit that a column asks for.
_UNIT_WORDS = {
    "days": ("days", "day", "d"),
    "acres": ("acres", "acre", "ac"),
    "acres a day": ("acres a day", "acres per day", "acres/day", "ac/day"),
}
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::00)?")
_LANGUAGE = re.compile(r"[a-z]{2,3}(-[a-z]{2})?")
# North American Numbering Plan: neither area code nor exchange begins with 0 or 1.
_NORTH_AMERICAN = re.compile(r"\+1[2-9]\d{2}[2-9]\d{6}")
_SPREADSHEET_ERROR = re.compile(r"#(REF!|N/A|NAME\?|VALUE!|DIV/0!|NUM!|NULL!|#+)")
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_YES_NO = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}


def comparable_text(text: str) -> str:
    """Return a text as it is compared: case and spacing make no difference."""
    return printable(text).casefold()


def nearest(word: str, known: Collection[str]) -> str:
    """Return the known word that `word` may be a misspelling of, or ""."""
    return next(iter(difflib.get_close_matches(word, known, n=1)), "")


def refuse_formula(text: str) -> str:
    """Return the text unless a spreadsheet would run it in any column, or has failed to."""
    if _SPREADSHEET_ERROR.fullmatch(text):
        raise ValueError(f"{shown(text)} is a spreadsheet error; type the value itself")
    if text.startswith(("=", "@")):
        raise ValueError(f"{shown(text)} looks like a formula; type the value itself")
    return text


def words(text: str) -> str:
    """Return free text; there + or - in front, right for a phone, starts a formula too."""
    if is_formula(text):
        raise ValueError(f"{shown(text)} looks like a formula; type the value itself")
    return text


def name(text: str) -> str:
    """Read a name; names are compared by their letters and digits, so it needs one."""
    if not name_key(words(text)):
        raise ValueError(f"{shown(text)} has neither a letter nor a digit; give a name")
    return text


def name_or_no(text: str) -> str:
    """Read a name; "no" says that there shall be none (any more)."""
    return "" if text.casefold() == "no" else name(text)


def names(text: str) -> tuple[str, ...]:
    """Read names separated by "|"."""
    return tuple(name(part.strip()) for part in text.split("|") if part.strip())


def number(
    low: float, high: float, unit: str, *, above_low: bool = False
) -> Callable[[str], float]:
    """Return a reader of numbers from `low` to `high`; with `above_low`, not `low` itself."""
    expected = f"give {'above' if above_low else 'from'} {low:g} to {high:g} {unit}".rstrip()

    def read(text: str) -> float:
        value = _plain_number(_without_unit(text, unit))
        if not low <= value <= high or (above_low and value == low):
            raise ValueError(f"{shown(text)} is out of range; {expected}")
        return value

    return read


def whole(low: int, high: int, unit: str = "") -> Callable[[str], int]:
    """Return a reader of whole numbers from `low` to `high`; a spreadsheet's "5.0" is one."""
    read_number = number(low, high, unit)

    def read(text: str) -> int:
        value = read_number(text)
        if not value.is_integer():
            raise ValueError(
                f"{shown(text)} is not a whole number; give {low} to {high} {unit}".rstrip()
            )
        return int(value)

    return read


def one_of(choices: type[_Choice]) -> Callable[[str], _Choice]:
    """Return a reader of one of the named choices; "Dry hay" is dry_hay."""

    def read(text: str) -> _Choice:
        try:
            return choices(_underscored(text))
        except ValueError:
            raise ValueError(f"{shown(text)} is none of {', '.join(choices)}") from None

    return read


def one_of_names(choices: Collection[str], what: str) -> Callable[[str], str]:
    """Return a reader that gives the name as `choices` spells it."""
    known = {_underscored(choice): choice for choice in choices}

    def read(text: str) -> str:
        found = known.get(_underscored(text))
        if found is None:
            near = _near_names(_underscored(text), known)
            hint = f"did you mean {' or '.join(known[n] for n in near)}? If not, " if near else ""
            raise ValueError(
                f"{shown(text)} is no known {what}; {hint}give one of {', '.join(choices)}"
            )
        return found

    return read


def day(text: str) -> date:
    """Read a date with its year first, its month in words, or one that has only one meaning.

    4/3/2027 is April 3 to some and 4 March to others; 3/20/2027 is the same day to both.
    """
    try:
        if found := _YEAR_FIRST.fullmatch(text):
            return date(int(found["year"]), int(found["month"]), int(found["day"]))
        if found := next(filter(None, (form.fullmatch(text) for form in _MONTH_IN_WORDS)), None):
            return date(int(found["year"]), _month(found["month"]), int(found["day"]))
        if found := _YEAR_LAST.fullmatch(text):
            return _year_last(text, *map(int, found.groups()))
    except _TwoMeanings:
        raise
    except ValueError:
        pass
    raise ValueError(f"{shown(text)} is no date; write it year first, like 2027-03-14")


class _TwoMeanings(ValueError):
    pass


def _year_last(text: str, one: int, other: int, year: int) -> date:
    month, day_of_month = (other, one) if one > _MONTHS_IN_YEAR else (one, other)
    read = date(year, month, day_of_month)
    if day_of_month <= _MONTHS_IN_YEAR and month != day_of_month:
        raise _TwoMeanings(
            f"{shown(text)} may be {read} or {date(year, day_of_month, month)}; write it year "
            f"first, like {read}"
        )
    return read


def _month(word: str) -> int:
    """Read a month's name or its first letters, three or more; ValueError for anything else."""
    return next(
        (n for n, name in enumerate(_MONTHS, start=1) if name.startswith(word.casefold())), 0
    )


def weekdays(text: str) -> str:
    """Read days of the week such as "Mon, Thu" as "mon,thu", in the order of the week."""
    said = [word.casefold().rstrip(".") for word in re.split(r"[\s,;/+&|]+", text) if word]
    wanted = {
        full for word in said for full in _WEEKDAYS if len(word) > 1 and full.startswith(word)
    }
    strange = [w for w in said if len(w) < 2 or not any(f.startswith(w) for f in _WEEKDAYS)]
    if strange or not wanted:
        raise ValueError(f"{shown(text)} names no days of the week; write them like mon thu")
    return ",".join(full[:3] for full in _WEEKDAYS if full in wanted)


def zip_place(text: str) -> ZipPlace:
    """Read a ZIP code; a spreadsheet drops its leading zeros, which four digits give away."""
    code = text.zfill(5) if text.isascii() and text.isdigit() and len(text) > 2 else text
    if not ZIP.fullmatch(code):
        raise ValueError(f"{shown(text)} is no ZIP code; write its five digits, like 54321")
    place = find_zip(code)
    if place is None:
        raise ValueError(
            f"{shown(text)} is no ZIP code we know; check it, or give latitude and longitude"
        )
    return place


def clock(text: str) -> time:
    """Read a time of day such as 07:00; "7:00" and "07:00:00" are what spreadsheets make of it."""
    found = _CLOCK.fullmatch(text)
    try:
        if found:
            return time(int(found[1]), int(found[2]))
    except ValueError:
        pass
    raise ValueError(f"{shown(text)} is no time of day; write it like 07:00 or 19:30")


def yes_no(text: str) -> bool:
    try:
        return _YES_NO[text.casefold()]
    except KeyError:
        raise ValueError(f"{shown(text)} is neither yes nor no") from None


def language(text: str) -> str:
    code = text.casefold().replace("_", "-")
    if not _LANGUAGE.fullmatch(code):
        raise ValueError(f"{shown(text)} is no language code; write it like en or fr-ca")
    return code


def time_zone(text: str) -> str:
    """Read a place of the IANA time zone database, whatever its case.

    Bare abbreviations are refused: its "EST" keeps winter time all year, which no farmer means.
    """
    places = _time_zones()
    wanted = text.replace(" ", "_").casefold()
    if wanted in places:
        return places[wanted]
    near = nearest(wanted, places)
    hint = f"did you mean {places[near]}" if near else "write it like America/Chicago"
    raise ValueError(f"{shown(text)} is no known time zone; {hint}")


def phone(text: str) -> str:
    """Read a phone number, US and Canadian or international with +, as E.164.

    Possible is enough and valid is not asked for, since numbers set aside for fiction, as in every
    demonstration, may not be assigned. Local numbers and extensions cannot be texted.
    """
    wrong = ValueError(
        f"{shown(text)} is no phone number that can be texted; write the area code and seven "
        "digits, or + and the country code, and format the column as text"
    )
    try:
        parsed = phonenumbers.parse(text, HOME_REGION)
    except phonenumbers.NumberParseException:
        raise wrong from None
    reason = phonenumbers.is_possible_number_with_reason(parsed)
    number_e164 = phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164)
    if reason != phonenumbers.ValidationResult.IS_POSSIBLE or parsed.extension:
        raise wrong
    if parsed.country_code == 1 and not _NORTH_AMERICAN.fullmatch(number_e164):
        raise wrong
    return number_e164


def email(text: str) -> str:
    """Read an email address, without its capitals; whether its domain exists is not asked.

    A mail server may tell capitals apart (RFC 5321, 2.4), but none that people use does; told
    apart here, who stopped 'Ada@' would go on being written to as 'ada@'.
    """
    try:
        checked = validate_email(text, check_deliverability=False, allow_smtputf8=False)
    except EmailNotValidError as error:
        raise ValueError(f"{shown(text)} is no email address: {error}".rstrip(".")) from None
    return (checked.ascii_email or checked.normalized).casefold()


@cache
def _time_zones() -> dict[str, str]:
    places = (zone for zone in available_timezones() if "/" in zone)
    return {place.casefold(): place for place in places if not place.startswith("Etc/")}


def _underscored(text: str) -> str:
    return "_".join(re.split(r"[\s_-]+", text.strip().casefold()))


def _near_names(text: str, known: Collection[str]) -> list[str]:
    """Return the known names that hold the text as one of their words, else the nearest one."""
    near = nearest(text, known)
    return [name for name in known if text in name.split("_")] or ([near] if near else [])


def _without_unit(text: str, unit: str) -> str:
    for word in ("%", *_UNIT_WORDS.get(unit, ())):
        if text.casefold().endswith(word):
            return text[: -len(word)].strip()
    return text


def _plain_number(text: str) -> float:
    """Read a number; a comma counts only where it can only part thousands."""
    plain = text.replace(",", "") if _THOUSANDS.fullmatch(text) else text
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if math.isnan(value) or "_" in text:
        raise ValueError(f"{shown(text)} is no number; write it like 12.5, without a unit")
    return value
