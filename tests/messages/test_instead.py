from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from alerts.domain.decision import NEWS, Kind
from alerts.messages.instead import Instead, Why, instead_email
from alerts.messages.templates import Templates

TOLD = Instead(
    kind=Kind.COMING,
    farm="Plum Bottom",
    start_on=date(2027, 5, 13),
    subject="",
    text="Cutcall Plum Bottom: start cutting about Thu May 13. #K7Q2B",
    text_mark="#K7Q2B",
    number="+12025550143",
    why=Why.LOST,
    mark="#WXYZ2",
    page_url="https://cutcall.example.org/farm/2.abc",
    unsubscribe_url="https://cutcall.example.org/stop/abc",
)


@pytest.mark.parametrize("kind", sorted(NEWS))
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_kind_has_a_subject_of_one_line(
    templates: Templates, language: str, kind: Kind
) -> None:
    letter = instead_email(templates, language, replace(TOLD, kind=kind, farm="Plum\nBottom"))
    end = {
        "en": "(by email instead of a text)",
        "es": "(por correo en lugar de un mensaje de texto)",
    }
    assert letter.subject.endswith(f" {end[language]}")
    assert "\n" not in letter.subject
    assert len(letter.subject.removesuffix(end[language]).strip()) > 10


@pytest.mark.parametrize("why", list(Why))
@pytest.mark.parametrize("language", ["en", "es"])
def test_both_forms_say_the_same_without_a_key_to_the_number(
    templates: Templates, language: str, why: Why
) -> None:
    letter = instead_email(templates, language, replace(TOLD, why=why))
    for form in (letter.text, letter.html):
        assert form.index("start cutting about Thu May 13.") < form.index("0143")
        assert TOLD.page_url in form
        assert TOLD.unsubscribe_url in form
        assert "#K7Q2B" not in form
        assert "2025550143" not in form
    assert letter.text.endswith("\n#WXYZ2\n")


def test_only_what_the_owner_can_help_is_asked_to_be_checked(templates: Templates) -> None:
    said = {
        why: " ".join(instead_email(templates, "en", replace(TOLD, why=why)).text.split())
        for why in Why
    }
    assert "check that the phone is on" in said[Why.LOST]
    assert "nothing you need to check" in said[Why.STUCK]
    assert "Whether it arrived is not known" in said[Why.UNCLEAR]


def test_lines_without_pages_are_left_out(templates: Templates) -> None:
    letter = instead_email(templates, "en", replace(TOLD, page_url="", unsubscribe_url=""))
    assert "http" not in letter.text
    assert "href" not in letter.html
    assert "\n\n\n" not in letter.text


def test_markup_of_a_name_stays_text(templates: Templates) -> None:
    letter = instead_email(templates, "en", replace(TOLD, text="Cutcall <b>: start. #K7Q2B"))
    assert "&lt;b&gt;" in letter.html
