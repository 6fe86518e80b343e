"""A clip, a stem reading and a clip that says less, as a document gives them."""

from __future__ import annotations

from datetime import date, time

from alerts.domain.records import Method, Readings, Result, StemSpot, StemStage

CLIP = Result(
    row=2,
    field_label="North",
    farm_label="Plum Bottom",
    sampled_on=date(2031, 5, 12),
    sampled_at=time(7, 10),
    method=Method.NIR,
    lab="Tarnfield",
    lab_number="4711",
    cutting=1,
    readings=Readings(ndf_pct_dm=38.2, adf_pct_dm=29.5),
    remark="cool night",
)
STEMS = CLIP._replace(
    row=3,
    method=Method.STEM,
    readings=Readings(),
    spots=(StemSpot(26.0, StemStage.BUD), StemSpot(28.0, StemStage.BUD)),
)
WHOLE = [CLIP, STEMS, CLIP._replace(row=7, sampled_at=None, cutting=None)]
