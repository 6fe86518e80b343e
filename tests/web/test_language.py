"""Every sentence a farmer may read on a page is there in both languages."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from babel.messages.pofile import read_po
from jinja2 import Environment

from alerts.web import language
from alerts.web.language import LOCALE, chosen, translations
from alerts.web.pages import TEMPLATES

SPANISH = sorted((LOCALE / "es").glob("*.po"))
PLACEHOLDER = re.compile(r"%\((\w+)\)[sd]|%%|%")


def sentences() -> dict[str, str]:
    """Sentences marked in the templates, with the template that first says each."""
    environment = Environment(extensions=["jinja2.ext.i18n"], autoescape=True)
    found: dict[str, str] = {}
    for path in sorted(TEMPLATES.glob("*.html")):
        for _, _, said in environment.extract_translations(path.read_text(encoding="utf-8")):
            for sentence in said if isinstance(said, tuple) else (said,):
                if sentence:
                    found.setdefault(sentence, path.name)
    return found


def in_spanish() -> dict[str, tuple[str, str]]:
    """Sentences of the .po files: Spanish and the file."""
    found: dict[str, tuple[str, str]] = {}
    for path in SPANISH:
        with path.open("rb") as source:
            for message in read_po(source):
                if not message.id:
                    continue
                pair = (
                    zip(message.id, message.string, strict=True)
                    if isinstance(message.id, tuple)
                    else [(message.id, message.string)]
                )
                found |= {english: (spanish, path.name) for english, spanish in pair}
    return found


def in_code() -> str:
    """Source of the modules whose sentences are translated when they are shown."""
    package = Path(language.__file__).parents[1]
    return "\n".join(
        path.read_text(encoding="utf-8")
        for folder in ("web", "services", "intake")
        for path in sorted((package / folder).rglob("*.py"))
    )


def test_there_are_sentences_to_look_at() -> None:
    assert len(sentences()) > 15
    assert SPANISH


def test_every_sentence_of_a_page_is_there_in_spanish() -> None:
    known = in_spanish()
    missing = [f"{where}: {said}" for said, where in sentences().items() if said not in known]
    assert missing == []


def test_no_spanish_sentence_is_empty_or_stays_english() -> None:
    same = [
        f"{where}: {english}"
        for english, (spanish, where) in in_spanish().items()
        if not spanish.strip() or (spanish == english and len(english.split()) > 2)
    ]
    assert same == []


def test_spanish_keeps_the_placeholders() -> None:
    wrong = [
        english
        for english, (spanish, _) in in_spanish().items()
        if sorted(PLACEHOLDER.findall(english)) != sorted(PLACEHOLDER.findall(spanish))
    ]
    assert wrong == []


def test_no_spanish_sentence_is_left_over() -> None:
    said, code = sentences(), re.sub(r'"\s*\n\s*f?"', "", in_code())
    stale = [
        f"{where}: {english}"
        for english, (_, where) in in_spanish().items()
        if english not in said and english.rstrip(".")[1:] not in code  # as the code ends it
    ]
    assert stale == []


def test_sentence_without_a_translation_stays_english() -> None:
    assert translations("es").gettext("a sentence nobody wrote") == "a sentence nobody wrote"
    assert translations("en").gettext("Stop messages") == "Stop messages"
    assert translations("es").gettext("Stop messages") == "Terminar los mensajes"


@pytest.mark.parametrize(
    ("said", "header", "expected"),
    [
        ("", "", "en"),
        ("es", "en-US,en;q=0.9", "es"),
        ("", "es-MX,es;q=0.9,en;q=0.8", "es"),
        ("", "de-DE,es;q=0.5", "es"),
        ("fr", "", "en"),
        ("../es", "", "en"),
        ("ES", "", "es"),
    ],
)
def test_language_is_what_was_asked_for_else_what_the_browser_prefers(
    said: str, header: str, expected: str
) -> None:
    assert chosen(said, header) == expected
