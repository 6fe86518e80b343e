"""Every bad input on the command line: a clear sentence, and nothing lost (issue 2)."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from typing import Any

import pytest
from factories import sheet
from operators import TODAY, Command, iso, put_operator, result, taken


@pytest.fixture(scope="module")
def intake_desk(tmp_path_factory: pytest.TempPathFactory) -> Command:
    """One folder for all bad inputs; none of them may disturb the next."""
    command = put_operator(tmp_path_factory.mktemp("desk"))
    with closing(sqlite3.connect(command.folder / "cutcall.db")) as database, database:
        database.execute("UPDATE field SET closed_on = ? WHERE name = 'Closed Piece'", [iso(-1)])
    return command


def stored_files(command: Command) -> dict[str, bytes]:
    with closing(sqlite3.connect(command.folder / "cutcall.db")) as database:
        return dict(database.execute("SELECT name, content FROM document"))


# --------------------------------------------------------- rows that cannot be used

BAD_ROWS: dict[str, tuple[Mapping[str, object], str, tuple[str, ...]]] = {
    "NDF of 400": ({"ndf_pct_dm": 400}, "ndf_pct_dm", ("400",)),
    "ADF above NDF": (
        {"ndf_pct_dm": 38, "adf_pct_dm": 45},
        "adf_pct_dm",
        ("45", "38", "check whether the two were exchanged"),
    ),
    "date in the future": ({"sampled_on": iso(30), "rfv": 205}, "sampled_on", (iso(30),)),
    "date before the season": (
        {"sampled_on": f"{TODAY.year - 1}-12-31", "rfv": 205},
        "sampled_on",
        (f"{TODAY.year - 1}-12-31",),
    ),
    "NDFD as % of DM": (
        {"ndf_pct_dm": 38, "ndfd48_pct_ndf": 19},
        "ndfd48_pct_ndf",
        ("19", "% of DM"),
    ),
    "NDFD of 30 hours for RFQ": (
        {"farm": "Quote Farm", "field": "Ridge", "adf_pct_dm": 30, "ndfd30_pct_ndf": 42},
        "ndfd30_pct_ndf",
        ("30 h", "48 h", "give NDF, RFV or RFQ"),
    ),
    "cell of a million characters": (
        {"rfv": 205, "remark": "x" * 1_000_000},
        "",
        ("far too long", "shorten it"),
    ),
    "cell of a thousand characters": (
        {"rfv": 205, "remark": "x" * 1_000},
        "remark",
        ("1000 characters", "shorten it"),
    ),
    "formula for a number": ({"ndf_pct_dm": "=cmd|' /C calc'!A0"}, "ndf_pct_dm", ("=cmd",)),
    "formula for a name": ({"field": "=cmd|' /C calc'!A0", "rfv": 205}, "field", ("=cmd",)),
    "closed field": (
        {"field": "Closed Piece", "rfv": 205},
        "field",
        ("Closed Piece", iso(-1)),
    ),
    "no way to an index": ({"adf_pct_dm": 30}, "", ("no NDF, RFV or RFQ", "give at least one")),
    "no field": ({"field": "", "rfv": 205}, "field", ("fill it in",)),
}


@pytest.fixture(scope="module")
def bad_rows(intake_desk: Command) -> dict[str, Any]:
    """The report on a file whose every row but the first is bad."""
    rows = [result(rfv=205), *(result(**values) for values, _, _ in BAD_ROWS.values())]
    return taken(intake_desk, "bad rows.csv", sheet(rows))


def test_bad_rows_do_not_cost_the_good_one(bad_rows: dict[str, Any]) -> None:
    assert bad_rows["accepted"] == 1
    assert len(bad_rows["rejected"]) == len(BAD_ROWS)
    assert set(bad_rows) >= {"accepted", "repeated", "corrected", "unmatched", "rejected"}
    assert (bad_rows["repeated"], bad_rows["corrected"], bad_rows["unmatched"]) == (0, 0, 0)


@pytest.mark.parametrize("case", BAD_ROWS)
def test_bad_row_says_where_it_is_wrong_and_what_to_do(case: str, bad_rows: dict[str, Any]) -> None:
    _, column, words = BAD_ROWS[case]
    row = 3 + list(BAD_ROWS).index(case)
    [rejected] = [one for one in bad_rows["rejected"] if one["row"] == row]
    assert set(rejected) == {"row", "column", "reason"}
    assert rejected["column"] == column
    for expected in words:
        assert expected in rejected["reason"], rejected["reason"]
    sentence = rejected["reason"]
    assert len(sentence) < 250
    assert any(mark in sentence for mark in (":", ";")), sentence  # what is wrong, then what to do


def test_bad_rows_can_be_looked_up_later(bad_rows: dict[str, Any], intake_desk: Command) -> None:
    listed = intake_desk.json("rejected")
    assert isinstance(listed, dict)
    mine = [
        {key: one[key] for key in ("row", "column", "reason")}
        for one in listed["rows"]
        if one["document"] == "bad rows.csv"
    ]
    assert sorted(mine, key=lambda one: one["row"]) == sorted(
        bad_rows["rejected"], key=lambda one: one["row"]
    )


# ------------------------------------------------------ files that cannot be read

PLAIN = "farm,field,sampled_on,rfv\nPlum Bottom,North,{day},{rfv}\n"
BAD_FILES: dict[str, tuple[str | bytes, tuple[str, ...]]] = {
    "empty.csv": (b"", ("is empty", "export it again")),
    "blank.csv": (b" \n\n", ("is empty", "export it again")),
    "binary.csv": (bytes(range(256)) * 8, ("damaged", "export it again as CSV")),
    "nulls.csv": (b"\x00\x01\x02" * 90, ("binary data", "save the sheet as CSV")),
    "workbook.csv": (b"PK\x03\x04" + bytes(200), ("workbook", "save the sheet as CSV")),
    "no date.csv": ("field,rfv\nNorth,205\n", ("no column 'sampled_on'", "add it")),
    "no index.csv": (
        f"field,sampled_on,remark\nNorth,{iso()},fine\n",
        ("has no column for", "add it"),
    ),
    "unit.csv": (
        f"field,sampled_on,NDF (stone)\nNorth,{iso()},38\n",
        ("'NDF (stone)'", "unit that is not known", "use one of"),
    ),
    "no unit.csv": (
        f"field,sampled_on,NDF\nNorth,{iso()},38\n",
        ("'NDF'", "does not say its unit", "name it for example"),
    ),
    "twice.csv": (
        f"field,sampled_on,rfv,rfv\nNorth,{iso()},205,206\n",
        ("two columns named 'rfv'", "rename or remove one"),
    ),
    "cut off.csv": (
        b"\xff\xfe" + PLAIN.format(day=iso(), rfv=205).encode("utf-16-le") + b"\x00",
        ("damaged", "export it again"),
    ),
}


@pytest.fixture(scope="module")
def bad_files(intake_desk: Command) -> list[str]:
    """What is said of all these files, given at once."""
    names = [intake_desk.write(name, content) for name, (content, _) in BAD_FILES.items()]
    done = intake_desk.run("intake", *names, "--json")
    assert done.returncode == 1
    assert done.stdout == ""
    return done.stderr.strip().splitlines()


@pytest.mark.parametrize("name", BAD_FILES)
def test_file_that_cannot_be_read_is_named_in_one_sentence(
    name: str, bad_files: list[str], intake_desk: Command
) -> None:
    content, words = BAD_FILES[name]
    assert len(bad_files) == len(BAD_FILES)
    sentence = bad_files[list(BAD_FILES).index(name)]
    assert sentence.startswith(f"cutcall: {name}")
    for expected in words:
        assert expected in sentence, sentence
    raw = content.encode() if isinstance(content, str) else content
    assert stored_files(intake_desk)[name] == raw  # nothing a person gave us is lost


def test_file_that_is_not_there_ends_with_one_sentence(intake_desk: Command) -> None:
    done = intake_desk.run("intake", "nowhere.csv", "--json")
    assert done.returncode == 1
    assert done.stderr == "cutcall: cannot read nowhere.csv: No such file or directory\n"


def test_unreadable_file_does_not_cost_the_readable_one(intake_desk: Command) -> None:
    names = [
        intake_desk.write("first bad.csv", b"\x00\x01" * 90),
        intake_desk.write("then good.csv", PLAIN.format(day=iso(), rfv=188)),
    ]
    done = intake_desk.run("intake", *names, "--json")
    assert done.returncode == 1
    assert "first bad.csv" in done.stderr
    [report] = json.loads(done.stdout)
    assert (report["document"], report["accepted"]) == ("then good.csv", 1)


def test_file_that_is_not_there_and_one_too_large_do_not_cost_the_others(
    intake_desk: Command,
) -> None:
    good = intake_desk.write("a good one.csv", PLAIN.format(day=iso(), rfv=187))
    large = intake_desk.write("large.csv", b"x" * (1024 * 1024 + 1))
    limit = {"CUTCALL_INTAKE_MAX_MIB": "1"}
    done = intake_desk.run("intake", good, large, "nowhere.csv", **limit)
    assert done.returncode == 1
    assert "a good one.csv: 1 accepted" in done.stdout
    too_large, not_there = done.stderr.splitlines()
    assert "large.csv is larger than CUTCALL_INTAKE_MAX_MIB allows" in too_large
    assert not_there == "cutcall: cannot read nowhere.csv: No such file or directory"


def test_rejected_rows_are_settled_by_hand(intake_desk: Command) -> None:
    name = intake_desk.write("to settle.csv", PLAIN.format(day="soon", rfv=187))
    assert intake_desk.run("intake", name).returncode == 0
    rows = intake_desk.json("rejected")["rows"]  # type: ignore[call-overload,index]
    [number] = [row["id"] for row in rows if row["document"] == "to settle.csv"]
    settled = intake_desk.run("rejected", "--settle", str(number))
    assert settled.stdout == f"document {number}: 1 settled; the document itself is kept\n"
    assert "to settle.csv" not in intake_desk.run("rejected").stdout
    unknown = intake_desk.run("rejected", "--settle", "9999")
    assert (unknown.returncode, "no document 9999" in unknown.stderr) == (1, True)


# ------------------------------------------------------- unusual but readable files

ACCENTED = "farm,field,sampled_on,rfv,remark\nPlum Bottom,North,{day},{rfv},Pré humide – ½\n"
READABLE: dict[str, bytes] = {
    "latin-1.csv": ACCENTED.format(day=iso(), rfv=191).replace("–", "-").encode("latin-1"),
    "windows-1252.csv": ACCENTED.format(day=iso(), rfv=192).encode("cp1252"),
    "utf-16.csv": ACCENTED.format(day=iso(), rfv=193).encode("utf-16"),
    "utf-16 without a mark.csv": ACCENTED.format(day=iso(), rfv=194).encode("utf-16-le"),
    "utf-8 with a mark.csv": ACCENTED.format(day=iso(), rfv=195).encode("utf-8-sig"),
    "semicolons.csv": PLAIN.format(day=iso(), rfv=196).replace(",", ";").encode(),
    "tabs.csv": PLAIN.format(day=iso(), rfv=197).replace(",", "\t").encode(),
    "old line ends.csv": PLAIN.format(day=iso(), rfv=198).replace("\n", "\r").encode(),
}


def test_unusual_encodings_and_delimiters_are_read(intake_desk: Command) -> None:
    names = [intake_desk.write(name, content) for name, content in READABLE.items()]
    reports = intake_desk.json("intake", *names)
    assert isinstance(reports, list)
    counts = {one["document"]: (one["accepted"], one["rejected"]) for one in reports}
    assert counts == dict.fromkeys(READABLE, (1, []))
    with closing(sqlite3.connect(intake_desk.folder / "cutcall.db")) as database:
        remarks = dict(
            database.execute(
                "SELECT document.name, result.remark FROM result JOIN document "
                "ON document.id = result.document_id"
            )
        )
    for name in list(READABLE)[1:5]:
        assert remarks[name] == "Pré humide – ½"
    assert remarks["latin-1.csv"] == "Pré humide - ½"


def test_unknown_field_waits_and_is_named(intake_desk: Command) -> None:
    row = result(field="Nrth", rfv=201, remark="an unknown name")
    report = taken(intake_desk, "unknown.csv", sheet([row]))
    assert (report["unmatched"], report["accepted"], report["rejected"]) == (1, 0, [])
    [waiting] = intake_desk.json("unmatched")  # type: ignore[misc]
    assert waiting["field_label"] == "Nrth"
    assert waiting["results"] == [{"document": "unknown.csv", "row": 2, "sampled_on": iso()}]
    shown = intake_desk.run("unmatched")
    command = "cutcall name Nrth --farm-label 'Plum Bottom' --farm FARM --field FIELD"
    assert command in shown.stdout

    wrong = intake_desk.run("name", "Nrth", "--farm", "Plum Bottom", "--field", "Nort")
    assert wrong.returncode == 1
    assert "no field 'Nort' on a farm 'Plum Bottom' is enrolled" in wrong.stderr
    assert "check the spelling with 'cutcall outlook'" in wrong.stderr

    right = ("--farm", "Plum Bottom", "--field", "North")
    named = intake_desk.run("name", "Nrth", *right)
    assert named.returncode == 0
    assert "'Nrth' means North from now on; 1 waiting results flow on" in named.stdout
    assert intake_desk.json("unmatched") == []
