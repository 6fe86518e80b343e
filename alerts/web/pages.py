"""Filling page templates."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse

from alerts.messages.templates import Templates
from alerts.web.language import ENGLISH, LANGUAGES, translations

TEMPLATES = Path(__file__).parent / "templates"

PRIVATE = {"Cache-Control": "no-store", "Referrer-Policy": "no-referrer"}
"""Of pages behind a link: neither kept by the browser nor given away to other sites."""


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
            extensions=["jinja2.ext.i18n"],
            trim_blocks=True,
            lstrip_blocks=True,
        )
        found = translations(language)
        environment.install_gettext_callables(  # type: ignore[attr-defined]
            found.gettext, found.ngettext, newstyle=True
        )
        words = self._messages.wording(language)
        environment.globals |= {"words": words, "language": language, "languages": LANGUAGES}
        environment.filters |= {
            "day": lambda day: words.full_day(day) if isinstance(day, date) else "",
            "short_day": lambda day: words.short_day(day) if isinstance(day, date) else "",
            "number": words.number,
            "percent": words.percent,
        }
        return environment
