"""The nouns of the trade as frozen records.

They carry no behaviour beyond trivial views of their own fields, so that every layer
may hold them: intake makes them, store keeps them, agronomy gets plain numbers out of them.

What a file holds by the hundred thousand is a tuple with names, made from columns without a call
for each attribute.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, time
from enum import StrEnum
from typing import NamedTuple


class Index(StrEnum):
    """What a target is expressed in. RFV and RFQ are never exchanged silently."""

    RFV = "rfv"
    RFQ = "rfq"
    NDF = "ndf"

    @property
    def label(self) -> str:
        """How a farmer reads it, for example 'RFV'."""
        return self.value.upper()

    @property
    def falls(self) -> bool:
        """True when a maturing crop lowers the index; NDF rises instead."""
        return self is not Index.NDF


class Method(StrEnum):
    """How a reading was obtained, from most to least exact."""

    WET_CHEMISTRY = "wet"
    NIR = "nir"
    STEM = "stem"


class WhichLoad(StrEnum):
    """The part of the harvest that must meet the standing target."""

    LAST = "last"
    AVERAGE = "average"


class HarvestMethod(StrEnum):
    HAYLAGE = "haylage"
    BALEAGE = "baleage"
    DRY_HAY = "dry_hay"


class AlertBy(StrEnum):
    """Channels over which a person asked to be told."""

    TEXT = "text"
    EMAIL = "email"
    BOTH = "both"


class DigestEvery(StrEnum):
    """How often a consultant wants the digest; ``changes`` is on days with news only."""

    DAILY = "daily"
    WEEKLY = "weekly"
    CHANGES = "changes"


class StemStage(StrEnum):
    """Stage of the most mature stem in a spot."""

    VEGETATIVE = "vegetative"
    BUD = "bud"
    FLOWER = "flower"


@dataclass(frozen=True, slots=True)
class StemSpot:
    """One spot of a stem reading: tallest stem [in] and stage of the most mature stem."""

    height_in: float
    stage: StemStage


class Readings(NamedTuple):
    """Values of one sample; percentages of dry matter unless the name says otherwise."""

    cp_pct_dm: float | None = None
    adf_pct_dm: float | None = None
    ndf_pct_dm: float | None = None
    ndfd48_pct_ndf: float | None = None
    ndfd30_pct_ndf: float | None = None
    ee_pct_dm: float | None = None
    ash_pct_dm: float | None = None
    ndficp_pct_dm: float | None = None
    dm_pct: float | None = None  # dry matter as received [% of fresh weight]
    rfv: float | None = None  # as printed by the laboratory
    rfq: float | None = None  # as printed by the laboratory


class Result(NamedTuple):
    """One row of a lab file, or one stem reading, before its field is looked up."""

    row: int  # 1 = first line of the file, so the first data row of a CSV is 2
    field_label: str
    farm_label: str  # "" when the document does not name the farm
    sampled_on: date
    sampled_at: time | None
    method: Method
    lab: str  # "" when nobody said
    lab_number: str  # the laboratory's own number for the sample; "" when there is none
    cutting: int | None
    readings: Readings
    spots: tuple[StemSpot, ...] = ()
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Rejection:
    """A row that could not be used: where it stands and what to do about it."""

    row: int
    column: str  # the header as the file spells it; "" when the row as a whole is at fault
    reason: str  # one plain sentence
    raw: dict[str, str] = field(default_factory=dict)  # the row as it came


@dataclass(frozen=True, slots=True)
class Note:
    """Something a reader should know about a row that was accepted all the same."""

    row: int
    column: str
    text: str


@dataclass(frozen=True, slots=True)
class ParsedDocument:
    """What a document yielded; every data row is in exactly one of the first two."""

    lab: str
    results: tuple[Result, ...]
    rejections: tuple[Rejection, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class RosterRow:
    """One field of a farm, as enrolled; None means 'not said, use the default'."""

    row: int
    farm: str
    field: str
    area: str
    time_zone: str
    farmer: str
    phone: str  # E.164, or ""
    email: str
    alert_by: AlertBy
    consent_on: date | None
    consent_how: str  # how consent was given, for example "signed form at the spring meeting"
    consultant: str
    consultant_email: str
    language: str
    animal_class: str
    index: Index
    feed_target: float | None
    harvest_method: HarvestMethod
    handling_loss: float | None
    harvest_days: float | None
    acres_per_day: float | None
    which_load: WhichLoad
    notice_days: int
    send_from: time
    send_to: time
    acres: float | None
    grass_pct: float  # share of grass in the stand [% of dry matter]
    soil: str
    slope: str
    variety: str
    seeding_year: int | None
    latitude: float | None
    longitude: float | None
    cutting: int
    watched: bool  # somebody samples this field; its silence is worth a word
    sampler: str
    sampler_email: str
    also_known_as: tuple[str, ...]  # names laboratories use for the field
    zip: str = ""  # five digits; latitude and longitude are then those of its middle
    public_name: str | None = None  # None: as it was; "": results are nobody else's business
    public_place: str | None = None
    sampling_days: str = ""  # of the area, such as "mon,thu"; "": as it was
    digest: DigestEvery | None = None  # of the consultant
    email_if_unreached: bool | None = None  # None: as it was


@dataclass(frozen=True, slots=True)
class ParsedRoster:
    rows: tuple[RosterRow, ...]
    rejections: tuple[Rejection, ...]
    notes: tuple[Note, ...] = ()
