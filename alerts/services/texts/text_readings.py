"""A stem reading that was texted: from the words to a document that flows like any other."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from alerts.agronomy import peaq
from alerts.domain.names import name_key
from alerts.intake.base import RawDocument
from alerts.intake.inbound_text import Reading, Spot
from alerts.messages import answers
from alerts.messages.letters import NAME_LENGTHS
from alerts.services.results.accept_results import IntakeReport, IntakeRules
from alerts.services.results.match_results import match_waiting
from alerts.services.texts.text_answers import Answer, Work, ask_which, no_such_field
from alerts.services.texts.text_writers import fields_named
from alerts.store import fields
from alerts.store.outlooks import FieldView

SOURCE = "text"
COLUMNS = ("farm", "field", "sampled_on", "spot", "height_in", "stage")


@dataclass(frozen=True, slots=True)
class ReadyReading:
    """A reading whose field is found and whose numbers are plausible."""

    reading: Reading
    view: FieldView
    document: RawDocument


def prepare(work: Work, reading: Reading, rules: IntakeRules) -> ReadyReading | Answer:
    """The document to take in, or what the writer has to be asked first."""
    readable = work.writer.readable
    if not readable:
        return work.say("unclear", "no farm", {"reason": "no_farm", "said": ""})
    means = fields_named(work.writer, readable, reading.name) if reading.name else list(readable)
    if not means:
        return no_such_field(work, reading.name, readable)
    if len(means) > 1:
        return ask_which(work, means, reading=True)
    view = means[0]
    refused = _refused(work, reading, view, rules)
    return refused or ReadyReading(reading, view, _document(reading, view))


def _refused(work: Work, reading: Reading, view: FieldView, rules: IntakeRules) -> Answer | None:
    day = work.day(reading.day)
    if reading.day < work.season_first_day:
        values: dict[str, object] = {"reason": "before", "day": day, "fields": ""}
        return work.say("cut_refused", "no reading: before the season", values)
    low, high = rules.guidelines.limits()["height_in"]
    odd = [spot.height_in for spot in reading.spots if not low <= spot.height_in <= high]
    words = work.templates.wording(work.writer.language)
    said = {
        "day": day,
        "said": words.number(odd[0]) if odd else "",
        "low": words.number(low),
        "high": words.number(high),
        "example": answers.short(view.field.name),
    }
    if reading.day > work.today:
        said["reason"] = "future"
    elif odd:
        said["reason"] = "height"
    elif any(not spot.stage for spot in reading.spots):
        said["reason"] = "stage"
    else:
        return None
    return work.say("reading_refused", f"no reading: {said['reason']}", said)


def _document(reading: Reading, view: FieldView) -> RawDocument:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for number, spot in enumerate(reading.spots, start=1):
        writer.writerow(
            (
                view.farm.name,
                view.field.name,
                reading.day.isoformat(),
                number,
                f"{spot.height_in:g}",
                spot.stage,
            )
        )
    name = f"text on {view.field.name}, {reading.day}"
    return RawDocument(name, text.getvalue().encode(), SOURCE)


def tell(work: Work, ready: ReadyReading, report: IntakeReport, rules: IntakeRules) -> Answer:
    """What became of the reading, in the transaction that marks its text as handled."""
    refusal = report.refusal or next((fault.reason for fault in report.rejected), "")
    if refusal:
        values: dict[str, object] = {
            "reason": "other",
            "said": refusal,
            **dict.fromkeys(("day", "low", "high", "example"), ""),
        }
        return work.say("reading_refused", f"no reading: {refusal}", values)
    if report.unmatched:
        _settle_field(work, ready.view, rules)
    words, view, spots = (
        work.templates.wording(work.writer.language),
        ready.view,
        ready.reading.spots,
    )
    stems = peaq.reading([spot.height_in for spot in spots], [spot.stage for spot in spots])
    shared = {
        "day": words.short_day(ready.reading.day),
        "spots": len(spots),
        "one": len(spots) == 1,
        "mean": words.number(_mean(spots)),
        "rfv": f"{stems.rfv:.0f}" if stems.spots_used else "",
        "known": bool(report.repeated),
    }
    versions = [
        {
            **shared,
            "farm": answers.short(view.farm.name, longest),
            "field": answers.short(view.field.name, longest),
        }
        for longest in NAME_LENGTHS
    ]
    return work.say("reading", f"took {len(spots)} spots of field {view.field.id}", *versions)


def _mean(spots: tuple[Spot, ...]) -> float:
    return round(sum(spot.height_in for spot in spots) / len(spots), 1)


def _settle_field(work: Work, view: FieldView, rules: IntakeRules) -> None:
    """The names lead to several fields of the same farm name: the writer's own is meant."""
    assert view.field.id is not None
    pair = (name_key(view.farm.name), name_key(view.field.name))
    known = fields.get_known(work.session, view.field.id)
    match_waiting(work.session, rules.guidelines, work.now, {pair: known})
