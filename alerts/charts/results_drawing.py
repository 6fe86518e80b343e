"""Draws many fields' results over a season."""

from __future__ import annotations

from datetime import date, timedelta
from textwrap import wrap

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from alerts.charts import canvas
from alerts.charts.outlook_chart import Format
from alerts.charts.results_chart import FieldResults, ResultsChart
from alerts.charts.words import ChartWords
from alerts.domain.records import Method

WIDTH, HEIGHT = 360, 320
"""Size of the chart [points]."""

NAMED = 9
"""Most fields named at their last result; more would not fit."""

NAME_LINE, NAME_LINES = 15, 2
"""Letters in a line of a name, and lines of one."""

NAME_GAP = {1: 0.065, 2: 0.115}
"""Between names by the lines of the longest, as a share of the plot's height."""

TITLE_MOST = 38
LEAST_SPAN = {True: 40.0, False: 6.0}

COURSES = (("#0b3c6f", "-"), ("#8a3b00", "--"), ("#161616", "-."), ("#4f6d1f", ":"),
           ("#6a2c70", (0, (6, 2))))  # fmt: skip
"""Colour and dashes, so that neighbouring courses differ in grey too."""


def draw(chart: ResultsChart, form: Format, words: ChartWords) -> bytes:
    with canvas.lock():
        figure = canvas.new_figure(WIDTH, HEIGHT)
        named = _named(chart)
        axes = figure.add_axes((0.105, 0.13, 0.57 if named else 0.86, 0.76))
        _scales(axes, chart, words)
        for goal in chart.goals:
            axes.axhline(goal.value, color=canvas.GOAL, linewidth=1.8, dashes=(5, 2))
            _, level = canvas.share_of(axes, 0, goal.value)
            canvas.write(axes, 0.0, level + 0.01, goal.label, size=canvas.SMALL, color=canvas.GOAL)
        for place, field in enumerate(chart.known()):
            _course(axes, field, place, strong=field in named)
        _names(axes, named, chart)
        title = canvas.drawable(canvas.shortened(chart.title, TITLE_MOST))
        canvas.write(
            axes, -0.15, 1.06, f"{title}, {chart.index.label}", size=canvas.SIZE + 1, va="baseline"
        )
        return canvas.to_bytes(figure, form)


def _scales(axes: Axes, chart: ResultsChart, words: ChartWords) -> None:
    canvas.bare(axes)
    days = [result.day for result in chart.results()]
    first, last = _day_span(chart, days)
    axes.set_xlim(first.toordinal() - 1, last.toordinal() + 1)
    values = [*(r.value for r in chart.results()), *(goal.value for goal in chart.goals)]
    low, high = canvas.span_of(values or [0.0, 1.0], LEAST_SPAN[chart.index.falls])
    axes.set_ylim(low - (high - low) * 0.06, high + (high - low) * 0.06)
    if values:
        axes.yaxis.set_major_locator(MaxNLocator(6, integer=True))
    else:
        axes.set_yticks([])
    ticks = canvas.day_ticks(first, last, most=3)
    axes.set_xticks([day.toordinal() for day in ticks], [words.short_day(day) for day in ticks])
    if not days:
        canvas.write(axes, 0.03, 0.5, words.say("chart.no_season"), weight="normal")


def _day_span(chart: ResultsChart, days: list[date]) -> tuple[date, date]:
    last = chart.last or max(days, default=chart.first or date(2000, 5, 31))
    first = chart.first or min(days, default=last - timedelta(days=28))
    return min(first, last - timedelta(days=7)), last


def _course(axes: Axes, field: FieldResults, place: int, *, strong: bool) -> None:
    color, dashes = COURSES[place % len(COURSES)] if strong else ("#6e6e6e", "-")
    results = field.by_day()
    for crop in field.courses():
        axes.plot(
            [r.day.toordinal() for r in crop], [r.value for r in crop], color=color,
            linestyle=dashes, linewidth=1.6 if strong else 0.8, zorder=3, gid=f"line-{place}",
        )  # fmt: skip
    for method, marker in canvas.MARKER.items():
        some = [r for r in results if r.method is method]
        if some:
            axes.plot(
                [r.day.toordinal() for r in some], [r.value for r in some], linestyle="",
                marker=marker, markersize=6 if strong else 4.5, color=color, zorder=4,
                markerfacecolor=canvas.PAPER if method is Method.STEM else color,
                gid=f"{method}-{place}",
            )  # fmt: skip


def _named(chart: ResultsChart) -> list[FieldResults]:
    """The fields that are named: fewer where names take two lines."""
    named = [field for field in chart.known() if field.name][:NAMED]
    return named[: int(1.05 / _gap(named))]


def _gap(named: list[FieldResults]) -> float:
    return NAME_GAP[max((len(_lines(field.name)) for field in named), default=1)]


def _lines(name: str) -> list[str]:
    """A name in at most two lines. A longer one keeps its beginning and its end: names of one
    neighbourhood often begin alike."""
    whole = canvas.drawable(name)
    lines = wrap(whole, NAME_LINE)
    if len(lines) <= NAME_LINES:
        return lines or [""]
    return [f"{lines[0]}…", lines[-1]]


def _names(axes: Axes, named: list[FieldResults], chart: ResultsChart) -> None:
    """Each name beside its last result, moved up or down so that none covers another."""
    levels = [canvas.share_of(axes, 0, field.by_day()[-1].value)[1] for field in named]
    places = {field: place for place, field in enumerate(chart.known())}
    for field, level, wanted in zip(named, canvas.apart(levels, _gap(named)), levels, strict=True):
        color, _ = COURSES[places[field] % len(COURSES)]
        last = field.by_day()[-1]
        day, _ = canvas.share_of(axes, last.day.toordinal(), 0)
        axes.plot(
            [day + 0.015, 1.03], [wanted, level], transform=axes.transAxes, color=color,
            linewidth=0.7, clip_on=False,
        )  # fmt: skip
        name = "\n".join(_lines(field.name))
        canvas.write(axes, 1.045, level, name, va="center", size=canvas.SMALL, color=color)
