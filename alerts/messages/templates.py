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

from alerts.domain.errors import ConfigurationError
from alerts.domain.records import HarvestMethod

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

    def fill(self, name: str, language: str, values: Mapping[str, object]) -> str:
        try:
            template = self._environment.select_template(
                [f"{language}/{name}", f"{FALLBACK_LANGUAGE}/{name}"]
            )
            return template.render(values)
        except TemplateError as error:
            raise ConfigurationError(
                f"message template {name}: {error}; mend it or take it out of your config folder"
            ) from error

    def cautions(self, language: str, method: HarvestMethod) -> tuple[str, ...]:
        """Cautions for an email about this way of harvesting."""
        table = self._cautions(language)
        return (*_strings(table.get("all")), *_strings(table.get(method.value)))

    def text_caution(self, language: str, method: HarvestMethod) -> str:
        """The short caution a text carries, "" for methods without one."""
        short = self._cautions(language).get("text")
        found = short.get(method.value, "") if isinstance(short, Mapping) else ""
        return found if isinstance(found, str) else ""

    def _cautions(self, language: str) -> Mapping[str, object]:
        for folder in (language, FALLBACK_LANGUAGE):
            for place in self._places:
                path = place / folder / "cautions.toml"
                if path.is_file():
                    return _read(path)
        raise ConfigurationError("no file messages/en/cautions.toml; copy the shipped one")


def _read(path: Path) -> Mapping[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"{path}: not valid TOML ({error}); mend that line") from error


def _strings(value: object) -> tuple[str, ...]:
    return tuple(v for v in value if isinstance(v, str)) if isinstance(value, list) else ()
