"""`cutcall db` as an operator runs it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from operators import Command, put_operator
from two_engines import POSTGRES, NewDatabase


@pytest.fixture
def operator(tmp_path: Path) -> Command:
    return put_operator(tmp_path)


def rows(table: str) -> dict[str, int]:
    """Table and rows as they were printed."""
    return {name: int(count) for name, count in re.findall(r"^(\w+) +(\d+) *$", table, re.M)}


def test_service_moves_to_postgresql_and_its_backup_back(
    operator: Command, new_database: NewDatabase
) -> None:
    url = new_database(POSTGRES)
    copied = operator.run("db", "copy", "sqlite:///cutcall.db", url)
    assert copied.returncode == 0, copied.stderr
    assert rows(copied.stdout).items() >= {"farm": 3, "field": 4, "person": 3}.items()
    assert copied.stdout.endswith("every table has the same rows on both sides\n")

    moved = {"CUTCALL_DATABASE_URL": url}
    before = operator.json("outlook")
    assert operator.json("outlook", **moved) == before
    made = operator.run("db", "backup", "b.db", **moved)
    assert made.returncode == 0, made.stderr
    assert re.search(r"^b\.db: \d+ rows, read back and compared$", made.stdout, re.M)

    back = {"CUTCALL_DATABASE_URL": "sqlite:///back.db"}
    restored = operator.run("db", "restore", "b.db", **back)
    assert restored.returncode == 0, restored.stderr
    assert rows(restored.stdout).items() >= {"farm": 3, "field": 4}.items()
    assert re.search(r"^restored as of \d{4}-\d\d-\d\d \d\d:\d\d UTC; ", restored.stdout, re.M)
    assert "the gateway is asked about each text before it goes out" in restored.stdout
    assert operator.json("outlook", **back) == before


def test_restore_says_what_it_overwrites(operator: Command) -> None:
    assert operator.run("db", "backup", "b.db").returncode == 0
    refused = operator.run("db", "restore", "b.db")
    assert refused.returncode == 1
    assert re.fullmatch(
        r"cutcall: the database is not empty \(rows: .*farm 3.*\); "
        r"give --replace to overwrite it\n",
        refused.stderr,
    )
    done = operator.run("db", "restore", "b.db", "--replace")
    assert done.returncode == 0, done.stderr
    assert re.match(r"overwritten \(rows\): .*farm 3", done.stdout)
    report = operator.json("db", "restore", "b.db", "--replace")
    assert isinstance(report, dict)
    assert report["doubted"] == {"unknown": 0, "emails": 0}


def test_refusals_are_one_sentence(operator: Command) -> None:
    operator.write("words.txt", "farm,field\n")
    for arguments, words in (
        (("copy", "sqlite:///nothing.db", "sqlite:///x.db"), "there is no file nothing.db"),
        (("copy", "sqlite:///cutcall.db", "sqlite:///cutcall.db"), "is not empty"),
        (("copy", "sqlite:///cutcall.db", "nothing"), "cannot use this address; give sqlite:///"),
        (("backup", "words.txt"), "words.txt is there already; give another name"),
        (("restore", "words.txt"), "words.txt is no backup"),
        (("restore", "nothing.db"), "cannot read nothing.db: No such file or directory"),
    ):
        done = operator.run("db", *arguments)
        assert (done.returncode, done.stdout) == (1, ""), arguments
        assert done.stderr.startswith("cutcall: ") and done.stderr.count("\n") == 1
        assert words in done.stderr


def test_backup_is_taken_beside_a_running_service_and_not_restored_into_it(
    operator: Command,
) -> None:
    serving = subprocess.Popen(
        [sys.executable, "-m", "alerts", "serve", "--only", "ticker"],
        cwd=operator.folder,
        env=operator.full_environment({}),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        until = time.monotonic() + 40
        while "runs on the database" not in (
            said := operator.run("db", "restore", "b.db", "--replace").stderr
        ):
            operator.run("db", "backup", "b.db")
            assert time.monotonic() < until, said
        assert said == "cutcall: the service runs on the database; stop all its processes first\n"
        made = operator.run("db", "backup", "second.db", "--json")
        assert made.returncode == 0, made.stderr
        assert {"farm": 3}.items() <= {
            t["name"]: t["rows"] for t in json.loads(made.stdout)
        }.items()
    finally:
        serving.terminate()
        serving.wait(40)
    assert operator.run("db", "restore", "second.db", "--replace").returncode == 0
