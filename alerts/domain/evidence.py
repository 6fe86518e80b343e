"""From the readings of a result to the index values it gives as evidence.

A laboratory's printed RFV or RFQ is kept and used; ours is computed beside it from the fibre and
protein values, and a large difference is pointed out. RFQ needs NDF digestibility at 48 hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time

import numpy as np

from alerts.agronomy import peaq, quality
from alerts.agronomy.scale import Floats
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Method, Note, Readings, Result


@dataclass(frozen=True, slots=True)
class IndexValues:
    """What one result says of the crop, in each index it can speak; None where it cannot."""

    rfv: float | None
    rfq: float | None
    ndf: float | None
    computed_rfv: float | None
    computed_rfq: float | None
    spots: int  # spots used of a stem reading
    notes: tuple[Note, ...]


def index_values(
    results: Sequence[Result], grass_pct: Sequence[float | None], guidelines: GuidelineSet
) -> list[IndexValues]:
    """Index values of each result, computed for all of them at once.

    ``grass_pct`` [% of the stand, None while the field is unknown] chooses the RFQ equation: the
    legume one serves mixtures too, up to a stated share of grass.
    """
    readings = [result.readings for result in results]
    rfv = _to_list(quality.rfv(_column(readings, "adf_pct_dm"), _column(readings, "ndf_pct_dm")))
    rfq = _to_list(_computed_rfq(readings, grass_pct, guidelines))
    allowed = guidelines.value("equations.printed_difference")
    return [
        _of_stems(result)
        if result.method is Method.STEM
        else _of_clip(result, own_rfv, own_rfq, allowed)
        for result, own_rfv, own_rfq in zip(results, rfv, rfq, strict=True)
    ]


def _column(readings: Sequence[Readings], name: str) -> Floats:
    return np.array([getattr(r, name) for r in readings], dtype=np.float64)


def _to_list(values: Floats) -> list[float | None]:
    return [None if np.isnan(value) else float(value) for value in values]


def _computed_rfq(
    readings: Sequence[Readings], grass_pct: Sequence[float | None], guidelines: GuidelineSet
) -> Floats:
    parts = {
        name: _column(readings, name)
        for name in (
            "cp_pct_dm",
            "adf_pct_dm",
            "ndf_pct_dm",
            "ndfd48_pct_ndf",
            "ee_pct_dm",
            "ash_pct_dm",
            "ndficp_pct_dm",
        )
    }
    legume = quality.rfq(**parts, equation=quality.RfqEquation.LEGUME)
    grass = quality.rfq(**parts, equation=quality.RfqEquation.GRASS)
    share = np.array(grass_pct, dtype=np.float64)
    mainly_grass = share > guidelines.value("equations.grass_from_pct")
    chosen = np.where(mainly_grass, grass, legume)
    return np.where(np.isnan(share), np.nan, chosen)


def _of_clip(
    result: Result, own_rfv: float | None, own_rfq: float | None, allowed: float
) -> IndexValues:
    printed = result.readings
    notes = (
        *_difference(result, "RFV", printed.rfv, own_rfv, allowed),
        *_difference(result, "RFQ", printed.rfq, own_rfq, allowed),
    )
    return IndexValues(
        rfv=own_rfv if printed.rfv is None else printed.rfv,
        rfq=own_rfq if printed.rfq is None else printed.rfq,
        ndf=printed.ndf_pct_dm,
        computed_rfv=own_rfv,
        computed_rfq=own_rfq,
        spots=0,
        notes=notes,
    )


def _difference(
    result: Result, name: str, printed: float | None, own: float | None, allowed: float
) -> tuple[Note, ...]:
    if printed is None or own is None or abs(printed - own) <= allowed:
        return ()
    text = (
        f"the laboratory prints {name} {printed:.0f}, the equation gives {own:.0f} from its "
        "values; the printed one is used, ask the laboratory which is right"
    )
    return (Note(row=result.row, column=name, text=text),)


def _of_stems(result: Result) -> IndexValues:
    reading = peaq.reading(
        [spot.height_in for spot in result.spots], [spot.stage.value for spot in result.spots]
    )
    notes: tuple[Note, ...] = ()
    if reading.spots_refused:
        text = (
            f"{reading.spots_refused} of {len(result.spots)} spots lie outside the stem tables "
            "(16 to 40 in) and are not counted"
        )
        notes = (Note(row=result.row, column="height_in", text=text),)
    known = reading.spots_used > 0
    return IndexValues(
        rfv=reading.rfv if known else None,
        rfq=None,  # no stem table exists for RFQ
        ndf=reading.ndf_pct_dm if known else None,
        computed_rfv=None,
        computed_rfq=None,
        spots=reading.spots_used,
        notes=notes,
    )


def is_late_in_day(sampled_at: time | None, before: time) -> bool:
    """Whether a clip was taken later than the protocol says; not said counts as in time."""
    return sampled_at is not None and sampled_at >= before
