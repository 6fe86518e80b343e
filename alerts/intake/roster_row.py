"""One row of a roster: its cells read, and whether they go together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import time
from typing import TypeVar

from alerts.domain.records import (
    AlertBy,
    DigestEvery,
    HarvestMethod,
    Index,
    RosterRow,
    WhichLoad,
)
from alerts.intake import roster_values as values
from alerts.intake.text import shown

_Value = TypeVar("_Value")

COLUMNS = tuple(attribute.name for attribute in fields(RosterRow) if attribute.name != "row")

# Plausible, not recommended: recommendations are guidelines of the operator.
FEED_TARGET_RANGE = {Index.RFV: (70, 250), Index.RFQ: (70, 250), Index.NDF: (25, 70)}
HANDLING_LOSS_RANGE = {Index.RFV: (0, 60), Index.RFQ: (0, 60), Index.NDF: (0, 15)}


@dataclass(frozen=True, slots=True)
class RosterDefaults:
    """What holds where a roster says nothing."""

    time_zone: str
    notice_days: int = 5
    send_from: time = time(7)
    send_to: time = time(20)
    watched: bool = True
    language: str = "en"
    index: Index = Index.RFV
    harvest_method: HarvestMethod = HarvestMethod.HAYLAGE
    which_load: WhichLoad = WhichLoad.LAST
    cutting: int = 1
    grass_pct: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """A row of the file: its filled cells by our column names, and as it came."""

    number: int
    cells: dict[str, str]
    raw: dict[str, str]


@dataclass(frozen=True, slots=True)
class Said:
    """What a row says of its whole farm or area."""

    line: int
    text: str
    of: str  # "farm" or "area"


Shared = Mapping[str, Sequence[Said]]  # by column; each text once, in the order of the rows


@dataclass(frozen=True, slots=True)
class Problem:
    column: str
    reason: str  # no capital and no full stop: it may follow another one


class Cells:
    """The cells of one row, read one by one; what is wrong is gathered instead of raised."""

    def __init__(self, line: Line, shared: Shared) -> None:
        self.problems: list[Problem] = []
        self._line = line
        self._shared = shared

    def read(self, column: str, reader: Callable[[str], _Value], default: _Value) -> _Value:
        """Return the row's value, else what another row says for the farm, else the default."""
        own, shared = self._line.cells.get(column), self._shared.get(column, ())
        if own is None:
            readable = _first_readable(reader, shared)
            return default if readable is None else readable[1]
        try:
            value = _checked(reader, own)
        except ValueError as error:
            self.wrong(column, str(error))
            return default
        if not shared or shared[0].text == own:
            return value
        return self._agreed(column, own, value, _first_readable(reader, shared))

    def has(self, *columns: str) -> bool:
        """Whether the row itself fills one of these columns."""
        return any(column in self._line.cells for column in columns)

    def text(self, column: str) -> str:
        return self.read(column, values.words, "")

    def required(self, column: str) -> str:
        text = self.read(column, values.name, "")
        if not text and all(problem.column != column for problem in self.problems):
            self.wrong(column, f"the {column} is missing; fill it in")
        return text

    def wrong(self, column: str, reason: str) -> None:
        self.problems.append(Problem(column, reason))

    def _agreed(
        self, column: str, own: str, value: _Value, first: tuple[Said, _Value] | None
    ) -> _Value:
        """Return the value as the farm's first row spells it; a different one is wrong."""
        if first is None or first[0].line == self._line.number:
            return value
        said, agreed = first
        if not _equal(value, agreed):
            self.wrong(
                column,
                f"{shown(own)} contradicts row {said.line}, which says {shown(said.text)} for "
                f"the same {said.of}; give one value for all its rows",
            )
        return agreed


def _checked(reader: Callable[[str], _Value], text: str) -> _Value:
    return reader(values.refuse_formula(text))


def _first_readable(
    reader: Callable[[str], _Value], shared: Sequence[Said]
) -> tuple[Said, _Value] | None:
    """A text that cannot be read costs only the row it stands in."""
    for said in shared:
        with suppress(ValueError):
            return said, _checked(reader, said.text)
    return None


def _equal(one: _Value, other: _Value) -> bool:
    if isinstance(one, str) and isinstance(other, str):
        return values.comparable_text(one) == values.comparable_text(other)
    return one == other


def read_row(
    line: Line,
    shared: Shared,
    animal_classes: Collection[str],
    defaults: RosterDefaults,
) -> tuple[RosterRow, list[Problem]]:
    """Return the roster row of a line, and all that is wrong with it.

    With problems the row holds defaults in their place and must not be used.
    """
    cells = Cells(line, shared)
    row = _row(line.number, cells, animal_classes, defaults)
    return row, cells.problems or list(_conflicts(row))


def _row(
    number: int, cells: Cells, animal_classes: Collection[str], defaults: RosterDefaults
) -> RosterRow:
    read, text = cells.read, cells.text
    index = read("index", values.one_of(Index), defaults.index)
    phone = read("phone", values.phone, "")
    place = read("zip", values.zip_place, None)
    centre: tuple[float | None, float | None] = (None, None)
    if place is not None and not cells.has("latitude", "longitude"):
        centre = (place.latitude, place.longitude)
    return RosterRow(
        row=number,
        farm=cells.required("farm"),
        field=cells.required("field"),
        area=cells.required("area"),
        time_zone=read(
            "time_zone",
            values.time_zone,
            (place.time_zone if place else "") or defaults.time_zone,
        ),
        farmer=cells.required("farmer"),
        phone=phone,
        email=read("email", values.email, ""),
        alert_by=read("alert_by", values.one_of(AlertBy), _usual_channel(phone)),
        consent_on=read("consent_on", values.day, None),
        consent_how=text("consent_how"),
        consultant=text("consultant"),
        consultant_email=read("consultant_email", values.email, ""),
        language=read("language", values.language, defaults.language),
        animal_class=read(
            "animal_class", values.one_of_names(animal_classes, "class of animal"), ""
        ),
        index=index,
        feed_target=read(
            "feed_target", values.number(*FEED_TARGET_RANGE[index], index.label), None
        ),
        harvest_method=read(
            "harvest_method", values.one_of(HarvestMethod), defaults.harvest_method
        ),
        handling_loss=read(
            "handling_loss",
            values.number(*HANDLING_LOSS_RANGE[index], f"points of {index.label}"),
            None,
        ),
        harvest_days=read("harvest_days", values.number(0.25, 45, "days"), None),
        acres_per_day=read(
            "acres_per_day", values.number(0, 5_000, "acres a day", above_low=True), None
        ),
        which_load=read("which_load", values.one_of(WhichLoad), defaults.which_load),
        notice_days=read("notice_days", values.whole(0, 30, "days"), defaults.notice_days),
        send_from=read("send_from", values.clock, defaults.send_from),
        send_to=read("send_to", values.clock, defaults.send_to),
        acres=read("acres", values.number(0, 20_000, "acres", above_low=True), None),
        grass_pct=read("grass_pct", values.number(0, 100, "% of dry matter"), defaults.grass_pct),
        soil=text("soil"),
        slope=text("slope"),
        variety=text("variety"),
        seeding_year=read("seeding_year", values.whole(1950, 2100), None),
        latitude=read("latitude", values.number(-90, 90, "degrees"), centre[0]),
        longitude=read("longitude", values.number(-180, 180, "degrees"), centre[1]),
        cutting=read("cutting", values.whole(1, 10), defaults.cutting),
        watched=read("watched", values.yes_no, defaults.watched),
        sampler=text("sampler"),
        sampler_email=read("sampler_email", values.email, ""),
        also_known_as=read("also_known_as", values.names, ()),
        zip=place.zip if place else "",
        public_name=read("public_name", values.name_or_no, None),
        public_place=read("public_place", values.name_or_no, None),
        sampling_days=read("sampling_days", values.weekdays, ""),
        digest=read("digest", values.one_of(DigestEvery), None),
        email_if_unreached=read("email_if_unreached", values.yes_no, None),
    )


def _usual_channel(phone: str) -> AlertBy:
    return AlertBy.TEXT if phone else AlertBy.EMAIL


def _conflicts(row: RosterRow) -> Iterator[Problem]:
    """Yield what is wrong between cells that are each in order."""
    yield from _unreachable(row)
    if not row.animal_class and row.feed_target is None:
        yield Problem(
            "animal_class",
            "the row gives neither animal_class nor feed_target; fill in one of them",
        )
    if row.harvest_days is None:
        yield from _no_harvest_length(row)
    if (row.latitude is None) != (row.longitude is None):
        column = "latitude" if row.latitude is None else "longitude"
        yield Problem(
            column, f"the {column} is missing beside its partner; fill in both or neither"
        )


def _unreachable(row: RosterRow) -> Iterator[Problem]:
    if not row.phone and not row.email:
        yield Problem("phone", "the row gives neither phone nor email; fill in one of them")
    elif row.alert_by is not AlertBy.EMAIL and not row.phone:
        yield Problem(
            "alert_by", f"the phone is missing although alert_by is {row.alert_by}; fill it in"
        )
    elif row.alert_by is not AlertBy.TEXT and not row.email:
        yield Problem(
            "alert_by", f"the email is missing although alert_by is {row.alert_by}; fill it in"
        )
    elif row.email_if_unreached and not row.email:
        yield Problem(
            "email_if_unreached",
            "the email is missing although email_if_unreached is yes; fill it in",
        )


def _no_harvest_length(row: RosterRow) -> Iterator[Problem]:
    if row.acres_per_day is None:
        yield Problem(
            "harvest_days",
            "the row gives neither harvest_days nor acres_per_day; fill in one of them",
        )
    elif row.acres is None:
        yield Problem(
            "acres", "the acres are missing, which acres_per_day needs of each field; fill them in"
        )
