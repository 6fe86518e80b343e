"""Where matplotlib is touched: figures, their look, and their bytes.

Figures are made through the object interface: the other one keeps every figure in a registry of
the process. Colours stay apart in grey and for colour-blind eyes: what matters differs in line
and shape as well.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from threading import Lock

import matplotlib as mpl
from matplotlib.axes import Axes as Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.text import Text

from alerts.charts.outlook_chart import Format
from alerts.domain.records import Method

INK = "#161616"
LINE = "#0b3c6f"  # the median
BAND = "#b9cfe4"  # its 80 % range
GOAL = "#8a3b00"  # the standing target
STRIP = "#e8a33d"  # the start window
RULE = "#c9c9c9"
PAPER = "#ffffff"

MARKER = {Method.WET_CHEMISTRY: "s", Method.NIR: "o", Method.STEM: "^"}

POINTS_PER_INCH = 72
PNG_DPI = 144
"""Two pixels a point: sharp on the dense screens of phones."""

SIZE = 12.5
"""Type [points]; a chart of 360 points on a screen as wide shows it as large as the page's."""

SMALL = 11.0

_FONTS = ["DejaVu Sans", "Verdana", "Helvetica", "Arial", "sans-serif"]

mpl.rcParams.update(
    {
        "svg.hashsalt": "cutcall",  # ids of shapes, else drawn at random
        "svg.fonttype": "none",  # text stays text
        "font.family": _FONTS[0],
    }
)

_LOCK = Lock()
"""Fonts and text caches of matplotlib are not made for two threads at once."""


def lock() -> Lock:
    """Held while a chart is drawn."""
    return _LOCK


def new_figure(width: float, height: float) -> Figure:
    """An empty figure [points]."""
    return Figure(
        figsize=(width / POINTS_PER_INCH, height / POINTS_PER_INCH), dpi=PNG_DPI, facecolor=PAPER
    )


def to_bytes(figure: Figure, form: Format) -> bytes:
    """The picture, without the day it was made or the program's version."""
    out = io.BytesIO()
    if form == "svg":
        FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
            out, metadata={"Date": None, "Creator": None}
        )
        return out.getvalue()
    FigureCanvasAgg(figure).print_png(  # type: ignore[no-untyped-call]
        out, metadata={"Software": None}
    )
    return out.getvalue()


def drawable(text: str) -> str:
    """A name on one line, with '?' for signs that the font lacks."""
    known = get_font(findfont(_FONTS[0])).get_charmap()
    return "".join(c if ord(c) in known else "?" for c in " ".join(text.split()))


def shortened(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


Box = tuple[float, float, float, float]
"""Left, bottom, right, top, as shares of the plot."""

Spot = tuple[float, float, str, str]
"""A place for a label: x and y as shares of the plot, which side of the label is there."""


def share_of(axes: Axes, x: float, y: float) -> tuple[float, float]:
    """A point of the scales as shares of the plot."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    return (x - left) / (right - left), (y - bottom) / (top - bottom)


def write(
    axes: Axes,
    x: float,
    y: float,
    text: str,
    *,
    ha: str = "left",
    va: str = "bottom",
    size: float = SIZE,
    weight: str = "bold",
    color: str = INK,
) -> Box:
    """Words at a place given as shares of the plot, moved sideways where they would leave the
    picture; returns where they are."""
    label = axes.text(
        x, y, text, transform=axes.transAxes, ha="left", va=va, fontsize=size, fontweight=weight,
        color=color, zorder=6, parse_math=False,
    )  # fmt: skip
    frame = axes.get_position()
    least, most = -frame.x0 / frame.width + 0.01, (1 - frame.x0) / frame.width - 0.01
    box = _box_of(label, axes)
    if box[2] - box[0] > most - least:
        label.set_fontsize(size * (most - least) / (box[2] - box[0]))
        box = _box_of(label, axes)
    width = box[2] - box[0]
    left = {"left": x, "center": x - width / 2, "right": x - width}[ha]
    left = max(min(left, most - width), least)
    label.set_x(left)
    return left, box[1], left + width, box[3]


def _box_of(label: Text, axes: Axes) -> Box:
    figure = axes.get_figure(root=True)
    assert figure is not None
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    extent = label.get_window_extent(renderer)
    left, bottom, right, top = (
        float(one) for one in axes.transAxes.inverted().transform_bbox(extent).extents
    )
    return left, bottom, right, top


def write_free(
    axes: Axes, text: str, spots: Sequence[Spot], taken: Sequence[Box], color: str = INK
) -> Box:
    """Words at the spot where they cover the fewest of the boxes taken, the first of equals."""
    label = axes.text(0, 0, text, transform=axes.transAxes, fontsize=SIZE, fontweight="bold")
    left, bottom, right, top = _box_of(label, axes)
    label.remove()
    size = (right - left, top - bottom)
    boxes = [_boxed(spot, *size) for spot in spots]
    costs = [sum(_cover(box, one) for one in taken) + _outside(box) for box in boxes]
    x, y, ha, va = spots[costs.index(min(costs))]
    gap = GAP if va == "bottom" else -GAP
    return write(axes, x, y + gap, text, ha=ha, va=va, color=color)


GAP = 0.018
"""Between a label and what it names, as a share of the plot's height."""


def _boxed(spot: Spot, width: float, height: float) -> Box:
    x, y, ha, va = spot
    left = x if ha == "left" else x - width
    bottom = y + GAP if va == "bottom" else y - GAP - height
    return left, bottom, left + width, bottom + height


def _cover(one: Box, other: Box) -> int:
    return int(one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3])


def _outside(box: Box) -> int:
    """Leaving the plot costs as much as covering a few things."""
    return 3 * int(box[0] < -0.05 or box[2] > 1.05 or box[1] < 0.15 or box[3] > 1.02)


def bare(axes: Axes) -> None:
    """Take the frame away: only what is measured is drawn."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(INK)
    axes.tick_params(labelsize=SMALL, length=0, colors=INK)
    axes.set_axisbelow(True)
    axes.grid(axis="y", color=RULE, linewidth=0.8)


def day_ticks(first: date, last: date, most: int = 4) -> list[date]:
    """Days to name on the axis: some whole number of days or weeks apart."""
    span = (last - first).days
    steps = (1, 2, 3, 7, 14, 28, 56)
    step = next((s for s in steps if span / s <= most), steps[-1])
    # Counted back from the last day, so that the part ahead is named best.
    return sorted(last - timedelta(days=k) for k in range(0, span + 1, step))


def apart(wanted: Sequence[float], gap: float) -> list[float]:
    """Places as near as may be to ``wanted``, in the same order, at least ``gap`` apart."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    groups: list[tuple[float, list[int]]] = []  # middle, members
    for i in order:
        groups.append((wanted[i], [i]))
        while len(groups) > 1 and _overlap(groups[-2], groups[-1], gap):
            (low, some), (high, more) = groups[-2:]
            middle = (low * len(some) + high * len(more)) / (len(some) + len(more))
            groups[-2:] = [(middle, [*some, *more])]
    placed = [0.0] * len(wanted)
    for middle, members in groups:
        for k, i in enumerate(members):
            placed[i] = middle + (k - (len(members) - 1) / 2) * gap
    return placed


def _overlap(low: tuple[float, list[int]], high: tuple[float, list[int]], gap: float) -> bool:
    return high[0] - low[0] < gap * (len(low[1]) + len(high[1])) / 2


def span_of(values: Iterable[float], least: float) -> tuple[float, float]:
    """Lowest and highest, at least ``least`` apart."""
    known = list(values)
    low, high = min(known), max(known)
    missing = max(0.0, least - (high - low)) / 2
    return low - missing, high + missing
