"""What the API takes and answers, as its OpenAPI document describes it.

Days are ISO 8601 dates in the time zone of the area, instants carry their offset.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

IndexName = Annotated[
    Literal["rfv", "rfq", "ndf"],
    Field(description="rfv and rfq are in points, ndf in % of dry matter; never exchanged"),
]
Quality = Annotated[float, Field(description="in the unit of the index")]


class _Answer(BaseModel):
    model_config = ConfigDict(from_attributes=True, extra="forbid")


# ------------------------------------------------------------------------- results


class RejectedRow(_Answer):
    row: Annotated[int, Field(description="1 is the first line; result n of JSON is row n + 1")]
    column: Annotated[str, Field(description="as the document spells it; empty: the whole row")]
    reason: Annotated[str, Field(description="one sentence: what is wrong and what to do")]


class RowNote(_Answer):
    row: int
    column: str
    text: Annotated[str, Field(description="something to know of a row that was taken")]


class Intake(_Answer):
    """What became of the rows of a document; the four counts and the rejected rows are all."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "document": "post of 2027-05-10 17:00:00 UTC by Kestrel",
                    "id": 41,
                    "accepted": 1,
                    "repeated": 0,
                    "corrected": 0,
                    "unmatched": 0,
                    "rejected": [],
                    "notes": [],
                }
            ]
        }
    )

    document: str
    id: Annotated[int | None, Field(description="under which the document is kept")]
    accepted: Annotated[int, Field(description="new results of a field that is known")]
    repeated: Annotated[int, Field(description="rows known already; they change nothing")]
    corrected: Annotated[int, Field(description="rows that replace an earlier version")]
    unmatched: Annotated[int, Field(description="results that wait for their field to be named")]
    rejected: list[RejectedRow]
    notes: list[RowNote]


class ResultIn(BaseModel):
    """A result in the plain format, of a laboratory or, with height_in and stage, one stem spot."""

    model_config = ConfigDict(extra="allow")

    farm: Annotated[str, Field(description="may be left out where the field's name is enough")] = ""
    field: str
    sampled_on: Annotated[str, Field(description="day of the sample, such as 2027-05-10")]
    sampled_at: Annotated[str | None, Field(description="local time, such as 06:40")] = None
    lab_number: Annotated[
        str | None, Field(description="the laboratory's own; tells a correction from a new sample")
    ] = None
    method: Annotated[Literal["wet", "nir"] | None, Field(description="how it was found")] = None
    cutting: Annotated[int | None, Field(description="1 is the first of the season", ge=1)] = None
    rfv: Annotated[float | None, Field(description="as printed [points]")] = None
    rfq: Annotated[float | None, Field(description="as printed [points]")] = None
    ndf_pct_dm: Annotated[float | None, Field(description="NDF [% of dry matter]")] = None
    adf_pct_dm: Annotated[float | None, Field(description="ADF [% of dry matter]")] = None
    cp_pct_dm: Annotated[float | None, Field(description="crude protein [% of dry matter]")] = None
    ndfd48_pct_ndf: Annotated[
        float | None, Field(description="NDF digestibility at 48 h [% of NDF]")
    ] = None
    ee_pct_dm: Annotated[float | None, Field(description="ether extract [% of dry matter]")] = None
    ash_pct_dm: Annotated[float | None, Field(description="ash [% of dry matter]")] = None
    dm_pct: Annotated[float | None, Field(description="dry matter [% as received]")] = None
    spot: Annotated[int | None, Field(description="of a stem reading: which spot")] = None
    height_in: Annotated[float | None, Field(description="tallest stem of the spot [in]")] = None
    stage: Annotated[
        Literal["vegetative", "bud", "flower"] | None, Field(description="most mature stem")
    ] = None
    remark: str | None = None


class ResultsIn(BaseModel):
    """Results as JSON; keys are the headers of the plain format, so others are allowed too."""

    lab: Annotated[str, Field(description="laboratory; may also stand in the address")] = ""
    results: Annotated[list[ResultIn], Field(min_length=1)]


class DocumentResult(_Answer):
    row: int
    farm_label: Annotated[str, Field(description="as the document names it")]
    field_label: str
    sampled_on: date
    is_matched: Annotated[bool, Field(description="false: it waits for its field to be named")]
    is_replaced: Annotated[bool, Field(description="a newer version counts instead")]


class Document(_Answer):
    """A document you sent, as it stands today."""

    id: int
    name: str
    received_at: datetime
    read_at: Annotated[datetime | None, Field(description="null: not read to the end yet")]
    refusal: Annotated[str, Field(description="why nothing of it could be read; else empty")]
    results: list[DocumentResult]
    rejected: Annotated[list[RejectedRow], Field(description="what waits to be corrected")]
    notes: list[RowNote]


# --------------------------------------------------------------------------- farms


class FieldPart(_Answer):
    id: int
    name: str
    acres: float | None
    grass_pct: Annotated[float, Field(description="share of grass [% of dry matter]")]
    cutting: Annotated[int, Field(description="the open one; 1 is the first of the season")]
    last_cut_on: date | None


class Farm(_Answer):
    id: int
    name: str
    area: str
    animal_class: str
    index: IndexName
    feed_target: Annotated[float, Field(description="quality wanted in storage [index unit]")]
    handling_loss: Annotated[
        float, Field(description="lost from standing crop to storage [index unit]; NDF gains it")
    ]
    standing_target: Annotated[float, Field(description="the two together [index unit]")]
    harvest_method: Literal["haylage", "baleage", "dry_hay"]
    harvest_days: Annotated[float, Field(description="first to last day of cutting [d]")]
    which_load: Annotated[
        Literal["last", "average"], Field(description="what must meet the standing target")
    ]
    notice_days: Annotated[int, Field(description="days ahead of the first text [d]")]
    fields: list[FieldPart]


class FarmPage(_Answer):
    items: list[Farm]
    next: Annotated[str | None, Field(description="cursor of the next page; null: the last one")]


class StartRange(_Answer):
    """Latest day to start. A null day is later than the outlook looks, or there is no outlook."""

    early: Annotated[date | None, Field(description="10 % of the chance lies before it")]
    median: date | None
    late: Annotated[date | None, Field(description="10 % of the chance lies after it")]


class Standing(_Answer):
    """Standing quality in the farm's index, before any loss."""

    day: date
    median: Quality
    low: Annotated[float, Field(description="lower end of the 80 % range")]
    high: Annotated[float, Field(description="upper end of the 80 % range")]


class LastResult(_Answer):
    sampled_on: date
    value: Quality
    index: IndexName
    stands_in: Annotated[str, Field(description="whose result it is; empty: the field's own")]


class FieldOutlook(_Answer):
    field_id: int
    field: str
    farm_id: int
    farm: str
    area: str
    cutting: int
    index: IndexName
    standing_target: Quality
    results: Annotated[int, Field(description="the field's own, in the index")]
    made_at: datetime | None
    start: StartRange
    last_result: LastResult | None
    change_per_day: Annotated[
        float | None, Field(description="expected fall (NDF: rise) a day [index unit a day]")
    ]
    chance_meets_today: Annotated[
        float | None, Field(description="that the crop still meets the target today [0 to 1]")
    ]
    sample_worth_days: Annotated[
        float | None, Field(description="what a sample on the next sampling day narrows [d]")
    ]
    days: list[Standing]


class OutlookPage(_Answer):
    items: list[FieldOutlook]
    next: Annotated[str | None, Field(description="cursor of the next page; null: the last one")]


class Told(_Answer):
    start_on: date
    kind: Literal["coming", "moved", "start", "past"]
    on: Annotated[date, Field(description="day on which it was told")]


class FarmOutlook(_Answer):
    farm_id: int
    farm: str
    area: str
    cutting: int | None
    made_at: datetime | None
    start: StartRange
    rough: Annotated[bool, Field(description="from degree days alone; never told to a farmer")]
    told: Annotated[Told | None, Field(description="what the farmer was told last")]
    fields: Annotated[list[FieldOutlook], Field(description="in harvest order")]


class CutIn(BaseModel):
    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"cut_on": "2027-05-18"}]}
    )

    cut_on: Annotated[date, Field(description="day on which the field was cut")]


class CutDone(_Answer):
    field_id: int
    cutting: Annotated[int, Field(description="the one that was closed")]
    cut_on: date


# --------------------------------------------------------------------------- areas


class Area(_Answer):
    slug: Annotated[str, Field(description="its name in addresses")]
    name: str
    fields: Annotated[int, Field(description="reference fields that publish results")]


class AreaList(_Answer):
    items: list[Area]


class AreaResult(_Answer):
    id: Annotated[int, Field(description="stays the same when the result is corrected")]
    field: Annotated[str, Field(description="public name of the reference field")]
    place: Annotated[str, Field(description="where, as coarse as it may be told")]
    cutting: int
    method: Annotated[
        Literal["wet", "nir", "stem"], Field(description="wet chemistry, NIR, or stem reading")
    ]
    sampled_on: date
    rfv: Annotated[float | None, Field(description="standing crop [points]")]
    rfq: Annotated[float | None, Field(description="standing crop [points]")]
    ndf: Annotated[float | None, Field(description="standing crop [% of dry matter]")]
    updated: datetime


class AreaResults(_Answer):
    area: Area
    season: int
    results: Annotated[list[AreaResult], Field(description="newest first")]
    updated: datetime | None


# ------------------------------------------------------------------------ problems


class Fault(BaseModel):
    where: Annotated[str, Field(description="JSON pointer into the body, or name of a parameter")]
    detail: str


class Problem(BaseModel):
    """An error as RFC 9457 describes it."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "about:blank",
                    "title": "Unauthorized",
                    "status": 401,
                    "detail": "the bearer token is missing or wrong; ask the operator for yours",
                }
            ]
        }
    )

    type: str
    title: str
    status: int
    detail: Annotated[str, Field(description="one sentence: what is wrong and what to do")]
    errors: Annotated[list[Fault], Field(description="each wrong value, where several may be")] = []
