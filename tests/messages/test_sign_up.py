from __future__ import annotations

from datetime import date

import pytest

from alerts.messages.segments import count, is_gsm7
from alerts.messages.sign_up import (
    Page,
    confirm_email,
    confirm_text,
    consent_wording,
    new_link_email,
    welcome_email,
    welcome_text,
)
from alerts.messages.templates import Templates

URL = "https://cutcall.example.org/farm/12.6Ro-FuWwIOdl5U9VSwz1GnsaV2o"
FARMS = ("Plum Bottom", "Señor Núñez & Sons of the Upper Valley", "🐄 Muuh", "x" * 40)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("farm", FARMS)
def test_texts_fit_two_parts_of_gsm7_and_end_with_their_mark(
    templates: Templates, language: str, farm: str
) -> None:
    for text in (
        confirm_text(templates, language, "#K7Q2B").text,
        welcome_text(templates, language, farm, URL, "#K7Q2B").text,
        welcome_text(templates, language, farm, "", "#K7Q2B").text,
    ):
        assert is_gsm7(text)
        assert count(text).parts <= 2
        assert text.endswith(" #K7Q2B")
        assert "STOP" in text


def test_welcome_holds_the_whole_link(templates: Templates) -> None:
    for farm in FARMS:
        assert URL in welcome_text(templates, "es", farm, URL, "#K7Q2B").text
        assert URL in welcome_email(templates, "es", farm, URL, "#K7Q2B").text


@pytest.mark.parametrize("language", ["en", "es"])
def test_wording_names_sender_frequency_rates_and_how_to_stop(
    templates: Templates, language: str
) -> None:
    """What has to be shown before the box: CTIA, 2023, Messaging Principles and Best Practices."""
    wording = consent_wording(templates, language)
    assert "\n" not in wording
    assert "Cutcall" in wording
    assert "STOP" in wording
    said = {
        "en": ("at most one message a day", "Msg & data rates may apply", "need not agree"),
        "es": ("como máximo un mensaje al día", "tarifas de mensajes y datos", "No tengo que"),
    }
    assert all(words in wording for words in said[language])


@pytest.mark.parametrize("language", ["en", "es"])
def test_email_keeps_markup_and_line_breaks_of_a_name_harmless(
    templates: Templates, language: str
) -> None:
    farm = '<img src=x>\r\nBcc: all@example.org "Plum"'
    letter = confirm_email(templates, language, farm, URL, date(2027, 5, 12), "#K7Q2B")
    assert "<img" not in letter.html
    assert "&lt;img" in letter.html
    assert "\n" not in letter.subject
    assert "\r" not in letter.subject
    assert URL in letter.text
    assert URL in letter.html


def test_new_link_email_names_every_page(templates: Templates) -> None:
    pages = [Page("Plum Bottom", f"{URL}1"), Page("Clients", f"{URL}2")]
    text = new_link_email(templates, "en", pages, "#K7Q2B").text
    assert f"Plum Bottom: {URL}1\n" in text
    assert f"Clients: {URL}2\n" in text
