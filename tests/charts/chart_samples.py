"""Parts of charts of an invented field, and what to look for in their pictures."""

from __future__ import annotations

from datetime import date, timedelta
from xml.etree import ElementTree

from alerts.charts.outlook_chart import ChartResult, OutlookChart, draw
from alerts.domain.days_ahead import DayAhead
from alerts.domain.records import Method
from alerts.messages.wording import Wording

TODAY = date(2027, 5, 10)
SVG = "{http://www.w3.org/2000/svg}"


def on(offset: int) -> date:
    return TODAY + timedelta(days=offset)


def course(level: float, a_day: float, half: float) -> tuple[DayAhead, ...]:
    """Fifteen days of a straight course with a range of ``half`` on either side."""
    medians = [level + a_day * k for k in range(15)]
    return tuple(DayAhead(on(k), m, m - half, m + half) for k, m in enumerate(medians))


def result(
    offset: int, value: float, method: Method = Method.NIR, *, own: bool = True
) -> ChartResult:
    return ChartResult(on(offset), value, method, own)


def picture(chart: OutlookChart, words: Wording) -> ElementTree.Element:
    """The SVG, parsed: whatever is no XML fails here."""
    return ElementTree.fromstring(draw(chart, "svg", words))


def texts(root: ElementTree.Element) -> list[str]:
    return ["".join(one.itertext()) for one in root.iter(f"{SVG}text")]


def marks(root: ElementTree.Element, gid: str) -> int:
    """How many marks the group of this name holds."""
    groups = [one for one in root.iter(f"{SVG}g") if one.get("id") == gid]
    return sum(1 for group in groups for _ in group.iter(f"{SVG}use"))


def has(root: ElementTree.Element, gid: str) -> bool:
    return any(one.get("id") == gid for one in root.iter())
