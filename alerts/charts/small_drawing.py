"""Draws a field's outlook no larger than a line of a table: course, target, start."""

from __future__ import annotations

from alerts.charts import canvas
from alerts.charts.outlook_chart import OutlookChart
from alerts.charts.outlook_drawing import day_span, shown, value_span
from alerts.charts.words import ChartWords

WIDTH, HEIGHT = 260, 90
"""Size of the picture [points]."""

STRIP = 0.09
"""Height of the start window's strip, as a share of the plot."""


def draw(chart: OutlookChart, words: ChartWords) -> bytes:
    with canvas.lock():
        figure = canvas.new_figure(WIDTH, HEIGHT)
        axes = figure.add_axes((0.02, 0.2, 0.72, 0.76))
        axes.set_axis_off()
        first, last = day_span(chart)
        low, high = value_span(chart)
        axes.set_xlim(first.toordinal(), last.toordinal())
        axes.set_ylim(low - (high - low) * 0.2, high + (high - low) * 0.08)
        days = [float(d.day.toordinal()) for d in chart.days]
        if chart.days:
            lows = [max(d.low, low) for d in chart.days]
            highs = [min(d.high, high) for d in chart.days]
            axes.fill_between(days, lows, highs, color=canvas.BAND, linewidth=0)
            axes.plot(days, [d.median for d in chart.days], color=canvas.LINE, linewidth=2)
        axes.axhline(chart.standing_target, color=canvas.GOAL, linewidth=1.6, dashes=(5, 2))
        _points(axes, chart)
        _start(axes, chart)
        _words(axes, chart, words)
        return canvas.to_bytes(figure, "png")


def _points(axes: canvas.Axes, chart: OutlookChart) -> None:
    for result in shown(chart):
        axes.plot(
            [result.day.toordinal()], [result.value], linestyle="", markersize=5.5, zorder=4,
            marker=canvas.MARKER[result.method], markeredgecolor=canvas.INK,
            markerfacecolor=canvas.INK if result.own else canvas.PAPER, clip_on=False,
        )  # fmt: skip


def _start(axes: canvas.Axes, chart: OutlookChart) -> None:
    """A strip for the 80 % range below the course, a diamond for the middle."""
    if chart.start_p10 is None or chart.start_median is None:
        return
    first, last = (day.toordinal() for day in day_span(chart))
    low = max(chart.start_p10.toordinal() - 0.5, first)
    high = min(chart.start_p90.toordinal() + 0.5 if chart.start_p90 else last, last)
    if low < high:
        axes.axvspan(
            low, high, 0, STRIP, facecolor=canvas.STRIP, edgecolor=canvas.INK, linewidth=0.6
        )
    middle, _ = canvas.share_of(axes, chart.start_median.toordinal(), 0)
    if 0 <= middle <= 1:
        axes.plot(
            [middle], [STRIP / 2], transform=axes.transAxes, linestyle="", marker="D",
            markersize=5, color=canvas.INK, zorder=5, clip_on=False,
        )  # fmt: skip


def _words(axes: canvas.Axes, chart: OutlookChart, words: ChartWords) -> None:
    """Beside the picture the target at its line; below it the first day, today and the last."""
    _, level = canvas.share_of(axes, 0, chart.standing_target)
    text = f"{chart.index.label} {words.number(chart.standing_target)}"
    canvas.write(axes, 1.02, level, text, va="center", size=canvas.SMALL, color=canvas.GOAL)
    first, last = day_span(chart)
    ticks = ((0.0, "left", first), (1.0, "right", last))
    for x, side, day in ticks:
        canvas.write(
            axes, x, -0.04, words.short_day(day), ha=side, va="top", size=9.5, weight="normal"
        )
