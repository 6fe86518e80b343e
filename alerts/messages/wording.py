"""How dates, ranges and numbers read in a message (American English).

The words do not depend on the machine's locale.
"""

from __future__ import annotations

from datetime import date, time

from alerts.domain.outlook import FarmOutlook, FieldOutlook, StartDates
from alerts.domain.records import Index
from alerts.messages.segments import clean

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_NOON = 12


def short_day(day: date) -> str:
    """'May 14'."""
    return f"{_MONTHS[day.month - 1]} {day.day}"


def full_day(day: date) -> str:
    """'Thu May 14'."""
    return f"{_DAYS[day.weekday()]} {short_day(day)}"


def near_day(day: date, today: date) -> str:
    """'today, Thu May 14', 'tomorrow, Fri May 15', 'on Sat May 16'."""
    word = {0: "today,", 1: "tomorrow,"}.get((day - today).days, "on")
    return f"{word} {full_day(day)}"


def one_line(name: str) -> str:
    """A name as a text can hold it: in GSM-7 and without line breaks."""
    return " ".join(clean(name).split())


def shortened(name: str, most: int = 24) -> str:
    """A name of at most ``most`` characters that keeps its end: 'Lower Meadow b..river 2'."""
    if len(name) <= most:
        return name
    tail = most // 3
    return f"{name[: most - tail - 2].rstrip()}..{name[-tail:].lstrip()}"


def clock(at: time) -> str:
    """'8 am', '6:30 pm'."""
    hour = at.hour % _NOON or _NOON
    minute = f":{at.minute:02d}" if at.minute else ""
    return f"{hour}{minute} {'am' if at.hour < _NOON else 'pm'}"


def day_range(low: date | None, high: date | None, today: date) -> str:
    """'May 12-18', 'now to May 18', 'May 28-Jun 3', 'Jul 2 or later'.

    Days already gone are not named: nobody can start on them.
    """
    if low is None:
        return "not in sight"
    if high is None:
        return f"{short_day(max(low, today))} or later"
    if high <= today:
        return "now or before"
    if low <= today:
        return f"now to {short_day(high)}"
    if low == high:
        return short_day(low)
    if low.month == high.month:
        return f"{short_day(low)}-{high.day}"
    return f"{short_day(low)}-{short_day(high)}"


def likely(low: date | None, high: date | None, today: date) -> str:
    """'likely May 12-18'; "" when both ends lie beyond the horizon."""
    return "" if low is None else f"likely {day_range(low, high, today)}"


def at_latest(high: date | None, today: date) -> str:
    """'at the latest May 15'; "" when even that day is gone or none is in sight."""
    return f"at the latest {short_day(high)}" if high is not None and high >= today else ""


def likely_start(start: StartDates, today: date) -> str:
    return likely(start.p10, start.p90, today)


def number(value: float) -> str:
    """'185', '38.5'."""
    return f"{value:.1f}".removesuffix(".0")


def reading(index: Index, value: float) -> str:
    """'RFV 205', 'NDF 38.2'; RFV and RFQ are whole numbers in the trade."""
    return f"{index.label} {number(value) if index is Index.NDF else f'{value:.0f}'}"


def days(count: float) -> str:
    """'2-day', '2.5-day'."""
    return f"{number(round(count, 1))}-day"


def percent(chance: float) -> str:
    """'40 %', in steps that do not pretend to know more than they do."""
    if chance < 0.01:
        return "under 1 %"
    if chance > 0.99:
        return "over 99 %"
    return f"{chance * 100:.0f} %"


def evidence(field: FieldOutlook) -> str:
    """What is known of a field, in words: 'RFV 205 on May 11, 3 results'."""
    return evidence_of(
        field.index,
        field.results,
        field.last_on,
        field.last_value,
        field.stands_in,
        field.last_index,
    )


def evidence_of(
    index: Index,
    results: int,
    last_on: date | None,
    last_value: float | None,
    stands_in: str,
    last_index: Index | None = None,
) -> str:
    """The same from single values.

    ``stands_in`` names the field or area whose results serve instead; ``last_index`` is the index
    of the last value where it is not the farm's own, which is always said.
    """
    if last_on is None or last_value is None:
        return "no result yet"
    last = f"{reading(last_index or index, last_value)} on {short_day(last_on)}"
    if last_index is not None:
        last += f", no {index.label} result"
    if stands_in:
        return f"no result of its own; goes with {stands_in} ({last})"
    if last_index is not None:
        return last
    return f"{last}, {results} result{'' if results == 1 else 's'}"


def harvest_order(outlook: FarmOutlook, most: int, longest: int) -> str:
    """', North first, then Creek, West and 3 more'; "" for a single field.

    Names at most ``most`` fields, each with at most ``longest`` characters.
    """
    names = [shortened(field.name, longest) for field in outlook.fields]
    if len(names) == 1:
        return ""
    rest = names[1:most]
    more = len(names) - 1 - len(rest)
    tail = f" and {more} more" if more else ""
    return f", {names[0]} first, then {', '.join(rest)}{tail}"
