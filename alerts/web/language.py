"""Pages in two languages: English sentences stand in the templates, Spanish ones in .po files."""

from __future__ import annotations

import gettext
import io
from collections.abc import Iterable
from functools import cache
from pathlib import Path

LOCALE = Path(__file__).parent / "locale"
ENGLISH = "en"
LANGUAGES = {"en": "English", "es": "Español"}


@cache
def translations(language: str) -> gettext.NullTranslations:
    """The sentences of a language; English, or one we do not have, leaves them as they are."""
    files = sorted((LOCALE / language).glob("*.po"))
    if not files:
        return gettext.NullTranslations()
    return _compiled(files)


def _compiled(files: Iterable[Path]) -> gettext.GNUTranslations:
    # Only who reads Spanish waits for babel.
    from babel.messages.catalog import Catalog
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    whole = Catalog()
    for file in files:
        with file.open("rb") as source:
            for message in read_po(source):
                if message.id:
                    whole[message.id] = message
    compiled = io.BytesIO()
    write_mo(compiled, whole)
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def chosen(said: str, accept_language: str = "") -> str:
    """The language of a page: what was asked for, else what the browser prefers, else English."""
    for wish in (said, *_preferred(accept_language)):
        language = wish.strip().lower().partition("-")[0]
        if language in LANGUAGES:
            return language
    return ENGLISH


def _preferred(accept_language: str) -> list[str]:
    """Languages of the header in their order; weights hardly ever contradict it."""
    return [entry.partition(";")[0] for entry in accept_language.split(",")]
