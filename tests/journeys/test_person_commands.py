"""What a person may ask for, on the command line."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from operators import Command, put_operator

PHONE = "+12025550145"  # of Quote Farm


@pytest.fixture
def operator(tmp_path: Path) -> Command:
    return put_operator(tmp_path)


def test_person_is_exported_then_forgotten(operator: Command) -> None:
    done = operator.run("person", "export", PHONE)
    assert done.returncode == 0, done.stderr
    assert [one["name"] for one in json.loads(done.stdout)["farms"]] == ["Quote Farm"]
    done = operator.run("person", "forget", PHONE, "--yes")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("forgotten: 1 name(s), 1 farm(s)")
    assert "kept: 1 address(es) among the stopped" in done.stdout
    after = json.loads(operator.run("person", "export", PHONE).stdout)
    assert (after["people"], after["farms"]) == ([], [])
    assert [one["address"] for one in after["opt_outs"]] == [PHONE]


def test_export_to_a_file_is_for_nobody_else_and_overwrites_nothing(operator: Command) -> None:
    done = operator.run("person", "export", PHONE, "--file", "ada.json")
    assert (done.returncode, done.stdout) == (0, "")
    assert "personal data" in done.stderr
    file = operator.folder / "ada.json"
    assert file.stat().st_mode & 0o077 == 0
    assert json.loads(file.read_text(encoding="utf-8"))["about"] == PHONE
    again = operator.run("person", "export", PHONE, "--file", "ada.json")
    assert again.returncode == 1
    assert "cannot write ada.json: File exists" in again.stderr


@pytest.mark.parametrize(("answer", "forgotten"), [("n\n", False), ("", False), ("y\n", True)])
def test_forgetting_is_asked_first(operator: Command, answer: str, forgotten: bool) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "alerts", "person", "forget", PHONE],
        cwd=operator.folder,
        env=operator.full_environment({}),
        input=answer,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "with 1 farm(s)" in done.stdout
    assert done.returncode == (0 if forgotten else 1)
    held = json.loads(operator.run("person", "export", PHONE).stdout)
    assert bool(held["people"]) is not forgotten


@pytest.mark.parametrize(
    ("who", "words"),
    [("+12025550199", "nothing is kept about +12025550199"), ("Ada", "neither a phone nor")],
)
@pytest.mark.parametrize("what", ["export", "forget"])
def test_wrong_address_gives_one_sentence(
    operator: Command, what: str, who: str, words: str
) -> None:
    done = operator.run("person", what, who)
    assert done.returncode == 1
    assert done.stderr.startswith("cutcall: ") and words in done.stderr
    assert done.stderr.count("\n") == 1
