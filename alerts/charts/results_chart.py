"""Many fields' results over a season as a picture and in words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from alerts.charts.outlook_chart import ChartResult, Format
from alerts.charts.words import ChartWords
from alerts.domain.records import Index, Method


@dataclass(frozen=True, slots=True)
class FieldResults:
    """One field's results in the index of the chart; ``name`` may be "" for one not named."""

    name: str
    results: tuple[ChartResult, ...]

    def by_day(self) -> list[ChartResult]:
        return sorted(self.results, key=lambda result: (result.day, result.value))

    def courses(self) -> list[list[ChartResult]]:
        """What a line may join, by day: laboratory results of one crop.

        A stem reading is an estimate with an error of its own, and a cut ends a crop.
        """
        sent = [result for result in self.by_day() if result.method is not Method.STEM]
        crops = sorted({result.cutting for result in sent})
        return [[one for one in sent if one.cutting == crop] for crop in crops]


@dataclass(frozen=True, slots=True)
class Goal:
    """A level to compare with, such as a target many have."""

    value: float  # [index points; % of DM for NDF]
    label: str


@dataclass(frozen=True, slots=True)
class ResultsChart:
    """Results of an area's fields; the days shown are those of the results unless given."""

    title: str
    index: Index
    fields: tuple[FieldResults, ...]
    goals: tuple[Goal, ...] = ()
    first: date | None = None
    last: date | None = None

    def known(self) -> list[FieldResults]:
        """Fields with a result, the one with the newest value highest first."""
        some = [field for field in self.fields if field.results]
        return sorted(some, key=lambda field: (-field.by_day()[-1].value, field.name))

    def results(self) -> list[ChartResult]:
        return [result for field in self.fields for result in field.results]


def draw(chart: ResultsChart, form: Format, words: ChartWords) -> bytes:
    """The chart as an SVG of 360 by 320 points, or a PNG of twice as many pixels.

    The same chart gives the same bytes.
    """
    from alerts.charts import results_drawing

    return results_drawing.draw(chart, form, words)


def describe(chart: ResultsChart, words: ChartWords) -> str:
    """The chart in sentences; fields without a name count, but are not told apart."""
    said = [words.say("chart.says_title", title=chart.title)]
    days = [result.day for result in chart.results()]
    if not days:
        return " ".join([*said, words.say("chart.says_none")])
    known = chart.known()
    span = {"first": words.full_day(min(days)), "last": words.full_day(max(days))}
    said.append(_counted(words, "chart.says_fields", len(known), **span))
    said += [_field(chart, field, words) for field in known if field.name]
    return " ".join(said)


def _field(chart: ResultsChart, field: FieldResults, words: ChartWords) -> str:
    last, count = field.by_day()[-1], len(field.results)
    return _counted(
        words,
        "chart.says_field",
        count,
        field=field.name,
        reading=words.reading(chart.index, last.value),
        day=words.full_day(last.day),
    )


def _counted(words: ChartWords, entry: str, count: int, **values: object) -> str:
    return words.say(f"{entry}_one" if count == 1 else entry, count=count, **values)
