"""From the readings of a result to the index values it gives as evidence.

A laboratory's printed RFV or RFQ is kept and used; ours is computed beside it from the fibre and
protein values, and a large difference is pointed out. RFQ needs NDF digestibility at 48 hours.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import time
from itertools import repeat
from typing import NamedTuple

import numpy as np

from alerts.agronomy import peaq, quality
from alerts.agronomy.scale import Floats
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Method, Note, Readings, Result


class IndexValues(NamedTuple):
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
    if not results:
        return []
    said = dict(
        zip(Readings._fields, zip(*(one.readings for one in results), strict=True), strict=True)
    )
    columns = {name: np.array(values, dtype=np.float64) for name, values in said.items()}
    own_rfv = quality.rfv(columns["adf_pct_dm"], columns["ndf_pct_dm"])
    own_rfq = _computed_rfq(columns, grass_pct, guidelines)
    rfv, rfq = _to_list(own_rfv), _to_list(own_rfq)
    found = list(
        map(
            IndexValues,
            _printed_or(said["rfv"], rfv),
            _printed_or(said["rfq"], rfq),
            said["ndf_pct_dm"],
            rfv,
            rfq,
            repeat(0),
            repeat(()),
        )
    )
    allowed = guidelines.value("equations.printed_difference")
    differs = np.abs(columns["rfv"] - own_rfv) > allowed
    differs |= np.abs(columns["rfq"] - own_rfq) > allowed
    for place in np.flatnonzero(differs).tolist():
        notes = _differences(results[place], rfv[place], rfq[place], allowed)
        found[place] = found[place]._replace(notes=notes)
    for place, result in enumerate(results):
        if result.method is Method.STEM:
            found[place] = _of_stems(result)
    return found


def _to_list(values: Floats) -> list[float | None]:
    plain: list[float | None] = values.tolist()
    for place in np.flatnonzero(np.isnan(values)).tolist():
        plain[place] = None
    return plain


def _printed_or(
    printed: Sequence[float | None], own: Sequence[float | None]
) -> Iterator[float | None]:
    """What the laboratory prints, and ours where it prints nothing."""
    return (ours if said is None else said for said, ours in zip(printed, own, strict=True))


def _computed_rfq(
    columns: Mapping[str, Floats], grass_pct: Sequence[float | None], guidelines: GuidelineSet
) -> Floats:
    parts = {
        name: columns[name]
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


def _differences(
    result: Result, own_rfv: float | None, own_rfq: float | None, allowed: float
) -> tuple[Note, ...]:
    printed = result.readings
    return (
        *_difference(result, "RFV", printed.rfv, own_rfv, allowed),
        *_difference(result, "RFQ", printed.rfq, own_rfq, allowed),
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
