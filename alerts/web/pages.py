"""Filling page templates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from functools import lru_cache
from gettext import NullTranslations
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from starlette.responses import HTMLResponse

from alerts.messages.templates import Templates
from alerts.web.language import ENGLISH, LANGUAGES, translations

TEMPLATES = Path(__file__).parent / "templates"

PRIVATE = {"Cache-Control": "no-store", "Referrer-Policy": "no-referrer"}
"""Of pages behind a link: neither kept by the browser nor given away to other sites."""


SENTENCES_KEPT = 2048
DAYS_KEPT = 512
"""Sentences and days of a language, which every page says again."""


class Pages:
    """Makes responses of ``web/templates``.

    In a template, ``_('...')`` is the sentence in the page's language, ``words`` its wording of
    dates and numbers (`messages.wording.Wording`), ``language`` its code.
    """

    def __init__(self, messages: Templates) -> None:
        self._messages = messages
        self._environments: dict[str, Environment] = {}

    def show(
        self,
        name: str,
        language: str = ENGLISH,
        *,
        status: int = 200,
        headers: Mapping[str, str] = PRIVATE,
        **values: object,
    ) -> HTMLResponse:
        return HTMLResponse(
            self.fill(name, language, **values), status_code=status, headers=dict(headers)
        )

    def fill(self, name: str, language: str = ENGLISH, **values: object) -> str:
        if language not in self._environments:
            self._environments[language] = self._environment(language)
        return self._environments[language].get_template(name).render(values)

    def _environment(self, language: str) -> Environment:
        environment = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=select_autoescape(default=True, default_for_string=True),
            undefined=StrictUndefined,
            auto_reload=False,
            extensions=["jinja2.ext.i18n"],
            trim_blocks=True,
            lstrip_blocks=True,
        )
        found = translations(language)
        environment.install_gettext_callables(  # type: ignore[attr-defined]
            found.gettext, found.ngettext, newstyle=True
        )
        environment.globals["_"] = _sayer(found)
        words = self._messages.wording(language)
        environment.globals |= {"words": words, "language": language, "languages": LANGUAGES}
        environment.filters |= {
            "day": _kept_days(words.full_day),
            "short_day": _kept_days(words.short_day),
            "number": words.number,
            "percent": words.percent,
        }
        return environment


def _sayer(found: NullTranslations) -> Callable[..., Markup]:
    """What the library's own gettext does, which looks each sentence up anew, a hundred a page.

    As there, the sentence is a template's own, and what is filled in is escaped.
    """

    def sentence(english: str) -> Markup:
        return Markup(found.gettext(english))  # noqa: S704

    @lru_cache(SENTENCES_KEPT)
    def plain(english: str) -> Markup:
        return sentence(english) % {}

    def say(english: str, /, **values: object) -> Markup:
        return sentence(english) % values if values else plain(english)

    return say


def _kept_days(write: Callable[[date], str]) -> Callable[[object], str]:
    kept = lru_cache(DAYS_KEPT)(write)
    return lambda day: kept(day) if isinstance(day, date) else ""
