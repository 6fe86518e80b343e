"""What a farm's page shows, as plain records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time

from alerts.charts.outlook_chart import OutlookChart
from alerts.domain.delivery import Status
from alerts.domain.outlook import StartDates
from alerts.domain.records import Index, Method, WhichLoad


@dataclass(frozen=True, slots=True)
class Sum:
    """The arithmetic behind a start date [index points; % of DM for NDF]."""

    feed_target: float
    handling_loss: float
    standing_target: float
    change_per_day: float
    harvest_days: float  # of this field; of the farm, those of what still stands
    start_near: float  # standing quality on the day to start
    in_words: str


@dataclass(frozen=True, slots=True)
class WaitingDay:
    """What starting on this day means."""

    day: date
    standing: float  # median, and ends of the 80 % range
    low: float
    high: float
    stored: float  # of the load that must meet the target: the last one, or the crop's average
    gained_lb_per_acre: float  # dry matter, against starting on the first of these days
    chance_of_missing: float


@dataclass(frozen=True, slots=True)
class PageResult:
    """One result of the field's open cutting."""

    day: date
    method: Method
    readings: tuple[tuple[Index, float], ...]
    lab: str


@dataclass(frozen=True, slots=True)
class Noise:
    """How the last sample and all together differ, where it is by more than one can be off."""

    off: float  # one standard deviation of a sample and its day [index units]
    today: float  # what stands today by all samples [index units]


@dataclass(frozen=True, slots=True)
class FieldPage:
    field_id: int
    name: str
    cutting: int
    cut_on: date | None  # when the cutting before this one was taken
    acres: float | None
    start: StartDates | None  # its own; None: nothing is known of this cutting yet
    evidence: str
    chart: OutlookChart
    chart_version: str
    sum: Sum | None
    waiting: tuple[WaitingDay, ...]
    results: tuple[PageResult, ...]  # newest first
    young: tuple[PageResult, ...]  # taken too soon after the last cut to count, newest first
    noise: Noise | None


@dataclass(frozen=True, slots=True)
class PageChart:
    """A chart, what changes when the picture would, and the language of its words."""

    chart: OutlookChart
    version: str
    language: str


@dataclass(frozen=True, slots=True)
class PageMessage:
    """A message about the farm; the address in it is masked, unless it is the visitor's own."""

    on: date
    channel: str
    told: str  # day, to whom, what and what became of it, in words
    text: str  # of a text; the subject of an email
    status: Status


@dataclass(frozen=True, slots=True)
class PageCut:
    field_id: int
    field: str
    cutting: int
    cut_on: date
    expected: float | None  # standing quality on that day, where an outlook knew it
    may_undo: bool  # only the newest cut of a field can be taken back


@dataclass(frozen=True, slots=True)
class PageAddress:
    """One way to reach the farmer."""

    channel: str
    address: str  # masked, unless it is the visitor's own
    stopped: bool


@dataclass(frozen=True, slots=True)
class FarmPlanPage:
    """What the farm wants, as it can be changed."""

    animal_class: str
    harvest_method: str
    acres_per_day: float | None
    which_load: WhichLoad
    notice_days: int
    send_from: time
    send_to: time


@dataclass(frozen=True, slots=True)
class FarmPage:
    farm_id: int
    name: str
    area: str
    farmer: str
    language: str
    today: date
    index: Index
    feed_target: float
    handling_loss: float
    standing_target: float
    harvest_days: float
    plan: FarmPlanPage
    start: StartDates | None  # of the whole farm; None: no outlook, or every field is cut
    in_work: bool  # what stood at the last look no longer stands: new dates come in a minute
    sum: Sum | None  # of the whole farm
    meets_today: float | None  # chance that the field due first still meets its target today
    under_way: bool
    rough: bool
    follows_heat: bool
    fields: tuple[FieldPage, ...]  # in harvest order, those without an outlook last
    waiting: tuple[WaitingDay, ...]  # of the whole farm; standing quality of the field due first
    cautions: tuple[str, ...]  # before cutting; none without an outlook
    messages: tuple[PageMessage, ...]  # newest first
    cuts: tuple[PageCut, ...]  # of the season, newest first
    paused_until: date | None  # None: not paused
    addresses: tuple[PageAddress, ...]
    instead: PageAddress | None = None  # where a text goes that cannot reach its number

    @property
    def stopped(self) -> bool:
        """Whether no address is left that may be written to."""
        return bool(self.addresses) and all(one.stopped for one in self.addresses)
