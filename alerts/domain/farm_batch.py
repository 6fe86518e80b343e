"""Farms of an area with equally many open fields, put together all at once.

What is numbers only: arrays begin with the farms, then their fields. The words and records made of
them are ``domain.outlook``'s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from alerts.agronomy import start_dates
from alerts.agronomy.scale import Floats, from_scale
from alerts.agronomy.start_dates import SLOWEST_SHARE, ClockPath
from alerts.domain.area_fit import AreaFit
from alerts.domain.area_group import AreaGroup
from alerts.domain.records import WhichLoad
from alerts.domain.snapshot import FarmPlan

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

EARLY, MEDIAN, LATE = 0.1, 0.5, 0.9
"""Ends and middle of the 80 % range of a start date."""

Z80 = 1.2815515655446004
"""Half width of a normal 80 % range in standard deviations."""


@dataclass(frozen=True, slots=True)
class Starts:
    """Start dates; the arrays begin with as many axes as what they are of, written ``...``.

    quantiles : days of ``EARLY``, ``MEDIAN``, ``LATE``, shape (..., 3)
    within_notice : chance that the start date falls on or before today + notice, shape (...)
    waiting : chance that starting so many days from now misses, shape (..., days)
    load : standing quality, then, of the load that must meet the target, shape (..., days)
    """

    quantiles: Ints
    within_notice: Floats
    waiting: Floats
    load: Floats


class FarmBatch:
    """Farms with n open fields each, of one cutting and in one index.

    Parameters
    ----------
    group, fit : the area's fields of that cutting, and their fit in that index
    farms : what each farm wants
    places : positions of their fields in the group, shape (farms, n)
    own_days : days that harvesting each field takes, shape (farms, n) [d]
    target : standing target of each farm on the scale, shape (farms,)
    today : day number
    days_shown : days of the outlook, today included

    Attributes
    ----------
    order : the farms' fields in harvest order, shape (farms, n)
    sampled : whether a field has results of its own, shape (farms, n)
    """

    def __init__(
        self,
        group: AreaGroup,
        fit: AreaFit,
        farms: Sequence[FarmPlan],
        places: Ints,
        own_days: Floats,
        target: Floats,
        today: int,
        days_shown: int,
    ) -> None:
        self.group, self.fit, self.farms = group, fit, farms
        self.places, self.own_days = places, own_days
        self.target = np.broadcast_to(target[:, None], places.shape)
        self.today, self.coming = today, today + np.arange(days_shown)
        self.falls = fit.index.falls
        posterior = fit.posterior
        own_mean, self.own_cov = posterior.joint(places)
        self.prior_level = posterior.fields.level[places]
        self.prior_rate = posterior.fields.rate[places]
        self.path: ClockPath = group.clock.path(fit.origin, group.stray)
        self.sampled: Flags = np.isin(places, group.evidence.field[fit.used])
        goes_with = self._goes_with()
        lines = np.zeros_like(self.own_cov)
        lines[:, 0::2, 0::2] = lines[:, 1::2, 1::2] = goes_with
        together = self._cov_together()
        mean = np.einsum("fij,fj->fi", lines, own_mean)
        self.cov = lines @ together @ np.swapaxes(lines, 1, 2)
        self.mean_level = self.prior_level + mean[:, 0::2]
        self.mean_rate = self.prior_rate * np.maximum(1.0 + mean[:, 1::2], SLOWEST_SHARE)
        self._draw(goes_with, *start_dates.draw_lines(own_mean, together))
        self.median_due = self._median_due()
        # Rounded, so that like fields tie and keep their given order.
        self.order: Ints = np.argsort(self.median_due.round(6), axis=1, kind="stable")

    def _draw(self, goes_with: Floats, level: Floats, rate: Floats, weather: Floats) -> None:
        self.level = self.prior_level[:, :, None] + goes_with @ level
        slowed = np.maximum(1.0 + goes_with @ rate, SLOWEST_SHARE)
        self.rate, self.weather = self.prior_rate[:, :, None] * slowed, weather
        self.due = start_dates.due_days(self.level, self.rate, self.target, weather, self.path)

    def _goes_with(self) -> Floats:
        """Share of each field's sample in what is believed of each field, shape (farms, n, n).

        Every field must meet its target, so one that may be a week ahead or a week behind, for all
        anybody knows, would pull the date forward by its mere uncertainty. An unsampled field
        therefore goes with the sampled ones of its farm, but for what its stand is known to
        change. It is shown as it is counted.
        """
        farms, fields = self.places.shape
        share = np.broadcast_to(np.eye(fields), (farms, fields, fields)).copy()
        number = self.sampled.sum(axis=1)
        alike = self.sampled / np.maximum(number, 1)[:, None]
        follows = ~self.sampled & (number > 0)[:, None]
        share[follows] = np.broadcast_to(alike[:, None, :], share.shape)[follows]
        return share

    def _cov_together(self) -> Floats:
        """Covariance of the fields' lines; where none of a farm is sampled, its fields differ
        from their area together, for the same reason."""
        cov = self.own_cov.copy()
        nowhere = ~self.sampled.any(axis=1)
        own = self.fit.posterior.own_cov[self.places]
        fields = self.places.shape[1]
        for one in range(fields):
            rows = slice(2 * one, 2 * one + 2)
            for other in range(fields):
                if other != one:
                    cov[nowhere, rows, 2 * other : 2 * other + 2] += own[nowhere, one]
        return cov

    def _median_due(self) -> Floats:
        """Median day on which each field meets its target, shape (farms, n)."""
        level, rate = self.mean_level[:, :, None], self.mean_rate[:, :, None]
        still = np.zeros(1)
        return start_dates.due_days(level, rate, self.target, still, self.path)[:, :, 0]

    # ------------------------------------------------------------------- starts

    def farm_starts(self) -> Starts:
        """Of whole farms, their fields harvested in order."""
        days = np.take_along_axis(self.own_days, self.order, axis=1)
        level, rate, due = (
            np.take_along_axis(of_field, self.order[:, :, None], axis=1)
            for of_field in (self.level, self.rate, self.due)
        )
        return self._starts(level, rate, due, days, self._notice())

    def field_starts(self) -> Starts:
        """Of each field by itself."""
        alone = self.own_days[:, :, None]
        level, rate, due = (of[:, :, None, :] for of in (self.level, self.rate, self.due))
        notice = np.broadcast_to(self._notice()[:, None], self.places.shape)
        return self._starts(level, rate, due, alone, notice)

    def _notice(self) -> Floats:
        return np.array([float(self.today + farm.notice_days + 1) for farm in self.farms])

    def _starts(
        self, level: Floats, rate: Floats, due: Floats, days: Floats, notice: Floats
    ) -> Starts:
        """``level``, ``rate``, ``due`` of shape (..., n, draws), ``days`` of (..., n)."""
        done = np.cumsum(days, axis=-1)
        starts = start_dates.last_load_starts(due, done)
        load = start_dates.last_load_values(level, rate, self.coming, done, self.weather, self.path)
        for farm, plan in enumerate(self.farms):
            if plan.which_load is not WhichLoad.LAST:
                self._take_average(farm, level, rate, days, starts, load)
        return Starts(
            quantiles=start_dates.start_quantiles(starts, [EARLY, MEDIAN, LATE]),
            within_notice=start_dates.chance_too_late(starts, notice[..., None])[..., 0],
            waiting=start_dates.chance_too_late(starts, self.coming),
            load=from_scale(start_dates.middle(load), falls=self.falls),
        )

    def _take_average(
        self, farm: int, level: Floats, rate: Floats, days: Floats, starts: Floats, load: Floats
    ) -> None:
        """Put the average of a farm's crop in the place of its last load."""
        for of_field in np.ndindex(days.shape[1:-1]):
            at = (farm, *of_field)
            took = days[at]
            even = np.full(took.size, 1.0 / took.size)
            share = took / took.sum() if took.sum() > 0 else even
            middle, target = np.cumsum(took) - took / 2, np.full(took.size, self.target[farm, 0])
            crop = level[at], rate[at]
            starts[at] = start_dates.average_starts(
                *crop, target, share, middle, self.weather, self.path
            )
            load[at] = start_dates.average_values(
                *crop, self.coming, share, middle, self.weather, self.path
            )

    # ------------------------------------------------------------------- curves

    def _curve(self, days: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of each field's standing quality on these days, on the scale;
        shape (farms, n, days)."""
        clock = self.group.clock
        since = clock.at(days) - self.fit.origin
        ahead = self.prior_rate[:, :, None] * since
        cov = self._own_blocks(self.cov)[:, :, None]
        var = cov[..., 0, 0] + 2 * ahead * cov[..., 0, 1] + ahead**2 * cov[..., 1, 1]
        rate = self.mean_rate[:, :, None]
        loose = clock.sd_since(days, self.fit.origin, self.group.stray)
        return self.mean_level[:, :, None] + rate * since, np.sqrt(var + np.square(rate * loose))

    def _own_blocks(self, cov: Floats) -> Floats:
        """The fields' own 2 x 2 parts of a covariance of farms, shape (farms, n, 2, 2)."""
        farms, fields = self.places.shape
        blocks = cov.reshape(farms, fields, 2, fields, 2)
        each = np.arange(fields)
        # The axis of the fields comes first where it is picked out twice.
        own: Floats = np.moveaxis(blocks[:, each, :, each, :], 0, 1)
        return own

    def meets_today(self) -> Floats:
        """Chance that each standing crop still meets its target today, shape (farms, n)."""
        mean, sd = self._curve(np.array([float(self.today)]))
        chance: Floats = ndtr((self.target - mean[:, :, 0]) / sd[:, :, 0])
        return chance

    def days_ahead(self) -> Floats:
        """Median, low and high end of each day's standing quality, shape (farms, n, days, 3)."""
        mean, sd = self._curve(self.coming.astype(np.float64))
        middle, one, other = (
            from_scale(value, falls=self.falls)
            for value in (mean, mean - Z80 * sd, mean + Z80 * sd)
        )
        return np.stack([middle, np.minimum(one, other), np.maximum(one, other)], axis=-1)

    def sample_worth(self, sample_on: int, clip_sd: float) -> Floats:
        """Days by which one clip on a day would narrow the 80 % range of what is known of each
        field itself, also where it is counted with others until then; shape (farms, n).

        ``clip_sd`` is the error of the clip [scale units].
        """
        clock, origin = self.group.clock, self.fit.origin
        clip = np.broadcast_to(float(sample_on), self.places.shape)
        days = np.stack([self.median_due.round(6), clip], axis=-1)
        ahead = self.prior_rate[:, :, None] * (clock.at(days) - origin)
        line = np.stack([np.ones_like(ahead), ahead], axis=-1)
        # The clock's straying until the earlier of the two days moves both.
        strays = self.mean_rate[:, :, None] * clock.sd_since(days, origin, self.group.stray)
        joint = line @ self._own_blocks(self.own_cov) @ np.swapaxes(line, -1, -2)
        joint += np.square(np.minimum(strays[..., :, None], strays[..., None, :]))
        error = clip_sd**2 + self.fit.visit_sd**2
        before = joint[..., 0, 0]
        learnt = np.square(joint[..., 0, 1]) / (joint[..., 1, 1] + error)
        narrower = np.sqrt(before) - np.sqrt(np.maximum(before - learnt, 0.0))
        worth: Floats = 2 * Z80 * narrower / self.mean_rate
        return worth
