"""Posteriors and start dates of many areas on one core, beside a statistics library.

Ours is the fit the service makes, odd results given less weight, and the start dates of farms whose
last load must meet the target. Times are the processor's, since other processes share the core. One
yardstick is statsmodels' MixedLM with a level and a slope for each field of one area (Seabold, S.,
Perktold, J., 2010, Statsmodels: econometric and statistical modeling with Python); the other is
`numpy.linalg.lstsq`, a line for each field by itself, which knows neither of neighbors nor of
published rates and says nothing of its own uncertainty.
"""

from __future__ import annotations

import os
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median

import numpy as np
from benchmarks.apart import in_child
from benchmarks.rows import Benchmark, Row, Size, at_least, at_most

from alerts.agronomy.scale import Floats, to_scale
from alerts.configfiles import read_guidelines, shipped_config_dir
from alerts.domain.area_clock import AreaClocks, calendar_clock
from alerts.domain.area_fit import AreaFit, Evidence, Stands, fit_area, prior_fields
from alerts.domain.farm_batch import FarmBatch
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

FIELDS, RESULTS, OF_A_FARM = 50, 8, 5  # fields of an area, results of a field, fields of a farm
BATCH = 100  # areas fitted together
SAMPLED_ON = np.arange(RESULTS) * 3.5
TODAY, HORIZON = int(SAMPLED_ON[-1]) + 1, 60
TARGET_NDF = 40.0
STRAY = 0.3  # of the clock over a day
KEPT = 3  # areas held against the dense solution
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def run(size: Size) -> Iterator[Row]:
    areas, of_library, times = (2000, 5, 3) if size is Size.FULL else (100, 1, 1)
    tenth, rounds = areas // 10, []
    with one_thread():
        for _ in range(times):
            ours = in_child(fit_and_date, areas, dates=True)
            few = in_child(fit_and_date, tenth, dates=True)
            posterior = in_child(fit_and_date, areas, dates=False).value
            library = in_child(by_library, of_library).value
            lines = in_child(by_lines, tenth).value
            rounds.append(
                (ours.value, few.value, posterior, library, lines, ours.peak_mib, few.peak_mib)
            )
        apart = in_child(most_apart_from_dense).value
    ours_s, few_s, posterior_s, library_s, lines_s, peak, few_peak = (
        median(one) for one in zip(*rounds, strict=True)
    )
    case = f"{areas:,} areas x {FIELDS} fields x {RESULTS} results"
    rates = FIELDS / posterior_s, FIELDS / ours_s
    promised = 100_000.0
    yield Row("model", f"{case}: posterior", rates[0], promised, "fields/s", at_least(1), peak)
    yield Row(
        "model", f"{case}: and start dates", rates[1], promised, "fields/s", at_least(1), peak
    )
    faster = at_most(1 / 300)
    yield Row("model", "an area, beside MixedLM", ours_s, library_s, "s", faster, peak)
    yield Row("model", "an area, beside a line a field", ours_s, lines_s, "s", None, peak)
    yield Row("model", "apart from the dense solution", apart, 1e-6, "scale units", at_most(1))
    case = f"from {tenth:,} to {areas:,} areas"
    yield Row("model", f"peak memory {case}", peak, few_peak, "MiB", at_most(1.3))
    yield Row("model", f"time per area {case}", ours_s, few_s, "s", at_most(1.3))


@contextmanager
def one_thread() -> Iterator[None]:
    """Children started within compute with one thread."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


# ----------------------------------------------------------------------------- ours


def fit_and_date(areas: int, *, dates: bool) -> float:
    """Seconds for an area, all of them in batches; with the start dates of its farms."""
    _on_one_core()
    guidelines = _guidelines()
    # What loads or is worked out once for a process is no part of an area's time.
    _work(guidelines, 1, 0, dates=dates)
    taken = 0.0
    for first in range(0, areas, BATCH):
        taken += _work(guidelines, min(BATCH, areas - first), first, dates=dates)
    return taken / areas


def _work(guidelines: GuidelineSet, areas: int, seed: int, *, dates: bool) -> float:
    stands, evidence = springs(areas, seed)
    began = time.process_time()
    fit = fit_area(stands, evidence, Index.NDF, guidelines, origin=TODAY, units=areas)
    mean, var = fit.line(TODAY)
    found = farm_dates(fit, stands, evidence) if dates else np.empty(0)
    taken = time.process_time() - began
    _check(mean, var, found, areas if dates else 0)
    return taken


def springs(areas: int, seed: int) -> tuple[Stands, Evidence]:
    """Springs of areas as the guidelines describe them, one result in 25 far off."""
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(areas), FIELDS)
    level = 38.0 + rng.normal(0, 3, areas)[unit] + rng.normal(0, 1.7, unit.size)
    rate = 0.55 * (1 + rng.normal(0, 0.15, areas)[unit] + rng.normal(0, 0.12, unit.size))
    field = np.repeat(np.arange(unit.size), RESULTS)
    day = np.tile(SAMPLED_ON, unit.size)
    odd = np.where(rng.random(field.size) < 0.04, 5.0, 1.0)
    ndf = level[field] + rate[field] * (day - TODAY) + odd * rng.normal(0, 1.8, field.size)
    ndf += rng.normal(0, 1.5, (areas, RESULTS))[unit[field], np.tile(np.arange(RESULTS), unit.size)]
    nothing = np.full(field.size, np.nan)
    zeros = np.zeros(unit.size)
    return Stands(unit, np.ones(unit.size, int), zeros, zeros), Evidence(
        field=field,
        day=day.astype(int),
        clock=day,
        rfv=nothing,
        rfq=nothing,
        ndf=np.clip(ndf, 20.0, 60.0),
        kind=np.ones(field.size, int),
        late=np.zeros(field.size, bool),
    )


@dataclass(frozen=True)
class Group:
    """What a batch of farms asks of its areas."""

    stands: Stands
    clocks: AreaClocks
    stray: Floats
    evidence: Evidence


def farm_dates(fit: AreaFit, stands: Stands, evidence: Evidence) -> Floats:
    """Early, middle and late start of each farm so that its last load meets the target."""
    areas = fit.origin.size
    calendar = calendar_clock(TODAY - HORIZON, TODAY + HORIZON)
    places = np.arange(stands.unit.size).reshape(-1, OF_A_FARM)
    farms = places.shape[0]
    batch = FarmBatch(
        Group(stands, AreaClocks.of([calendar] * areas), np.full(areas, STRAY), evidence),
        fit,
        places=places,
        own_days=np.full(places.shape, 0.5),
        target=np.full(farms, float(to_scale(TARGET_NDF, falls=Index.NDF.falls))),
        notice_days=np.zeros(farms, dtype=int),
        average=np.zeros(farms, dtype=bool),
        today=TODAY,
        days_shown=1,
    )
    return batch.farm_dates().astype(np.float64)


def _check(mean: Floats, var: Floats, dates: Floats, areas: int) -> None:
    """RuntimeError when the figures cannot be those of these springs."""
    sd = np.sqrt(var)
    if not (np.all(np.isfinite(mean)) and np.all((sd > 0.1) & (sd < 4.0))):
        raise RuntimeError(f"posterior spreads reach from {sd.min()} to {sd.max()}")
    if abs(float(mean.mean()) - 38.0) > 4.0:
        raise RuntimeError(f"fields stand at {mean.mean()} on average")
    if areas and (dates.shape != (areas * FIELDS // OF_A_FARM, 3) or (np.diff(dates) < 0).any()):
        raise RuntimeError("start dates are missing or out of order")


def _on_one_core() -> None:
    os.sched_setaffinity(0, [min(os.sched_getaffinity(0))])


def _guidelines() -> GuidelineSet:
    return read_guidelines(shipped_config_dir() / "guidelines.toml")


# ----------------------------------------------------------------------- yardsticks


def by_library(areas: int) -> float:
    """Seconds for an area by a mixed model of its fields' levels and slopes."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    def fit(field: Floats, since: Floats, ndf: Floats) -> None:
        exog = np.stack([np.ones(since.size), since], axis=1)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of variances close to 0
            effects = MixedLM(ndf, exog, groups=field, exog_re=exog).fit().random_effects
        if len(effects) != FIELDS:
            raise RuntimeError(f"the library gives {len(effects)} fields")

    return _each_area(areas, fit)


def by_lines(areas: int) -> float:
    """Seconds for an area by a straight line through each field's results."""

    def fit(field: Floats, since: Floats, ndf: Floats) -> None:
        exog = np.stack([np.ones(since.size), since], axis=1)
        for start in range(0, field.size, RESULTS):
            rows = slice(start, start + RESULTS)
            np.linalg.lstsq(exog[rows], ndf[rows], rcond=None)

    return _each_area(areas, fit)


def _each_area(areas: int, fit: Callable[[Floats, Floats, Floats], None]) -> float:
    _on_one_core()
    taken = 0.0
    for seed in range(areas):
        _, evidence = springs(1, seed)
        began = time.process_time()
        fit(evidence.field, evidence.clock - TODAY, evidence.ndf)
        taken += time.process_time() - began
    return taken / areas


# --------------------------------------------------------------------------- exact


def most_apart_from_dense() -> float:
    """How far means and spreads of fields are from one dense normal vector for each area.

    With all weights in full, since the dense solution knows no odd results: Rasmussen, C.E.,
    Williams, C.K.I., 2006, Gaussian processes for machine learning (noisy case, from memory).
    """
    guidelines = _guidelines()
    stands, evidence = springs(KEPT, 0)
    fit = fit_area(stands, evidence, Index.NDF, guidelines, origin=TODAY, units=KEPT, robust=False)
    mean, var = fit.line(TODAY + 5.0)
    worst = 0.0
    for area in range(KEPT):
        chosen = np.flatnonzero(stands.unit == area)
        expected, spread = _dense(stands, evidence, guidelines, area, 5.0)
        worst = max(worst, float(np.abs(mean[chosen] - expected).max()))
        worst = max(worst, float(np.abs(np.sqrt(var[chosen]) - spread).max()))
    return worst


def _dense(
    stands: Stands, evidence: Evidence, guidelines: GuidelineSet, area: int, ahead: float
) -> tuple[Floats, Floats]:
    from alerts.domain.area_fit import on_scale, strays

    def value(name: str) -> float:
        return on_scale(guidelines[f"{name}.ndf"], Index.NDF)

    fields = prior_fields(stands, Index.NDF, guidelines)
    asked = np.flatnonzero(stands.unit == area)
    rows = np.flatnonzero(stands.unit[evidence.field] == area)
    owner = np.concatenate([asked, evidence.field[rows]])
    since = np.concatenate([np.full(asked.size, ahead), evidence.clock[rows] - TODAY])
    told = np.arange(owner.size) >= asked.size
    grown = fields.rate[owner] * since
    prior = fields.level[owner] + grown
    both, product = np.outer(told, told), np.outer(grown, grown)
    share = guidelines.value("rate_share.area"), guidelines.value("rate_share.field")
    cov = value("area_level") ** 2 + share[0] ** 2 * product
    cov += (owner[:, None] == owner) * (value("field_level") ** 2 + share[1] ** 2 * product)
    cov += both * (since[:, None] == since) * value("visit_sd.any") ** 2
    drift = float(fields.rate[asked].mean()) * strays(guidelines)[1]
    back = since[told].max() - since
    cov += both * drift**2 * np.minimum(back[:, None], back)
    cov += np.diag(told * value("result_sd.nir") ** 2)
    known = to_scale(evidence.ndf[rows], falls=Index.NDF.falls) - prior[told]
    gain = np.linalg.solve(cov[np.ix_(told, told)], cov[np.ix_(told, ~told)]).T
    left = cov[np.ix_(~told, ~told)] - gain @ cov[np.ix_(told, ~told)]
    return prior[~told] + gain @ known, np.sqrt(np.diag(left))


BENCHMARKS = [Benchmark("model", "posteriors and start dates of many areas", run)]
