from __future__ import annotations

from pathlib import Path

import pytest

from alerts.domain.errors import ConfigurationError
from alerts.domain.records import Method
from alerts.intake.labmap import LabMap, load_lab_maps, parse_lab_map

GOOD = """
lab = "Wren Hill Laboratory"
recognise = ["Parcel", "Day", "NDF"]
date_formats = ["%d.%m.%Y"]
method = "nir"

[method_words]
"W" = "wet"

[columns]
"Parcel" = { holds = "field" }
"Day" = { holds = "sampled_on" }
"NDF" = { holds = "ndf", unit = "% DM" }
"DM" = { holds = "dm", unit = "% as fed" }
"""


def test_parse_lab_map_reads_every_entry() -> None:
    lab_map = parse_lab_map("wren", GOOD)
    assert (lab_map.key, lab_map.lab) == ("wren", "Wren Hill Laboratory")
    assert lab_map.method is Method.NIR
    assert lab_map.method_words == {"W": Method.WET_CHEMISTRY}
    assert lab_map.columns["NDF"].holds == "ndf"
    assert not lab_map.is_plain


@pytest.mark.parametrize(
    ("old", "new", "entry", "expected"),
    [
        ('unit = "% DM"', 'unit = "furlongs"', r"columns\.NDF", "use one of '% DM'"),
        ('unit = "% DM"', 'unit = "% NDF"', r"columns\.NDF", "cannot be in"),
        ('holds = "ndf", unit', 'holds = "ndfd48", unit', r"columns\.NDF", "must be in % of NDF"),
        (', unit = "% DM"', "", r"columns\.NDF", "use one of"),
        ('holds = "field"', 'holds = "paddock"', r"columns\.Parcel", "use 'farm', 'field'"),
        ('holds = "field"', 'holds = "farm"', "columns", "one must hold 'field'"),
        ('holds = "sampled_on"', 'holds = "remark"', "columns", "one 'sampled_on'"),
        ('holds = "ndf", unit = "% DM"', 'holds = "rfx"', r"columns\.NDF", "'rfv', 'rfq'"),
        ('holds = "ndf"', 'holds = "cp"', "columns", "one must hold 'ndf', 'rfv' or 'rfq'"),
        ('"DM" = { holds = "dm"', '"NDF " = { holds = "dm"', "columns", "the same header"),
        ("%d.%m.%Y", "%d.%m.", "date_formats", "a day, a month and a year"),
        ('["%d.%m.%Y"]', '["%d.%m.%Y", "%m.%d.%Y"]', "date_formats", "read a date differently"),
        ('method = "nir"', 'method = "guess"', "method", "'wet'"),
        ('method = "nir"', 'method = "stem"', "method", "'wet' or 'nir'"),
        ('method = "nir"', 'colour = "red"', "colour", "no such entry"),
        ('method = "nir"', 'decimal_mark = "x"', "decimal_mark", "'.'"),
        ("recognise = [", "recognised = [", "recognise", "[Rr]equired"),
        ('["Parcel", "Day", "NDF"]', "[]", "recognise", "at least 1"),
        ('"Parcel" = { holds = "field" }', '"Parcel" = { holds = "spot" }', "columns", "field"),
    ],
)
def test_parse_lab_map_names_the_file_the_entry_and_what_is_expected(
    old: str, new: str, entry: str, expected: str
) -> None:
    assert old in GOOD
    with pytest.raises(ConfigurationError, match=rf"(?s)^wren\.toml: {entry}.*{expected}"):
        parse_lab_map("wren", GOOD.replace(old, new))


def test_parse_lab_map_needs_the_dry_matter_for_as_fed_values() -> None:
    text = GOOD.replace("% DM", "% as fed").replace(
        '"DM" = { holds = "dm"', '"CP" = { holds = "cp"'
    )
    with pytest.raises(ConfigurationError, match="as-fed values need one that holds 'dm'"):
        parse_lab_map("wren", text)


def test_parse_lab_map_refuses_stem_columns() -> None:
    text = GOOD + '"Height" = { holds = "height", unit = "in" }\n'
    with pytest.raises(ConfigurationError, match="belong to stem readings"):
        parse_lab_map("wren", text)


def test_parse_lab_map_needs_a_separator_for_farm_and_field() -> None:
    text = GOOD.replace('holds = "field"', 'holds = "farm and field"')
    with pytest.raises(ConfigurationError, match=r"columns\.Parcel: split_on belongs to"):
        parse_lab_map("wren", text)


def test_parse_lab_map_that_is_no_toml() -> None:
    with pytest.raises(ConfigurationError, match=r"^wren\.toml is not valid TOML"):
        parse_lab_map("wren", "lab = Wren")


@pytest.mark.parametrize("text", ["a = " + "[" * 10_000, f"a = {'9' * 5000}"])
def test_parse_lab_map_that_is_beyond_all_bounds(text: str) -> None:
    with pytest.raises(ConfigurationError, match=r"^wren\.toml is not valid TOML"):
        parse_lab_map("wren", text)


def test_parse_lab_map_refuses_a_date_form_that_names_a_part_twice() -> None:
    text = GOOD.replace("%d.%m.%Y", "%d.%m.%Y %d")
    with pytest.raises(ConfigurationError, match="does not hold a day, a month and a year"):
        parse_lab_map("wren", text)


def test_parse_lab_map_refuses_its_key_as_an_entry() -> None:
    with pytest.raises(ConfigurationError, match="'key' is the file name"):
        parse_lab_map("wren", 'key = "x"\n' + GOOD)


def test_load_lab_maps_refuses_two_maps_of_one_laboratory(tmp_path: Path) -> None:
    (tmp_path / "one.toml").write_text(GOOD)
    (tmp_path / "two.toml").write_text(GOOD.replace("Wren", "WREN"))
    with pytest.raises(ConfigurationError, match=r"two\.toml and one\.toml both map"):
        load_lab_maps(tmp_path)


def test_load_lab_maps_names_a_file_that_is_not_utf8(tmp_path: Path) -> None:
    (tmp_path / "one.toml").write_bytes(GOOD.replace("Wren", "Käfer").encode("latin-1"))
    with pytest.raises(ConfigurationError, match=r"one\.toml is not UTF-8"):
        load_lab_maps(tmp_path)


def test_load_lab_maps_reads_the_shipped_ones(lab_maps: tuple[LabMap, ...]) -> None:
    assert [one.key for one in lab_maps] == ["kestrel", "ouzel", "plain", "tarnfield"]
    assert [one.key for one in lab_maps if one.is_plain] == ["plain"]
