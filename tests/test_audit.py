"""What `.ci/audit.py` makes of a report; `pip-audit` itself is stood in for by a script."""

from __future__ import annotations

import importlib.util
import json
import os
import stat
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "audit.py"
SKIPPED = {"name": "numpy", "skip_reason": "Dependency not found on PyPI and could not be audited"}
SOUND = {"name": "httpx", "version": "1.0", "vulns": []}
HOLED = {
    "name": "jinja2",
    "version": "1.0",
    "vulns": [{"id": "PYSEC-0000-1", "fix_versions": ["1.1"]}, {"id": "X-2", "fix_versions": []}],
}


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    spec = importlib.util.spec_from_file_location("ci_audit", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["ci_audit"] = module
    spec.loader.exec_module(module)
    return module


def test_report_tells_known_from_not_looked_up(audit: ModuleType) -> None:
    found = audit.read_report({"dependencies": [SKIPPED, SOUND, HOLED]})
    assert (found.looked_up, found.unknown) == (2, ("numpy",))
    assert found.lines() == [
        "audit: 2 of 3 packages looked up, 2 holes",
        "audit: could not be looked up: numpy",
        "audit: jinja2 1.0: PYSEC-0000-1, mended in 1.1",
        "audit: jinja2 1.0: X-2, mended in no version yet",
    ]


def run(folder: Path, said: str, *options: str) -> tuple[int, str]:
    """The script with a `pip-audit` that says this."""
    fake = folder / "pip-audit"
    fake.write_text(f"#!{sys.executable}\nprint({said!r})\n", encoding="utf-8")
    fake.chmod(fake.stat().st_mode | stat.S_IXUSR)
    done = subprocess.run(
        [sys.executable, SCRIPT, "pins.txt", *options],
        env={**os.environ, "PATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout


def report(*dependencies: dict[str, Any]) -> str:
    return json.dumps({"dependencies": dependencies, "fixes": []})


def test_hole_fails_the_step(tmp_path: Path) -> None:
    status, said = run(tmp_path, report(SOUND, HOLED))
    assert status == 1
    assert "PYSEC-0000-1" in said


def test_sound_packages_pass(tmp_path: Path) -> None:
    said = "audit: 1 of 1 packages looked up, 0 holes\n"
    assert run(tmp_path, report(SOUND), "--must-know") == (0, said)


def test_nothing_looked_up_is_said_and_fails_where_it_must_be_known(tmp_path: Path) -> None:
    status, said = run(tmp_path, report(SKIPPED))
    assert (status, said.splitlines()[0]) == (0, "audit: 0 of 1 packages looked up, 0 holes")
    assert run(tmp_path, report(SKIPPED), "--must-know")[0] == 2


def test_audit_that_cannot_be_made_is_said_plainly(tmp_path: Path) -> None:
    status, said = run(tmp_path, "no report")
    assert (status, said) == (0, "audit: not done: pip-audit gave no report: it said nothing\n")
    assert run(tmp_path, "[]", "--must-know")[0] == 2
    (tmp_path / "pip-audit").unlink()
    gone = subprocess.run(
        [sys.executable, SCRIPT, "pins.txt", "--must-know"],
        env={**os.environ, "PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert gone.returncode == 2
    assert "not done" in gone.stdout
