"""The clock a stand lives by: heat, told in ordinary days.

Fiber rises with heat rather than with the calendar, but the published rates are per day. So heat is
divided by the heat of an ordinary spring day: a warm day moves the clock by more than one, a cold
one by less, and where no weather is known the clock is the calendar.

The clock is read in the morning, when clips are taken: the heat of a day lies between its own
morning and the next one.
"""

from __future__ import annotations

import numpy as np

from alerts.agronomy.growth import degree_days_f
from alerts.agronomy.units import FloatArray, IntArray, Numbers, Range, within

ORDINARY_DAY_F_DAYS = 22.0  # derived in ordinary_days
PER_DAY_RANGE: Range = (1.0, 60.0)  # above 60 the mean of a day would be over 101 F
FORECAST_SD_F = 2.5  # of a day's mean temperature, one day ahead; from memory, our judgement
FORECAST_SD_RISE_F = 0.6  # for each further day ahead; from memory, our judgement
CLIMATE_SD_F = 7.5  # day around its normal, May at mid-latitudes: 7 to 8, from memory
RHO = 0.65  # between mean temperatures of neighboring days, from memory, our judgement

_DEGREE_DAYS: Range = (0.0, 100.0)
_SPREAD: Range = (0.0, 30.0)
_CORRELATION: Range = (0.0, 1.0)


def ordinary_days(
    days: IntArray,
    tmax_f: FloatArray,
    tmin_f: FloatArray,
    per_day_f: float = ORDINARY_DAY_F_DAYS,
) -> FloatArray:
    """Clock on the morning of each day of a row of days.

    Parameters
    ----------
    days : int array of shape (days,)
        Consecutive day numbers, at least one.
    tmax_f, tmin_f : array of shape (..., days)
        Highest and lowest air temperature of each day [F, -80 to 140]; NaN where no weather is
        known. Those of the last day do not count yet.
    per_day_f : float
        Degree days over 41 F of an ordinary spring day [F-days, 1 to 60].

    Returns
    -------
    array of shape (..., days)
        Clock [ordinary days], never falling; on the first day it is the day's number, so that a
        row of ordinary days gives the day numbers back.

    Notes
    -----
    clock(i) = days(0) + sum of degree days(k) / per_day over the days k before i. A day of which
    nothing usable is known (NaN, out of range, high below low) counts as one ordinary day.

    The 22 is derived: pure alfalfa gains about 0.55 NDF units a day in first cutting (0.4 cool to
    0.7 warm [1]_), and 2 units between 680 and 750 degree days [2]_ or 5 in the 220 after 750 [3]_
    are 0.0286 and 0.0227 a degree day; 0.55 over these is 19 and 24. It is the heat of a day with
    a mean of 63 F. Sources disagree: [3]_ puts 220 degree days at about 7 days, 31 a day.

    All NaN for a per_day_f out of range; ValueError for days that do not follow each other or do
    not belong to the temperatures.

    References
    ----------
    .. [1] Smith, E., 2021, 1st cutting forage quality update: height guide.
    .. [2] A Great Lakes state university, 2013, Warmer than average weather makes gains on
       growing degree days.
    .. [3] Thomas, C., about 2010, Use growing degree days to time first cutting.

    Examples
    --------
    A day of 60/40 F has 9 degree days, a day of 85/58 F 30.5; of the third nothing is known:

    >>> clock = ordinary_days(
    ...     np.array([100, 101, 102, 103]),
    ...     np.array([60.0, 85.0, np.nan, np.nan]),
    ...     np.array([40.0, 58.0, np.nan, np.nan]),
    ...     per_day_f=20.0,
    ... )
    >>> clock.round(3).tolist()
    [100.0, 100.45, 101.975, 102.975]
    """
    numbers = np.asarray(days)
    high, low = np.broadcast_arrays(
        np.asarray(tmax_f, dtype=np.float64), np.asarray(tmin_f, dtype=np.float64)
    )
    _check_days(numbers, high)
    heat = np.asarray(degree_days_f(high, low))
    per_day = within(per_day_f, PER_DAY_RANGE)
    steps = np.where(np.isnan(heat), per_day, heat)[..., :-1] / per_day
    start = np.full((*high.shape[:-1], 1), float(numbers[0]))
    clock: FloatArray = np.cumsum(np.concatenate([start, steps], axis=-1), axis=-1)
    return clock + 0.0 * per_day


def future_clock(
    last_known_clock: Numbers,
    forecast_f_days: FloatArray,
    normal_f_days: Numbers,
    horizon: int,
    *,
    per_day_f: float = ORDINARY_DAY_F_DAYS,
    forecast_sd_f: float = FORECAST_SD_F,
    forecast_sd_rise_f: float = FORECAST_SD_RISE_F,
    climate_sd_f: float = CLIMATE_SD_F,
    rho: float = RHO,
) -> tuple[FloatArray, FloatArray]:
    """Clock to expect on each coming morning, and how far it may be off.

    Parameters
    ----------
    last_known_clock : float or array of shape (...)
        Clock on the last morning up to which the weather is known, this morning [ordinary days].
    forecast_f_days : array of shape (..., forecast days)
        Degree days over 41 F forecast from this day on [F-days, 0 to 100]; may be empty, NaN where
        there is none.
    normal_f_days : float, or array of shape (..., horizon)
        Degree days usual on these days [F-days, 0 to 100], taken where there is no forecast; NaN
        for days whose normal is not known, which count as ordinary.
    horizon : int
        Number of mornings ahead, 1 or more; a longer forecast is cut.
    per_day_f : float
        Degree days of an ordinary spring day [F-days, 1 to 60].
    forecast_sd_f, forecast_sd_rise_f : float
        Standard deviation of the error of a forecast of a day's mean temperature for the first
        day, and its growth for each day further ahead, up to that of the climate [F, 0 to 30].
    climate_sd_f : float
        Standard deviation of a day's mean temperature around its normal [F, 0 to 30].
    rho : float
        Correlation between neighboring days of either [0 to 1]; rho**k between days k apart.

    Returns
    -------
    mean, sd : arrays of shape (..., horizon)
        Clock on the mornings 1, 2, ... `horizon` days after the last known one [ordinary days];
        neither ever falls.

    Notes
    -----
    mean(k) = last + sum of degree days(j) / per_day over j up to k
    var(k) = sum over i and j up to k of s(i) s(j) rho**abs(i - j) / per_day**2
    with s the forecast's standard deviation where there is one, else the climate's. Above 41 F a
    degree of mean temperature is a degree day; that the base cuts the spread of cold days off is
    left aside, which makes the range too wide there rather than too narrow.

    The four spreads are judgement from memory, not published values: a week ahead a forecast of a
    mean temperature is off by about 6 F (1 SD), little better than the normal; weather comes in
    spells, hence rho: 14 days that knew nothing of each other would put the clock off by 1.3
    ordinary days, with rho 0.65 they put it off by 2.5.

    NaN where last_known_clock or a parameter is out of range. ValueError for a horizon below 1 or
    a normal of another length.

    References
    ----------
    .. [1] Variance of a sum; correlation of a first-order autoregressive series (textbook, from
       memory).

    Examples
    --------
    >>> mean, sd = future_clock(140.0, np.array([33.0]), 22.0, 3, rho=0.0)
    >>> mean.tolist()
    [141.5, 142.5, 143.5]
    >>> sd.round(3).tolist()
    [0.114, 0.359, 0.495]
    """
    if horizon < 1:
        raise ValueError(f"a horizon of {horizon} days is none: it must be 1 or more")
    per_day = within(per_day_f, PER_DAY_RANGE)
    last = within(last_known_clock, (-np.inf, np.inf))
    forecast = _over(horizon, within(forecast_f_days, _DEGREE_DAYS))
    normal = within(normal_f_days, _DEGREE_DAYS)
    if normal.ndim and normal.shape[-1] not in (1, horizon):
        raise ValueError(f"{normal.shape[-1]} normals given for a horizon of {horizon} days")
    usual = np.where(np.isnan(normal), per_day, normal)
    expected = np.where(np.isnan(forecast), usual, forecast)
    mean: FloatArray = last[..., None] + np.cumsum(expected, axis=-1) / per_day

    climate = within(climate_sd_f, _SPREAD)
    ahead = within(forecast_sd_f, _SPREAD) + within(forecast_sd_rise_f, _SPREAD) * np.arange(
        horizon
    )
    spread = np.where(np.isnan(forecast), climate, np.minimum(ahead, climate))
    sd = np.sqrt(_variance_of_sums(spread, within(rho, _CORRELATION))) / per_day
    return mean, np.broadcast_to(sd, mean.shape) + 0.0 * mean


def _check_days(numbers: IntArray, temperatures: FloatArray) -> None:
    if numbers.ndim != 1 or not numbers.size or (np.diff(numbers) != 1).any():
        raise ValueError("day numbers must be one row of days, each the one after the last")
    if not temperatures.ndim or temperatures.shape[-1] != numbers.size:
        raise ValueError(
            f"temperatures of shape {temperatures.shape} do not belong to {numbers.size} days"
        )


def _over(horizon: int, daily: FloatArray) -> FloatArray:
    """Cut to the horizon, or continued to it with NaN; shape (..., horizon)."""
    known = np.atleast_1d(daily)[..., :horizon]
    rest = np.full((*known.shape[:-1], horizon - known.shape[-1]), np.nan)
    return np.concatenate([known, rest], axis=-1)


def _variance_of_sums(spread: FloatArray, rho: FloatArray) -> FloatArray:
    """Variance of the sum of the first 1, 2, ... days; `spread` has shape (..., days)."""
    place = np.arange(spread.shape[-1])
    correlation = rho ** np.abs(place[:, None] - place)
    covariance = spread[..., :, None] * spread[..., None, :] * correlation
    sums = np.cumsum(np.cumsum(covariance, axis=-1), axis=-2)
    variance: FloatArray = np.diagonal(sums, axis1=-2, axis2=-1)
    return variance
