from __future__ import annotations

import csv
import io
from dataclasses import fields
from datetime import date, time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import (
    AlertBy,
    DigestEvery,
    HarvestMethod,
    Index,
    ParsedRoster,
    Rejection,
    RosterRow,
    WhichLoad,
)
from alerts.intake.roster import AREA_COLUMNS, FARM_COLUMNS, RosterDefaults, read_roster
from alerts.intake.roster_row import COLUMNS

# Farms, people and places are invented. What is refused or forgiven is a choice of this project;
# outside rules are named beside the check that uses one.
DATA = Path(__file__).parents[1] / "data" / "rosters"
CLASSES = ("milking_cows", "dry_cows", "horses")
DEFAULTS = RosterDefaults(time_zone="America/Chicago")
GOOD = {
    "farm": "Fernhollow Dairy",
    "field": "Long Forty",
    "area": "Blue Creek",
    "farmer": "Ida Marlow",
    "phone": "(202) 555-0143",
    "animal_class": "milking_cows",
    "harvest_days": "5",
    "consent_on": "2027-03-14",
    "consent_how": "signed form",
}


def read(*rows: dict[str, str], defaults: RosterDefaults = DEFAULTS) -> ParsedRoster:
    """Rows that differ from a good one; column names as in `RosterRow`."""
    columns = list(dict.fromkeys([*GOOD, *(column for row in rows for column in row)]))
    file = io.StringIO(newline="")
    writer = csv.DictWriter(file, columns)
    writer.writeheader()
    writer.writerows(GOOD | row for row in rows)
    content = file.getvalue().encode()
    return read_roster(content, "roster.csv", animal_classes=CLASSES, defaults=defaults)


def accepted(*rows: dict[str, str]) -> RosterRow:
    parsed = read(*rows)
    assert parsed.rejections == ()
    return parsed.rows[-1]


def rejected(*rows: dict[str, str]) -> Rejection:
    """The one rejection, which must be of the last row."""
    parsed = read(*rows)
    (rejection,) = parsed.rejections
    assert rejection.row == len(rows) + 1
    assert len(parsed.rows) == len(rows) - 1
    assert rejection.raw["farm"] == rows[-1].get("farm", GOOD["farm"])
    assert rejection.reason[0] == rejection.reason[0].upper()
    assert rejection.reason.endswith(".")
    return rejection


def read_file(name: str) -> ParsedRoster:
    content = (DATA / name).read_bytes()
    return read_roster(content, name, animal_classes=CLASSES, defaults=DEFAULTS)


def test_file_with_every_column_fills_every_attribute() -> None:
    parsed = read_file("every_column.csv")
    assert parsed.rejections == ()
    assert parsed.notes == ()
    assert parsed.rows[0] == RosterRow(
        row=2,
        farm="Fernhollow Dairy",
        field="Long Forty",
        area="Blue Creek",
        time_zone="America/New_York",
        farmer="Ida Marlow",
        phone="+12025550143",
        email="ida@example.org",
        alert_by=AlertBy.BOTH,
        consent_on=date(2027, 3, 14),
        consent_how="signed form at the spring meeting",
        consultant="Theo Brandt",
        consultant_email="theo@example.org",
        language="en",
        animal_class="milking_cows",
        index=Index.RFQ,
        feed_target=165.0,
        harvest_method=HarvestMethod.HAYLAGE,
        handling_loss=15.0,
        harvest_days=5.0,
        acres_per_day=40.0,
        which_load=WhichLoad.LAST,
        notice_days=7,
        send_from=time(6, 30),
        send_to=time(21),
        acres=38.5,
        grass_pct=10.0,
        soil="silt loam",
        slope="south",
        variety="Harrow 4",
        seeding_year=2024,
        latitude=42.51,
        longitude=-76.48,
        cutting=1,
        watched=True,
        sampler="June Ott",
        sampler_email="june@example.org",
        also_known_as=("L40", "Fernhollow #2"),
        zip="13053",
        public_name="South slope alfalfa",
        public_place="Alder County",
        sampling_days="mon,thu",
        digest=DigestEvery.WEEKLY,
    )


def test_other_spellings_of_the_same_farm_value_agree() -> None:
    first, second = read_file("every_column.csv").rows
    for column in FARM_COLUMNS | AREA_COLUMNS:
        assert getattr(second, column) == getattr(first, column), column
    assert (second.grass_pct, second.watched) == (0.0, False)


def test_every_column_is_an_attribute_of_the_record() -> None:
    assert {"row", *COLUMNS} == {attribute.name for attribute in fields(RosterRow)}
    assert (FARM_COLUMNS | AREA_COLUMNS).issubset(COLUMNS)


def test_farm_values_may_stand_in_one_row_of_the_farm() -> None:
    parsed = read_file("farm_values_once.csv")
    home, ridge = parsed.rows
    assert (home.row, ridge.row) == (3, 4)  # a title stands above the header
    assert home.harvest_days == ridge.harvest_days == 4
    assert home.farmer == ridge.farmer == "José Peña"
    assert ridge.phone == "+12025550171"
    assert ridge.animal_class == "dry_cows"
    assert (home.acres, ridge.acres) == (12, 9)
    (again,) = parsed.rejections
    assert (again.row, again.column) == (5, "FIELD")
    assert [(note.row, note.column) for note in parsed.notes] == [
        (2, "notes"),
        (3, "consent_on"),
        (7, ""),
    ]


def test_empty_cells_take_the_defaults() -> None:
    row = accepted({})
    assert row.time_zone == "America/Chicago"
    assert (row.notice_days, row.send_from, row.send_to) == (5, time(7), time(20))
    assert (row.watched, row.language, row.cutting, row.grass_pct) == (True, "en", 1, 0)
    assert (row.index, row.harvest_method, row.which_load) == (
        Index.RFV,
        HarvestMethod.HAYLAGE,
        WhichLoad.LAST,
    )
    assert row.feed_target is row.handling_loss is row.acres is row.latitude is None
    assert row.also_known_as == ()
    assert (row.zip, row.sampling_days) == ("", "")
    assert row.public_name is row.public_place is row.digest is None


def test_own_defaults_win_over_ours() -> None:
    mine = RosterDefaults(time_zone="America/Regina", notice_days=3, index=Index.NDF)
    (row,) = read({}, defaults=mine).rows
    assert (row.time_zone, row.notice_days, row.index) == ("America/Regina", 3, Index.NDF)


@pytest.mark.parametrize("word", ["-", "n/a", "None", " "])
def test_word_for_nothing_is_an_empty_cell(word: str) -> None:
    assert accepted({"notice_days": word, "variety": word}).notice_days == 5


def test_phone_and_email_are_kept_in_one_form() -> None:
    row = accepted({"phone": "202.555.0143", "email": "Ida@Example.ORG"})
    assert (row.phone, row.email) == ("+12025550143", "ida@example.org")


def test_email_alone_is_enough() -> None:
    assert accepted({"phone": "", "email": "ida@example.org"}).alert_by is AlertBy.EMAIL


def test_channel_not_said_is_text_where_there_is_a_phone() -> None:
    assert accepted({"email": "ida@example.org"}).alert_by is AlertBy.TEXT


@pytest.mark.parametrize(
    ("cells", "column", "words"),
    [
        ({"farm": ""}, "farm", "farm is missing"),
        ({"field": ""}, "field", "field is missing"),
        ({"area": ""}, "area", "area is missing"),
        ({"farmer": ""}, "farmer", "farmer is missing"),
        ({"phone": ""}, "phone", "neither phone nor email"),
        ({"animal_class": "goats"}, "animal_class", "milking_cows, dry_cows, horses"),
        ({"animal_class": ""}, "animal_class", "neither animal_class nor feed_target"),
        ({"time_zone": "America/Chigaco"}, "time_zone", "did you mean America/Chicago"),
        ({"time_zone": "EST"}, "time_zone", "no known time zone"),
        ({"time_zone": "Etc/GMT+5"}, "time_zone", "no known time zone"),
        ({"phone": "555-0143"}, "phone", "area code"),
        ({"email": "ida@"}, "email", "no email address"),
        ({"alert_by": "pigeon"}, "alert_by", "text, email, both"),
        (
            {"alert_by": "text", "phone": "", "email": "i@example.org"},
            "alert_by",
            "phone is missing",
        ),
        (
            {"alert_by": "both", "phone": "", "email": "i@example.org"},
            "alert_by",
            "phone is missing",
        ),
        ({"alert_by": "email"}, "alert_by", "email is missing"),
        ({"alert_by": "both"}, "alert_by", "email is missing"),
        ({"consent_on": "03/04/2027"}, "consent_on", "2027-03-04 or 2027-04-03"),
        ({"consent_on": "13/14/2027"}, "consent_on", "year first"),
        ({"animal_class": "milking cow"}, "animal_class", "did you mean milking_cows"),
        ({"consent_on": "2027-02-30"}, "consent_on", "is no date"),
        ({"consent_on": "2027-W11-7"}, "consent_on", "is no date"),
        ({"language": "English"}, "language", "language code"),
        ({"index": "TDN"}, "index", "rfv, rfq, ndf"),
        ({"feed_target": "40"}, "feed_target", "70 to 250 RFV"),  # an NDF where RFV is meant
        ({"feed_target": "150", "index": "NDF"}, "feed_target", "25 to 70 NDF"),
        ({"feed_target": "high"}, "feed_target", "is no number"),
        ({"feed_target": "nan"}, "feed_target", "is no number"),
        ({"harvest_method": "pellets"}, "harvest_method", "haylage, baleage, dry_hay"),
        ({"handling_loss": "-5"}, "handling_loss", "0 to 60"),
        ({"handling_loss": "16", "index": "ndf"}, "handling_loss", "0 to 15"),
        ({"harvest_days": ""}, "harvest_days", "neither harvest_days nor acres_per_day"),
        ({"harvest_days": "0.2"}, "harvest_days", "0.25 to 45"),
        ({"harvest_days": "46"}, "harvest_days", "0.25 to 45"),
        ({"harvest_days": "5 weeks"}, "harvest_days", "without a unit"),
        ({"acres": "1,2"}, "acres", "is no number"),
        ({"acres": "1,20,000"}, "acres", "is no number"),
        ({"acres": "40 days"}, "acres", "without a unit"),
        ({"harvest_days": "inf"}, "harvest_days", "out of range"),
        ({"harvest_days": "", "acres_per_day": "30"}, "acres", "acres are missing"),
        ({"acres_per_day": "0"}, "acres_per_day", "above 0"),
        ({"which_load": "first"}, "which_load", "last, average"),
        ({"notice_days": "31"}, "notice_days", "0 to 30"),
        ({"notice_days": "-1"}, "notice_days", "0 to 30"),
        ({"notice_days": "2.5"}, "notice_days", "whole number"),
        ({"send_from": "7 am"}, "send_from", "like 07:00"),
        ({"send_to": "24:00"}, "send_to", "like 07:00"),
        ({"acres": "0"}, "acres", "above 0"),
        ({"acres": "1_0"}, "acres", "is no number"),
        ({"grass_pct": "101"}, "grass_pct", "0 to 100"),
        ({"grass_pct": "-1"}, "grass_pct", "0 to 100"),
        ({"seeding_year": "24"}, "seeding_year", "1950 to 2100"),
        ({"latitude": "91", "longitude": "-76"}, "latitude", "-90 to 90"),
        ({"latitude": "42", "longitude": "-181"}, "longitude", "-180 to 180"),
        ({"latitude": "42.5"}, "longitude", "both or neither"),
        ({"longitude": "-76"}, "latitude", "both or neither"),
        ({"cutting": "0"}, "cutting", "1 to 10"),
        ({"watched": "sometimes"}, "watched", "neither yes nor no"),
        ({"sampler": "Jo", "sampler_email": "jo"}, "sampler_email", "no email address"),
        ({"field": "(?)"}, "field", "neither a letter nor a digit"),
        ({"also_known_as": "L40|#"}, "also_known_as", "neither a letter nor a digit"),
        ({"field": "=B2&B3"}, "field", "formula"),
        ({"variety": "+SUM(A1)"}, "variety", "formula"),
        ({"also_known_as": "L40|-cmd"}, "also_known_as", "formula"),
        ({"harvest_days": "=2+3"}, "harvest_days", "formula"),
        ({"consultant": "@name"}, "consultant", "formula"),
        ({"acres": "#REF!"}, "acres", "spreadsheet error"),
        ({"soil": "########"}, "soil", "spreadsheet error"),
    ],
)
def test_row_that_breaks_a_rule_is_rejected(cells: dict[str, str], column: str, words: str) -> None:
    rejection = rejected({"farm": "Other Farm", "area": "Upper Valley"}, cells)
    assert rejection.column == column
    assert words in rejection.reason


@pytest.mark.parametrize(
    "cells",
    [
        {"harvest_days": "0.25"},
        {"harvest_days": "45"},
        {"notice_days": "0"},
        {"notice_days": "30.0"},
        {"grass_pct": "100"},
        {"animal_class": "", "feed_target": "160"},
        {"animal_class": "Milking  Cows"},
        {"index": "NDF", "feed_target": "40"},
        {"harvest_days": "", "acres_per_day": "30", "acres": "90"},
        {"latitude": "-42.5", "longitude": "+76"},
        {"harvest_method": "Dry hay"},
        {"send_from": "20:00", "send_to": "6:00"},
        {"time_zone": "america/new york"},
        {"language": "fr_CA"},
        {"consent_on": "3/20/2027"},
        {"consent_on": "20-Mar-2027"},
        {"field": "#3 west - upper"},
    ],
)
def test_row_at_the_edge_of_a_rule_is_accepted(cells: dict[str, str]) -> None:
    accepted(cells)


def test_all_faults_of_a_row_stand_in_one_rejection() -> None:
    rejection = rejected({"notice_days": "99", "watched": "perhaps", "acres": "-1"})
    for column in ("notice_days", "watched", "acres"):
        assert column == rejection.column or f"lso, {column}:" in rejection.reason
    assert rejection.raw["watched"] == "perhaps"


@pytest.mark.parametrize(
    ("column", "first", "later"),
    [
        ("harvest_days", "5", "7"),
        ("farmer", "Ida Marlow", "Ned Marlow"),
        ("phone", "202-555-0143", "202-555-0144"),
        ("consent_on", "2027-03-14", "2027-03-15"),
        ("index", "RFV", "RFQ"),
        ("send_to", "20:00", "21:00"),
        ("sampler", "June Ott", "Sam Reed"),
        ("time_zone", "America/Chicago", "America/New_York"),
    ],
)
def test_later_row_that_contradicts_its_farm_or_area_is_rejected(
    column: str, first: str, later: str
) -> None:
    rejection = (
        rejected({"field": "A", column: first}, {"field": "B"}, {"field": "C", column: later})
        if column not in GOOD
        else rejected({"field": "A", column: first}, {"field": "B", column: later})
    )
    assert rejection.column == column
    assert "contradicts row 2" in rejection.reason
    assert first in rejection.reason


def test_same_value_in_another_spelling_is_no_contradiction() -> None:
    parsed = read(
        {"field": "A", "farmer": "Ida Marlow"},
        {"farm": "FERNHOLLOW  dairy", "field": "B", "farmer": "ida  marlow"},
        {"field": "C", "phone": "+1 202-555-0143", "harvest_days": "5.00"},
    )
    assert parsed.rejections == ()
    assert len(parsed.rows) == 3


def test_farm_value_that_cannot_be_read_costs_only_its_own_row() -> None:
    parsed = read(
        {"field": "A", "phone": "555"},
        {"field": "B", "phone": "202-555-0143"},
        {"field": "C", "phone": ""},
        {"field": "D", "phone": "202-555-0144"},
    )
    assert [row.phone for row in parsed.rows] == ["+12025550143", "+12025550143"]
    assert [rejection.row for rejection in parsed.rejections] == [2, 5]
    assert "contradicts row 3" in parsed.rejections[1].reason


def test_farm_value_of_a_row_rejected_for_something_else_still_holds() -> None:
    parsed = read({"field": "A", "acres": "-1", "notice_days": "9"}, {"field": "B"})
    assert [row.notice_days for row in parsed.rows] == [9]


def test_row_takes_the_spelling_of_the_first_one() -> None:
    rows = read({"field": "A"}, {"field": "B", "farmer": "IDA  marlow"}).rows
    assert [row.farmer for row in rows] == ["Ida Marlow", "Ida Marlow"]


def test_area_and_farm_are_spelled_as_in_their_first_row() -> None:
    rows = read(
        {"field": "A"},
        {"field": "B", "farm": "FERNHOLLOW-DAIRY", "area": "blue creek"},
        {"field": "C", "farm": "Other", "area": "BLUE CREEK"},
    ).rows
    assert [row.farm for row in rows] == ["Fernhollow Dairy", "Fernhollow Dairy", "Other"]
    assert {row.area for row in rows} == {"Blue Creek"}


def test_farm_of_the_same_name_in_another_area_is_another_farm() -> None:
    parsed = read({}, {"area": "Upper Valley", "harvest_days": "9", "time_zone": "America/Denver"})
    assert [row.harvest_days for row in parsed.rows] == [5, 9]
    (note,) = parsed.notes
    assert (note.row, note.column) == (3, "area")
    assert "row 2" in note.text


def test_row_without_a_farm_takes_nothing_from_another_one() -> None:
    parsed = read({"farm": "", "harvest_days": "5"}, {"farm": "", "harvest_days": "7"})
    assert all("contradicts" not in rejection.reason for rejection in parsed.rejections)


@pytest.mark.parametrize(
    ("first", "later", "column"),
    [
        ({"field": "Long Forty"}, {"field": "long-forty"}, "field"),
        ({"field": "A", "also_known_as": "L40"}, {"field": "l40"}, "field"),
        ({"field": "A"}, {"field": "B", "also_known_as": "B7|a"}, "also_known_as"),
        (
            {"field": "A", "also_known_as": "L40"},
            {"field": "B", "also_known_as": "L40"},
            "also_known_as",
        ),
    ],
)
def test_name_that_leads_to_two_fields_of_a_farm_is_rejected(
    first: dict[str, str], later: dict[str, str], column: str
) -> None:
    rejection = rejected(first, later)
    assert rejection.column == column
    assert "row 2" in rejection.reason


def test_name_of_a_rejected_row_stays_free() -> None:
    parsed = read({"acres": "-1"}, {"acres": "12"})
    assert [row.row for row in parsed.rows] == [3]


def test_other_name_equal_to_the_own_field_is_accepted() -> None:
    assert accepted({"field": "L40", "also_known_as": "L40 | Forty |"}).also_known_as == (
        "L40",
        "Forty",
    )


def test_missing_consent_is_noted_once_for_each_farm() -> None:
    silent = {"consent_on": "", "consent_how": ""}
    parsed = read({"field": "A"} | silent, {"field": "B"} | silent, {"farm": "Other"} | silent)
    assert len(parsed.rows) == 3
    assert [(note.row, note.column) for note in parsed.notes] == [
        (2, "consent_on"),
        (4, "consent_on"),
    ]
    assert "nobody will be texted or emailed until consent is recorded" in parsed.notes[0].text


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"consent_how": ""}, "consent_how"),
        ({"consultant": "Theo Brandt"}, "consultant_email"),
        ({"sampler": "June Ott"}, "sampler_email"),
    ],
)
def test_gap_that_will_be_felt_later_is_noted(cells: dict[str, str], column: str) -> None:
    parsed = read(cells)
    assert len(parsed.rows) == 1
    assert [note.column for note in parsed.notes] == [column]


def test_unknown_column_is_noted_with_the_likely_one() -> None:
    parsed = read({"handling_los": "20", "gate code": "12"})
    assert [(note.row, note.column) for note in parsed.notes] == [
        (1, "handling_los"),
        (1, "gate code"),
    ]
    assert "handling_loss" in parsed.notes[0].text


def test_number_may_bear_its_unit_and_part_thousands() -> None:
    row = accepted(
        {"harvest_days": "2 days", "acres": "1,200.5 ac", "acres_per_day": "60 acres/day"}
    )
    assert (row.harvest_days, row.acres, row.acres_per_day) == (2, 1200.5, 60)


def test_harvest_reckoned_without_a_rejected_row_is_noted() -> None:
    pace = {"harvest_days": "", "acres_per_day": "30"}
    parsed = read(
        {"field": "A", "acres": "60"} | pace,
        {"field": "B", "acres": "many"} | pace,
        {"field": "C", "acres": ""} | pace,
        {"farm": "Other", "field": "A", "acres": "10"} | pace,
    )
    assert [rejection.row for rejection in parsed.rejections] == [3, 4]
    [note] = parsed.notes
    assert (note.row, note.column) == (2, "acres_per_day")
    assert "Fernhollow Dairy is reckoned without row 3, 4" in note.text
    assert read({"field": "A"}, {"field": "B", "acres": "many"}).notes == ()


def test_usual_other_names_of_columns_are_known() -> None:
    parsed = read_roster(
        b"Farm Name,Field Name,Area,Farmer Name,Phone Number,E-mail,feed_target,harvest_days\n"
        b"Hay Hill,A,Blue Creek,Ed Low,2025550150,ed@example.org,high,5\n"
        b"Hay Hill,B,Blue Creek,Ed Low,2025550150,ed@example.org,160,5\n",
        "roster.csv",
        animal_classes=CLASSES,
        defaults=DEFAULTS,
    )
    [row] = parsed.rows
    assert (row.farm, row.field, row.farmer) == ("Hay Hill", "B", "Ed Low")
    assert (row.phone, row.email) == ("+12025550150", "ed@example.org")
    assert [rejection.column for rejection in parsed.rejections] == ["feed_target"]
    assert [note.column for note in parsed.notes] == ["consent_on"]


def test_own_name_of_a_column_wins_over_another_one() -> None:
    parsed = read({"mobile": "202-555-0149"})
    assert [row.phone for row in parsed.rows] == ["+12025550143"]
    assert [note.column for note in parsed.notes] == ["mobile"]


def test_missing_column_is_hinted_at_where_one_is_misspelt() -> None:
    with pytest.raises(UnreadableDocument, match=r"no column farmer: .* rename 'Farmr' to farmer"):
        read_roster(
            b"farm,field,area,Farmr,phone\nA,B,C,D,E\n",
            "roster.csv",
            animal_classes=CLASSES,
            defaults=DEFAULTS,
        )


def test_row_with_a_cell_too_many_is_rejected_and_the_next_one_read() -> None:
    content = b"farm,field,area,farmer,phone,feed_target,harvest_days\n"
    row = b"Hay Hill,%s,Blue Creek,Ed Low,2025550150,160,5%s\n"
    parsed = read_roster(
        content + row % (b"A", b",9") + row % (b"B", b""),
        "roster.csv",
        animal_classes=CLASSES,
        defaults=DEFAULTS,
    )
    assert [rejection.row for rejection in parsed.rejections] == [2]
    assert [row.field for row in parsed.rows] == ["B"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"PK\x03\x04rest of a workbook", "workbook"),
        (b"farm,field,area\nA,B,C\n", "no column farmer, phone or email"),
        (b"one,two\n1,2\n", "no column farm, field, area, farmer"),
        (b"farm,Field,area,farmer,phone,field\nA,B,C,D,E,F\n", "two columns"),
        (b"\x00\x01\x02\x03" * 50, "binary"),
    ],
)
def test_file_that_is_no_roster_is_refused(content: bytes, words: str) -> None:
    with pytest.raises(UnreadableDocument, match=words):
        read_roster(content, "roster.csv", animal_classes=CLASSES, defaults=DEFAULTS)


CELLS = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8)


@given(st.lists(st.dictionaries(st.sampled_from(COLUMNS), CELLS), max_size=6))
def test_whatever_cells_hold_no_row_is_lost(rows: list[dict[str, str]]) -> None:
    """Each row of the file is a roster row or a rejection, and only once."""
    marked = [row | {"field": f"field {number}", "farm": "F"} for number, row in enumerate(rows)]
    parsed = read(*marked)
    found = [row.row for row in parsed.rows] + [rejection.row for rejection in parsed.rejections]
    assert sorted(found) == list(range(2, len(rows) + 2))


# --------------------------------------------------------------- ZIP codes, public fields


def test_zip_stands_in_for_a_place_and_brings_its_time_zone() -> None:
    """ZIP 82801 is Sheridan in Wyoming, at 44.8 N 107.0 W (gazetteer of the United States Census
    Bureau, from memory); that state keeps Mountain Time."""
    row = accepted({"zip": "82801"})
    assert (row.zip, row.time_zone) == ("82801", "America/Denver")
    assert (row.latitude, row.longitude) == (
        pytest.approx(44.8, abs=0.5),
        pytest.approx(-107.0, abs=0.5),
    )


def test_place_said_exactly_wins_over_the_zip() -> None:
    row = accepted({"zip": "82801", "latitude": "44.9", "longitude": "-106.9", "time_zone": ""})
    assert (row.latitude, row.longitude, row.zip) == (44.9, -106.9, "82801")
    row = accepted({"zip": "82801", "time_zone": "America/Boise"})
    assert row.time_zone == "America/Boise"


def test_half_a_place_is_not_filled_up_from_the_zip() -> None:
    assert rejected({"zip": "82801", "latitude": "44.9"}).column == "longitude"


@pytest.mark.parametrize("text", ["828011", "8280A", "00000", "99999", "=82801", "²²²²²"])
def test_zip_that_is_none_is_refused(text: str) -> None:
    assert rejected({"zip": text}).column == "zip"


def test_zip_whose_zeros_a_spreadsheet_dropped_is_known() -> None:
    """05401 is Burlington in Vermont (from memory)."""
    assert accepted({"zip": "5401"}).zip == "05401"
    assert accepted({"zip": "05401-1234"}).zip == "05401"


def test_field_is_published_and_taken_back_by_the_word_no() -> None:
    assert accepted({"public_name": "Creek flats"}).public_name == "Creek flats"
    assert accepted({"public_name": "No"}).public_name == ""


@pytest.mark.parametrize("column", ["public_name", "public_place"])
@pytest.mark.parametrize("text", ["=HYPERLINK(1)", "+x", "-x", "@a", "..."])
def test_public_text_is_no_formula_and_has_a_letter(column: str, text: str) -> None:
    assert rejected({column: text}).column == column


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("thu mon", "mon,thu"),
        ("Monday and Thursday".replace(" and", ","), "mon,thu"),
        ("Tues./Fri.", "tue,fri"),
        ("mon mon", "mon"),
    ],
)
def test_sampling_days_are_read_in_the_order_of_the_week(text: str, days: str) -> None:
    assert accepted({"sampling_days": text}).sampling_days == days


@pytest.mark.parametrize("text", ["often", "m", "mon funday", "2", "t"])
def test_sampling_days_that_are_none_are_refused(text: str) -> None:
    assert rejected({"sampling_days": text}).column == "sampling_days"


def test_sampling_days_are_those_of_the_whole_area() -> None:
    other = {"farm": "Ridge Farm", "farmer": "Sol Quist", "phone": "202-555-0144"}
    parsed = read({"sampling_days": "tue fri"}, {**other, "sampling_days": ""})
    assert [row.sampling_days for row in parsed.rows] == ["tue,fri", "tue,fri"]
    assert rejected({"sampling_days": "tue fri"}, {**other, "sampling_days": "mon"}).column == (
        "sampling_days"
    )


def test_digest_is_daily_weekly_or_on_changes() -> None:
    assert accepted({"digest": "Changes"}).digest is DigestEvery.CHANGES
    assert "daily, weekly, changes" in rejected({"digest": "hourly"}).reason


def test_email_for_texts_that_do_not_arrive_is_yes_no_or_as_it_was() -> None:
    mail = {"email": "ada@example.org"}
    said = [accepted({**mail, "email_if_unreached": one}) for one in ("yes", "No", "")]
    assert [row.email_if_unreached for row in said] == [True, False, None]
    faulty = rejected({"email_if_unreached": "yes", "email": ""})
    assert faulty.column == "email_if_unreached"
    assert "the email is missing" in faulty.reason.casefold()
    assert rejected({**mail, "email_if_unreached": "maybe"}).column == "email_if_unreached"
