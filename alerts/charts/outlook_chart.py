"""The outlook of one field as a picture and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from alerts.charts.words import ChartWords
from alerts.domain.days_ahead import DayAhead
from alerts.domain.records import Index, Method

Format = Literal["svg", "png"]

LONGEST_PAST = timedelta(days=35)
"""Results further back are of an early clip, and would press the rest together."""


@dataclass(frozen=True, slots=True)
class ChartResult:
    """One result in the index of the chart."""

    day: date
    value: float  # [index points; % of DM for NDF]
    method: Method
    own: bool = True  # False: of another field, standing in
    cutting: int = 1


@dataclass(frozen=True, slots=True)
class OutlookChart:
    """What a field's outlook shows; ``days`` begin today and follow one another."""

    title: str
    index: Index
    today: date
    standing_target: float  # [index points; % of DM for NDF]
    results: tuple[ChartResult, ...] = ()
    days: Sequence[DayAhead] = ()
    start_p10: date | None = None
    start_median: date | None = None
    start_p90: date | None = None
    alone: bool = False  # the start is the field's own, and the farm's harvest another matter

    def crosses_on(self) -> date | None:
        """The first day on which the median line is at or past the target; None: not in sight."""
        falls = self.index.falls
        for day in self.days:
            past = day.median - self.standing_target
            if past <= 0 if falls else past >= 0:
                return day.day
        return None

    def newest(self) -> ChartResult | None:
        """The last result, one of its own first."""
        return max(self.results, key=lambda one: (one.own, one.day), default=None)


def draw(chart: OutlookChart, form: Format, words: ChartWords) -> bytes:
    """The chart as an SVG of 360 by 300 points, or a PNG of twice as many pixels.

    The same chart gives the same bytes.
    """
    from alerts.charts import outlook_drawing

    return outlook_drawing.draw(chart, form, words)


def draw_small(chart: OutlookChart, words: ChartWords) -> bytes:
    """A PNG of 520 by 180 pixels, to be shown at 260 by 90: the course and the start day."""
    from alerts.charts import small_drawing

    return small_drawing.draw(chart, words)


def describe(chart: OutlookChart, words: ChartWords) -> str:
    """The chart in sentences, for those who hear it instead of seeing it."""
    target = words.number(chart.standing_target)
    said = [
        words.say("chart.says_title", title=chart.title),
        *_results(chart, words),
        *_today(chart, words),
        words.say(f"chart.says_{'target' if chart.index.falls else 'limit'}", target=target),
        *_crossing(chart, words),
    ]
    if chart.days:
        said.append(start_words(chart, words, "says_"))
    return " ".join(said)


def _results(chart: OutlookChart, words: ChartWords) -> list[str]:
    last = chart.newest()
    if last is None:
        return [words.say("chart.says_none")]
    reading = words.reading(chart.index, last.value)
    if not last.own:
        return [words.say("chart.says_other", day=words.full_day(last.day), reading=reading)]
    count = sum(1 for result in chart.results if result.own)
    return [
        words.say(f"chart.says_results{'_one' if count == 1 else ''}", count=count),
        words.say("chart.says_last", day=words.full_day(last.day), reading=reading),
    ]


def _today(chart: OutlookChart, words: ChartWords) -> list[str]:
    first = chart.days[0] if chart.days else None
    if first is None:
        return []
    low, median, high = (
        words.reading(chart.index, value) for value in (first.low, first.median, first.high)
    )
    return [
        words.say(
            "chart.says_today", day=words.full_day(first.day), reading=median, low=low, high=high
        )
    ]


def _crossing(chart: OutlookChart, words: ChartWords) -> list[str]:
    if not chart.days:
        return []
    day = chart.crosses_on()
    if day is None:
        return [words.say("chart.says_not_crossed", day=words.full_day(chart.days[-1].day))]
    if day == chart.days[0].day:
        return [words.say("chart.says_crossed")]
    return [words.say("chart.says_crosses", day=words.full_day(day))]


def start_words(chart: OutlookChart, words: ChartWords, how: str = "") -> str:
    """The start day with its range; ``how`` is "says_" for sentences."""
    entry = f"chart.{how}{'alone' if chart.alone else 'start'}"
    low, median, high = chart.start_p10, chart.start_median, chart.start_p90
    if low is None or median is None:
        return words.say(f"{entry}_later")
    if median <= chart.today:
        return words.say(f"{entry}_now")
    day = words.full_day(median)
    if low == high:
        return words.say(entry, day=day)
    return words.say(f"{entry}_range", day=day, range=words.day_range(low, high, chart.today))
