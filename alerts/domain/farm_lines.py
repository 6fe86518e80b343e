"""The lines of farms' fields as a farm counts them: a field that nobody sampled goes with others.

Every field must meet its target, so one that may be a week ahead or a week behind, for all anybody
knows, would pull the date forward by its mere uncertainty. An unsampled field therefore goes with
the sampled ones of its farm, but for what its stand is known to change; and where none of a farm is
sampled, its fields differ from their area together. It is shown as it is counted.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from alerts.agronomy.area_parts import LEVEL, OWN, RATE, AreaPosterior
from alerts.agronomy.loose_lines import LineCov, Lines
from alerts.agronomy.scale import Floats
from alerts.agronomy.start_dates import SLOWEST_SHARE

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FarmLines:
    """Lines of the fields of farms with n fields each.

    itself : what is known of each field by itself, shape (farms, n)
    shown : each field as it is counted and shown, shape (farms, n)
    counted : the same, but that a rate held at the slowest one is known, shape (farms, n)
    cov : how the fields' lines, as counted, hang together, arrays of shape (n, n, farms)
    """

    itself: Lines
    shown: Lines
    counted: Lines
    cov: LineCov

    @classmethod
    def of(
        cls, posterior: AreaPosterior, places: Ints, sampled: Flags, chunks: Iterable[slice]
    ) -> FarmLines:
        """``places`` of the farms' fields in the posterior and whether they are ``sampled``, shape
        (farms, n); worked out some farms at a time."""
        farms, fields = places.shape
        mean = np.empty((farms, fields, OWN))
        itself, shown = np.empty((2, farms, fields, OWN, OWN))
        cov = np.empty((OWN, OWN, fields, fields, farms))
        prior_rate = posterior.fields.rate[places]
        held = np.empty((farms, fields))
        for some in chunks:
            centre, joint = posterior.joint(places[some])
            mean[some] = centre.reshape(-1, fields, OWN)
            joint = joint.reshape(-1, fields, OWN, fields, OWN)
            # From shares of the prior rate to rates.
            joint[:, :, RATE] *= prior_rate[some, :, None, None]
            joint[..., RATE] *= prior_rate[some, None, None, :]
            itself[some] = _own_blocks(joint)
            _put_together(posterior, places[some], sampled[some], mean[some], joint)
            shown[some] = _own_blocks(joint)
            held[some] = _held(mean[some, :, RATE], shown[some], prior_rate[some])
            joint[:, :, RATE] *= held[some, :, None, None]
            joint[..., RATE] *= held[some, None, None, :]
            cov[..., some] = joint.transpose(2, 4, 1, 3, 0)
        level = posterior.fields.level[places] + mean[..., LEVEL]
        rate = prior_rate * np.maximum(1.0 + mean[..., RATE], SLOWEST_SHARE)
        return cls(
            itself=_lines(level, rate, itself),
            shown=_lines(level, rate, shown),
            counted=_lines(level, rate, shown, held),
            cov=LineCov(cov[LEVEL, LEVEL], cov[LEVEL, RATE], cov[RATE, RATE]),
        )


def _lines(level: Floats, rate: Floats, cov: Floats, held: Floats | float = 1.0) -> Lines:
    return Lines(
        level=level,
        rate=rate,
        level_var=cov[..., LEVEL, LEVEL].copy(),
        both_cov=cov[..., LEVEL, RATE] * held,
        rate_var=cov[..., RATE, RATE] * np.square(held),
    )


def _own_blocks(joint: Floats) -> Floats:
    """The fields' own 2 x 2 parts, shape (farms, n, 2, 2)."""
    each = np.arange(joint.shape[1])
    # The axis of the fields comes first where it is picked out twice.
    return np.moveaxis(joint[:, each, :, each, :], 0, 1)


def _held(share: Floats, cov: Floats, prior_rate: Floats) -> Floats:
    """Chance that each rate is not held at the slowest one: it then no longer moves with others
    (Stein, C.M., 1981, Estimation of the mean of a multivariate normal distribution; from
    memory)."""
    sd = np.sqrt(np.maximum(cov[..., RATE, RATE], 1e-24)) / prior_rate
    chance: Floats = ndtr((1.0 + share - SLOWEST_SHARE) / sd)
    return chance


def _put_together(
    posterior: AreaPosterior, places: Ints, sampled: Flags, mean: Floats, joint: Floats
) -> None:
    """Let unsampled fields go with others, in place; ``mean`` of shape (farms, n, 2) and ``joint``
    of (farms, n, 2, n, 2), rates of the latter in scale units a day."""
    _tie_unsampled(posterior, places, np.flatnonzero(~sampled.any(axis=1)), joint)
    mixed = np.flatnonzero(sampled.any(axis=1) & ~sampled.all(axis=1))
    if not mixed.size:
        return
    share = _goes_with(sampled[mixed])
    mean[mixed] = share @ mean[mixed]
    # Shares of the prior rate are what a field takes over.
    prior_rate = posterior.fields.rate[places[mixed]]
    takes = np.stack([share, share * prior_rate[:, :, None] / prior_rate[:, None, :]], axis=1)
    half = np.einsum("faij,fjakb->fiakb", takes, joint[mixed])
    joint[mixed] = np.einsum("fbmk,fiakb->fiamb", takes, half)


def _goes_with(sampled: Flags) -> Floats:
    """Share of each field's sample in what is believed of each field, shape (farms, n, n)."""
    farms, fields = sampled.shape
    share = np.broadcast_to(np.eye(fields), (farms, fields, fields)).copy()
    alike = sampled / sampled.sum(axis=1)[:, None]
    share[~sampled] = np.broadcast_to(alike[:, None, :], share.shape)[~sampled]
    return share


def _tie_unsampled(posterior: AreaPosterior, places: Ints, nowhere: Ints, joint: Floats) -> None:
    """Fields of farms without any sample differ from their area together, in place."""
    if not nowhere.size:
        return
    own = posterior.own_cov[places[nowhere]]
    rate = posterior.fields.rate[places[nowhere]]
    for one in range(places.shape[1]):
        for other in range(places.shape[1]):
            if other != one:
                tied = own[:, one].copy()
                tied[:, RATE] *= rate[:, one, None]
                tied[:, :, RATE] *= rate[:, other, None]
                joint[nowhere, one, :, other, :] += tied
