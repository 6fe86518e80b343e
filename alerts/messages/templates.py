"""Message templates: plain text and HTML, from the operator's folder or the shipped one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from jinja2 import (
    ChoiceLoader,
    Environment,
    FileSystemLoader,
    StrictUndefined,
    TemplateError,
    select_autoescape,
)
from jinja2.meta import find_undeclared_variables

from alerts.domain.errors import ConfigurationError
from alerts.domain.records import HarvestMethod
from alerts.messages.wording import ENGLISH, Wording
from alerts.messages.words import read_words

FALLBACK_LANGUAGE = "en"


class Templates:
    """Fills ``messages/<language>/<name>``; a language without that file falls back to English.

    ``places`` are config folders, the operator's first. Autoescaping is on for .html, and a
    placeholder nobody fills is an error rather than a hole in a text.
    """

    def __init__(self, places: Sequence[Path]) -> None:
        self._places = [place / "messages" for place in places]
        self._environment = Environment(
            loader=ChoiceLoader([FileSystemLoader(place) for place in self._places]),
            autoescape=select_autoescape(enabled_extensions=("html",)),
            undefined=StrictUndefined,
            keep_trailing_newline=False,
        )
        self._wordings: dict[str, Wording] = {}
        self._cautions_of: dict[str, Mapping[str, object]] = {}

    def fill(self, name: str, language: str, values: Mapping[str, object]) -> str:
        try:
            template = self._environment.select_template(
                [f"{language}/{name}", f"{FALLBACK_LANGUAGE}/{name}"]
            )
            return template.render(values)
        except Exception as error:  # an operator's template may do anything wrong
            raise _broken(f"{language}/{name}", error) from error

    def wording(self, language: str) -> Wording:
        """The words of a language, of English where it has none.

        ConfigurationError names the first entry that an edited ``words.toml`` lacks.
        """
        if language not in self._wordings:
            self._wordings[language] = self._read_wording(language)
        return self._wordings[language]

    def _read_wording(self, language: str) -> Wording:
        for folder in (language, FALLBACK_LANGUAGE):
            for place in self._places:
                path = place / folder / "words.toml"
                if path.is_file():
                    return Wording(folder, read_words(path, like=ENGLISH.phrases))
        return ENGLISH

    def check(self) -> int:
        """Look through every template, caution and word there is; returns how many files.

        ConfigurationError names the first that cannot be read, that has a placeholder which no
        shipped template has, or that lacks a word.
        """
        known = {name for path in _files(self._places[-1]) for name in self._placeholders(path)}
        found = [path for place in self._places for path in _files(place)]
        for path in found:
            if strange := sorted(self._placeholders(path) - known):
                raise ConfigurationError(
                    f"message template {path}: no value is called {', '.join(strange)}; "
                    f"use {', '.join(sorted(known))}"
                )
        cautions = [path for place in self._places for path in place.glob("*/cautions.toml")]
        for path in cautions:
            _read(path)
        words = [path for place in self._places for path in place.glob("*/words.toml")]
        for path in words:
            read_words(path, like=ENGLISH.phrases)
        return len(found) + len(cautions) + len(words)

    def _placeholders(self, path: Path) -> set[str]:
        try:
            parsed = self._environment.parse(path.read_text(encoding="utf-8"))
        except (TemplateError, UnicodeDecodeError) as error:
            raise _broken(str(path), error) from error
        return find_undeclared_variables(parsed)

    def cautions(self, language: str, method: HarvestMethod) -> tuple[str, ...]:
        """Cautions for an email about this way of harvesting."""
        table = self._cautions(language)
        return (*_strings(table.get("all")), *_strings(table.get(method.value)))

    def caution_list(self, language: str, name: str) -> tuple[str, ...]:
        """Cautions of a list of their own, such as for regrowth or for a late cut."""
        return _strings(self._cautions(language).get(name))

    def text_caution(self, language: str, method: HarvestMethod) -> str:
        """The short caution a text carries, "" for methods without one."""
        short = self._cautions(language).get("text")
        found = short.get(method.value, "") if isinstance(short, Mapping) else ""
        return found if isinstance(found, str) else ""

    def _cautions(self, language: str) -> Mapping[str, object]:
        if language not in self._cautions_of:
            self._cautions_of[language] = self._read_cautions(language)
        return self._cautions_of[language]

    def _read_cautions(self, language: str) -> Mapping[str, object]:
        for folder in (language, FALLBACK_LANGUAGE):
            for place in self._places:
                path = place / folder / "cautions.toml"
                if path.is_file():
                    return _read(path)
        raise ConfigurationError("no file messages/en/cautions.toml; copy the shipped one")


def _files(place: Path) -> list[Path]:
    return sorted(path for end in ("txt", "html") for path in place.glob(f"*/*.{end}"))


def _broken(name: str, error: Exception) -> ConfigurationError:
    if isinstance(error, UnicodeDecodeError):
        return ConfigurationError(f"message template {name}: not UTF-8 text; save it as UTF-8")
    return ConfigurationError(
        f"message template {name}: {error}; mend it or take it out of your config folder"
    )


def _read(path: Path) -> Mapping[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{path}: not valid TOML ({error}); mend that line") from error


def _strings(value: object) -> tuple[str, ...]:
    return tuple(v for v in value if isinstance(v, str)) if isinstance(value, list) else ()
