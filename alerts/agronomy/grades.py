"""Hay grades by relative feed value (RFV).

Two scales are in use and share some of their names, and a state page prints other limits under
the same names again. A grade therefore always carries its scale and its limits, and writes them
out with its name.

Published limits share their end points or leave gaps between whole numbers. Our stated choice: a
grade reaches from its lower limit, that limit included, to just below the next better grade. Grade
the number that is shown: 124.6 is below 125 although it prints as 125.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alerts.agronomy.units import IntArray, Numbers, Range, within

RFV_RANGE: Range = (1.0, 600.0)  # plausibility, our judgement; ADF 5 with NDF 15 gives 527
NO_PLACE = -1
MOST_GRASS_PCT = 10.0  # the USDA guideline is for alfalfa with not more grass than this


@dataclass(frozen=True, slots=True)
class Grade:
    """A grade with the limits that give its name a meaning.

    `rfv_min` [-] belongs to the grade, `rfv_below` [-] does not; they are 0 and infinity at the
    ends of the scale. `source` names author, year and title of the limit `rfv_min`, or of
    `rfv_below` for the last grade.

    >>> str(USDA_AMS_ALFALFA[1])
    'Premium (USDA AMS alfalfa: RFV 170 to below 185)'
    """

    scale: str
    name: str
    rfv_min: float
    rfv_below: float
    source: str

    def __str__(self) -> str:
        if np.isinf(self.rfv_below):
            limits = f"{self.rfv_min:g} or more"
        elif self.rfv_min == 0.0:
            limits = f"below {self.rfv_below:g}"
        else:
            limits = f"{self.rfv_min:g} to below {self.rfv_below:g}"
        return f"{self.name} ({self.scale}: RFV {limits})"


def _scale(scale: str, rows: list[tuple[str, float, str]]) -> tuple[Grade, ...]:
    """Grades best first, from rows of name, lower limit and source."""
    uppers = [np.inf, *(lower for _, lower, _ in rows)]
    return tuple(
        Grade(scale, name, lower, upper, source)
        for (name, lower, source), upper in zip(rows, uppers, strict=False)
    )


_HALOPKA = (
    "Halopka, R., 2022, Hay market demand and price report for the Upper Midwest, 28 Feb 2022"
)
_FROM_MEMORY = (
    "from memory of Linn, J.G.; Martin, N.P., 1989, Forage quality tests and interpretation"
)
_CASH_DIXON = (
    "Cash, D.; Dixon, P., 2003, Hay quality standards"
    " (USDA Agricultural Marketing Service guidelines in force 1 Jan 2003)"
)

AFGC = _scale(
    "AFGC",
    [
        ("Prime", 151.0, _HALOPKA),  # printed as "> 151"; the tie is ours
        ("Grade 1", 125.0, _HALOPKA),
        ("Grade 2", 103.0, _HALOPKA),
        ("Grade 3", 87.0, _HALOPKA),
        ("Grade 4", 75.0, _FROM_MEMORY),
        ("Grade 5", 0.0, _FROM_MEMORY),
    ],
)
"""American Forage and Grassland Council grades, best first."""

USDA_AMS_ALFALFA = _scale(
    "USDA AMS alfalfa",
    [
        ("Supreme", 185.0, _CASH_DIXON),
        ("Premium", 170.0, _CASH_DIXON),
        ("Good", 150.0, _CASH_DIXON),
        ("Fair", 130.0, _CASH_DIXON),
        ("Utility", 0.0, _CASH_DIXON),
    ],
)
"""USDA Agricultural Marketing Service guideline for alfalfa hay, best first."""


def places(rfv: Numbers, grades: tuple[Grade, ...]) -> IntArray:
    """Place of each RFV on a scale of grades, for work on whole arrays.

    Parameters
    ----------
    rfv : float or array
        Relative feed value [-, 1 to 600], any shape.
    grades : tuple of Grade
        A scale, best grade first: `AFGC` or `USDA_AMS_ALFALFA`.

    Returns
    -------
    integer array of the shape of `rfv`
        Index into `grades`, 0 for the best; -1 (`NO_PLACE`) where RFV is out of range or NaN, an
        integer having no NaN.

    Notes
    -----
    The first grade whose lower limit is not above RFV.

    References
    ----------
    .. [1] As named by the `source` of each grade.

    Examples
    --------
    >>> places(np.array([200.0, 185.0, 184.9, np.nan]), USDA_AMS_ALFALFA).tolist()
    [0, 0, 1, -1]
    """
    value = within(rfv, RFV_RANGE)
    lower_limits = np.array([grade.rfv_min for grade in grades])
    passed_over = (value[..., np.newaxis] < lower_limits).sum(axis=-1)
    return np.asarray(np.where(np.isnan(value), NO_PLACE, passed_over), dtype=np.intp)


def afgc_grade(rfv: float) -> Grade | None:
    """Grade of the American Forage and Grassland Council by RFV.

    Parameters
    ----------
    rfv : float
        Relative feed value [-, 1 to 600].

    Returns
    -------
    Grade or None
        None out of range. Limits: 151, 125, 103, 87; 75 is from memory.

    Notes
    -----
    By RFV alone: the fiber and protein columns printed beside it are not exact images of the
    RFV limits.

    References
    ----------
    .. [1] Halopka, R., 2022, Hay market demand and price report for the Upper Midwest,
       28 Feb 2022.

    Examples
    --------
    >>> print(afgc_grade(152.4))
    Prime (AFGC: RFV 151 or more)
    """
    return _grade(rfv, AFGC)


def usda_ams_grade(rfv: float, grass_pct: float = 0.0) -> Grade | None:
    """Guideline grade of the USDA Agricultural Marketing Service for alfalfa hay by RFV.

    Parameters
    ----------
    rfv : float
        Relative feed value [-, 1 to 600].
    grass_pct : float
        Share of grass [% of DM, 0 to 10]; grass hay is graded by protein instead.

    Returns
    -------
    Grade or None
        None out of range. Limits: 185, 170, 150, 130.

    Notes
    -----
    The published ranges share their end points; an exact limit takes the better grade.

    References
    ----------
    .. [1] Cash, D.; Dixon, P., 2003, Hay quality standards (USDA Agricultural Marketing Service
       guidelines in force 1 Jan 2003).

    Examples
    --------
    >>> print(usda_ams_grade(152.4))
    Good (USDA AMS alfalfa: RFV 150 to below 170)
    """
    grass = within(grass_pct, (0.0, MOST_GRASS_PCT))
    return None if np.isnan(grass) else _grade(rfv, USDA_AMS_ALFALFA)


def _grade(rfv: float, grades: tuple[Grade, ...]) -> Grade | None:
    place = int(places(rfv, grades))
    return None if place == NO_PLACE else grades[place]
