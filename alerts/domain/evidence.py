"""From the readings of a result to the index values it gives as evidence.

A laboratory's printed RFV or RFQ is kept and used; ours is computed beside it from the fibre and
protein values, and a large difference is pointed out. RFQ needs NDF digestibility at 48 hours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import time
from typing import NamedTuple

import numpy as np

from alerts.agronomy import peaq, quality
from alerts.agronomy.scale import Floats
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Method, Note, Readings, Result
from alerts.domain.results import Results


class IndexValues(NamedTuple):
    """What one result says of the crop, in each index it can speak; None where it cannot."""

    rfv: float | None
    rfq: float | None
    ndf: float | None
    computed_rfv: float | None
    computed_rfq: float | None
    spots: int  # spots used of a stem reading
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class IndexColumns:
    """`IndexValues` of many results, by column; ``notes`` by place, where there are any."""

    rfv: list[float | None]
    rfq: list[float | None]
    ndf: list[float | None]
    computed_rfv: list[float | None]
    computed_rfq: list[float | None]
    spots: list[int]
    notes: dict[int, tuple[Note, ...]] = field(default_factory=dict)

    def put(self, place: int, values: IndexValues) -> None:
        for name in ("rfv", "rfq", "ndf", "computed_rfv", "computed_rfq", "spots"):
            getattr(self, name)[place] = getattr(values, name)
        if values.notes:
            self.notes[place] = values.notes


def index_values(
    results: Sequence[Result], grass_pct: Sequence[float | None], guidelines: GuidelineSet
) -> list[IndexValues]:
    """Index values of each result, see `index_columns`."""
    found = index_columns(Results.of(results), grass_pct, guidelines)
    values = (found.rfv, found.rfq, found.ndf, found.computed_rfv, found.computed_rfq, found.spots)
    notes = (found.notes.get(place, ()) for place in range(len(results)))
    return list(map(IndexValues, *values, notes))


def index_columns(
    results: Results, grass_pct: Sequence[float | None], guidelines: GuidelineSet
) -> IndexColumns:
    """Index values of each result, computed for all of them at once.

    ``grass_pct`` [% of the stand, None while the field is unknown] chooses the RFQ equation: the
    legume one serves mixtures too, up to a stated share of grass.
    """
    said = dict(zip(Readings._fields, results.readings, strict=True))
    columns = {name: np.array(values, dtype=np.float64) for name, values in said.items()}
    own_rfv = quality.rfv(columns["adf_pct_dm"], columns["ndf_pct_dm"])
    own_rfq = _computed_rfq(columns, grass_pct, guidelines)
    rfv, rfq = _to_list(own_rfv), _to_list(own_rfq)
    found = IndexColumns(
        rfv=_printed_or(said["rfv"], rfv),
        rfq=_printed_or(said["rfq"], rfq),
        ndf=list(said["ndf_pct_dm"]),
        computed_rfv=rfv,
        computed_rfq=rfq,
        spots=[0] * len(results),
    )
    allowed = guidelines.value("equations.printed_difference")
    differs = np.abs(columns["rfv"] - own_rfv) > allowed
    differs |= np.abs(columns["rfq"] - own_rfq) > allowed
    for place in np.flatnonzero(differs).tolist():
        found.notes[place] = _differences(results[place], rfv[place], rfq[place], allowed)
    for place, method in enumerate(results.method):
        if method is Method.STEM:
            found.put(place, _of_stems(results[place]))
    return found


def _to_list(values: Floats) -> list[float | None]:
    plain: list[float | None] = values.tolist()
    for place in np.flatnonzero(np.isnan(values)).tolist():
        plain[place] = None
    return plain


def _printed_or(printed: Sequence[float | None], own: Sequence[float | None]) -> list[float | None]:
    """What the laboratory prints, and ours where it prints nothing."""
    return [ours if said is None else said for said, ours in zip(printed, own, strict=True)]


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
            f"outside the stem tables (16 to 40 in) and not counted: {reading.spots_refused} of "
            f"{len(result.spots)} spots"
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
