"""Reads the words of one language from its ``words.toml``, and checks that none is missing."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from string import Formatter

from alerts.domain.errors import ConfigurationError


def read_words(path: Path, like: Mapping[str, str] | None = None) -> Mapping[str, str]:
    """Every entry of the file as 'table.entry'; the words of a list as 'table.entry.0' and so on.

    ``like`` holds the entries there have to be. ConfigurationError names the file and the first
    entry that is missing, cannot be filled in, or asks for a value that nobody gives it.
    """
    words = dict(_flat("", _read_toml(path)))
    for entry, phrase in words.items():
        if not isinstance(phrase, str):
            raise ConfigurationError(f"{path}: {entry} is not a text; put it into quotes")
    found = {entry: str(phrase) for entry, phrase in words.items()}
    for entry, phrase in (like or {}).items():
        _check(path, entry, found, phrase)
    return found


def _read_toml(path: Path) -> Mapping[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{path}: not valid TOML ({error}); mend that line") from error


def _flat(prefix: str, value: object) -> Iterator[tuple[str, object]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(f"{prefix}.{key}" if prefix else str(key), inner)
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _flat(f"{prefix}.{place}", inner)
    else:
        yield prefix, value


def _check(path: Path, entry: str, found: Mapping[str, str], like: str) -> None:
    if entry not in found:
        raise ConfigurationError(
            f"{path}: {entry} is missing; add it, as the shipped file has it in English: '{like}'"
        )
    known = placeholders(like)
    try:
        strange = sorted(placeholders(found[entry]) - known)
    except ValueError as error:
        raise ConfigurationError(
            f"{path}: {entry}: {error}; write a placeholder as {{name}}"
        ) from error
    if strange:
        raise ConfigurationError(
            f"{path}: {entry}: no value is called '{', '.join(strange)}'; "
            f"use {', '.join(sorted(known)) or 'none'}"
        )


def placeholders(phrase: str) -> frozenset[str]:
    """Names in {} that a phrase wants filled in.

    ValueError where a bracket is left open, or holds more than a name.
    """
    names = set()
    for _, name, form, conversion in Formatter().parse(phrase):
        if form or conversion:
            raise ValueError(f"'{name}' has more than a name in its brackets")
        if name is not None:
            names.add(name)
    return frozenset(names)
