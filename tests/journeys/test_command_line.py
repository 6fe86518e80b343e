"""`python -m alerts` as an operator runs it, on the computer's own clock.

The season of the edited config begins on 1 January, and the area lies where clocks show UTC all
year, so that the tests hold on any day of the year.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from factories import ROSTER_ROW, sheet
from stations import Command

from alerts.configfiles import shipped_config_dir
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox

TODAY = datetime.now(UTC).date()
ALWAYS = {"time_zone": "Africa/Abidjan", "send_from": "00:00", "send_to": "00:00"}
ROSTER = [
    {**ALWAYS, "field": "North"},
    {**ALWAYS, "field": "Closed Piece"},
    {**ALWAYS, "farm": "Quote Farm", "phone": "+12025550145", "index": "rfq", "field": "Ridge"},
    {
        **ALWAYS,
        "farm": "Brook Farm",
        "field": "East",
        "phone": "+12025550146",
        "email": "ned@example.org",
        "alert_by": "both",
    },
]


def iso(days: int = 0) -> str:
    return (TODAY + timedelta(days=days)).isoformat()


def put_operator(folder: Path) -> Command:
    """A folder with an edited config and an enrolled roster."""
    config = folder / "config"
    config.mkdir()
    schedule = (shipped_config_dir() / "schedule.toml").read_text(encoding="utf-8")
    schedule = schedule.replace('first_day = "03-01"', 'first_day = "01-01"')
    schedule = schedule.replace("backoff_base_s = 20", "backoff_base_s = 0.01")
    (config / "schedule.toml").write_text(schedule, encoding="utf-8")
    command = Command(folder, {"CUTCALL_CONFIG_DIR": "config", "CUTCALL_TIME_ZONE": "UTC"})
    command.write("roster.csv", sheet([{**ROSTER_ROW, **row} for row in ROSTER]))
    report = command.json("enrol", "roster.csv")
    assert isinstance(report, dict)
    assert (report["farms"], report["fields"], report["rejected"]) == (3, 4, [])
    return command


@pytest.fixture
def operator(tmp_path: Path) -> Command:
    return put_operator(tmp_path)


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


def result(**values: object) -> dict[str, object]:
    return {"farm": "Plum Bottom", "field": "North", "sampled_on": iso(), **values}


def taken(command: Command, name: str, content: str | bytes) -> dict[str, Any]:
    report = command.json("intake", command.write(name, content))
    assert isinstance(report, dict)
    return report


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
    assert "cutcall name LABEL --farm FARM --field FIELD" in shown.stdout

    wrong = intake_desk.run("name", "Nrth", "--farm", "Plum Bottom", "--field", "Nort")
    assert wrong.returncode == 1
    assert "no field 'Nort' on a farm 'Plum Bottom' is enrolled" in wrong.stderr
    assert "check the spelling with 'cutcall outlook'" in wrong.stderr

    right = ("--farm", "Plum Bottom", "--field", "North", "--farm-label", "Plum Bottom")
    named = intake_desk.run("name", "Nrth", *right)
    assert named.returncode == 0
    assert "'Nrth' means North from now on; 1 waiting results flow on" in named.stdout
    assert intake_desk.json("unmatched") == []


# ------------------------------------------------------------- the good way, at length


def test_results_are_accepted_repeated_and_corrected(operator: Command) -> None:
    first = sheet([result(lab="kestrel", lab_number="K-1", rfv=205)])
    second = sheet([result(lab="kestrel", lab_number="K-1", rfv=215)])
    names = [
        operator.write(name, content)
        for name, content in (("a.csv", first), ("b.csv", first + "\n"), ("c.csv", second))
    ]
    reports = operator.json("intake", *names)
    assert isinstance(reports, list)
    counts = [(one["accepted"], one["repeated"], one["corrected"]) for one in reports]
    assert counts == [(1, 0, 0), (0, 1, 0), (0, 0, 1)]
    assert not any(one["rejected"] for one in reports)


def test_outlook_and_texts_of_the_usual_case(operator: Command) -> None:
    # Issue 2: RFV 205, 160 in storage with a loss of 25, two days of harvest: three days later.
    taken(operator, "today.csv", sheet([result(rfv=205, method="wet")]))
    lines = operator.json("outlook")
    assert isinstance(lines, list)
    assert {line["field"] for line in lines} == {"North", "Closed Piece", "Ridge", "East"}
    [north] = [line for line in lines if line["field"] == "North"]
    assert set(north) >= {
        *("field", "farm", "area", "cutting", "index", "standing_target", "results"),
        *("start_p10", "start_median", "start_p90", "chance_start_within_notice", "told"),
    }
    assert (north["farm"], north["area"], north["cutting"]) == ("Plum Bottom", "Heron Flats", 1)
    assert (north["index"], north["standing_target"], north["results"]) == ("rfv", 185, 1)
    early, median, late = (
        date.fromisoformat(north[name]) for name in ("start_p10", "start_median", "start_p90")
    )
    assert abs((median - TODAY).days - 3) <= 1
    assert early <= median <= late
    assert 0 < north["chance_start_within_notice"] < 1
    assert north["told"] is None

    ticked = operator.run("tick")
    assert ticked.returncode == 0
    assert "--- sms to +12025550143" in ticked.stdout
    assert "start cutting " in ticked.stdout
    assert "sent 1, to try later 0, refused 0, unclear 0, expired 0" in ticked.stdout
    again = operator.run("tick")
    assert "sent 0" in again.stdout
    assert "--- sms" not in again.stdout
    [told] = [line for line in operator.json("outlook") if line["field"] == "North"]  # type: ignore[attr-defined]
    assert told["told"] == told["start_median"]

    table = operator.run("outlook", "--farm", "plum bottom").stdout
    assert "North" in table and "Ridge" not in table

    cut = operator.run("cut", "North", "--farm", "Plum Bottom", "--on", iso())
    assert f"North: cutting 1 taken on {iso()}; cutting 2 is open" in cut.stdout
    twice = operator.run("cut", "North", "--farm", "Plum Bottom", "--on", iso())
    assert twice.returncode == 1
    assert "give a later date" in twice.stderr


# --------------------------------------------------------------------- outages


def edge(gateway_port: int, mail_port: int) -> dict[str, str]:
    return {
        "CUTCALL_SMS": "rest",
        "CUTCALL_SMS_URL": f"http://127.0.0.1:{gateway_port}/2010-04-01",
        "CUTCALL_SMS_ACCOUNT": "AC00000000000000000000000000000000",
        "CUTCALL_SMS_SECRET": "loopback",
        "CUTCALL_SMS_SENDER": "+12025550100",
        "CUTCALL_EMAIL": "smtp",
        "CUTCALL_SMTP_HOST": "127.0.0.1",
        "CUTCALL_SMTP_PORT": str(mail_port),
        "CUTCALL_SMTP_USE": "plain",
    }


def test_gateway_and_mail_server_that_are_down_get_everything_once_later(
    operator: Command, free_ports: tuple[int, int]
) -> None:
    taken(operator, "today.csv", sheet([result(farm="Brook Farm", field="East", rfv=205)]))
    settings = edge(*free_ports)
    down = operator.run("tick", **settings)
    assert down.returncode == 0
    assert down.stdout.startswith("sent 0, to try later ")
    waiting = operator.json("outbox")
    assert isinstance(waiting, list)
    assert {(one["channel"], one["status"]) for one in waiting} == {
        ("sms", "queued"),
        ("email", "queued"),
    }
    reasons = {one["channel"]: one["error_detail"] for one in waiting}
    assert "not connected" in reasons["sms"]
    assert reasons["email"].startswith("at greeting")

    gateway_port, mail_port = free_ports
    with (
        LoopbackGateway(clock=lambda: datetime.now(UTC), port=gateway_port) as gateway,
        LoopbackMailbox(port=mail_port) as mailbox,
    ):
        ticks = [operator.run("tick", **settings) for _ in range(2)]
        assert [tick.returncode for tick in ticks] == [0, 0]
        assert "sent 2" in ticks[0].stdout
        assert "sent 0" in ticks[1].stdout
        assert len(gateway.texts) == 1
        assert len(mailbox.mails) == 1


# --------------------------------------------------------------- wrong settings

# Every rule of the settings has its test in tests/test_settings.py; here, what a person sees of it.
WRONG: dict[str, tuple[dict[str, str], tuple[str, ...]]] = {
    "port": ({"CUTCALL_WEB_PORT": "eighty"}, ("CUTCALL_WEB_PORT", "integer", "'eighty'")),
    "no gateway": ({"CUTCALL_SMS": "rest"}, ("CUTCALL_SMS_URL is empty", "sms=rest needs it")),
    "secret": (
        {"CUTCALL_ENVIRONMENT": "production", "CUTCALL_SECRET": "pssst"},
        ("CUTCALL_SECRET", "16 characters"),
    ),
    "config folder": ({"CUTCALL_CONFIG_DIR": "nowhere"}, ("CUTCALL_CONFIG_DIR", "not a folder")),
    "database": ({"CUTCALL_DATABASE_URL": "nonsense"}, ("CUTCALL_DATABASE_URL", "sqlite:///")),
    "no folder for the database": (
        {"CUTCALL_DATABASE_URL": "sqlite:///nowhere/cutcall.db"},
        ("CUTCALL_DATABASE_URL", "sqlite:///nowhere/cutcall.db", "check the address"),
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_setting_is_named_with_what_is_expected(case: str, tmp_path: Path) -> None:
    settings, words = WRONG[case]
    done = Command(tmp_path).run("check", **settings)
    assert done.returncode == 2
    assert done.stdout == ""
    [sentence] = done.stderr.strip().splitlines()
    assert sentence.startswith("cutcall: ")
    for expected in words:
        assert expected in sentence, sentence
    assert "pssst" not in sentence  # a secret is never repeated


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("messages/en/coming.txt", "{{ frm }}", ("coming.txt", "no value is called frm")),
        ("schedule.toml", "[season]\nfirst_day = 3", ("schedule.toml", "first_day")),
    ],
)
def test_wrong_config_file_is_named(
    name: str, content: str, words: tuple[str, ...], tmp_path: Path
) -> None:
    path = tmp_path / "config" / name
    path.parent.mkdir(parents=True)
    path.write_text(content)
    done = Command(tmp_path).run("check", CUTCALL_CONFIG_DIR="config")
    assert done.returncode == 2
    [sentence] = done.stderr.strip().splitlines()
    for expected in words:
        assert expected in sentence


def test_inbox_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    done = Command(tmp_path).run("tick", CUTCALL_INBOX_DIR="taken/inbox")
    assert done.returncode == 2
    assert "CUTCALL_INBOX_DIR: cannot make the folder taken/inbox" in done.stderr
    assert "give one that this user may write to" in done.stderr


def test_check_passes_what_is_shipped(tmp_path: Path) -> None:
    done = Command(tmp_path).run("check")
    assert done.returncode == 0
    assert "settings, database and config files are in order" in done.stdout
