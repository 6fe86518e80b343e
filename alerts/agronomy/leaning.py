"""Nearly normal values that lean to one side: how far out they lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_LEAN = 0.15
"""A sixth of the skewness; beyond it one step says too little [0.995 / 6: half a normal curve]."""


def upright(far: Floats, lean: Floats) -> Floats:
    """Standard normal number as likely to be exceeded as a leaning one.

    Parameters
    ----------
    far : how many standard deviations a value lies above the mean
    lean : a sixth of the skewness, any shape that broadcasts [-MOST_LEAN to MOST_LEAN]

    Returns
    -------
    z in far = z + lean (z**2 - 1), rising in ``far``; beyond the turn of that parabola a straight
    line

    Notes
    -----
    The first step of Cornish, E.A., Fisher, R.A., 1938, Moments and cumulants in the specification
    of distributions (from memory), solved for the normal number.

    Examples
    --------
    >>> upright(np.array([0.0, 1.28, -1.28]), np.array([0.0, 0.0, 0.0])).tolist()
    [0.0, 1.28, -1.28]
    >>> float(upright(np.array([-0.1]), np.array([0.1]))[0])
    0.0
    """
    moved = far + lean
    root = lean * moved
    root *= 4.0
    root += 1.0
    np.maximum(root, 0.04, out=root)
    np.sqrt(root, out=root)
    root += 1.0
    moved *= 2.0
    moved /= root
    return moved
