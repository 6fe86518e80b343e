"""The one entry: laboratories, our plain format, and every kind of bad document."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import date, time
from pathlib import Path

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Method, ParsedDocument, Readings
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.labmap import LabMap, parse_lab_map
from alerts.intake.parse import read_document

Read = Callable[..., ParsedDocument]

NORTH_40 = Readings(
    cp_pct_dm=22.5,
    adf_pct_dm=29.6,
    ndf_pct_dm=38.2,
    ndfd48_pct_ndf=49.0,
    ee_pct_dm=2.4,
    ash_pct_dm=9.6,
    dm_pct=20.0,
)
CREEK_PIECE = Readings(
    cp_pct_dm=20.0,
    adf_pct_dm=32.5,
    ndf_pct_dm=42.5,
    ndfd48_pct_ndf=46.0,
    ee_pct_dm=2.0,
    ash_pct_dm=10.0,
    dm_pct=24.0,
)


@pytest.mark.parametrize(
    ("file", "lab"),
    [
        ("kestrel.csv", "Kestrel Creek Forage Laboratory"),
        ("ouzel.csv", "Ouzel Bend Agricultural Testing"),
        ("tarnfield.csv", "Tarnfield Feed Analysis"),
    ],
)
def test_each_laboratory_yields_the_same_two_samples(
    read: Read, lab_files: Path, file: str, lab: str
) -> None:
    # The three invented files write the same two samples in % of DM, g/kg of DM and fractions of
    # fresh weight: 0.0764 of fresh weight at 20 % dry matter is 38.2 % of DM (definition of the
    # dry matter basis).
    parsed = read((lab_files / file).read_bytes())
    assert parsed.lab == lab
    assert parsed.rejections == ()
    for result, field, at, readings in zip(
        parsed.results,
        ("North 40", "Creek Piece"),
        (time(7, 10), time(7, 40)),
        (NORTH_40, CREEK_PIECE),
        strict=True,
    ):
        assert (result.farm_label, result.field_label) == ("Alder Bottom", field)
        assert (result.sampled_on, result.sampled_at) == (date(2031, 5, 12), at)
        assert (result.lab, result.cutting) == (lab, 1)
        analysed = result.readings._replace(rfv=None, rfq=None, ndfd30_pct_ndf=None)
        assert analysed == readings


def test_kestrel_file_keeps_row_numbers_method_words_and_printed_indexes(
    read: Read, lab_files: Path
) -> None:
    parsed = read((lab_files / "kestrel.csv").read_bytes())
    assert [result.row for result in parsed.results] == [5, 6]  # below a letterhead
    assert [result.method for result in parsed.results] == [Method.WET_CHEMISTRY, Method.NIR]
    assert [result.lab_number for result in parsed.results] == ["KC-20411", "KC-20412"]
    assert [(one.readings.rfv, one.readings.rfq) for one in parsed.results] == [
        (160.0, 168.0),
        (139.0, 147.0),
    ]
    assert parsed.results[1].remark == 'heads of grass seen, "about a tenth"'
    assert [note.row for note in parsed.notes] == [8]  # the line of the total


def test_tarnfield_file_in_latin_1_keeps_its_remark(read: Read, lab_files: Path) -> None:
    parsed = read((lab_files / "tarnfield.csv").read_bytes())
    assert parsed.results[1].remark == "cool night, 4 °C at dawn"


def test_ouzel_file_reads_the_fixed_method_and_both_digestibilities(
    read: Read, lab_files: Path
) -> None:
    parsed = read((lab_files / "ouzel.csv").read_bytes())
    assert {result.method for result in parsed.results} == {Method.NIR}
    assert [result.readings.ndfd30_pct_ndf for result in parsed.results] == [42.0, 39.0]


def test_plain_file_gives_the_full_name_of_a_laboratory_it_names_by_its_key(
    read: Read, lab_files: Path
) -> None:
    parsed = read((lab_files / "plain.csv").read_bytes())
    assert parsed.rejections == ()
    assert {result.lab for result in parsed.results} == {"Kestrel Creek Forage Laboratory"}
    assert parsed.results[0].readings == NORTH_40._replace(rfv=160.0, rfq=168.0)


def test_plain_file_with_bad_rows_keeps_the_good_ones(read: Read, lab_files: Path) -> None:
    parsed = read((lab_files / "plain_with_bad_rows.csv").read_bytes())
    assert [result.row for result in parsed.results] == [2, 16, 17]
    assert [(one.row, one.column) for one in parsed.rejections] == [
        (3, "ndf_pct_dm"),
        (4, "adf_pct_dm"),
        (5, "sampled_on"),
        (6, "sampled_on"),
        (7, "sampled_on"),
        (8, "ndfd48_pct_ndf"),
        (9, "ndfd30_pct_ndf"),
        (10, "adf_pct_dm"),
        (11, "field"),
        (12, ""),
        (13, "method"),
        (14, "ndf_pct_dm"),
        (15, ""),
    ]
    for rejection in parsed.rejections:
        assert rejection.reason.endswith(".")
        assert rejection.raw["farm"] == "Alder Bottom"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"\x00\x01\x02\x03" * 50, "holds binary data"),
        (b"%PDF-1.4 ...", "a PDF"),
        (b"PK\x03\x04....", "save the sheet as CSV"),
        (b"sampled_on,rfv\n2031-05-12,180\n", "has no column 'field'"),
        (b"field,rfv\nA,180\n", "has no column 'sampled_on'"),
        (b"field,sampled_on,cp_pct_dm\nA,2031-05-12,20\n", "no column for 'ndf' or 'rfv'"),
        (b"field,sampled_on,rfv,RFV\nA,2031-05-12,180,181\n", "two columns named 'RFV'"),
        (b"field,sampled_on,NDF (furlongs)\nA,2031-05-12,38\n", "a unit that is not known"),
        (b"field,sampled_on,NDF (%)\nA,2031-05-12,38\n", "use one of '% DM'"),
        (b"field,sampled_on,ndf\nA,2031-05-12,38\n", "does not say its unit"),
        (b"field,sampled_on,rfv,ndfd48_pct_dm\nA,2031-05-12,180,19\n", "must be in % of NDF"),
        (b"field,sampled_on,rfv,NDFD30 (g/kg DM)\nA,2031-05-12,180,19\n", "must be in % of NDF"),
        (b"field,sampled_on,ndf_pct_dm,NDF (g/kg DM)\nA,2031-05-12,38,380\n", "both hold ndf"),
        (b"when;value\n2031-05-12;7\n", "no header that is known (seen: 'when', 'value')"),
    ],
)
def test_document_that_cannot_be_read(read: Read, content: bytes, says: str) -> None:
    with pytest.raises(UnreadableDocument, match=r"^results\.csv") as caught:
        read(content)
    sentence = str(caught.value)
    assert says in sentence
    assert sentence.endswith(".")
    assert "\n" not in sentence


def test_document_without_a_known_header_says_how_to_add_a_map(read: Read) -> None:
    with pytest.raises(UnreadableDocument, match="add a map for this laboratory under config/labs"):
        read("alpha,beta\n1,2\n")


@pytest.mark.parametrize("lab", ["", "kestrel", "Kestrel Creek Forage Laboratory"])
def test_document_of_a_laboratory_that_lacks_a_column(
    read: Read, lab_files: Path, lab: str
) -> None:
    text = (lab_files / "kestrel.csv").read_text(encoding="utf-8").replace(",Sampled,", ",When,")
    expected = "the format of Kestrel Creek Forage Laboratory but has no column 'Sampled'"
    with pytest.raises(UnreadableDocument, match=expected):
        read(text, lab)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_document_in_other_encodings_and_delimiters(
    read: Read, encoding: str, delimiter: str
) -> None:
    text = "field,sampled_on,ndf_pct_dm,method\nKäferwiese,2031-05-12,38.2,nir\n"
    parsed = read(text.replace(",", delimiter).encode(encoding))
    assert parsed.rejections == parsed.notes == ()
    assert [one.field_label for one in parsed.results] == ["Käferwiese"]


def test_document_with_semicolons_and_decimal_commas_in_the_plain_format(read: Read) -> None:
    parsed = read("Field;Sampled On;NDF (g/kg DM)\nA;2031-05-12;382,5\nB;2031-05-12;410\n")
    assert [one.readings.ndf_pct_dm for one in parsed.results] == [38.25, 41.0]


def test_document_with_forgiving_headers(read: Read) -> None:
    header = " FIELD , Sampled_On,Lab number,aNDF (fraction DM),NDFD 48 h (% NDF),Cp [percent DM]"
    (result,) = read(f"{header}\nA,2031-05-12,7,0.382,49,20\n").results
    expected = Readings(ndf_pct_dm=38.2, ndfd48_pct_ndf=49.0, cp_pct_dm=20.0)
    assert (result.lab_number, result.readings) == ("7", expected)


def test_document_with_extra_columns_notes_them_once(read: Read) -> None:
    parsed = read("field,sampled_on,method,rfv,starch,\nA,2031-05-12,nir,180,3,\n")
    assert len(parsed.results) == 1
    assert [(one.row, one.column) for one in parsed.notes] == [(1, "starch")]


def test_document_with_one_over_long_cell_loses_one_row(read: Read) -> None:
    good = "A,2031-05-12,180\n"
    parsed = read(f"field,sampled_on,rfv\n{good}{'x' * 1_000_000},2031-05-12,170\n{good}")
    assert [one.row for one in parsed.results] == [2, 4]
    assert [one.row for one in parsed.rejections] == [3]


def test_document_with_a_header_only_says_so(read: Read) -> None:
    parsed = read("field,sampled_on,rfv\n")
    assert parsed.results == parsed.rejections == ()
    assert [one.text for one in parsed.notes] == ["There are no rows of data below the header."]


def test_document_of_an_unmapped_laboratory_in_the_plain_format(read: Read) -> None:
    parsed = read("field,sampled_on,rfv\nA,2031-05-12,180\n", "Wren Hill")
    assert (parsed.lab, parsed.results[0].lab) == ("Wren Hill", "Wren Hill")


def test_document_named_after_another_laboratory_is_read_by_its_columns(
    read: Read, lab_files: Path
) -> None:
    parsed = read((lab_files / "ouzel.csv").read_bytes(), "kestrel")
    assert parsed.lab == "Ouzel Bend Agricultural Testing"
    assert "It came as from 'Kestrel Creek Forage Laboratory'" in parsed.notes[0].text


def test_document_that_fits_two_maps_is_not_guessed(rules: ReadingRules) -> None:
    def lab_map(key: str, unit: str) -> LabMap:
        return parse_lab_map(
            key,
            f"""
            lab = "{key}"
            recognise = ["Parcel", "Day"]
            [columns]
            "Parcel" = {{ holds = "field" }}
            "Day" = {{ holds = "sampled_on" }}
            "NDF" = {{ holds = "ndf", unit = "{unit}" }}
            """,
        )

    maps = [lab_map("one", "% DM"), lab_map("two", "g/kg DM")]
    content = b"Parcel,Day,NDF\nA,2031-05-12,382\n"
    with pytest.raises(UnreadableDocument, match="fits the maps of one and two: say which"):
        read_document(RawDocument("a.csv", content, "test"), maps, rules)
    parsed = read_document(RawDocument("a.csv", content, "test", "Two"), maps, rules)
    assert parsed.results[0].readings.ndf_pct_dm == 38.2


def test_document_limits_absent_from_the_rules_fall_back_to_what_is_possible(
    lab_maps: tuple[LabMap, ...], rules: ReadingRules
) -> None:
    bare = dataclasses.replace(rules, limits={})
    content = b"field,sampled_on,ndf_pct_dm,rfv\nA,2031-05-12,100,900\nB,2031-05-12,101,9\n"
    parsed = read_document(RawDocument("a.csv", content, "test"), lab_maps, bare)
    assert [one.row for one in parsed.results] == [2]
    assert "outside the plausible 0 to 100" in parsed.rejections[0].reason
