"""An invented area in an invented spring, with the truth known.

Place, people, farms and fields are made up. The crop follows published spring behaviour: NDF of
pure alfalfa climbs about 0.55 units a day, more with grass, faster in warm spells; ADF is tied to
NDF; a clip carries what its morning did to all clips, and the laboratory's own error. Random
numbers come from the standard library with a fixed seed, so that every run is the same.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from alerts.agronomy import mixtures, quality
from alerts.agronomy.scale import to_scale
from alerts.domain.records import Index

SEED = 20270426
AREA = "Linden Hollow"
TIME_ZONE = "America/Chicago"
FIRST_DAY = date(2027, 4, 26)
LAST_DAY = date(2027, 6, 25)

REFERENCE_DAY = date(2027, 5, 17)
"""Day on which the fields' starting NDF below holds."""

VISIT_SD, LAB_SD, ADF_SD = 0.8, 0.9, 0.6
"""Spread of a sampling day and of a laboratory's NDF and ADF [% of DM]."""


@dataclass(frozen=True, slots=True)
class DemoField:
    """A field and its true crop."""

    farm: str
    name: str
    acres: float
    ndf_on_reference: float  # [% of DM]
    rate_factor: float  # this field's own pace
    lab: str  # map key, "stems" for stem readings, "" when nobody samples it
    grass_pct: float = 0.0
    written_as: str = ""  # how the laboratory writes the field, if not as enrolled
    public_name: str = ""  # its results are for everybody under this name
    public_place: str = ""

    @property
    def label(self) -> str:
        return self.written_as or self.name


@dataclass(frozen=True, slots=True)
class DemoFarm:
    name: str
    farmer: str
    phone: str
    email: str
    alert_by: str
    consultant: str
    animal_class: str
    index: Index
    feed_target: float | None
    harvest_method: str
    handling_loss: float | None
    harvest_days: float
    which_load: str
    notice_days: int


CONSULTANTS = {"Marta Quill": "marta.quill@example.org", "Owen Tarr": "owen.tarr@example.org"}
SAMPLER = ("Jo Fenwick", "jo.fenwick@example.org")

FARMS = (
    DemoFarm(
        "Alder Bottom",
        "Ida Brandvold",
        "+12025550111",
        "ida@example.org",
        "text",
        "Marta Quill",
        "milking_cows",
        Index.RFV,
        160.0,
        "haylage",
        None,
        3,
        "last",
        5,
    ),
    DemoFarm(
        "Two Gates",
        "Ned Okafor",
        "+12025550112",
        "ned@example.org",
        "both",
        "Marta Quill",
        "milking_cows",
        Index.RFQ,
        None,
        "haylage",
        None,
        2,
        "last",
        5,
    ),
    DemoFarm(
        "Windfall Acres",
        "Lise Maron",
        "+12025550113",
        "",
        "text",
        "Owen Tarr",
        "milking_cows",
        Index.RFV,
        160.0,
        "dry_hay",
        25.0,
        2,
        "last",
        6,
    ),
    DemoFarm(
        "Sorrel Ridge",
        "Abe Castellan",
        "",
        "abe@example.org",
        "email",
        "Owen Tarr",
        "bred_heifers",
        Index.RFV,
        None,
        "dry_hay",
        None,
        4,
        "average",
        7,
    ),
    DemoFarm(
        "Quarry Lane",
        "Wim and Dora Pell",
        "+12025550115",
        "pells@example.org",
        "text",
        "Marta Quill",
        "milking_cows",
        Index.NDF,
        44.0,
        "baleage",
        None,
        4,
        "average",
        5,
    ),
    DemoFarm(
        "Pebble Ford",
        "Tess Arkwright",
        "+12025550116",
        "",
        "text",
        "Marta Quill",
        "heifers_to_one_year",
        Index.RFV,
        None,
        "haylage",
        None,
        3,
        "last",
        5,
    ),
    DemoFarm(
        "Cold Spring",
        "Gil Novak",
        "+12025550117",
        "",
        "text",
        "Owen Tarr",
        "milking_cows",
        Index.RFV,
        None,
        "baleage",
        None,
        2,
        "last",
        5,
    ),
)

SWITCHED_OFF = "+12025550112"
"""The phone of Ned Okafor, who is told by text and email: texts to it fail, which the operator's
page shows, and the emails still arrive."""

FIELDS = (
    DemoField("Alder Bottom", "North 40", 40, 33.6, 1.05, "kestrel"),
    DemoField("Alder Bottom", "Creek Piece", 25, 32.4, 0.95, "kestrel"),
    DemoField(
        *("Alder Bottom", "Hill Top", 25, 33.2, 1.0, "kestrel"),
        public_name="Hill field",
        public_place="north of Linden Hollow",
    ),
    DemoField(
        *("Two Gates", "East", 35, 34.2, 1.0, "kestrel"),
        public_name="Valley field",
        public_place="east of Linden Hollow",
    ),
    DemoField("Two Gates", "West", 30, 33.4, 1.1, "kestrel"),
    DemoField(
        *("Windfall Acres", "Long Strip", 22, 32.8, 1.0, "ouzel"),
        public_name="Strip field",
        public_place="south of Linden Hollow",
    ),
    DemoField("Sorrel Ridge", "Upper", 30, 34.0, 0.95, "ouzel"),
    DemoField("Sorrel Ridge", "Lower", 45, 32.6, 1.0, "ouzel"),
    DemoField(
        *("Quarry Lane", "Barn Field", 28, 40.6, 1.0, "tarnfield"),
        grass_pct=45,
        public_name="Field with grass",
        public_place="west of Linden Hollow",
    ),
    DemoField("Quarry Lane", "Marsh Side", 32, 39.4, 1.0, "tarnfield", grass_pct=50),
    DemoField("Pebble Ford", "Far Bottom", 30, 32.0, 1.05, "tarnfield", written_as="Fr Bottm 2"),
    DemoField("Pebble Ford", "Near House", 18, 34.2, 1.0, "", grass_pct=10),
    DemoField("Cold Spring", "Ledge", 26, 33.0, 1.0, "stems"),
)


def farm_of(field: DemoField) -> DemoFarm:
    return next(farm for farm in FARMS if farm.name == field.farm)


@dataclass(frozen=True, slots=True)
class Clip:
    """What a laboratory finds in one sample; percentages as `Readings` has them."""

    cp: float
    adf: float
    ndf: float
    ndfd48: float
    ee: float
    ash: float
    dm: float


class World:
    """The true crop of each field on each day, and samples of it."""

    def __init__(self, seed: int = SEED) -> None:
        self._pace = _daily_pace(random.Random(seed))  # noqa: S311
        self._visits: dict[date, float] = {}
        self._seed = seed

    def ndf(self, field: DemoField, day: date) -> float:
        """True NDF of the standing crop on the morning of ``day`` [% of DM]."""
        rise = 1.1 * float(mixtures.daily_ndf_rise(field.grass_pct)) * field.rate_factor
        return field.ndf_on_reference + rise * self._growth(day)

    def index(self, field: DemoField, day: date, index: Index) -> float:
        """True standing quality in ``index``."""
        truth = _composition(self.ndf(field, day), field.grass_pct)
        return index_of(truth, index)

    def crossing(self, field: DemoField, target: float, index: Index) -> date | None:
        """First morning on which the standing crop no longer meets ``target``."""
        day = FIRST_DAY
        while day <= LAST_DAY:
            value = self.index(field, day, index)
            if (value < target) if index.falls else (value > target):
                return day
            day += timedelta(days=1)
        return None

    def latest_start(
        self, turns: Sequence[tuple[DemoField, float, float]], target: float, index: Index
    ) -> date | None:
        """Last day on which a farm could begin and still meet ``target`` with all that counts.

        ``turns`` gives, for each load that counts, its field, the days from the start until it is
        cut, and its share of the crop; their mean on the straight scale must meet the target.
        """
        goal = float(to_scale(target, falls=index.falls))
        day, latest = FIRST_DAY, None
        while day <= LAST_DAY:
            crop = sum(
                share * float(to_scale(self._index_at(field, day, after, index), falls=index.falls))
                for field, after, share in turns
            )
            if crop > goal:
                return latest
            latest = day
            day += timedelta(days=1)
        return None

    def _index_at(self, field: DemoField, day: date, after_days: float, index: Index) -> float:
        """True standing quality some days, and parts of a day, after ``day``."""
        whole, part = divmod(after_days, 1)
        here = day + timedelta(days=int(whole))
        ndf = (1 - part) * self.ndf(field, here) + part * self.ndf(field, here + timedelta(1))
        return index_of(_composition(ndf, field.grass_pct), index)

    def clip(self, field: DemoField, day: date) -> Clip:
        """A sample as a laboratory reports it."""
        noise = random.Random(f"{self._seed}/{field.farm}/{field.name}/{day}")  # noqa: S311
        ndf = self.ndf(field, day) + self._visit(day) + noise.gauss(0, LAB_SD)
        truth = _composition(ndf, field.grass_pct)
        return Clip(
            cp=round(truth.cp + noise.gauss(0, 0.5), 1),
            adf=round(truth.adf + noise.gauss(0, ADF_SD), 1),
            ndf=round(truth.ndf, 1),
            ndfd48=round(truth.ndfd48 + noise.gauss(0, 1.0), 1),
            ee=truth.ee,
            ash=round(truth.ash + noise.gauss(0, 0.3), 1),
            dm=round(20 + noise.gauss(0, 1.5), 1),
        )

    def stems(self, field: DemoField, day: date) -> list[tuple[float, str]]:
        """Five spots: tallest stem [in] and stage of the most mature stem."""
        noise = random.Random(f"{self._seed}/stems/{field.name}/{day}")  # noqa: S311
        ndf = self.ndf(field, day)
        stage = "vegetative" if ndf < 34 else "bud" if ndf < 41 else "flower"
        offset = {"vegetative": 0.0, "bud": 1.17, "flower": 2.91}[stage]
        height = (ndf - 17.32 - offset) / 0.697
        return [(round(height + noise.gauss(0, 1.2), 1), stage) for _ in range(5)]

    def _visit(self, day: date) -> float:
        """What a morning did to every clip of the area."""
        return random.Random(f"{self._seed}/visit/{day}").gauss(0, VISIT_SD)  # noqa: S311

    def _growth(self, day: date) -> float:
        """Days of ordinary growth between the reference day and ``day``."""
        count = (day - REFERENCE_DAY).days
        if count >= 0:
            return sum(self._pace[REFERENCE_DAY + timedelta(days=k)] for k in range(count))
        return -sum(self._pace[day + timedelta(days=k)] for k in range(-count))


def _daily_pace(noise: random.Random) -> dict[date, float]:
    """How much of an ordinary day's growth each day brings: warm and cool spells of some days."""
    pace, spell = {}, 0.0
    day = FIRST_DAY - timedelta(days=10)
    while day <= LAST_DAY + timedelta(days=10):
        spell = 0.75 * spell + noise.gauss(0, 0.14)
        pace[day] = max(0.3, 1.0 + spell)
        day += timedelta(days=1)
    return pace


def _composition(ndf: float, grass_pct: float) -> Clip:
    """A plausible spring sample with this NDF."""
    grass = grass_pct / 100
    return Clip(
        cp=max(8.0, 32.5 - 0.3 * ndf - 4 * grass),
        adf=2.5 + 0.70 * ndf - 3.0 * grass,
        ndf=ndf,
        ndfd48=68 - 0.5 * ndf + 12 * grass,
        ee=2.6,
        ash=9.8,
        dm=20.0,
    )


def index_of(clip: Clip, index: Index) -> float:
    """The index value of a composition, by the published equations."""
    if index is Index.NDF:
        return clip.ndf
    if index is Index.RFV:
        return float(quality.rfv(clip.adf, clip.ndf))
    return float(
        quality.rfq(
            cp_pct_dm=clip.cp,
            ndf_pct_dm=clip.ndf,
            ndfd48_pct_ndf=clip.ndfd48,
            ee_pct_dm=clip.ee,
            ash_pct_dm=clip.ash,
            equation=quality.RfqEquation.LEGUME,
        )
    )
