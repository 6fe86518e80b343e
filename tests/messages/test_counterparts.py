"""Everything that goes out in English also exists in Spanish, and asks for the same values."""

from __future__ import annotations

import tomllib

import pytest
from jinja2 import Environment
from jinja2.meta import find_undeclared_variables

from alerts.configfiles import shipped_config_dir
from alerts.domain.records import HarvestMethod
from alerts.messages.templates import Templates
from alerts.messages.words import placeholders, read_words

MESSAGES = shipped_config_dir() / "messages"
LANGUAGES = ("en", "es")


def files_of(language: str) -> set[str]:
    return {path.name for path in (MESSAGES / language).iterdir()}


def test_every_english_file_has_a_spanish_one_and_the_other_way_round() -> None:
    assert files_of("en") == files_of("es")


def asked_for(language: str, name: str) -> set[str]:
    source = (MESSAGES / language / name).read_text(encoding="utf-8")
    return set(find_undeclared_variables(Environment(autoescape=True).parse(source)))


@pytest.mark.parametrize("name", sorted(n for n in files_of("en") if not n.endswith(".toml")))
def test_spanish_template_asks_for_what_the_english_one_does(name: str) -> None:
    assert asked_for("es", name) == asked_for("en", name)


def test_every_english_phrase_has_a_spanish_one_with_the_same_placeholders() -> None:
    english, spanish = (read_words(MESSAGES / lang / "words.toml") for lang in LANGUAGES)
    assert english.keys() == spanish.keys()
    for entry in english:
        # 'month' of a range inside one month, and so on: all that is given is used.
        assert placeholders(english[entry]) == placeholders(spanish[entry]), entry


def test_every_english_caution_has_a_spanish_one() -> None:
    english, spanish = (
        tomllib.loads((MESSAGES / lang / "cautions.toml").read_text(encoding="utf-8"))
        for lang in LANGUAGES
    )
    assert english.keys() == spanish.keys()
    assert english["text"].keys() == spanish["text"].keys()
    for name in english.keys() - {"text"}:
        assert len(english[name]) == len(spanish[name]), name


def test_spanish_hay_caution_keeps_the_published_temperatures(templates: Templates) -> None:
    # The figures of test_templates.py; in degrees Celsius (150 - 32) / 1.8 = 65.6 and 79.4.
    (own,) = templates.cautions("es", HarvestMethod.DRY_HAY)[3:]
    assert "150 F (66 C)" in own
    assert "175 F (79 C)" in own
    assert "bomberos" in own
