"""The import rule, who may commit and who may read the clock, from the syntax trees of `alerts/`.

Imports point down: agronomy < domain < {intake, store, messages, transports, weather, charts,
configfiles, settings}, which never import one another, < services < bootstrap < evaluators <
{web, scheduler} < cli, demo, __main__. The folders of services do so among themselves. Imports
inside functions and under TYPE_CHECKING count too.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "alerts"

SECOND = (
    *("intake", "store", "messages", "transports", "weather", "charts"),
    *("configfiles", "settings"),
)
BELOW: dict[str, tuple[str, ...]] = {
    "agronomy": (),
    "domain": ("agronomy",),
    **dict.fromkeys(SECOND, ("agronomy", "domain")),
    "logs": ("domain",),
    "loopback": (),
    "services": ("agronomy", "domain", *SECOND),
    "bootstrap": ("agronomy", "domain", *SECOND, "services"),
    "web": ("domain", "intake", "messages", "transports", "charts", "services", "bootstrap"),
    "evaluators": ("services", "bootstrap", "settings", "logs"),
    "scheduler": ("domain", "transports", "services", "bootstrap", "evaluators"),
}
SERVICE_LEVELS = (
    # folders of services, and its modules in none: each imports of the levels before its own only
    ("access", "no_cycles"),
    ("delivery", "results"),
    ("outlooks",),
    ("farms",),
    ("people",),
    ("consultants", "samplers", "texts", "operating"),
)
LEVEL_OF = {name: level for level, names in enumerate(SERVICE_LEVELS) for name in names}
TOP = ("backtest", "cli", "demo", "__main__", "__init__")  # may import everything

DOORS = {
    # of these packages, the layers above see only the modules named
    # the sign-up form is read like a roster, a text from the field like a stem sheet
    ("services", "intake"): (
        *("base", "labmap", "parse", "inbound_text"),
        *("roster", "roster_row", "roster_values", "zip_places"),
    ),
    ("services", "transports"): ("base",),
    ("services", "weather"): ("base", "daily_csv"),
    ("web", "intake"): ("payload", "roster"),
    ("web", "messages"): ("wording", "templates", "sheets"),
    ("web", "transports"): ("base", "signatures"),
    ("scheduler", "transports"): ("base",),
}

# Of the standard library, what is pure: no files, no network, no clock, no chance, no logging.
PURE = {
    "__future__",
    "bisect",
    "collections",
    "collections.abc",
    "contextlib",
    "contextvars",  # what the work under way is about, for the log alone (domain.trace)
    "dataclasses",
    "datetime",
    "enum",
    "functools",
    "itertools",
    "math",
    "re",
    "types",
    "typing",
    "unicodedata",
    "zoneinfo",
}
NUMBERS = {
    "numpy",
    "numpy.typing",
    "scipy.special",
    "scipy.stats",  # for fixed quasi-random points
}

ONLY_IN = {
    "sqlmodel": ("store", "services"),
    "sqlalchemy": ("store",),
    "alembic": ("store",),
    "httpx": ("transports", "loopback", "weather"),
    "httpcore": ("transports",),
    "smtplib": ("transports", "loopback"),
    "aiosmtplib": ("transports", "loopback"),
    "aiosmtpd": ("loopback",),
    "apscheduler": ("scheduler",),
    "fastapi": ("web",),
    "starlette": ("web",),
    "jinja2": ("messages", "web"),
    "pydantic_settings": ("settings",),
    "matplotlib": ("charts",),
    "prometheus_client": ("web",),
    "pythonjsonlogger": ("logs",),
    "itsdangerous": ("services",),
    "babel": ("web",),
    "feedgen": ("web",),
    "zipcodes": ("intake", "services"),
    "typer": ("cli", "backtest"),
    "uvicorn": ("cli",),
}

CLOCK_READS = {
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
    ("time", "time"),
    ("time", "time_ns"),
    ("time", "localtime"),
    ("time", "gmtime"),
}


@dataclass(frozen=True)
class Module:
    """One file of the package; `part` is the package or top-level module it belongs to."""

    name: str
    part: str
    tree: ast.Module

    def imports(self) -> Iterator[tuple[str, str, int]]:
        """(module, name taken from it or "", line) of every import, relative ones made whole."""
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                yield from ((alias.name, "", node.lineno) for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                parents = self.name.split(".")[: -node.level] if node.level else []
                source = ".".join([*parents, *filter(None, [node.module])])
                yield from ((source, alias.name, node.lineno) for alias in node.names)

    def own_imports(self) -> Iterator[tuple[str, str, int]]:
        """(part, module within it or "", line) of every import from our own package."""
        for source, name, line in self.imports():
            if source.split(".")[0] == "alerts":
                path = [*source.split("."), name][1:]
                yield path[0], path[1] if len(path) > 1 else "", line


@cache
def modules() -> tuple[Module, ...]:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found.append(Module(".".join(["alerts", *parts]), parts[0], tree))
    return tuple(found)


def module_of(name: str, text: str) -> Module:
    return Module(name, name.split(".")[1], ast.parse(text))


def broken_layers(module: Module) -> list[str]:
    """Imports that do not point down, or come in by another way than the door."""
    if module.part in TOP:
        return []
    allowed = BELOW[module.part]
    found = []
    for part, inner, line in module.own_imports():
        door = DOORS.get((module.part, part))
        if part == module.part or (part in allowed and (door is None or inner in door)):
            continue
        found.append(f"{module.name}:{line} imports {part}.{inner}")
    return found


def broken_service_levels(module: Module) -> list[str]:
    """Imports from a folder of services that stands on the same level or higher."""
    if module.part != "services" or module.name == "alerts.services.__init__":
        return []
    own = module.name.split(".")[2]
    return [
        f"{module.name}:{line} imports {part}.{inner}"
        for part, inner, line in module.own_imports()
        if part == "services" and inner != own and LEVEL_OF[inner] >= LEVEL_OF[own]
    ]


def broken_purity(module: Module) -> list[str]:
    """Imports of agronomy and domain that could touch anything but plain values."""
    if module.part not in ("agronomy", "domain"):
        return []
    return [
        f"{module.name}:{line} imports {source}"
        for source, _, line in module.imports()
        if source.split(".")[0] != "alerts" and source not in PURE | NUMBERS
    ]


def broken_homes(module: Module) -> list[str]:
    """Libraries imported outside their one home; services may name `sqlmodel.Session` only."""
    found = []
    for source, name, line in module.imports():
        top = source.split(".")[0]
        homes = ONLY_IN.get(top)
        if homes is None:
            continue
        names_more = (module.part, top) == ("services", "sqlmodel") and name != "Session"
        if module.part not in homes or names_more:
            found.append(f"{module.name}:{line} imports {source} {name}".rstrip())
    return found


def calls(module: Module) -> Iterator[tuple[str, str, int]]:
    """(what is before the last dot, what is called, line) of every call."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call):
            owner, _, name = ast.unparse(node.func).rpartition(".")
            yield owner, name, node.lineno


OWN_TRANSACTIONS = {
    "alerts.store.session",
    "alerts.store.racing",  # a savepoint inside the caller's transaction
    "alerts.store.copying",  # whole databases, which no service's session is open on
}


def stray_commits(module: Module) -> list[str]:
    if module.name in OWN_TRANSACTIONS:
        return []
    return [
        f"{module.name}:{line} calls {name}"
        for _, name, line in calls(module)
        if name in ("commit", "rollback", "begin", "begin_nested")
    ]


def clock_reads(module: Module) -> list[str]:
    if module.part == "bootstrap":
        return []
    return [
        f"{module.name}:{line} reads the clock"
        for owner, name, line in calls(module)
        if (owner.rpartition(".")[2], name) in CLOCK_READS
    ]


Check = Callable[[Module], list[str]]
CHECKS: list[Check] = [
    *(broken_layers, broken_service_levels, broken_purity),
    *(broken_homes, stray_commits, clock_reads),
]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_package_keeps_the_rule(check: Check) -> None:
    found = [line for module in modules() for line in check(module)]
    assert found == []


def test_every_module_has_its_place() -> None:
    parts = {module.part for module in modules()}
    assert parts - set(TOP) - set(BELOW) == set()
    assert len(modules()) > 60
    folders = {path.stem for path in (PACKAGE / "services").iterdir() if path.stem[0] != "_"}
    assert folders == set(LEVEL_OF)


def test_every_import_is_declared_or_of_the_standard_library() -> None:
    # What is imported but not in pyproject.toml works only by luck.
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8").lower().replace("-", "_")
    comes_with = {
        "sqlalchemy": "sqlmodel",
        "pydantic": "pydantic_settings",
        "starlette": "fastapi",
        "pythonjsonlogger": "python_json_logger",
    }
    for module in modules():
        for source, _, line in module.imports():
            top = source.split(".")[0]
            if top not in sys.stdlib_module_names | {"alerts"}:
                assert f'"{comes_with.get(top, top)}' in project, f"{module.name}:{line} {top}"


# --- the checks see what they look for


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("alerts.agronomy.goals", "from alerts.domain.records import Index"),
        ("alerts.domain.outlook", "from alerts.store import areas"),
        ("alerts.domain.outlook", "import alerts.settings"),
        ("alerts.domain.outlook", "from alerts import settings"),
        ("alerts.domain.outlook", "from ..settings import Settings"),
        ("alerts.domain.outlook", "def f():\n    from alerts.services.consultants import digest"),
        ("alerts.store.areas", "from alerts.intake.base import Source"),
        ("alerts.messages.digest", "from alerts.configfiles import Schedule"),
        ("alerts.settings", "from alerts.configfiles import ConfigDir"),
        ("alerts.services.consultants.digest", "from alerts.bootstrap import Parts"),
        ("alerts.services.consultants.digest", "from alerts.transports.smtp import Smtp"),
        ("alerts.services.consultants.digest", "from alerts.transports import smtp"),
        ("alerts.services.results.accept_results", "from alerts.intake.folder import Folder"),
        ("alerts.web.app", "from alerts.scheduler import Ticker"),
        ("alerts.web.app", "from alerts.store.tables import Farm"),
        ("alerts.scheduler", "from alerts.web.app import build_app"),
        ("alerts.bootstrap", "from alerts.scheduler import Ticker"),
    ],
)
def test_import_that_points_up_or_sideways_is_found(name: str, text: str) -> None:
    assert len(broken_layers(module_of(name, text))) == 1


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("alerts.domain.outlook", "from alerts.agronomy import goals"),
        ("alerts.domain.outlook", "from .records import Index"),
        ("alerts.services.consultants.digest", "from alerts.store.tables import Farm"),
        ("alerts.services.consultants.digest", "from alerts.transports.base import Channel"),
        ("alerts.services.consultants.digest", "from alerts.transports import base"),
        ("alerts.cli", "from alerts.store.outbox import recent"),
    ],
)
def test_import_that_points_down_is_fine(name: str, text: str) -> None:
    assert broken_layers(module_of(name, text)) == []


DISPATCH = "alerts.services.delivery.dispatch"


@pytest.mark.parametrize(
    "text",
    [
        "from alerts.services.outlooks import silence",
        "from alerts.services.results.missing import missing",
        "from alerts.services import texts",
        "import alerts.services.people.enrol",
        "from ..farms.farm_page import FarmPage",
    ],
)
def test_service_that_imports_from_a_folder_beside_or_above_is_found(text: str) -> None:
    assert len(broken_service_levels(module_of(DISPATCH, text))) == 1


@pytest.mark.parametrize(
    "text",
    [
        "from alerts.services.access.links import Role",
        "from alerts.services.delivery import reconcile",
        "from .sending import SendingRules",
        "from alerts.store import outbox",
    ],
)
def test_service_that_imports_from_its_own_folder_or_one_below_is_fine(text: str) -> None:
    assert broken_service_levels(module_of(DISPATCH, text)) == []


@pytest.mark.parametrize(
    "text", ["import os", "import logging", "import time", "import random", "import scipy.io",
             "from pathlib import Path", "from pydantic import BaseModel", "import httpx"]
)  # fmt: skip
@pytest.mark.parametrize("name", ["alerts.agronomy.goals", "alerts.domain.decision"])
def test_impure_import_is_found(name: str, text: str) -> None:
    assert len(broken_purity(module_of(name, text))) == 1


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("alerts.services.consultants.digest", "from sqlmodel import select"),
        ("alerts.services.consultants.digest", "import sqlmodel"),
        ("alerts.services.consultants.digest", "from sqlalchemy import update"),
        ("alerts.services.consultants.digest", "from sqlalchemy.exc import IntegrityError"),
        ("alerts.web.app", "from sqlmodel import Session"),
        ("alerts.services.delivery.dispatch", "import httpx"),
        ("alerts.intake.folder", "import smtplib"),
        ("alerts.bootstrap", "from alembic import command"),
    ],
)
def test_library_outside_its_home_is_found(name: str, text: str) -> None:
    assert len(broken_homes(module_of(name, text))) == 1


def test_session_is_the_one_thing_services_take_from_sqlmodel() -> None:
    assert (
        broken_homes(
            module_of("alerts.services.consultants.digest", "from sqlmodel import Session")
        )
        == []
    )
    assert broken_homes(module_of("alerts.store.areas", "from sqlmodel import col, select")) == []


@pytest.mark.parametrize("text", ["session.commit()", "s.rollback()", "with session.begin(): ..."])
def test_stray_commit_is_found(text: str) -> None:
    assert len(stray_commits(module_of("alerts.services.consultants.digest", text))) == 1
    assert stray_commits(module_of("alerts.store.session", text)) == []


@pytest.mark.parametrize(
    "text",
    [
        "datetime.now(UTC)",
        "datetime.datetime.now()",
        "dt.datetime.utcnow()",
        "date.today()",
        "time.time()",
    ],
)
def test_reading_the_clock_is_found(text: str) -> None:
    assert len(clock_reads(module_of("alerts.services.consultants.digest", text))) == 1
    assert clock_reads(module_of("alerts.bootstrap", text)) == []


@pytest.mark.parametrize("text", ["parts.today()", "local.time()", "moment.date()", "clock()"])
def test_asking_for_a_given_time_is_fine(text: str) -> None:
    assert clock_reads(module_of("alerts.services.consultants.digest", text)) == []
