"""The operator's page: what is under way, what failed, what waits for somebody."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from http import HTTPStatus
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.domain.errors import CutcallError
from alerts.services.access.links import Role
from alerts.services.operating import clock_check, desk, operations
from alerts.services.results.accept_results import settle
from alerts.web.access import visitor
from alerts.web.forms import read_form, text_of
from alerts.web.ids import id_of
from alerts.web.language import ENGLISH
from alerts.web.pages import Pages

STATES = {
    "queued": "waiting to be sent",
    "sending": "being sent",
    "unknown": "outcome unknown",
    "accepted": "taken by the gateway",
    "sent": "passed on by the gateway",
    "delivered": "arrived",
    "undelivered": "not delivered",
    "failed": "refused",
    "expired": "too late to be of use",
    "cancelled": "withdrawn",
}
KINDS = {
    "coming": "start date coming",
    "moved": "start date moved",
    "start": "start now",
    "past": "start date past",
}
CHANNELS = {"sms": "text", "email": "email"}

DONE = {
    "again": "Message {n} says it again; it goes out within the farm's hours.",
    "dismissed": "Taken off the list: {n}.",
    "assigned": "The name is known from now on; waiting results that flow on: {n}.",
    "settled": "Settled: {n}. The document itself is kept.",
    "trusted": "The work goes on by this clock.",
}
"""What the page says after an action; ``n`` is the number the action gave."""

Action = Callable[[Parts, FormData], tuple[str, int]]
"""Does what a form asks for; returns a key of `DONE` and the number it is said with."""


@dataclass(frozen=True, slots=True)
class _Typed:
    """What was typed into a form that did not work out: nothing typed is lost."""

    label: str = ""
    farm_label: str = ""
    said: str = ""


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    @app.get("/operator/{token}")
    def show_desk(token: str, done: str = "", n: int = 0) -> HTMLResponse:
        visitor(parts, Role.OPERATOR, token)
        said = DONE[done].format(n=n) if done in DONE else ""
        return _desk_page(parts, pages, token, said=said)

    @app.get("/operator/{token}/message/{message_id}")
    def show_message(token: str, message_id: str) -> HTMLResponse:
        visitor(parts, Role.OPERATOR, token)
        number = id_of(message_id, "message")
        message = desk.open_message(parts.sessions, number, parts.clock())
        return pages.show("operator_message.html", message=message, say=_Teller(parts, token))

    def add_action(name: str, act: Action) -> None:
        @app.post(f"/operator/{{token}}/{name}")
        async def do(request: Request, token: str) -> Response:
            await run_in_threadpool(visitor, parts, Role.OPERATOR, token)
            form = await read_form(request)
            return await run_in_threadpool(_answer, parts, pages, token, act, form)

    for name, act in ACTIONS.items():
        add_action(name, act)


def _answer(parts: Parts, pages: Pages, token: str, act: Action, form: FormData) -> Response:
    """Do it and lead back to the page; what does not work out is said there."""
    try:
        done, number = act(parts, form)
    except CutcallError as error:
        typed = _Typed(*(text_of(form, name) for name in ("label", "farm_label", "field")))
        return _desk_page(
            parts, pages, token, problem=str(error), typed=typed, status=HTTPStatus.CONFLICT
        )
    query = urlencode({"done": done, "n": number})
    return RedirectResponse(f"/operator/{token}?{query}", HTTPStatus.SEE_OTHER)


def _desk_page(
    parts: Parts,
    pages: Pages,
    token: str,
    *,
    said: str = "",
    problem: str = "",
    typed: _Typed = _Typed(),
    status: int = HTTPStatus.OK,
) -> HTMLResponse:
    every = parts.ticks()
    return pages.show(
        "operator.html",
        status=status,
        desk=desk.look(parts.sessions, every, parts.clock()),
        say=_Teller(parts, token),
        said=said,
        problem=problem,
        typed=typed,
    )


class _Teller:
    """How the templates of this page write moments, states and kinds."""

    states, channels = STATES, CHANNELS

    def __init__(self, parts: Parts, token: str) -> None:
        self.base = f"/operator/{token}"
        self.zone = parts.settings.time_zone
        self._now = parts.clock()
        self._words = parts.templates.wording(ENGLISH)

    def when(self, moment: datetime) -> str:
        local = moment.astimezone(ZoneInfo(self.zone))
        return f"{self._words.short_day(local.date())}, {self._words.clock(local.time())}"

    def moment(self, moment: datetime) -> str:
        """With the year: a clock may be wrong by one."""
        return f"{moment.astimezone(ZoneInfo(self.zone)):%Y-%m-%d %H:%M}"

    def ago(self, moment: datetime) -> str:
        return span(self._now - moment)

    def span(self, length: timedelta) -> str:
        return span(length)

    def kind(self, kind: str) -> str:
        return KINDS.get(kind, kind.replace("_", " "))


def span(length: timedelta) -> str:
    """How long something lasted, to the unit that matters.

    Examples
    --------
    >>> from datetime import timedelta as t
    >>> span(t(seconds=5)), span(t(minutes=90)), span(t(hours=30)), span(t(days=3))
    ('5 s', '90 min', '30 h', '3 days')
    """
    seconds = max(0, round(length.total_seconds()))
    for limit, unit, size in ((120, "s", 1), (2 * 3600, "min", 60), (2 * 86400, "h", 3600)):
        if seconds < limit:
            return f"{seconds // size} {unit}"
    return f"{seconds // 86400} days"


# ------------------------------------------------------------------------- actions


def _number(form: FormData, name: str) -> int:
    said = text_of(form, name)
    if not (said.isascii() and said.isdigit()):
        raise CutcallError(f"the form does not say which {name} is meant; use the page's buttons")
    return id_of(said, name)


def _send_again(parts: Parts, form: FormData) -> tuple[str, int]:
    number = _number(form, "message")
    return "again", operations.send_again(parts.sessions, number, parts.clock())


def _dismiss(parts: Parts, form: FormData) -> tuple[str, int]:
    operations.dismiss(parts.sessions, _number(form, "message"), parts.clock())
    return "dismissed", 1


def _dismiss_alike(parts: Parts, form: FormData) -> tuple[str, int]:
    number = _number(form, "message")
    return "dismissed", operations.dismiss_alike(parts.sessions, number, parts.clock())


def _dismiss_late(parts: Parts, form: FormData) -> tuple[str, int]:
    now = parts.clock()
    before = now - desk.RECEIPT_AFTER
    return "dismissed", operations.dismiss_without_receipt(parts.sessions, before, now)


def _assign(parts: Parts, form: FormData) -> tuple[str, int]:
    matched = operations.assign(
        parts.sessions,
        label=text_of(form, "label"),
        farm_label=text_of(form, "farm_label"),
        said=text_of(form, "field"),
        guidelines=parts.guidelines,
        now=parts.clock(),
    )
    return "assigned", matched


def _settle(parts: Parts, form: FormData) -> tuple[str, int]:
    return "settled", settle(parts.sessions, _number(form, "document"))


def _trust_clock(parts: Parts, _: FormData) -> tuple[str, int]:
    clock_check.trust(parts.sessions, parts.clock())
    return "trusted", 1


ACTIONS: Mapping[str, Action] = {
    "retry": _send_again,
    "dismiss": _dismiss,
    "dismiss-alike": _dismiss_alike,
    "dismiss-late": _dismiss_late,
    "assign": _assign,
    "settle": _settle,
    "trust-clock": _trust_clock,
}
