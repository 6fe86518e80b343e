"""Columns, dates and words as growers and laboratories write them; all common practice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Method, ParsedDocument, StemStage
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.labmap import LabMap
from alerts.intake.parse import read_document

Read = Callable[..., ParsedDocument]


@pytest.mark.parametrize(
    "header", ["Date", "Sample Date", "Sampling date", "date_sampled", "Sampled"]
)
def test_usual_header_of_the_date(read: Read, header: str) -> None:
    [result] = read(f"Field,{header},RFV\nA,2031-05-12,180\n").results
    assert (result.field_label, result.sampled_on) == ("A", date(2031, 5, 12))
    [stems] = read(f"field,{header},height_in,stage\nA,2031-05-12,28,bud\n").results
    assert stems.sampled_on == date(2031, 5, 12)


@pytest.mark.parametrize("first", ["Date,Date sampled", "Date sampled,Date"])
def test_plain_date_beside_the_date_of_sampling_is_not_used(read: Read, first: str) -> None:
    cells = {"Date": "2031-05-15", "Date sampled": "2031-05-12"}
    row = ",".join(cells[name] for name in first.split(","))
    parsed = read(f"field,{first},rfv\nA,{row},180\n")
    assert parsed.results[0].sampled_on == date(2031, 5, 12)
    assert [note.column for note in parsed.notes if "not used" in note.text] == ["Date"]


def test_two_dates_of_sampling_are_not_chosen_between(read: Read) -> None:
    with pytest.raises(UnreadableDocument, match="both hold sampled_on"):
        read("field,sample date,date sampled,rfv\nA,2031-05-12,2031-05-13,180\n")


@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("2031-05-12T07:10:00", time(7, 10)),
        ("2031-05-12 07:10:00", time(7, 10)),
        ("2031-05-12T07:10:00-05:00", time(7, 10)),
        ("2031-05-12T12:10:00Z", time(7, 10)),  # five hours behind UTC in May
        ("2031-05-12T12:10Z", time(7, 10)),
        ("2031-05-12T12:10:00.000Z", time(7, 10)),
        ("2031-05-13T02:30:00Z", time(21, 30)),
        ("2031-05-12T00:00:00Z", None),
        ("2031-05-12 00:00:00", None),
        ("2031/05/12", None),
        ('"May 12, 2031"', None),
        ("May 12 2031", None),
        ("12 May 2031", None),
    ],
)
def test_date_nobody_can_misread(
    lab_maps: tuple[LabMap, ...], rules: ReadingRules, text: str, hour: time | None
) -> None:
    content = f"field,sampled_on,rfv\nA,{text},180\n".encode()
    local = replace(rules, time_zone=ZoneInfo("America/Chicago"))
    parsed = read_document(RawDocument("a.csv", content, "test", ""), lab_maps, local)
    assert parsed.rejections == ()
    [result] = parsed.results
    assert (result.sampled_on, result.sampled_at) == (date(2031, 5, 12), hour)


def test_date_with_the_month_as_a_number_in_front_is_not_guessed(read: Read) -> None:
    [rejection] = read("field,sampled_on,rfv\nA,5/12/2031,180\n").rejections
    assert "is not guessed" in rejection.reason
    assert "write it like 2031-05-31" in rejection.reason


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("Late bud", StemStage.BUD),
        ("early-bud", StemStage.BUD),
        ("early flower", StemStage.FLOWER),
        ("Mid bloom", StemStage.FLOWER),
        ("late vegetative", StemStage.VEGETATIVE),
    ],
)
def test_part_of_a_stage_is_read_as_the_stage(read: Read, text: str, stage: StemStage) -> None:
    """Kalu, B. A. and Fick, G. W., 1981, Quantifying morphological development of alfalfa for
    studies of herbage quality: early and late vegetative, bud and flower."""
    [result] = read(f"field,sampled_on,height_in,stage\nA,2031-05-12,28,{text}\n").results
    assert [spot.stage for spot in result.spots] == [stage]


def test_stage_no_stem_table_holds_is_refused(read: Read) -> None:
    parsed = read("field,sampled_on,height_in,stage\nA,2031-05-12,28,late seed pod\n")
    assert "'vegetative', 'bud' or 'flower'" in parsed.rejections[0].reason


@pytest.mark.parametrize("word", ["Wet Chem", "wet chemistry", "WET"])
def test_usual_word_for_wet_chemistry(read: Read, word: str) -> None:
    [result] = read(f"field,date,rfv,method\nA,2031-05-12,180,{word}\n").results
    assert result.method is Method.WET_CHEMISTRY


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("rfv,CP (%)", "180,20"),
        ("rfv,adf", "180,30"),
        ("rfq,NDF (%)", "180,38"),
        ("adf_pct_dm,ndf_pct_dm,cp", "30,40,20"),
    ],
)
def test_unclear_unit_costs_its_column_only(read: Read, header: str, cells: str) -> None:
    parsed = read(f"field,date,{header}\nA,2031-05-12,{cells}\n")
    assert len(parsed.results) == 1
    [note] = [note for note in parsed.notes if "unit" in note.text]
    assert note.column in header
    assert note.text.startswith(f"Column '{note.column}' is not used: it ")


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("ndf", "38"),
        ("ndf_pct_dm,adf", "38,30"),  # no RFV without it
        ("rfv,cp_pct_as_fed,dm", "180,4,20"),  # nothing to convert the protein with
    ],
)
def test_unclear_unit_of_a_column_that_is_needed_costs_the_file(
    read: Read, header: str, cells: str
) -> None:
    with pytest.raises(UnreadableDocument, match="does not say its unit: name it for example"):
        read(f"field,date,{header}\nA,2031-05-12,{cells}\n")
