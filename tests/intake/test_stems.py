from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Method, ParsedDocument, Readings, StemSpot, StemStage

Read = Callable[..., ParsedDocument]
HEADER = "farm,field,sampled_on,spot,height_in,stage\n"


def test_stems_of_a_field_and_day_become_one_result(read: Read, lab_files: Path) -> None:
    parsed = read((lab_files / "stems.csv").read_bytes())
    north, creek = parsed.results
    assert (north.farm_label, north.field_label) == ("Alder Bottom", "North 40")
    assert (north.row, north.method, north.sampled_on) == (2, Method.STEM, date(2031, 5, 12))
    assert north.readings == Readings()
    assert [spot.height_in for spot in north.spots] == [24.0, 25.5, 26.0, 23.0, 25.0]
    assert creek.spots == (StemSpot(28.0, StemStage.BUD), StemSpot(29.0, StemStage.FLOWER))


def test_stems_with_a_bad_spot_keep_the_good_ones_and_say_how_few(
    read: Read, lab_files: Path
) -> None:
    parsed = read((lab_files / "stems.csv").read_bytes())
    assert [(one.row, one.column) for one in parsed.rejections] == [(8, "height_in")]
    assert [(one.row, one.text) for one in parsed.notes] == [
        (7, "Only 2 spots: 5 or more give a steadier average.")
    ]


@pytest.mark.parametrize("header", ["height_cm", "Height (cm)", "HEIGHT [centimetres]"])
def test_stems_in_centimeters(read: Read, header: str) -> None:
    # 1 in = 2.54 cm exactly: Thompson & Taylor, 2008, Guide for the Use of the International
    # System of Units (NIST Special Publication 811; citation from memory)
    parsed = read(f"field,sampled_on,{header},stage\nA,2031-05-12,63.5,bud\n")
    assert parsed.results[0].spots == (StemSpot(25.0, StemStage.BUD),)


def test_stems_are_grouped_by_farm_field_and_day(read: Read) -> None:
    parsed = read(
        HEADER
        + "F,A,2031-05-12,1,24,bud\n"
        + "F,B,2031-05-12,1,25,bud\n"
        + "f,a,2031-05-12,2,26,bud\n"  # another spelling of the first field
        + "F,A,2031-05-15,1,27,bud\n"
        + "G,A,2031-05-12,1,28,bud\n"
    )
    heights = [[spot.height_in for spot in one.spots] for one in parsed.results]
    assert heights == [[24.0, 26.0], [25.0], [27.0], [28.0]]
    assert [one.row for one in parsed.results] == [2, 3, 5, 6]


@pytest.mark.parametrize(
    ("row", "column", "says"),
    [
        ("F,A,2031-05-12,1,,bud", "height_in", "has no height"),
        ("F,A,2031-05-12,1,tall,bud", "height_in", "is not a number"),
        ("F,A,2031-05-12,1,-3,bud", "height_in", "outside the plausible 4 to 60"),
        ("F,A,2031-05-12,1,=cmd,bud", "height_in", "is a formula"),
        ("F,A,2031-05-12,1,24,pod", "stage", "use 'vegetative', 'bud' or 'flower'"),
        ("F,A,2031-05-12,1,24,", "stage", "use 'vegetative', 'bud' or 'flower'"),
        ("F,A,2031-05-12,1,24,=bud", "stage", "is a formula"),
        ("F,,2031-05-12,1,24,bud", "field", "does not name its field"),
        ("F,A,2031-07-12,1,24,bud", "sampled_on", "is in the future"),
        ("F,A,12/05/2031,1,24,bud", "sampled_on", "is not guessed"),
        ("F,A,2031-05-12,1,24", "", "has 5 cells"),
    ],
)
def test_stems_with_a_bad_row(read: Read, row: str, column: str, says: str) -> None:
    parsed = read(f"{HEADER}{row}\n")
    assert parsed.results == ()
    (rejection,) = parsed.rejections
    assert (rejection.row, rejection.column) == (2, column)
    assert says in rejection.reason


def test_stems_with_a_spot_given_twice(read: Read) -> None:
    parsed = read(HEADER + "F,A,2031-05-12,1,24,bud\nF,A,2031-05-12,1,25,bud\n")
    assert [one.row for one in parsed.results] == [2]
    (rejection,) = parsed.rejections
    assert (rejection.row, rejection.column) == (3, "spot")
    assert "already in row 2" in rejection.reason


@pytest.mark.parametrize(
    ("word", "stage"),
    [
        ("Vegetative", StemStage.VEGETATIVE),
        ("veg", StemStage.VEGETATIVE),
        ("BUD", StemStage.BUD),
        ("buds", StemStage.BUD),
        ("flowering", StemStage.FLOWER),
        ("bloom", StemStage.FLOWER),
    ],
)
def test_stems_with_the_trade_s_words_for_a_stage(read: Read, word: str, stage: StemStage) -> None:
    # the words: common practice
    parsed = read(f"{HEADER}F,A,2031-05-12,1,24,{word}\n")
    assert [spot.stage for one in parsed.results for spot in one.spots] == [stage]


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("field,spot,height_in,stage", "no column for 'sampled_on'"),
        ("sampled_on,spot,height_in,stage", "no column for 'field'"),
        ("field,sampled_on,spot,height_mean,stage", "no column for 'height'"),
        ("field,sampled_on,height-0_in,stage", "no column for 'height'"),
        ("field,sampled_on,height (furlongs),stage", "a unit that is not known"),
        ("field,sampled_on,height,stage", "name it for example 'Height .in.'"),
        ("field,sampled_on,height_in,height_cm,stage", "both hold height"),
    ],
)
def test_stems_that_cannot_be_read(read: Read, header: str, says: str) -> None:
    with pytest.raises(UnreadableDocument, match=says):
        read(f"{header}\nA,B,C,D,E\n")
