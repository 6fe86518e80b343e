"""The area model with the published numbers put in.

``agronomy.area_model`` knows only spreads and rates; here they come from the guidelines: the daily
change by cutting and stand, the error of each method, how far areas, fields and indexes lie apart.
The outlook of a farm and the back-test both stand on this one function.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alerts.agronomy.area_model import AreaPosterior, Fields, Results, Spreads, fit_areas
from alerts.agronomy.index_exchange import ndf_from_rfv, rfv_from_ndf
from alerts.agronomy.scale import Floats, points_to_scale, to_scale
from alerts.domain.guidelines import CUTTINGS, STANDS, Guideline, GuidelineSet
from alerts.domain.records import Index

Ints = NDArray[np.intp]

GRASS_PCT = (0.0, 50.0, 100.0)
"""Grass in the stands the guidelines speak of, in their order [% of the stand]."""

NEUTRAL_NDF = 38.0
"""Where the level of an area is looked for before anything is known of it [% of DM]; the spread of
areas is so wide that it does not matter."""

WEEK = 7
"""Days; results come twice a week and are projected over a few weeks."""

MOST_GRASS_NDF = 30.0
"""More than this a stand's grass is not taken to add, however large the operator's offset."""

RESULT_KINDS = ("wet", "nir", "stem_mean", "stem_one_spot")
"""Kinds of result with an error of their own, as the guidelines name them."""

STEM_KINDS = tuple(RESULT_KINDS.index(kind) for kind in ("stem_mean", "stem_one_spot"))
"""Numbers of the stem readings among them; the tables were made on first cuttings."""


@dataclass(frozen=True, slots=True)
class Stands:
    """The fields of one or more areas; arrays of shape (fields,).

    unit : number of the area, not falling
    cutting : 1 for the first of the season
    grass_pct : [% of the stand]
    earlier_days : how much earlier than its neighbours soil and slope make it [d]
    """

    unit: Ints
    cutting: Ints
    grass_pct: Floats
    earlier_days: Floats


@dataclass(frozen=True, slots=True)
class Evidence:
    """Results; arrays of shape (results,), NaN where a result does not give an index.

    field : number of the field in ``Stands``
    day : day number of sampling
    clock : clock of that field on that morning [ordinary days]
    rfv, rfq, ndf : index values
    kind : number in ``RESULT_KINDS``
    late : sampled later in the day than the protocol says
    """

    field: Ints
    day: Ints
    clock: Floats
    rfv: Floats
    rfq: Floats
    ndf: Floats
    kind: Ints
    late: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AreaFit:
    """Posterior of all fields in one index, on the straight scale.

    ``origin`` is the clock c0 of each area at which the levels hold, shape (units,); ``used`` says
    which results took part; ``visit_sd`` [scale units] is the shift of a sampling day;
    ``result_sd`` the error of a result by ``RESULT_KINDS`` [scale units].
    """

    index: Index
    posterior: AreaPosterior
    origin: Floats
    used: NDArray[np.bool_]
    visit_sd: float
    result_sd: Floats

    def line(self, clock: ArrayLike) -> tuple[Floats, Floats]:
        """Mean and variance of each field's standing quality at ``clock``, shape (fields,).

        ``clock`` is one for all fields, or one a field.
        """
        origin = self.origin.take(self.posterior.fields.unit)
        return self.posterior.line(np.asarray(clock, dtype=np.float64) - origin)


def fit_area(
    stands: Stands,
    evidence: Evidence,
    index: Index,
    guidelines: GuidelineSet,
    *,
    origin: ArrayLike,
    units: int = 1,
    robust: bool = True,
    weather_known: ArrayLike = False,
    area_ndf: tuple[ArrayLike, ArrayLike] | None = None,
) -> AreaFit:
    """Fit the area model in ``index``; results in other indexes take part with less weight.

    Parameters
    ----------
    stands, evidence : see the classes
    index : the index of the targets
    origin : clock c0 [ordinary days], one for all areas or one an area; that of an area's newest
        result is a good choice
    units : number of areas
    robust : give odd results less weight
    weather_known : whether the clock follows the weather; one for all areas or one an area
    area_ndf : NDF of pure alfalfa at the origin and its standard deviation [% of DM] where it is
        known without results, as from degree days, one for all areas or one an area; None, or NaN
        for an area, leaves its level nearly free

    Returns
    -------
    AreaFit
    """
    start = np.broadcast_to(np.asarray(origin, dtype=np.float64), units)
    told = (np.nan, np.nan) if area_ndf is None else area_ndf
    ndf, ndf_sd = (np.broadcast_to(np.asarray(part, np.float64), units) for part in told)
    ndf = np.where(np.isnan(ndf), NEUTRAL_NDF, ndf)
    fields = prior_fields(stands, index, guidelines, ndf.take(stands.unit))
    value, other = _carried_over(evidence, index)
    used = ~np.isnan(to_scale(value, falls=index.falls))
    field = evidence.field[used]
    spreads = Spreads(
        area_level=_area_level(index, guidelines, ndf, ndf_sd),
        area_rate=guidelines.value("rate_share.area"),
        field_level=on_scale(guidelines[f"field_level.{index}"], index),
        field_rate=guidelines.value("rate_share.field"),
        visit=on_scale(guidelines[f"visit_sd.any.{index}"], index),
        other_index=on_scale(guidelines[f"other_index.{index}"], index),
        drift=_usual_rate(fields, units) * np.where(weather_known, *strays(guidelines)),
    )
    posterior = fit_areas(
        fields,
        Results(
            field=field,
            visit=numbered_visits(stands.unit[field], evidence.day[used]),
            since=evidence.clock[used] - start.take(stands.unit.take(field)),
            value=to_scale(value[used], falls=index.falls),
            sd=_result_sd(evidence, stands, other, index, guidelines)[used],
            other=other[used],
        ),
        spreads,
        units=units,
        robust=robust,
    )
    return AreaFit(
        index=index,
        posterior=posterior,
        origin=start,
        used=used,
        visit_sd=float(np.asarray(spreads.visit)),
        result_sd=_result_sds(index, guidelines),
    )


def on_scale(entry: Guideline, index: Index) -> float:
    """A rate or spread of the guidelines as a step on the straight scale."""
    return float(points_to_scale(entry.value, entry.at or 1.0, falls=index.falls))


def stray_sd(days: ArrayLike, guidelines: GuidelineSet) -> Floats:
    """How far a clock that knows no weather strays within so many days.

    Parameters
    ----------
    days : [d, 0 or more]
    guidelines : give the spread of a day's pace and how days hang together

    Returns
    -------
    standard deviation, as ``days`` [ordinary days]

    Notes
    -----
    Variance of the sum of n steps of a first-order autoregressive series [1]_:
    s**2 (n (1 + rho) / (1 - rho) - 2 rho (1 - rho**n) / (1 - rho)**2).

    References
    ----------
    .. [1] Textbook, from memory.
    """
    pace, rho = (guidelines.value(f"clock.pace_{part}") for part in ("sd", "autocorrelation"))
    n = np.asarray(days, dtype=np.float64)
    spells = n * (1.0 + rho) / (1.0 - rho) - 2.0 * rho * (1.0 - rho**n) / (1.0 - rho) ** 2
    sd: Floats = pace * np.sqrt(np.maximum(spells, 0.0))
    return sd


def strays(guidelines: GuidelineSet) -> tuple[float, float]:
    """Straying for the root of a day, of a clock that follows the weather and one that does not.

    The model's walk has independent steps; it is given the right spread over a week.
    """
    return guidelines.value("clock.bend_sd"), float(stray_sd(WEEK, guidelines)) / WEEK**0.5


def prior_rate(
    guidelines: GuidelineSet, index: Index, cutting: int, grass_pct: ArrayLike
) -> Floats:
    """Published daily change on the scale, between stands by a straight line; as ``grass_pct``."""
    turn = CUTTINGS[min(cutting, len(CUTTINGS)) - 1]
    rates = [
        on_scale(guidelines[f"daily_change.{turn}.{stand}.{index}"], index) for stand in STANDS
    ]
    return np.interp(np.asarray(grass_pct, dtype=np.float64), GRASS_PCT, rates)


def clock_stray(guidelines: GuidelineSet, *, weather_known: bool) -> float:
    """The one of :func:`strays` that holds for a clock."""
    follows, calendar = strays(guidelines)
    return follows if weather_known else calendar


def prior_fields(
    stands: Stands, index: Index, guidelines: GuidelineSet, alfalfa_ndf: ArrayLike = NEUTRAL_NDF
) -> Fields:
    """What is expected of each field before anything is known of its area.

    ``alfalfa_ndf`` is that of a pure stand at the origin, one for all fields or one a field
    [% of DM].
    """
    rate = np.empty(stands.unit.shape, dtype=np.float64)
    for cutting in np.unique(stands.cutting):
        at = stands.cutting == cutting
        rate[at] = prior_rate(guidelines, index, int(cutting), stands.grass_pct[at])
    grass = guidelines.value("stand_offset.grass_ndf_per_pct") * stands.grass_pct
    level = _level_of(alfalfa_ndf + np.minimum(grass, MOST_GRASS_NDF), index)
    return Fields(unit=stands.unit, level=level + rate * stands.earlier_days, rate=rate)


def _level_of(ndf: ArrayLike, index: Index) -> Floats:
    """NDF on the straight scale of an index."""
    return to_scale(ndf if index is Index.NDF else rfv_from_ndf(ndf), falls=index.falls)


def _area_level(index: Index, guidelines: GuidelineSet, ndf: Floats, ndf_sd: Floats) -> Floats:
    """Spread of each area's level on the scale: nearly free, or that of an NDF known otherwise."""
    free = on_scale(guidelines[f"area_level.{index}"], index)
    known = np.abs(_level_of(ndf + ndf_sd, index) - _level_of(ndf, index))
    level: Floats = np.where(np.isnan(ndf_sd), free, known)
    return level


def numbered_visits(unit: Ints, day: Ints) -> Ints:
    """Number each area's sampling days 0, 1, ... in order of date."""
    if not unit.size:
        return unit
    since = day - day.min()
    sampled = np.zeros((unit.max() + 1, since.max() + 1), dtype=np.bool_)
    sampled[unit, since] = True
    number: Ints = (np.cumsum(sampled, axis=1, dtype=np.intp) - 1)[unit, since]
    return number


def _usual_rate(fields: Fields, units: int) -> Floats:
    """Mean prior rate of each area's fields; 0 for an area without fields."""
    total = np.bincount(fields.unit, weights=fields.rate, minlength=units)
    return total / np.maximum(np.bincount(fields.unit, minlength=units), 1)


def _carried_over(evidence: Evidence, index: Index) -> tuple[Floats, Ints]:
    """Value of each result in ``index``, and 0 for its own or the number of the index it is from.

    A result that gives the index itself is never replaced by a carried-over one.
    """
    own = {Index.RFV: evidence.rfv, Index.RFQ: evidence.rfq, Index.NDF: evidence.ndf}
    value = own.pop(index).copy()
    other = np.zeros(value.shape, dtype=np.intp)
    for number, (name, given) in enumerate(own.items(), start=1):
        fills = np.isnan(value) & ~np.isnan(given)
        value[fills] = _exchange(given[fills], name, index)
        other[fills] = number
    return value, other


def _exchange(value: Floats, given: Index, wanted: Index) -> Floats:
    if given is Index.NDF:
        return rfv_from_ndf(value)
    # RFV and RFQ have like means; their difference is what the model's shift is for.
    return ndf_from_rfv(value) if wanted is Index.NDF else value


def _result_sd(
    evidence: Evidence, stands: Stands, other: Ints, index: Index, guidelines: GuidelineSet
) -> Floats:
    """Error of each result: by method, time of day, cutting, and the index it came in."""
    sizes = _result_sds(index, guidelines)
    regrowth = stands.cutting[evidence.field] > 1
    stem = np.isin(evidence.kind, STEM_KINDS)
    unfit = np.where(stem & regrowth, guidelines.value("result_sd_factor.stem_regrowth"), 1.0)
    late = np.where(evidence.late, guidelines.value("result_sd_factor.late_in_day"), 1.0)
    carried = on_scale(guidelines[f"other_index_sd.{index}"], index)
    own = sizes[evidence.kind] * late * unfit
    return np.where(other > 0, np.hypot(own, carried), own)


def _result_sds(index: Index, guidelines: GuidelineSet) -> Floats:
    return np.array(
        [on_scale(guidelines[f"result_sd.{kind}.{index}"], index) for kind in RESULT_KINDS]
    )


def usable(evidence: Evidence, index: Index) -> NDArray[np.bool_]:
    """Which results can be read in an index, be they carried over to it; shape (results,)."""
    value, _ = _carried_over(evidence, index)
    return ~np.isnan(to_scale(value, falls=index.falls))
