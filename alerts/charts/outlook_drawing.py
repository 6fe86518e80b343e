"""Draws the outlook of a field."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from math import nan

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from alerts.charts import canvas
from alerts.charts.canvas import Box
from alerts.charts.outlook_chart import (
    LONGEST_PAST,
    ChartResult,
    Format,
    OutlookChart,
    start_words,
)
from alerts.charts.words import ChartWords
from alerts.domain.records import Method

WIDTH, HEIGHT = 360, 300
"""Size of the chart [points]."""

PLOT = (0.105, 0.2, 0.865, 0.685)
"""Left, bottom, width and height of the plot, as shares of the chart."""

TITLE_MOST = 34
"""Longest title that fits [characters]."""

LEAST_SPAN = {True: 30.0, False: 5.0}
"""Height of the scale at least, for an index that falls and for NDF, so that a flat course looks
flat."""

STRIP, STRIP_ROOM = 0.055, 0.17
"""Height of the start window's strip, and of the room kept for it and its words, as shares of the
plot."""


def draw(chart: OutlookChart, form: Format, words: ChartWords) -> bytes:
    with canvas.lock():
        figure = canvas.new_figure(WIDTH, HEIGHT)
        axes = figure.add_axes(PLOT)
        _title(axes, chart)
        _scales(axes, chart, words)
        _course(axes, chart, words)
        _results(axes, chart)
        _labels(axes, chart, words)
        _start(axes, chart, words)
        _key(axes, chart, words)
        return canvas.to_bytes(figure, form)


def shown(chart: OutlookChart) -> list[ChartResult]:
    """Results on the picture, oldest first."""
    since = chart.today - LONGEST_PAST
    return sorted((r for r in chart.results if r.day >= since), key=lambda r: (r.day, r.value))


def day_span(chart: OutlookChart) -> tuple[date, date]:
    """First and last day of the picture."""
    last = chart.days[-1].day if chart.days else chart.today + timedelta(days=14)
    wanted = [chart.today, last - timedelta(days=14), *(r.day for r in shown(chart)[:1])]
    if chart.start_median is not None and chart.start_median >= chart.today - LONGEST_PAST:
        wanted.append(chart.start_median)
    return min(wanted) - timedelta(days=1), last


def value_span(chart: OutlookChart) -> tuple[float, float]:
    """Lowest and highest value of the picture; a range wider than that runs out of it."""
    told = [*(r.value for r in shown(chart)), *(d.median for d in chart.days)]
    low, high = canvas.span_of([*told, chart.standing_target], LEAST_SPAN[chart.index.falls])
    room = (high - low) / 2
    lows = [max(d.low, low - room) for d in chart.days]
    highs = [min(d.high, high + room) for d in chart.days]
    return min([low, *lows]), max([high, *highs])


def _title(axes: Axes, chart: OutlookChart) -> None:
    text = f"{canvas.drawable(canvas.shortened(chart.title, TITLE_MOST))}, {chart.index.label}"
    canvas.write(axes, -0.1, 1.07, text, size=canvas.SIZE + 1, va="baseline")


def _scales(axes: Axes, chart: OutlookChart, words: ChartWords) -> None:
    canvas.bare(axes)
    first, last = day_span(chart)
    axes.set_xlim(first.toordinal(), last.toordinal())
    low, high = value_span(chart)
    room = STRIP_ROOM if chart.days else 0.06
    axes.set_ylim(low - (high - low) * room / (0.92 - room), high + (high - low) * 0.08 / 0.84)
    ticks = MaxNLocator(5, integer=True).tick_values(low, high)
    axes.set_yticks([tick for tick in ticks if low <= tick <= high])
    days = canvas.day_ticks(first, last)
    axes.set_xticks([day.toordinal() for day in days], [words.short_day(day) for day in days])
    axes.get_xticklabels()[-1].set_horizontalalignment("right")


def _course(axes: Axes, chart: OutlookChart, words: ChartWords) -> None:
    if chart.days:
        floor, ceiling = value_span(chart)
        days = [float(d.day.toordinal()) for d in chart.days]
        low, high = [d.low for d in chart.days], [d.high for d in chart.days]
        axes.fill_between(
            days, [max(v, floor) for v in low], [min(v, ceiling) for v in high],
            color=canvas.BAND, linewidth=0, gid="range",
        )  # fmt: skip
        for edge in (low, high):
            inside = [v if floor <= v <= ceiling else nan for v in edge]
            axes.plot(days, inside, color=canvas.LINE, linewidth=0.7, alpha=0.6)
        axes.plot(
            days, [d.median for d in chart.days], color=canvas.LINE, linewidth=2.4, gid="median"
        )
    axes.axvline(chart.today.toordinal(), STRIP_ROOM, color=canvas.INK, linewidth=1, dashes=(1, 2))
    day, _ = canvas.share_of(axes, chart.today.toordinal(), 0)
    canvas.write(
        axes,
        day + 0.01,
        0.995,
        words.say("chart.today"),
        va="top",
        size=canvas.SMALL,
        weight="normal",
    )


def _results(axes: Axes, chart: OutlookChart) -> None:
    results = shown(chart)
    for own in (False, True):
        for method, marker in canvas.MARKER.items():
            some = [r for r in results if r.method is method and r.own is own]
            if some:
                axes.plot(
                    [r.day.toordinal() for r in some], [r.value for r in some],
                    linestyle="", marker=marker, markersize=8.5 if own else 7.5,
                    markerfacecolor=canvas.INK if own else canvas.PAPER,
                    markeredgecolor=canvas.PAPER if own else canvas.INK,
                    markeredgewidth=0.8 if own else 1.4, zorder=4, clip_on=False,
                    gid=f"{'own' if own else 'other'}-{method}",
                )  # fmt: skip


def _labels(axes: Axes, chart: OutlookChart, words: ChartWords) -> None:
    """The target and the newest value, each where the fewest other things are."""
    taken = _taken(axes, chart)
    axes.axhline(
        chart.standing_target, color=canvas.GOAL, linewidth=2, dashes=(5, 2), zorder=3, gid="target"
    )
    _, level = canvas.share_of(axes, 0, chart.standing_target)
    needs = words.say(
        f"chart.{'needs' if chart.index.falls else 'limit'}",
        target=words.number(chart.standing_target),
    )
    box = canvas.write_free(
        axes, needs, [(x, level, ha, va) for va in ("bottom", "top")
                      for x, ha in ((1.0, "right"), (0.0, "left"))],
        taken, color=canvas.GOAL,
    )  # fmt: skip
    newest = chart.newest()
    if newest is not None and newest in shown(chart):
        x, y = canvas.share_of(axes, newest.day.toordinal(), newest.value)
        value = words.reading(chart.index, newest.value).split()[-1]
        spots = [(x + dx, y, ha, va) for va in ("bottom", "top")
                 for dx, ha in ((0.02, "left"), (-0.02, "right"))]  # fmt: skip
        canvas.write_free(axes, value, spots, [*taken, box])


def _taken(axes: Axes, chart: OutlookChart) -> list[Box]:
    """Boxes over the results, along the median and the day's line, and over the numbers of the
    scale, as shares."""
    points = [(float(r.day.toordinal()), r.value) for r in shown(chart)]
    points += [(float(d.day.toordinal()), d.median) for d in chart.days]
    points += [
        (one.day.toordinal() + 0.5, (one.median + other.median) / 2)
        for one, other in pairwise(chart.days)
    ]
    places = [canvas.share_of(axes, *point) for point in points]
    day, _ = canvas.share_of(axes, chart.today.toordinal(), 0)
    boxes = [(x - 0.014, y - 0.022, x + 0.014, y + 0.022) for x, y in places]
    boxes += _numbers(axes)
    return [*boxes, (day - 0.003, STRIP_ROOM, day + 0.003, 0.9), (day, 0.92, day + 0.12, 1.0)]


def _numbers(axes: Axes) -> list[Box]:
    """Over the numbers left of the plot, twice: a value on one of them cannot be told from it."""
    levels = [canvas.share_of(axes, 0, tick)[1] for tick in axes.get_yticks()]
    return 2 * [(-0.11, level - 0.03, -0.005, level + 0.03) for level in levels]


def _start(axes: Axes, chart: OutlookChart, words: ChartWords) -> None:
    if not chart.days:
        return
    middle = 1.0
    if chart.start_median is not None and chart.start_p10 is not None:
        first, last = (float(day.toordinal()) for day in day_span(chart))
        low = chart.start_p10.toordinal() - 0.5
        high = chart.start_p90.toordinal() + 0.5 if chart.start_p90 else last
        if low < last:
            axes.axvspan(
                max(low, first), max(min(high, last), first), 0, STRIP, facecolor=canvas.STRIP,
                edgecolor=canvas.INK, linewidth=0.8, gid="start",
            )  # fmt: skip
        middle, _ = canvas.share_of(axes, chart.start_median.toordinal(), 0)
        if 0 <= middle <= 1:
            axes.plot(
                [middle], [STRIP / 2], transform=axes.transAxes, linestyle="", marker="D",
                markersize=8, color=canvas.INK, zorder=5, clip_on=False, gid="start-median",
            )  # fmt: skip
    canvas.write(axes, middle, STRIP + 0.025, start_words(chart, words), ha="center")


def _key(axes: Axes, chart: OutlookChart, words: ChartWords) -> None:
    """The shapes in use, in one line below the axis."""
    results = shown(chart)
    marks: list[Artist] = [
        _mark(canvas.MARKER[method], canvas.INK, words.say(f"chart.{method}"))
        for method in Method
        if any(r.method is method for r in results)
    ]
    if any(not r.own for r in results):
        marks.append(_mark("o", canvas.PAPER, words.say("chart.other")))
    if not results:
        marks.append(_mark("", canvas.INK, words.say("chart.no_results")))
    if chart.days:
        label = words.say("chart.likely_range")
        marks.append(Patch(facecolor=canvas.BAND, edgecolor=canvas.LINE, label=label))
    axes.legend(
        handles=marks, loc="upper left", bbox_to_anchor=(-0.11, -0.11), ncols=len(marks),
        frameon=False, fontsize=canvas.SMALL - 0.5, handletextpad=0.35, columnspacing=0.9,
        handlelength=1.0, borderpad=0, labelcolor=canvas.INK,
    )  # fmt: skip


def _mark(marker: str, inside: str, label: str) -> Line2D:
    return Line2D(
        [], [], linestyle="", marker=marker, markersize=7, label=label,
        markerfacecolor=inside, markeredgecolor=canvas.INK,
    )  # fmt: skip
