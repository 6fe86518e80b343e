"""Words for who signs up: what they agree to, asking for a yes, welcome, a new link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from alerts.messages.letters import MOST_PARTS, NAME_LENGTHS, Letter, fit
from alerts.messages.segments import clean, count
from alerts.messages.templates import Templates
from alerts.messages.wording import one_line, shortened


@dataclass(frozen=True, slots=True)
class Page:
    """A page somebody may open: a farm's name or a role, and its address."""

    name: str
    url: str


def consent_wording(templates: Templates, language: str) -> str:
    """What stands beside the box on the form, kept as evidence exactly so."""
    return " ".join(templates.fill("consent.txt", language, {}).split())


def confirm_text(templates: Templates, language: str, mark: str) -> Letter:
    """Asks for YES by text; who we are, how often, rates, HELP and STOP, as carriers want it.

    Nothing that was typed stands in it: whoever gets it may never have seen the form.
    """
    return Letter(subject="", text=_marked(templates.fill("confirm.txt", language, {}), mark))


def welcome_text(templates: Templates, language: str, farm: str, url: str, mark: str) -> Letter:
    return _text(templates, "welcome.txt", language, farm, {"url": url}, mark)


def _text(
    templates: Templates,
    name: str,
    language: str,
    farm: str,
    values: Mapping[str, object],
    mark: str,
) -> Letter:
    versions = [
        _marked(
            templates.fill(name, language, {**values, "farm": shortened(one_line(farm), longest)}),
            mark,
        )
        for longest in NAME_LENGTHS
    ]
    return Letter(subject="", text=fit(versions))


def new_link_text(templates: Templates, language: str, pages: Sequence[Page], mark: str) -> Letter:
    """As many links as two parts hold, one at least."""
    short = [Page(shortened(one_line(page.name), NAME_LENGTHS[1]), page.url) for page in pages]
    versions = [
        _marked(templates.fill("new_link.txt", language, {"pages": short[:most]}), mark)
        for most in range(len(short), 0, -1)
    ]
    held = [version for version in versions if count(version).parts <= MOST_PARTS]
    return Letter(subject="", text=held[0] if held else versions[-1])


def confirm_email(
    templates: Templates, language: str, farm: str, url: str, until: date, mark: str
) -> Letter:
    values = {
        "farm": single_line(farm),
        "url": url,
        "until": templates.wording(language).full_day(until),
    }
    html = templates.fill("confirm_email.html", language, values)
    return _email(templates, "confirm_email.txt", language, values, mark, html)


def welcome_email(templates: Templates, language: str, farm: str, url: str, mark: str) -> Letter:
    values = {"farm": single_line(farm), "url": url}
    return _email(templates, "welcome_email.txt", language, values, mark)


def new_link_email(templates: Templates, language: str, pages: Sequence[Page], mark: str) -> Letter:
    return _email(templates, "new_link_email.txt", language, {"pages": pages}, mark)


def single_line(name: str) -> str:
    """An email may keep its letters; a line break would end the subject."""
    return " ".join(name.split())


def _email(
    templates: Templates,
    name: str,
    language: str,
    values: Mapping[str, object],
    mark: str,
    html: str = "",
) -> Letter:
    """The first line of the template is the subject."""
    subject, _, text = templates.fill(name, language, values).strip().partition("\n")
    return Letter(subject=subject.strip(), text=f"{text.strip()}\n\n{mark}\n", html=html)


def _marked(text: str, mark: str) -> str:
    return clean(f"{' '.join(text.split())} {mark}")
