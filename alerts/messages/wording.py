"""How dates, ranges and numbers read in a message, in the language of who reads it.

The words come from ``messages/<language>/words.toml``; they do not depend on the machine's locale.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING

from alerts.domain.records import Index
from alerts.messages.segments import clean
from alerts.messages.words import read_words

if TYPE_CHECKING:
    from alerts.domain.outlook import FarmOutlook, FieldOutlook, StartDates

_NOON = 12


def one_line(name: str) -> str:
    """A name as a text can hold it: in GSM-7 and without line breaks."""
    return " ".join(clean(name).split())


def shortened(name: str, most: int = 24) -> str:
    """A name of at most ``most`` characters that keeps its end: 'Lower Meadow b..river 2'."""
    if len(name) <= most:
        return name
    tail = most // 3
    return f"{name[: most - tail - 2].rstrip()}..{name[-tail:].lstrip()}"


@dataclass(frozen=True, slots=True)
class Wording:
    """The words of one language; examples below are those of English.

    ``phrases`` holds every entry of a ``words.toml`` as 'table.entry'; a list is one entry for each
    of its words, counted from 0 ('dates.months.4' is May).
    """

    language: str
    phrases: Mapping[str, str]

    one_line = staticmethod(one_line)
    shortened = staticmethod(shortened)

    def say(self, entry: str, **values: object) -> str:
        """A phrase with its values filled in; KeyError for an entry or value there is not."""
        return self.phrases[entry].format(**values)

    def counted(self, entry: str, count: float, **values: object) -> str:
        """A phrase about so many: '1 day' from 'days_one', '2.5 days' from 'days'."""
        told = self.number(count)
        return self.say(f"{entry}_one" if told == "1" else entry, count=told, **values)

    # ------------------------------------------------------------------- dates

    def short_day(self, day: date) -> str:
        """'May 14'."""
        return self.say("dates.short_day", month=self._month(day), day=day.day)

    def full_day(self, day: date) -> str:
        """'Thu May 14'."""
        return self.say("dates.full_day", weekday=self.weekday(day), date=self.short_day(day))

    def weekday(self, day: date) -> str:
        """'Thu'."""
        return self.phrases[f"dates.weekdays.{day.weekday()}"]

    def _month(self, day: date) -> str:
        return self.phrases[f"dates.months.{day.month - 1}"]

    def near_day(self, day: date, today: date) -> str:
        """'today, Thu May 14', 'tomorrow, Fri May 15', 'on Sat May 16'."""
        entry = {0: "today", 1: "tomorrow"}.get((day - today).days, "other_day")
        return self.say(f"dates.{entry}", day=self.full_day(day))

    def clock(self, at: time) -> str:
        """'8 am', '6:30 pm'."""
        hour = at.hour % _NOON or _NOON
        minute = f":{at.minute:02d}" if at.minute else ""
        return self.say(f"dates.clock_{'am' if at.hour < _NOON else 'pm'}", time=f"{hour}{minute}")

    def spoken_clock(self, at: time) -> str:
        """The same behind 'before' or 'at', where some languages want an article: 'las 8 am'."""
        one = "_one" if at.hour % _NOON == 1 else ""
        return self.say(f"dates.spoken_clock{one}", clock=self.clock(at))

    def day_range(self, low: date | None, high: date | None, today: date) -> str:
        """'May 12-18', 'now to May 18', 'May 28-Jun 3', 'Jul 2 or later'.

        Days already gone are not named: nobody can start on them.
        """
        if low is None:
            return self.say("dates.not_in_sight")
        if high is None:
            return self.say("dates.or_later", low=self.short_day(max(low, today)))
        if high <= today:
            return self.say("dates.now_or_before")
        if low <= today:
            return self.say("dates.now_to", high=self.short_day(high))
        if low == high:
            return self.short_day(low)
        if low.month == high.month:
            return self.say(
                "dates.range_in_month", month=self._month(low), first=low.day, last=high.day
            )
        return self.say("dates.range", low=self.short_day(low), high=self.short_day(high))

    def likely(self, low: date | None, high: date | None, today: date) -> str:
        """'likely May 12-18'; "" when both ends lie beyond the horizon."""
        if low is None:
            return ""
        return self.say("dates.likely", range=self.day_range(low, high, today))

    def at_latest(self, high: date | None, today: date) -> str:
        """'at the latest May 15'; "" when even that day is gone or none is in sight."""
        if high is None or high < today:
            return ""
        return self.say("dates.at_latest", day=self.short_day(high))

    def likely_start(self, start: StartDates, today: date) -> str:
        return self.likely(start.p10, start.p90, today)

    # ----------------------------------------------------------------- numbers

    def number(self, value: float) -> str:
        """'185', '38.5'."""
        return self.decimals(value, 1).removesuffix(f"{self.phrases['numbers.decimal']}0")

    def decimals(self, value: float, places: int) -> str:
        """'4.0' for one place."""
        return f"{value:.{places}f}".replace(".", self.phrases["numbers.decimal"])

    def reading(self, index: Index, value: float) -> str:
        """'RFV 205', 'NDF 38.2'; RFV and RFQ are whole numbers in the trade."""
        told = self.number(value) if index is Index.NDF else f"{value:.0f}"
        return self.say("numbers.reading", index=index.label, value=told)

    def days(self, count: float) -> str:
        """'2-day', '2.5-day': how long something is."""
        return self.counted("numbers.long", round(count, 1))

    def percent(self, chance: float) -> str:
        """'40 %', in steps that do not pretend to know more than they do."""
        if chance < 0.01:
            return self.say("numbers.percent_under", value=1)
        if chance > 0.99:
            return self.say("numbers.percent_over", value=99)
        return self.say("numbers.percent", value=f"{chance * 100:.0f}")

    # ---------------------------------------------------------------- evidence

    def evidence(self, field: FieldOutlook) -> str:
        """What is known of a field, in words: 'RFV 205 on May 11, 3 results'."""
        return self.evidence_of(
            field.index,
            field.results,
            field.last_on,
            field.last_value,
            field.stands_in,
            field.last_index,
            is_area=field.is_area,
            area_fields=field.area_fields,
        )

    def evidence_of(
        self,
        index: Index,
        results: int,
        last_on: date | None,
        last_value: float | None,
        stands_in: str,
        last_index: Index | None = None,
        *,
        is_area: bool = False,
        area_fields: int = 0,
    ) -> str:
        """The same from single values.

        ``stands_in`` names the field or area whose results serve instead; ``last_index`` is the
        index of the last value where it is not the farm's own, which is always said. Where
        ``is_area``, the value is the middle of ``area_fields`` fields, or there is none.
        """
        if last_on is None or last_value is None:
            return self.say("evidence.area_bare" if is_area else "evidence.none")
        last = self.dated_reading(last_index or index, last_value, last_on)
        if last_index is not None:
            last = self.say("evidence.other_index", last=last, index=index.label)
        if is_area:
            return self.say("evidence.area", count=area_fields, last=last)
        if stands_in:
            return self.say("evidence.stands_in", source=stands_in, last=last)
        if last_index is not None:
            return last
        return self.counted("evidence.results", results, last=last)

    def dated_reading(self, index: Index, value: float, on: date) -> str:
        """'RFV 205 on May 11'."""
        return self.say("evidence.last", reading=self.reading(index, value), day=self.short_day(on))

    def stand_in(self, field: FieldOutlook) -> str:
        """Whose results serve a field, to its farmer: 'Far Bottom', 'middle of 4 fields near you';
        "" for its own."""
        if not field.is_area:
            return field.stands_in
        entry = "why.area" if field.area_fields else "why.area_bare"
        return self.say(entry, count=field.area_fields)

    # ------------------------------------------------------------------- lists

    def harvest_order(self, outlook: FarmOutlook, most: int, longest: int) -> str:
        """'North first, then Creek, West and 3 more'; "" for a single field.

        Names at most ``most`` fields, each with at most ``longest`` characters.
        """
        names = [shortened(field.name, longest) for field in outlook.fields]
        if len(names) == 1:
            return ""
        rest = self.listed(names[1:], most - 1)
        return self.say("lists.harvest_order", first=names[0], rest=rest)

    def listed(self, names: Sequence[str], most: int) -> str:
        """'Creek, West and 3 more': at most ``most`` names."""
        shown = ", ".join(names[:most])
        if len(names) <= most:
            return shown
        return self.say("lists.more", names=shown, count=len(names) - most)


def _shipped_english() -> Path:
    """English words of an installed wheel, or of the checkout."""
    package = Path(__file__).parents[1]
    inside = package / "shipped_config"
    config = inside if inside.is_dir() else package.parent / "config"
    return config / "messages" / "en" / "words.toml"


ENGLISH = Wording("en", read_words(_shipped_english()))
"""The shipped English words, for callers who have no templates at hand."""
