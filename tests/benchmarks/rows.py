"""A benchmark's rows: our figure, the yardstick of the same run, and whether their ratio holds."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from enum import StrEnum

from rich.table import Table


class Size(StrEnum):
    """How much is done: all of it, or just enough to see that it works."""

    FULL = "full"
    SHORT = "short"


@dataclass(frozen=True, slots=True)
class Bound:
    """What a ratio must be: so much at least, or at most."""

    figure: float
    at_least: bool

    def holds(self, ratio: float, slack: float = 1.0) -> bool:
        """Whether it is kept; ``slack`` of 2 forgives half the speed, or twice the time."""
        if self.at_least:
            return ratio >= self.figure / slack
        return ratio <= self.figure * slack

    def __str__(self) -> str:
        return f"{'>=' if self.at_least else '<='} {self.figure:g}"


def at_least(figure: float) -> Bound:
    return Bound(figure, at_least=True)


def at_most(figure: float) -> Bound:
    return Bound(figure, at_least=False)


@dataclass(frozen=True, slots=True)
class Row:
    """One comparison; ``ratio`` is ours by the yardstick's, both in ``unit``."""

    name: str
    case: str
    ours: float
    yardstick: float
    unit: str
    bound: Bound | None  # None: shown, and nothing promised
    peak_mib: float = math.nan  # of the process that did our part; nan: not measured
    reached: float | None = None  # the ratio of the last full run, where it is short of the bound

    @property
    def ratio(self) -> float:
        return self.ours / self.yardstick if self.yardstick else math.nan

    @property
    def holds(self) -> bool:
        return self.bound is None or self.bound.holds(self.ratio)

    def holds_loosely(self, slack: float) -> bool:
        """Whether a short, disturbed run comes near the bound, or near what was ever reached."""
        if self.bound is None or self.bound.holds(self.ratio, slack):
            return True
        near = None if self.reached is None else replace(self.bound, figure=self.reached)
        return near is not None and near.holds(self.ratio, slack)


Run = Callable[[Size], Iterator[Row]]


@dataclass(frozen=True, slots=True)
class Benchmark:
    """A name, what it measures in a sentence, and what yields its rows."""

    name: str
    about: str
    run: Run
    by_name: bool = False  # done only where it is asked for by its name
    slack: float = 3.0  # what the short run in the tests forgives, since it is short and disturbed


def as_json(rows: Iterable[Row]) -> str:
    return json.dumps([_plain(row) for row in rows], indent=2)


def _plain(row: Row) -> dict[str, object]:
    plain: dict[str, object] = asdict(row)
    del plain["bound"], plain["reached"]
    plain |= {"ratio": row.ratio, "target": _target(row), "holds": row.holds}
    return {key: None if value != value else value for key, value in plain.items()}


def as_table(rows: Iterable[Row]) -> Table:
    table = Table("benchmark", "case", "ours", "yardstick", "unit", "ratio", "must be", "", "peak")
    for row in rows:
        peak = "" if math.isnan(row.peak_mib) else f"{row.peak_mib:,.0f} MiB"
        table.add_row(
            *(row.name, row.case, _shown(row.ours), _shown(row.yardstick), row.unit),
            *(_shown(row.ratio), _target(row), "holds" if row.holds else "FAILS", peak),
        )
    return table


def _target(row: Row) -> str:
    return "" if row.bound is None else str(row.bound)


def _shown(figure: float) -> str:
    """Three digits that count."""
    if math.isnan(figure):
        return "-"
    if abs(figure) >= 100:
        return f"{figure:,.0f}"
    return f"{figure:.3g}"
