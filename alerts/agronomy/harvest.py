"""The order in which one crew takes a farm's fields."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def due_order(due_day: ArrayLike) -> NDArray[np.intp]:
    """Order of fields for one crew: the earliest due date first.

    Parameters
    ----------
    due_day : last day by which each field should be done, shape (fields,) [d]; NaN sorts last

    Returns
    -------
    Field numbers in harvest order; equal dates keep their given order.

    Notes
    -----
    Sequencing by due date makes the worst lateness as small as it can be on one machine [1]_
    (cited from memory).

    References
    ----------
    .. [1] Jackson, J.R., 1955, Scheduling a production line to minimize maximum tardiness.

    Examples
    --------
    >>> due_order([140, 137, 150]).tolist()
    [1, 0, 2]
    """
    return np.argsort(np.asarray(due_day, dtype=np.float64), kind="stable")
