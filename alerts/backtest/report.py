"""The outcome of a back-test, as JSON and as tables to read."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

from alerts.backtest.scores import Score, Scores, Target
from alerts.backtest.series import SeriesTable
from alerts.domain.records import Index

if TYPE_CHECKING:
    from rich.table import Table

SHOWN_DIGITS = 4


def as_json(table: SeriesTable, scores: Scores) -> dict[str, object]:
    """Rows of scores under ``predictions`` and ``crossings``, and what was not used or asked."""
    return {
        "predictions": [
            {"index": str(index), "predictor": name, **_numbers(score)}
            for (index, name), score in scores.predictions.items()
        ],
        "crossings": [
            {"index": str(index), "target": level, "predictor": name, **_numbers(score)}
            for ((index, level), name), score in scores.crossings.items()
        ],
        "too_early": {str(index): n for index, n in scores.too_early.items() if n},
        "left_out": [
            {"row": r.row, "column": r.column, "reason": r.reason} for r in table.left_out
        ],
        "notes": [note.text for note in table.notes],
    }


def _numbers(score: Score) -> dict[str, float]:
    return {name: round(value, SHOWN_DIGITS) for name, value in asdict(score).items()}


def tables(scores: Scores) -> Iterable[Table]:
    """One table of the predictions, and one of the crossings where there are any."""
    yield _table(
        "Next result [index units]",
        ("Index",),
        [((str(index).upper(),), name, s) for (index, name), s in scores.predictions.items()],
    )
    if scores.crossings:
        yield _table(
            "Day the target is met [days]",
            ("Target",),
            [((target_name(t),), name, s) for (t, name), s in scores.crossings.items()],
        )


def target_name(target: Target) -> str:
    """As a reader knows it, for example 'RFV 185'."""
    index, level = target
    return f"{index.label} {level:g}"


def parse_target(text: str) -> Target | None:
    """A target as typed, for example 'rfv=185' or 'ndf=38'; None when it cannot be read."""
    name, _, level = text.partition("=")
    name = name.strip().casefold().removesuffix("_pct_dm").removesuffix("_pct")
    try:
        value = float(level)
    except ValueError:
        return None
    return (Index(name), value) if name in set(Index) and value > 0 else None


def _table(
    title: str, first: tuple[str, ...], rows: Sequence[tuple[tuple[str, ...], str, Score]]
) -> Table:
    from rich.table import Table

    table = Table(title=title, box=None, pad_edge=False, title_justify="left")
    for column in (*first, "Predictor"):
        table.add_column(column)
    for column in ("n", "MAE", "RMSE", "Bias", "In 80 % range", "Mean width"):
        table.add_column(column, justify="right")
    for keys, name, score in rows:
        table.add_row(
            *keys,
            name,
            str(score.n),
            f"{score.mae:.2f}",
            f"{score.rmse:.2f}",
            f"{score.bias:+.2f}",
            f"{score.coverage80:.0%}",
            f"{score.mean_width80:.1f}",
        )
    return table
