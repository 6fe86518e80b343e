"""On which scale does RFV decline in a straight line? The area model on several of them.

Crops are grown in NDF, along straight lines and with NDF's own spreads; ADF is tied to NDF as in
one growing crop and RFV follows by its equation. Whoever looks at the RFV alone has to choose a
scale. All spreads and rates are NDF's, carried to the scale at the target by its derivative, so
that the scales differ in nothing but their bend.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from alerts.agronomy import peaq
from alerts.agronomy.area_model import fit_areas
from alerts.agronomy.area_parts import Fields, Results, Spreads
from alerts.agronomy.index_exchange import ndf_from_rfv, rfv_from_ndf
from alerts.agronomy.scale import Floats, from_scale, to_scale
from alerts.backtest.curves import Curves, Scale
from alerts.backtest.oracle import true_crossings
from alerts.backtest.predictors import Predictor
from alerts.backtest.replay import Moments
from alerts.backtest.scores import Score, score_seasons
from alerts.backtest.seasons import Season
from alerts.backtest.series import read_series
from alerts.backtest.simulation import TARGETS, Simulated, as_csv, simulate
from alerts.backtest.world_names import World
from alerts.domain.area_fit import RESULT_KINDS, numbered_visits, strays
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

if TYPE_CHECKING:
    from rich.table import Table

ROUNDS = (7, 12)
"""Sampling days of a short and a long season; the bend shows in the long one."""

NDF_STEP = 0.01
NDF_KNOWN = (18.0, 78.0)
"""Between these the exchange of NDF and RFV is defined [% of DM]."""

SCALES: Mapping[str, Scale] = {
    "RFV itself": Scale(lambda rfv: -rfv, lambda x: -x),
    "log RFV": Scale(lambda rfv: -np.log(rfv), lambda x: np.exp(-x)),
    "1/sqrt RFV": Scale(lambda rfv: to_scale(rfv, falls=True), lambda x: from_scale(x, falls=True)),
    "NDF": Scale(ndf_from_rfv, lambda x: rfv_from_ndf(np.clip(x, *NDF_KNOWN))),
}
"""Candidates; each rises as the crop ripens."""


@dataclass(frozen=True, slots=True)
class ScaleScore:
    """One scale in a season of so many sampling days.

    bend : largest distance from a straight line of the published table of RFV by stem height, bud
        stage, as a share of its range [0 to 1]
    """

    scale: str
    rounds: int
    next_result: Score
    crossing: Score
    bend: float


def bend(scale: Scale) -> float:
    """See ``ScaleScore``; the table: Weld, K., 2021, Calculating alfalfa stand quality."""
    x = scale.to(peaq.RFV_TABLE[:, 1])
    inches = np.arange(x.size, dtype=np.float64)
    line = np.polynomial.Polynomial.fit(inches, x, 1)
    return float(np.abs(x - line(inches)).max() / np.ptp(x))


def scale_scores(guidelines: GuidelineSet, *, areas: int, seed: int) -> list[ScaleScore]:
    """Scores of every scale in seasons of every length of ROUNDS, in RFV points and days."""
    return [score for rounds in ROUNDS for score in _of_rounds(guidelines, areas, seed, rounds)]


def _of_rounds(
    guidelines: GuidelineSet, areas: int, seed: int, rounds: int
) -> Sequence[ScaleScore]:
    simulated = simulate(World.RIGHT, seed, areas, guidelines, rounds=rounds)
    read = read_series("scales.csv", as_csv(simulated).encode(), guidelines)
    seasons = [_in_rfv(season) for season in read.seasons]
    target = (Index.RFV, float(rfv_from_ndf(TARGETS[Index.NDF])))

    def make(moments: Moments, index: Index, _: GuidelineSet) -> Mapping[str, Predictor]:
        return {
            name: _curves(moments, scale, target[1], guidelines) for name, scale in SCALES.items()
        }

    scores = score_seasons(
        seasons, guidelines, (target,), make=make, crossing_days=_crossings(simulated)
    )
    return [
        ScaleScore(
            name,
            rounds,
            scores.predictions[Index.RFV, name],
            scores.crossings[target, name],
            bend(scale),
        )
        for name, scale in SCALES.items()
    ]


def _in_rfv(season: Season) -> Season:
    """The season with RFV made from its NDF and nothing else."""
    nothing = np.full(season.day.shape, np.nan)
    rfv = rfv_from_ndf(season.values[Index.NDF])
    return replace(season, values={Index.RFV: rfv, Index.RFQ: nothing, Index.NDF: nothing})


def _crossings(simulated: Simulated) -> Callable[[Season, Index, float], Floats]:
    """The true crossings of the NDF target, which is the RFV target in other words."""
    of_ndf = true_crossings(simulated)
    return lambda season, _index, _target: of_ndf(season, Index.NDF, TARGETS[Index.NDF])


def _curves(moments: Moments, scale: Scale, target: float, guidelines: GuidelineSet) -> Curves:
    around = rfv_from_ndf(TARGETS[Index.NDF] + np.array([-NDF_STEP, NDF_STEP]))
    per_ndf = float(np.diff(scale.to(around))[0] / (2.0 * NDF_STEP))

    def carried(entry: str) -> float:
        return per_ndf * guidelines.value(f"{entry}.ndf")

    rate = carried("daily_change.first.alfalfa")
    visit, result = carried("visit_sd.any"), carried("result_sd.nir")
    given = ~np.isnan(moments.values(Index.RFV))
    field, day = moments.evidence.field[given], moments.evidence.day[given]
    level = float(scale.to(np.array(target)))
    posterior = fit_areas(
        Fields(moments.stands.unit, np.full(moments.fields, level), np.full(moments.fields, rate)),
        Results(
            field=field,
            visit=numbered_visits(moments.stands.unit[field], day),
            since=moments.evidence.clock[given],
            value=scale.to(moments.values(Index.RFV)[given]),
            sd=np.full(field.size, result),
            other=np.zeros(field.size, dtype=np.intp),
        ),
        Spreads(
            area_level=carried("area_level"),
            area_rate=guidelines.value("rate_share.area"),
            field_level=carried("field_level"),
            field_rate=guidelines.value("rate_share.field"),
            visit=visit,
            other_index=carried("other_index"),
            drift=rate * strays(guidelines)[1],
        ),
        units=moments.units,
    )
    return Curves(
        posterior=posterior,
        scale=scale,
        guidelines=guidelines,
        weather=np.ones(moments.fields),
        pace=np.ones(moments.fields),
        visit_sd=np.full(moments.fields, visit),
        result_sd=np.full((moments.fields, len(RESULT_KINDS)), result),
    )


def scales_as_table(scores: Sequence[ScaleScore]) -> Table:
    """The figures by which the scale was chosen."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("Scale")
    for column in ("Rounds", "RMSE", "Coverage", "MAE [d]", "Bias [d]", "Coverage", "Bend"):
        table.add_column(column, justify="right")
    for score in scores:
        table.add_row(
            score.scale,
            str(score.rounds),
            f"{score.next_result.rmse:.2f}",
            f"{score.next_result.coverage80:.3f}",
            f"{score.crossing.mae:.3f}",
            f"{score.crossing.bias:+.2f}",
            f"{score.crossing.coverage80:.3f}",
            f"{score.bend:.1%}",
        )
    return table
