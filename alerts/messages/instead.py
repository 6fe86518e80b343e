"""The email that stands in for a text which does not reach its number."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from alerts.domain.decision import Kind
from alerts.messages.letters import Letter
from alerts.messages.plain_text import wrapped
from alerts.messages.segments import clean
from alerts.messages.templates import Templates

DIGITS_SHOWN = 4
"""As much of the number as its owner knows it by."""


class Why(StrEnum):
    """Why a text goes by email instead."""

    LOST = "lost"  # it did not arrive
    STUCK = "stuck"  # the gateway does not take it
    UNCLEAR = "unclear"  # nobody knows whether the gateway took it


@dataclass(frozen=True, slots=True)
class Instead:
    """A text, and what the email in its place says besides."""

    kind: Kind
    farm: str  # "" where it is about none
    start_on: date | None
    subject: str  # "" where texts of the kind have none
    text: str
    text_mark: str
    number: str
    why: Why
    mark: str
    page_url: str = ""
    sampler: bool = False  # the page is that of a sampler
    unsubscribe_url: str = ""


def instead_email(templates: Templates, language: str, told: Instead) -> Letter:
    """The words of the text first, then one sentence on what became of it and what to check."""
    words = templates.wording(language)
    values = {
        "kind": told.kind.value,
        "farm": " ".join(told.farm.split()),
        "start": words.full_day(told.start_on) if told.start_on else "",
        "subject": " ".join(told.subject.split()),
        "said": _said(templates, language, told),
        "why": told.why.value,
        "ending": told.number[-DIGITS_SHOWN:],
        "page_url": told.page_url,
        "sampler": told.sampler,
        "unsubscribe_url": told.unsubscribe_url,
    }
    subject, _, text = templates.fill("instead_email.txt", language, values).strip().partition("\n")
    return Letter(
        subject=subject.strip(),
        text=f"{wrapped(text.strip())}\n{told.mark}\n",
        html=templates.fill("instead_email.html", language, values),
    )


def _said(templates: Templates, language: str, told: Instead) -> str:
    """The text without its mark, and without how to answer a text."""
    said = told.text.strip().removesuffix(told.text_mark).strip()
    how_to_answer = clean(" ".join(templates.fill("first_text.txt", language, {}).split()))
    return said.removesuffix(how_to_answer).strip()
