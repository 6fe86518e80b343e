"""The command line on the computer's own clock: the usual case, outages, wrong settings."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from factories import sheet
from operators import TODAY, Command, iso, put_operator, result, taken

from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox


@pytest.fixture
def operator(tmp_path: Path) -> Command:
    return put_operator(tmp_path)


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


def test_empty_lists_say_that_nothing_waits(operator: Command) -> None:
    operator.json("intake", operator.write("a.csv", sheet([result(rfv=205)])))
    assert operator.run("unmatched").stdout == "nothing waits for its field\n"
    assert operator.run("rejected").stdout == "nothing waits to be corrected\n"


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
    assert told["told"] == told["farm_start_median"]

    table = operator.run("outlook", "--farm", "plum bottom").stdout
    assert "North" in table and "Ridge" not in table

    cut = operator.run("cut", "North", "--farm", "Plum Bottom", "--on", iso())
    assert f"North: cutting 1 taken on {iso()}; cutting 2 is open" in cut.stdout
    twice = operator.run("cut", "North", "--farm", "Plum Bottom", "--on", iso())
    assert twice.returncode == 1
    assert "give a later date" in twice.stderr


def line(operator: Command, field: str) -> dict[str, object]:
    lines = operator.json("outlook")
    assert isinstance(lines, list)
    [found] = [one for one in lines if one["field"] == field]
    return found


def test_wrong_cut_is_refused_or_taken_back(operator: Command) -> None:
    taken(operator, "today.csv", sheet([result(rfv=205)]))
    operator.run("outlook")
    for day, words in ((iso(3), "has not come yet"), (iso(-400), "before this season")):
        refused = operator.run("cut", "North", "--on", day)
        assert refused.returncode == 1
        assert words in refused.stderr
    assert operator.run("cut", "North", "--on", iso()).returncode == 0
    assert (line(operator, "North")["cutting"], line(operator, "North")["results"]) == (2, 0)
    both = operator.run("cut", "North", "--undo", "--on", iso())
    assert both.returncode == 1
    assert "not both" in both.stderr
    undone = operator.run("cut", "North", "--undo")
    assert f"the cut of {iso()} is taken back; cutting 1 is open again" in undone.stdout
    assert (line(operator, "North")["cutting"], line(operator, "North")["results"]) == (1, 1)
    again = operator.run("cut", "North", "--undo")
    assert again.returncode == 1
    assert "nothing to undo" in again.stderr


def test_cut_far_ahead_of_the_range_names_the_option_that_records_it(operator: Command) -> None:
    taken(operator, "today.csv", sheet([result(rfv=205)]))
    operator.run("outlook")
    with closing(sqlite3.connect(operator.folder / "cutcall.db")) as database, database:
        database.execute("UPDATE field_outlook SET start_p10 = ?", [iso(11)])
    refused = operator.run("cut", "North", "--on", iso())
    assert refused.returncode == 1
    assert f"not expected to be ready before {iso(11)}" in refused.stderr
    assert "if it is right, give --early" in refused.stderr
    assert operator.run("cut", "North", "--on", iso(), "--early").returncode == 0


def test_closed_field_is_gone_until_it_is_enrolled_again(operator: Command) -> None:
    closed = operator.run("close", "closed piece", "--farm", "Plum Bottom")
    assert "enrol it again to open it" in closed.stdout
    assert "Closed Piece" not in operator.run("outlook").stdout
    operator.run("enrol", "roster.csv")
    assert "Closed Piece" in operator.run("outlook").stdout


def test_outlook_of_an_unknown_farm_names_those_there_are(operator: Command) -> None:
    done = operator.run("outlook", "--farm", "Nope")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "no farm 'Nope' has open fields" in done.stderr
    for known in ("Plum Bottom", "Quote Farm", "Brook Farm"):
        assert known in done.stderr
    table = operator.run("outlook", "--farm", "PLUM-bottom").stdout
    assert "North" in table and "Ridge" not in table
    assert " to " not in table  # nothing is known yet


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
    "misspelt": ({"CUTCALL_WEBPORT": "80"}, ("CUTCALL_WEBPORT", "did you mean CUTCALL_WEB_PORT")),
    "public address": (
        {"CUTCALL_PUBLIC_URL": "https://cutcall.example.org"},
        ("CUTCALL_SECRET", "CUTCALL_PUBLIC_URL"),
    ),
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
