"""What the documents promise is there: commands, settings, modules."""

from __future__ import annotations

import re
import subprocess
from datetime import date, time
from pathlib import Path

import pytest
from factories import Service
from typer.main import get_command

from alerts.cli import app
from alerts.intake.roster import read_roster
from alerts.services.people.enrol import enrol
from alerts.settings import PREFIX, Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_readme_names_every_setting_once_with_its_description() -> None:
    rows = dict(re.findall(r"^\| `(CUTCALL_\w+)` \| (.*?) \|", README, re.M))
    expected = {f"{PREFIX}{n.upper()}": f.description for n, f in Settings.model_fields.items()}
    assert rows == expected


@pytest.mark.parametrize("heading", ["Run it", "Test it"])
def test_readme_gives_one_command_alone_under(heading: str) -> None:
    section = re.search(rf"^## {heading}\n(.*?)(?=^## )", README, re.M | re.S)
    assert section is not None
    blocks = re.findall(r"^```\n(.*?)\n```$", section.group(1), re.M | re.S)
    assert len(blocks) == 1
    assert "\n" not in blocks[0]


def test_commands_named_in_the_readme_exist() -> None:
    named = set(re.findall(r"cutcall ([a-z]+)", README))
    known = set(get_command(app).commands)  # type: ignore[attr-defined]
    assert named - {"demo"} <= known


def example(first_words: str) -> bytes:
    """The block of the README that begins like this."""
    blocks = re.findall(r"^```\n(.*?\n)```$", README, re.M | re.S)
    [block] = [block for block in blocks if block.startswith(first_words)]
    return block.encode()


def test_readme_examples_are_accepted_as_they_stand(service: Service) -> None:
    service.clock.set(date(2026, 5, 12), time(12))
    parsed = read_roster(
        example("farm,field,area,"),
        "roster.csv",
        animal_classes=service.parts.guidelines.animal_classes(),
        defaults=service.parts.roster_defaults(),
    )
    report = enrol(
        service.sessions, parsed, service.parts.guidelines, "roster.csv", service.clock()
    )
    assert (report.farms, report.fields, report.rejected, report.notes) == (1, 2, [], [])
    lab = service.take(example("farm,field,sampled_on,sampled_at,"))
    stems = service.take(example("farm,field,sampled_on,spot,"), "stems.csv")
    for taken in (lab, stems):
        assert (taken.accepted, taken.unmatched, taken.rejected, taken.refusal) == (1, 0, [], "")
    service.evaluate()
    assert service.line("North 40").results == 2
    assert service.line("North 40").start_median is not None


def test_readme_stem_example_has_the_spots_it_asks_for() -> None:
    spots = example("farm,field,sampled_on,spot,").decode().splitlines()[1:]
    assert len(spots) >= 5


def test_every_module_stands_on_the_developers_map() -> None:
    listed = DEVELOPERS[DEVELOPERS.index("## Map") : DEVELOPERS.index("## Import rule")]
    words = set(re.findall(r"\w+", listed))
    modules = {
        path.stem
        for path in (ROOT / "alerts").rglob("*.py")
        if path.stem not in ("__init__", "__main__", "webserver", "gateway", "mailbox", "app")
        and "migrations" not in path.parts
    }
    assert modules <= words


def test_top_level_holds_what_it_should_and_nothing_else() -> None:
    if not (ROOT / ".git").exists():
        pytest.skip("only a checkout knows which files belong to it")
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in tops if not name.startswith(".")} == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "docker-compose.yml",
        "alerts",
        "config",
        "tests",
    }
