"""The compose file: as the Compose Specification has it, and every command in it works.

The schema is the one of the Compose Specification (The Compose Specification authors, 2025,
"Compose Specification", compose-spec.json, Apache License 2.0), as the package check-jsonschema
carries it.
"""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path
from socket import socket

import pytest
import yaml
from jsonschema import Draft202012Validator

from alerts.settings import PREFIX, Settings

ROOT = Path(__file__).parent.parent
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict] = COMPOSE["services"]  # type: ignore[type-arg]
OURS = {name: one for name, one in SERVICES.items() if one.get("command", [""])[0] == "cutcall"}
PATIENCE_S = 40.0
JOBS = {"ticker": "intake", "evaluator": "evaluation", "sender": "sending"}
"""A job that shows each worker at work."""


def schema() -> Draft202012Validator:
    text = files("check_jsonschema.builtin_schemas").joinpath("vendor/compose-spec.json")
    return Draft202012Validator(json.loads(text.read_text(encoding="utf-8")))


def test_file_is_as_the_specification_has_it() -> None:
    assert [error.message for error in schema().iter_errors(COMPOSE)] == []


def test_schema_sees_a_misspelt_key() -> None:
    """The check above proves something only if it can fail."""
    wrong = {**COMPOSE, "services": {**SERVICES, "web": {**SERVICES["web"], "restarts": "no"}}}
    [error] = schema().iter_errors(wrong)
    assert "restarts" in error.message


def test_every_part_of_the_work_has_its_processes() -> None:
    parts = {
        one["command"][-1]: one.get("deploy", {}).get("replicas", 1)
        for name, one in OURS.items()
        if name != "single"
    }
    assert parts == {"web": 1, "ticker": 2, "evaluator": 2, "sender": 2}
    assert OURS["single"]["command"] == ["cutcall", "serve"]
    assert OURS["single"]["profiles"] == ["single"]


def test_names_lead_somewhere() -> None:
    for name, one in SERVICES.items():
        for other, how in one.get("depends_on", {}).items():
            assert other in SERVICES, f"{name} waits for {other}"
            if how["condition"] == "service_healthy":
                assert "healthcheck" in SERVICES[other], f"{name} waits for a check of {other}"
            assert "profiles" not in SERVICES[other], f"{name} waits for what is not started"
        for volume in one.get("volumes", []):
            assert volume.split(":")[0] in COMPOSE["volumes"], f"{name} mounts {volume}"


def test_variables_are_settings_and_no_secret_is_written_down() -> None:
    known = {f"{PREFIX}{field.upper()}" for field in Settings.model_fields}
    for name, one in SERVICES.items():
        for variable, value in one.get("environment", {}).items():
            if variable.startswith(PREFIX):
                assert variable in known, f"{name} sets {variable}"
            if re.search("SECRET|PASSWORD|TOKEN", variable):
                assert re.fullmatch(r"\$\{\w+:-\}", value), f"{name}: {variable} is written down"
        url = one.get("environment", {}).get("CUTCALL_DATABASE_URL", "")
        assert not re.search(r"://[^/@]*:[^/@]*@", url), f"{name} has a password in its address"


def test_only_the_web_pages_are_published_and_on_this_machine_alone() -> None:
    published = {name: one["ports"] for name, one in SERVICES.items() if "ports" in one}
    assert published == {"web": ["127.0.0.1:8080:8080"], "single": ["127.0.0.1:8080:8080"]}


def test_parts_share_one_database_server_and_wait_until_it_answers() -> None:
    host = {
        re.search(r"@([\w-]+)/", one["environment"]["CUTCALL_DATABASE_URL"]).group(1)  # type: ignore[union-attr]
        for name, one in OURS.items()
        if name != "single"
    }
    assert host == {"database"}
    for name, one in OURS.items():
        if name != "single":
            assert one["depends_on"]["database"] == {"condition": "service_healthy"}
        assert one["restart"] == "unless-stopped"
        assert one["stop_grace_period"]


def test_image_brings_what_postgresql_needs() -> None:
    dockerfile = (ROOT / ".ci" / "Dockerfile").read_text(encoding="utf-8")
    assert re.search(r"pip install .*'\.\[postgres\]'", dockerfile)
    assert {one["build"]["dockerfile"] for one in OURS.values()} == {".ci/Dockerfile"}


# ----------------------------------------------------------------- every command


def free_port() -> int:
    with socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def surroundings(name: str, folder: Path, port: int) -> dict[str, str]:
    """The environment of a service, but for where things are on this machine."""
    given = OURS[name]["environment"]
    environment = {key: value for key, value in os.environ.items() if not key.startswith(PREFIX)}
    environment |= {key: str(value) for key, value in given.items() if key != "PGPASSWORD"}
    return environment | {
        "CUTCALL_DATABASE_URL": f"sqlite:///{folder / 'cutcall.db'}",
        "CUTCALL_INBOX_DIR": str(folder / "inbox"),
        "CUTCALL_WEB_PORT": str(port),
        "CUTCALL_SECRET": "a secret for the tests only",
        "CUTCALL_SMTP_HOST": "127.0.0.1",
    }


@contextmanager
def running(name: str, folder: Path, port: int) -> Iterator[subprocess.Popen[str]]:
    """The command of a service in its surroundings."""
    environment = surroundings(name, folder, port)
    command = [sys.executable, "-m", "alerts", *OURS[name]["command"][1:]]
    log = folder / "log"
    with log.open("w", encoding="utf-8") as out:
        process = subprocess.Popen(command, cwd=folder, env=environment, stdout=out, stderr=out)
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def wait_until(happened: Callable[[], bool], folder: Path) -> None:
    until = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < until, (folder / "log").read_text(encoding="utf-8")
        time.sleep(0.2)


def is_healthy(name: str, folder: Path, port: int) -> bool:
    """What the file's own health check says, run beside the process as it would be there."""
    [_, program, *words] = OURS[name]["healthcheck"]["test"]
    modules = {"python": [], "cutcall": ["-m", "alerts"]}
    words = [word.replace(":8080/", f":{port}/") for word in words]
    command = [sys.executable, *modules[program], *words]
    environment = surroundings(name, folder, port)
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True)
    return done.returncode == 0


def has_run(job: str, folder: Path) -> bool:
    try:
        with closing(sqlite3.connect(folder / "cutcall.db")) as connection:
            asked = "SELECT count(*) FROM job_run WHERE name = ? AND ok"
            return bool(connection.execute(asked, [job]).fetchone()[0])
    except sqlite3.OperationalError:  # no tables yet
        return False


@pytest.mark.parametrize("name", sorted(OURS))
def test_command_works_and_ends_when_it_is_told_to(name: str, tmp_path: Path) -> None:
    port = free_port()
    assert not is_healthy(name, tmp_path, port)  # nothing has begun
    with running(name, tmp_path, port) as process:
        wait_until(lambda: is_healthy(name, tmp_path, port), tmp_path)
        if name != "web":
            wait_until(lambda: has_run(JOBS.get(name, "sending"), tmp_path), tmp_path)
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0, (tmp_path / "log").read_text(encoding="utf-8")
