"""Every kind of good and bad row of laboratory results, each read as a document of its own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, time
from pathlib import Path

import pytest

from alerts.domain.records import Method, ParsedDocument, Readings

Read = Callable[..., ParsedDocument]


def one_rejection(parsed: ParsedDocument) -> tuple[int, str, str]:
    assert parsed.results == ()
    (rejection,) = parsed.rejections
    return rejection.row, rejection.column, rejection.reason


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("400", "outside the plausible 15 to 85: it looks like g/kg"),
        ("0.38", "it looks like a fraction"),
        ("-3", "NDF of -3 % of DM is outside"),
        ("+98", "NDF of 98 % of DM is outside"),
        ("1" * 400, "cannot be in '% DM'"),
        ("about 38", "'about 38' is not a number: write it like 38.2"),
        ("1e1", "is not a number"),
        ("1_0", "is not a number"),
        ("38.2.1", "is not a number"),
        ("inf", "is not a number"),
        ("nan", "is not a number"),
        ("=cmd|' /C calc'!A0", "is a formula: put its result in its place"),
        ("+cmd()", "is a formula"),
        ("-2+3", "is a formula"),
        ("@SUM(A1)", "is a formula"),
    ],
)
def test_row_with_a_bad_number(read: Read, value: str, says: str) -> None:
    parsed = read(f'Field,Sampled on,NDF (% DM)\nA,2031-05-12,"{value}"\n')
    row, column, reason = one_rejection(parsed)
    assert (row, column) == (2, "NDF (% DM)")
    assert says in reason
    assert parsed.rejections[0].raw["NDF (% DM)"] == value


@pytest.mark.parametrize("value", ["38.2", " 38.2 ", "38.2%", "38.2 %", "+38.2", "38,2"])
def test_row_with_a_number_in_other_spellings(read: Read, value: str) -> None:
    parsed = read(f'field,sampled_on,ndf_pct_dm\nA,2031-05-12,"{value}"\n')
    assert parsed.rejections == ()
    assert parsed.results[0].readings.ndf_pct_dm == 38.2


@pytest.mark.parametrize("nothing", ["", "-", "--", "n/a", "NA", "N.D."])
def test_row_with_a_cell_that_says_nothing(read: Read, nothing: str) -> None:
    parsed = read(f"field,sampled_on,cp_pct_dm,rfv\nA,2031-05-12,{nothing},180\n")
    assert parsed.rejections == ()
    assert parsed.results[0].readings == Readings(rfv=180.0)


@pytest.mark.parametrize("adf", ["38.2", "45"])
def test_row_with_adf_not_below_ndf(read: Read, adf: str) -> None:
    parsed = read(f"field,sampled_on,adf_pct_dm,ndf_pct_dm\nA,2031-05-12,{adf},38.2\n")
    row, column, reason = one_rejection(parsed)
    assert (row, column) == (2, "adf_pct_dm")
    assert "is not below NDF of 38.2" in reason


@pytest.mark.parametrize(
    ("day", "says"),
    [
        ("2031-06-02", "is in the future"),
        ("2031-02-28", "is before the season, which starts 2031-03-01"),
        ("05/12/2031", "is not guessed: write it like 2031-05-31"),
        ("2031-02-30", "is not a date in the form expected here"),
        ("soon", "is not a date"),
        ("", "has no sampling date: write it like 2031-05-31"),
        ("=TODAY()", "is a formula"),
    ],
)
def test_row_with_a_bad_date(read: Read, day: str, says: str) -> None:
    row, column, reason = one_rejection(read(f"field,Sampled On,rfv\nA,{day},180\n"))
    assert (row, column) == (2, "Sampled On")
    assert says in reason


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        ("2031-06-01", (date(2031, 6, 1), None)),  # today itself
        ("2031-03-01", (date(2031, 3, 1), None)),  # first day of the season
        ("12-May-2031", (date(2031, 5, 12), None)),
        ("12 May 2031", (date(2031, 5, 12), None)),
        ("2031-05-12 06:40", (date(2031, 5, 12), time(6, 40))),
        ("2031-05-12T00:00", (date(2031, 5, 12), None)),
    ],
)
def test_row_with_a_date_that_cannot_be_misread(
    read: Read, day: str, expected: tuple[date, time | None]
) -> None:
    (result,) = read(f"field,sampled_on,rfv\nA,{day},180\n").results
    assert (result.sampled_on, result.sampled_at) == expected


def test_row_of_a_laboratory_whose_map_fixes_the_order_of_day_and_month(
    read: Read, lab_files: Path
) -> None:
    text = (lab_files / "kestrel.csv").read_text(encoding="utf-8")
    parsed = read(text.replace("KC-20411,Alder Bottom,North 40,05/12", "KC-20411,A,B,04/05"))
    assert parsed.results[0].sampled_on == date(2031, 4, 5)
    parsed = read(text.replace("KC-20411,Alder Bottom,North 40,05/12", "KC-20411,A,B,13/05"))
    assert [(one.row, one.column) for one in parsed.rejections] == [(5, "Sampled")]
    assert "write it like 05/31/2031" in parsed.rejections[0].reason


def test_row_with_ndfd_that_looks_like_part_of_dry_matter(read: Read) -> None:
    # University of Georgia CAES, n.d., Georgia Forages glossary, letter T: RFQ takes NDFD in % of
    # NDF. 49 % of an NDF of 38.2 is 18.7 % of DM.
    parsed = read("field,sampled_on,ndf_pct_dm,ndfd48_pct_ndf\nA,2031-05-12,38.2,18.7\n")
    row, column, reason = one_rejection(parsed)
    assert (row, column) == (2, "ndfd48_pct_ndf")
    assert "it looks like % of DM" in reason


def test_row_with_only_30_hour_ndfd_and_another_index_gets_a_note(read: Read) -> None:
    parsed = read("field,sampled_on,method,ndf_pct_dm,NDFD30 (% NDF)\nA,2031-05-12,nir,38.2,42\n")
    assert len(parsed.results) == 1
    (note,) = parsed.notes
    assert (note.row, note.column) == (2, "NDFD30 (% NDF)")
    assert note.text == "RFQ not computed: needs NDFD at 48 h."


def test_row_with_30_hour_ndfd_and_a_printed_rfq_needs_no_note(read: Read) -> None:
    parsed = read("field,sampled_on,method,rfq,ndfd30_pct_ndf\nA,2031-05-12,nir,160,42\n")
    assert len(parsed.results) == 1
    assert parsed.notes == ()


def test_row_with_30_hour_ndfd_as_its_only_way_to_an_index(read: Read) -> None:
    parsed = read("field,sampled_on,adf_pct_dm,ndf_pct_dm,ndfd30_pct_ndf\nA,2031-05-12,30,,42\n")
    row, column, reason = one_rejection(parsed)
    assert (row, column) == (2, "ndfd30_pct_ndf")
    assert "RFQ needs it at 48 h" in reason


def test_row_without_any_way_to_an_index(read: Read) -> None:
    parsed = read("field,sampled_on,adf_pct_dm,ndf_pct_dm\nA,2031-05-12,30,\n")
    assert one_rejection(parsed)[:2] == (2, "")


@pytest.mark.parametrize("name", ["", "   "])
def test_row_without_the_name_of_its_field(read: Read, name: str) -> None:
    parsed = read(f"farm,field,sampled_on,rfv\nF,{name},2031-05-12,180\n")
    row, column, reason = one_rejection(parsed)
    assert (row, column) == (2, "field")
    assert "fill it in" in reason


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("farm", "=cmd|' /C calc'!A0"),
        ("field", "@SUM(1)"),
        ("lab_number", '=""7""'),
        ("remark", "+cmd"),
        ("sampled_at", "=NOW()"),
        ("method", "-cmd"),
        ("cutting", "=1"),
    ],
)
def test_row_with_a_formula_where_a_text_is_expected(read: Read, column: str, value: str) -> None:
    cells = {"farm": "F", "field": "A", "sampled_on": "2031-05-12", "rfv": "180", column: value}
    parsed = read(",".join(cells) + "\n" + ",".join(f'"{cell}"' for cell in cells.values()))
    row, header, reason = one_rejection(parsed)
    assert (row, header) == (2, column)
    assert "is a formula" in reason


@pytest.mark.parametrize("remark", ["- north end", "-5", "a=b", "-"])
def test_row_with_a_remark_that_is_no_formula(read: Read, remark: str) -> None:
    parsed = read(f"field,sampled_on,rfv,remark\nA,2031-05-12,180,{remark}\n")
    assert [result.remark for result in parsed.results] == [remark]


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("method", "crystal ball", "use one of 'nir', 'nirs', 'wet', 'wet chem', 'wet chemistry'"),
        ("cutting", "first", "is not a whole number from 1 to 9"),
        ("cutting", "0", "is not a whole number from 1 to 9"),
        ("sampled_at", "25:00", "is not a time of day: write it like 07:30"),
    ],
)
def test_row_with_a_word_that_is_not_known(read: Read, column: str, value: str, says: str) -> None:
    parsed = read(f"field,sampled_on,rfv,{column}\nA,2031-05-12,180,{value}\n")
    row, header, reason = one_rejection(parsed)
    assert (row, header) == (2, column)
    assert says in reason


def test_rows_that_do_not_say_their_method_are_taken_as_the_less_exact(read: Read) -> None:
    parsed = read("field,sampled_on,method,rfv\nA,2031-05-12,,180\nB,2031-05-12,Wet,180\n")
    assert [one.method for one in parsed.results] == [Method.NIR, Method.WET_CHEMISTRY]
    (note,) = parsed.notes
    assert note.text == "Rows that do not say their method: 1; taken as NIR."
    (alone,) = read("field,sampled_on,method,rfv\nA,2031-05-12,,180\n").notes
    assert alone.text == "The method is not said; it is taken as NIR."


@pytest.mark.parametrize(
    ("as_fed", "dry_matter", "column", "says"),
    [
        ("0.0764", "", "Moisture", "no dry matter to convert them"),
        ("0.31", "0.80", "NDF as fed", "more than the dry matter of 20 %"),
        ("0.18", "0.80", "NDF as fed", "NDF of 90 % of DM is outside the plausible 15 to 85"),
        ("38.2", "0.80", "NDF as fed", "cannot be in 'fraction as fed'"),
        ("0.0764", "0.97", "Moisture", "Dry matter of 3 % of fresh weight is outside"),
    ],
)
def test_row_with_as_fed_values_that_cannot_be_converted(
    read: Read, as_fed: str, dry_matter: str, column: str, says: str
) -> None:
    header = "Report,Sample description,Collected,Moisture,NDF as fed"
    parsed = read(f"{header}\n1,Alder / North,2031-05-12,{dry_matter},{as_fed}\n")
    row, at, reason = one_rejection(parsed)
    assert (row, at) == (2, column)
    assert says in reason


def test_row_with_as_fed_values_by_their_header_in_the_plain_format(read: Read) -> None:
    # 9.55 % of fresh weight at 25 % dry matter is 38.2 % of DM
    parsed = read("field,sampled_on,DM (%),NDF (% as fed)\nA,2031-05-12,25,9.55\n")
    assert parsed.results[0].readings.ndf_pct_dm == 38.2
    assert parsed.results[0].readings.dm_pct == 25.0


def test_row_with_as_fed_values_and_no_column_of_dry_matter(read: Read) -> None:
    parsed = read("field,sampled_on,NDF (% as fed)\nA,2031-05-12,9.55\n")
    assert "no dry matter to convert them" in one_rejection(parsed)[2]


@pytest.mark.parametrize(
    ("label", "farm", "field"),
    [
        ("Alder Bottom / North 40", "Alder Bottom", "North 40"),
        ("Alder Bottom/North 40", "Alder Bottom", "North 40"),
        ("Alder / North / East", "Alder", "North / East"),
        ("A/B Farm / North", "A/B Farm", "North"),
        ("North 40", "", "North 40"),
    ],
)
def test_row_with_farm_and_field_in_one_column(
    read: Read, label: str, farm: str, field: str
) -> None:
    header = "Report,Sample description,Collected,Moisture,NDF as fed"
    (result,) = read(f"{header}\n1,{label},2031-05-12,0.8,0.0764\n").results
    assert (result.farm_label, result.field_label) == (farm, field)


@pytest.mark.parametrize("label", ["", "Alder Bottom / "])
def test_row_with_a_farm_but_no_field_in_one_column(read: Read, label: str) -> None:
    header = "Report,Sample description,Collected,Moisture,NDF as fed"
    parsed = read(f"{header}\n1,{label},2031-05-12,0.8,0.0764\n")
    assert one_rejection(parsed)[1] == "Sample description"
