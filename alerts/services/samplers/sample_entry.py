"""Results typed on the sampler's page: a document like any other, of the visitor's fields only.

What is typed is read without being kept until nothing is wrong with it, so that a slip of the hand
can be mended where it was made; then it is taken in as the document of a sender with bounds.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from alerts.domain.errors import CutcallError, UnreadableDocument
from alerts.domain.evidence import index_values
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.outlook import standing_target
from alerts.domain.records import Index, ParsedDocument
from alerts.intake.base import RawDocument
from alerts.intake.parse import read_document
from alerts.services.access.links import Visitor
from alerts.services.access.scope import require_field
from alerts.services.access.senders import Sender
from alerts.services.results.accept_results import IntakeReport, IntakeRules, accept
from alerts.store import fields
from alerts.store.fields import KnownField
from alerts.store.session import Sessions
from alerts.store.snapshots import farm_plan
from alerts.store.tables import Farm, Person

MOST_APART = 10.0
"""Points of RFV or RFQ from what the fiber gives; further apart, one of them is a slip of the hand.
Our judgement."""

FIRST_ROW = 2
"""The header is row 1."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with one control; its row counts typed rows from 0."""

    row: int
    column: str
    sentence: str


@dataclass(frozen=True, slots=True)
class SpotReading:
    """One spot of a stem reading: its RFV, or None outside the stem tables."""

    place: int  # among the typed rows, from 0
    height_in: float
    stage: str
    rfv: float | None


@dataclass(frozen=True, slots=True)
class StemMean:
    """A stem reading worked out; means are None where no spot could be used."""

    spots: tuple[SpotReading, ...]
    used: int
    rfv: float | None
    ndf: float | None
    notes: tuple[str, ...]
    index: Index  # the farm's target
    standing_target: float


@dataclass(frozen=True, slots=True)
class Entry:
    """What became of what was typed: faults, a doubt to answer, or the report of the intake."""

    faults: tuple[Fault, ...] = ()
    doubt: str = ""  # nothing is saved yet; the same again with ``anyway`` is
    report: IntakeReport | None = None
    mean: StemMean | None = None


def enter_clip(
    sessions: Sessions,
    visitor: Visitor,
    field_id: int,
    cells: Mapping[str, str],
    rules: IntakeRules,
    now: datetime,
    *,
    anyway: bool = False,
) -> Entry:
    """Take in one result; ``cells`` by the columns of the plain format, without farm and field.

    Without ``anyway`` an index that the fiber beside it contradicts is asked about first.
    NotYours when the field is outside the visitor's scope.
    """
    with sessions.read() as session:
        known = _open_field(session, visitor, field_id)
    rows = [_clip_row(cells)]
    faults = _all_faults(rows[0], rules)
    if faults:
        return Entry(faults)
    doubt = "" if anyway else _doubt(rows[0], known, rules)
    if doubt:
        return Entry(doubt=doubt)
    return Entry(report=_take_in(sessions, visitor, known, rows, rules, now))


def enter_stems(
    sessions: Sessions,
    visitor: Visitor,
    field_id: int,
    sampled_on: str,
    spots: Sequence[tuple[str, str]],
    unit: str,
    rules: IntakeRules,
    now: datetime,
    *,
    save: bool,
) -> Entry:
    """Work out a stem reading of typed spots (height, stage), and take it in with ``save``.

    ``unit`` is in or cm; rows with neither height nor stage are left out. NotYours when the field
    is outside the visitor's scope.
    """
    with sessions.read() as session:
        known = _open_field(session, visitor, field_id)
        farm = session.get_one(Farm, known.farm_id)
    places = [place for place, spot in enumerate(spots) if any(spot)]
    if not places:
        return Entry((Fault(0, "height", "Give the height of the tallest stem."),))
    if unit not in ("in", "cm"):
        return Entry((Fault(0, "unit", "Say whether heights are in inches or centimeters."),))
    rows = [
        {
            "farm": "farm",
            "field": "field",
            "sampled_on": sampled_on,
            "spot": str(place + 1),
            f"height_{unit}": spots[place][0],
            "stage": spots[place][1],
        }
        for place in places
    ]
    parsed, faults = _read(rows, rules)
    if faults or parsed is None:
        return Entry(tuple(Fault(places[f.row], f.column, f.sentence) for f in faults))
    mean = _mean(parsed, known, farm, places, rules.guidelines)
    if not save:
        return Entry(mean=mean)
    return Entry(report=_take_in(sessions, visitor, known, rows, rules, now), mean=mean)


def _open_field(session: Session, visitor: Visitor, field_id: int) -> KnownField:
    field = require_field(session, visitor, field_id)
    if field.closed_on is not None:
        raise CutcallError(f"{field.name} is closed since {field.closed_on}; choose another field")
    return fields.get_known(session, field_id)


# ------------------------------------------------------------------ reading what was typed


def _clip_row(cells: Mapping[str, str]) -> dict[str, str]:
    filled = {column: text for column, text in cells.items() if text}
    return {"farm": "farm", "field": "field", "sampled_on": "", **filled}


def _all_faults(row: Mapping[str, str], rules: IntakeRules) -> tuple[Fault, ...]:
    """Everything wrong with a row: a file's row is left at its first fault, a person mends all."""
    faults: list[Fault] = []
    rest = dict(row)
    while True:
        _, found = _read([rest], rules)
        # What is missing only because a faulty cell was put aside is no fault of its own.
        fresh = [fault for fault in found if not faults or rest.get(fault.column)]
        if not fresh:
            return tuple(faults)
        faults += fresh
        if not all(rest.get(fault.column) for fault in fresh):
            return tuple(faults)
        for fault in fresh:
            rest[fault.column] = ""


def _read(
    rows: Sequence[Mapping[str, str]], rules: IntakeRules
) -> tuple[ParsedDocument | None, tuple[Fault, ...]]:
    document = RawDocument("what was typed", _csv(rows), "page")
    try:
        parsed = read_document(document, rules.lab_maps, rules.reading_rules())
    except UnreadableDocument:
        # The page's own columns are always readable, but for a row without any value.
        sentence = "Give NDF, RFV or RFQ, or the values they are worked out from."
        return None, (Fault(0, "", sentence),)
    faults = tuple(Fault(one.row - FIRST_ROW, one.column, one.reason) for one in parsed.rejections)
    return parsed, faults


def _doubt(row: Mapping[str, str], known: KnownField, rules: IntakeRules) -> str:
    """A sentence where RFV or RFQ is far from what the other values give; "" where they fit."""
    parsed, _ = _read([row], rules)
    if parsed is None or not parsed.results:
        return ""
    [value] = index_values(parsed.results, [known.grass_pct], rules.guidelines)
    said = parsed.results[0].readings
    for index, typed, own, of in (
        (Index.RFV, said.rfv, value.computed_rfv, "NDF and ADF"),
        (Index.RFQ, said.rfq, value.computed_rfq, "the other values"),
    ):
        if typed is not None and own is not None and abs(typed - own) > MOST_APART:
            return f"These do not fit: {index.label} {typed:.0f}, but {of} give {own:.0f}."
    return ""


def _csv(rows: Sequence[Mapping[str, str]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    # One row stays one line, whatever is pasted into a control.
    writer.writerows({name: " ".join(cell.split()) for name, cell in row.items()} for row in rows)
    return text.getvalue().encode()


def _take_in(
    sessions: Sessions,
    visitor: Visitor,
    known: KnownField,
    rows: Sequence[Mapping[str, str]],
    rules: IntakeRules,
    now: datetime,
) -> IntakeReport:
    with sessions.write() as session:
        farm, name = _names(session, known)
        person = session.get_one(Person, visitor.person_id)
    document = RawDocument(
        name=f"typed by {person.name}, {now:%Y-%m-%d %H:%M:%S} UTC",
        content=_csv([{**row, "farm": farm, "field": name} for row in rows]),
        source=Sender("sampler", str(person.id)).source,
    )
    return accept(sessions, document, rules, now)


def _names(session: Session, known: KnownField) -> tuple[str, str]:
    """Names of farm and field that lead to this field alone.

    Farms of two areas may share a name; the area beside it then tells them apart.
    """
    keys = (name_key(known.farm_name), name_key(known.name))
    candidates = fields.find_fields(session, [keys]).get(keys, [])
    if [one.id for one in candidates] == [known.id]:
        return known.farm_name, known.name
    farm = f"{known.farm_name} ({known.area_name})"
    fields.add_name(session, known.id, farm, known.name)
    return farm, known.name


# ------------------------------------------------------------------ the mean of stems


def _mean(
    parsed: ParsedDocument,
    known: KnownField,
    farm: Farm,
    places: Sequence[int],
    guidelines: GuidelineSet,
) -> StemMean:
    """The reading's means, and what each spot gives on its own."""
    [reading] = parsed.results
    singly = [reading._replace(spots=(spot,)) for spot in reading.spots]
    [whole, *each] = index_values(
        [reading, *singly], [known.grass_pct] * (len(singly) + 1), guidelines
    )
    return StemMean(
        spots=tuple(
            SpotReading(place, spot.height_in, spot.stage.value, value.rfv)
            for place, spot, value in zip(places, reading.spots, each, strict=True)
        ),
        used=whole.spots,
        rfv=whole.rfv,
        ndf=whole.ndf,
        notes=(*(note.text for note in (*parsed.notes, *whole.notes)), *_cautions(known, farm)),
        index=Index(farm.index),
        standing_target=standing_target(farm_plan(farm)),
    )


def _cautions(known: KnownField, farm: Farm) -> Iterator[str]:
    if known.grass_pct > 0:
        # Sulc, 2011, Estimating alfalfa NDF in the field: for pure stands of alfalfa only.
        yield (
            f"{known.name} holds {known.grass_pct:g} % grass: stem tables are for pure alfalfa, "
            "a clip says more"
        )
    if known.cutting > 1:
        yield "Stem tables were made for the first cutting; on a regrowth they say less"
    if Index(farm.index) is Index.RFQ:
        yield "There is no stem table for RFQ, in which this farm has its target: send a clip too"
