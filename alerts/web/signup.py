"""Signing up: the form, the confirmation by email, and a new link for who lost theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import HarvestMethod, Index
from alerts.messages.wording import Wording
from alerts.services.access.links import LinkGone
from alerts.services.farms.area_choice import AreaPlace, area_choices, nearest_area
from alerts.services.farms.farm_form import (
    MOST_FIELDS,
    FormError,
    control,
    defaults,
    field_numbers,
    index_of,
    kept,
    with_field_added,
    with_field_removed,
    zip_answer,
)
from alerts.services.farms.worked_line import script_data, worked, worked_line
from alerts.services.people import sign_up
from alerts.services.people.addresses import read_address
from alerts.services.people.lost_links import send_links
from alerts.services.people.sign_up import SignUpForm
from alerts.web.form_words import Say, animal_choices, sentence
from alerts.web.forms import read_form, text_of
from alerts.web.language import chosen, translations
from alerts.web.pages import Pages

MOST_BYTES = 128 * 1024
FIELDS = "the fields"
ON_PAGE = (
    *(
        "farmer",
        "phone",
        "alert_by",
        "email",
        "email_if_unreached",
        "farm",
        "area",
        FIELDS,
        "animal_class",
        "index",
    ),
    *("feed_target", "harvest_days", "acres_per_day", "harvest_method", "handling_loss"),
    *("which_load", "notice_days", "send_from", "send_to", "language", "consent"),
)
UNPROCESSABLE, TOO_MANY = 422, 429


@dataclass(frozen=True, slots=True)
class Sheet:
    """The form as it stands between two requests."""

    typed: Mapping[str, str]
    language: str
    agreed: bool = False
    errors: tuple[FormError, ...] = ()
    too_many: str = ""
    focus: str = ""  # the control that the person is led to


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    def language_of(request: Request) -> str:
        return chosen(
            request.query_params.get("lang", ""), request.headers.get("accept-language", "")
        )

    @app.get("/signup")
    def empty_form(request: Request) -> HTMLResponse:
        language = language_of(request)
        names = [area.name for area in _areas(parts)]
        rules = parts.sign_up_rules().form
        return _show(pages, parts, Sheet(defaults(rules, language, names), language))

    @app.post("/signup")
    async def act_on_form(request: Request) -> Response:
        form = await read_form(request, MOST_BYTES)
        typed = {name: text for name, text in form.items() if isinstance(text, str)}
        ip = request.client.host if request.client else ""
        return await run_in_threadpool(_act, pages, parts, typed, ip)

    @app.get("/signup/sent")
    def sent(request: Request, by: str = "text") -> HTMLResponse:
        return pages.show(
            "signup_sent.html",
            language_of(request),
            by="email" if by == "email" else "text",
            sender=parts.settings.sms_sender,
            hours=parts.schedule.sign_up.expires_h,
        )

    @app.get("/signup/confirm/{token}")
    def look(request: Request, token: str) -> HTMLResponse:
        """Shows a button: link scanners follow links, and must not sign anybody up."""
        return _confirmation(pages, parts, token, language_of(request), act=False)

    @app.post("/signup/confirm/{token}")
    def confirm(request: Request, token: str) -> HTMLResponse:
        return _confirmation(pages, parts, token, language_of(request), act=True)

    @app.get("/link")
    def lost(request: Request) -> HTMLResponse:
        return pages.show("lost_link.html", language_of(request), sent=False, typed="", wrong="")

    @app.post("/link")
    async def send_link(request: Request) -> HTMLResponse:
        form = await read_form(request, MOST_BYTES)
        language = chosen(text_of(form, "lang"), request.headers.get("accept-language", ""))
        typed = text_of(form, "address")
        return await run_in_threadpool(_send_link, pages, parts, typed, language)


def _areas(parts: Parts) -> tuple[AreaPlace, ...]:
    with parts.sessions.read() as session:
        return area_choices(session)


# ------------------------------------------------------------------------ the form


def _act(pages: Pages, parts: Parts, posted: Mapping[str, str], ip: str) -> Response:
    """Do what the pressed button says; whatever it is, nothing typed is lost."""
    language = chosen(posted.get("lang", ""))
    sheet = Sheet(kept(posted), language, agreed=posted.get("consent") == "yes")
    verb, _, which = posted.get("do", "send").partition("-")
    match verb:
        case "add":
            return _show(pages, parts, _at_field(sheet, with_field_added(sheet.typed), MOST_FIELDS))
        case "remove" if which.isdecimal():
            left = with_field_removed(sheet.typed, int(which))
            return _show(pages, parts, _at_field(sheet, left, int(which)))
        case "lang":
            return _show(pages, parts, Sheet(sheet.typed, chosen(which), sheet.agreed))
        case "work":
            return _show(pages, parts, replace(sheet, focus="worked"))
    return _send(pages, parts, sheet, ip)


def _at_field(sheet: Sheet, typed: Mapping[str, str], number: int) -> Sheet:
    """The form with other fields, at the name of that one or else the last."""
    last = field_numbers(typed)[-1]
    return replace(sheet, typed=typed, focus=control("field", min(max(number, 1), last)))


def _send(pages: Pages, parts: Parts, sheet: Sheet, ip: str) -> Response:
    form = SignUpForm(sheet.typed, sheet.language, sheet.agreed)
    rules, now = parts.sign_up_rules(), parts.clock()
    today = now.astimezone(ZoneInfo(parts.settings.time_zone)).date()
    judged = replace(rules, form=replace(rules.form, today=today, areas=_areas(parts)))
    asked = sign_up.ask(parts.sessions, judged, form, ip, now)
    if asked.errors or asked.too_many:
        again = replace(sheet, errors=asked.errors, too_many=asked.too_many)
        status = TOO_MANY if asked.too_many else UNPROCESSABLE
        return _show(pages, parts, again, status=status)
    by = "email" if asked.channel == "email" else "text"
    # A page of its own: loading it again sends nothing again.
    return RedirectResponse(f"/signup/sent?by={by}&lang={sheet.language}", status_code=303)


def _show(pages: Pages, parts: Parts, sheet: Sheet, status: int = 200) -> HTMLResponse:
    say: Say = translations(sheet.language).gettext
    rules = parts.sign_up_rules()
    areas = _areas(parts)
    typed, nearest = _with_nearest_area(sheet.typed, areas, say)
    sum_ = worked(typed, rules.form)
    index = index_of(typed, rules.form.defaults.index)
    errors = [(e.control, sentence(e, say, sheet.language)) for e in in_order(sheet.errors)]
    figures = form_figures(parts.guidelines, parts.templates.wording(sheet.language), say)
    return pages.show(
        "signup.html",
        sheet.language,
        status=status,
        areas=[(area.name, area.name) for area in areas],
        nearest=nearest,
        numbers=field_numbers(typed),
        most_fields=MOST_FIELDS,
        errors=errors,
        too_many=sheet.too_many,
        worked=worked_line(sum_, parts.templates, sheet.language) if sum_ else "",
        data={**script_data(rules.form, parts.templates, sheet.language), "figures": figures},
        wording=sign_up.wording_shown(rules, sheet.language),
        form=form_values(
            {**typed, "consent": "yes" if sheet.agreed else ""},
            dict(errors),
            asked=[error.control for error in sheet.errors if error.question],
            focus=sheet.focus,
        ),
        choices={
            **form_choices(parts.guidelines, say),
            "figures": {name: of_index[index] for name, of_index in figures.items()},
        },
    )


def _with_nearest_area(
    typed: Mapping[str, str], areas: tuple[AreaPlace, ...], say: Say
) -> tuple[Mapping[str, str], str]:
    """The area nearest to the first field's ZIP code, chosen where nobody has chosen yet."""
    if typed.get("area") or not typed.get("field-1-zip"):
        return typed, ""
    nearest = nearest_area(areas, typed["field-1-zip"].strip())
    if not nearest:
        return typed, ""
    hint = say("We chose the one nearest to your ZIP code; change it if another is right.")
    return {**typed, "area": nearest}, hint


def form_values(
    typed: Mapping[str, str],
    errors: Mapping[str, str],
    *,
    asked: Sequence[str] = (),
    focus: str = "",
) -> dict[str, Callable[..., object]]:
    """What the templates of the form ask: a control's text, its error, whether any is in use.

    ``asked`` are the controls whose error is a question; ``focus`` is where the person is led to.
    """

    def any_of(prefix: str, columns: str, only_errors: bool = False) -> bool:
        names = [f"{prefix}{column}" for column in columns.split()]
        return any(errors.get(n) or (typed.get(n) and not only_errors) for n in names)

    return {
        "value": lambda name: typed.get(name, ""),
        "error": lambda name: errors.get(name, ""),
        "any_of": any_of,
        "zip_answer": lambda number: zip_answer(typed, number),
        "is_asked": lambda name: name in asked,
        "is_here": lambda name: name == focus,
    }


def in_order(errors: Sequence[FormError]) -> list[FormError]:
    """The errors as their controls stand on the page, from top to bottom."""
    places = {name: place for place, name in enumerate(ON_PAGE)}
    return sorted(errors, key=lambda error: places.get(error.control, places[FIELDS]))


def form_figures(
    guidelines: GuidelineSet, words: Wording, say: Say
) -> dict[str, dict[str, dict[str, str]]]:
    """What stands behind a choice, by list, index and choice: 'RFV 150' behind milking cows."""

    def target(animals: str, index: Index) -> str:
        found = guidelines.feed_target(animals, index)
        return say("no feed target published") if found is None else words.reading(index, found)

    def loss(method: HarvestMethod, index: Index) -> str:
        points = words.number(guidelines.value(f"handling_loss.{method}.{index}"))
        return say("loses {points}" if index.falls else "gains {points}").format(points=points)

    return {
        "animal_class": {
            index.value: {one: target(one, index) for one in guidelines.animal_classes()}
            for index in Index
        },
        "harvest_method": {
            index.value: {one.value: loss(one, index) for one in HarvestMethod} for index in Index
        },
    }


def form_choices(guidelines: GuidelineSet, say: Say) -> dict[str, list[tuple[str, str]]]:
    """The choices of each list of the form, as (value, label)."""
    return {
        "animals": animal_choices(guidelines.animal_classes(), say),
        "channels": [
            ("text", say("By text")),
            ("email", say("By email")),
            ("both", say("By both")),
        ],
        "indexes": [
            ("rfv", say("RFV, relative feed value")),
            ("rfq", say("RFQ, relative forage quality")),
            ("ndf", say("NDF, fiber as % of dry matter")),
        ],
        "methods": [
            ("haylage", say("Haylage")),
            ("baleage", say("Baleage")),
            ("dry_hay", say("Dry hay")),
        ],
        "loads": [
            ("last", say("The last load too")),
            ("average", say("The average of the whole crop")),
        ],
        "soils": [
            ("light", say("Light: sand or gravel")),
            ("medium", say("Medium: loam")),
            ("heavy", say("Heavy: clay")),
        ],
        "slopes": [
            ("level", say("Level")),
            ("south", say("South")),
            ("north", say("North")),
            ("east", say("East")),
            ("west", say("West")),
        ],
    }


# ------------------------------------------------------------ confirming, lost links


def _confirmation(
    pages: Pages, parts: Parts, token: str, language: str, *, act: bool
) -> HTMLResponse:
    rules, now = parts.sign_up_rules(), parts.clock()
    say = translations(language).gettext
    wording = sign_up.wording_shown(rules, language)
    try:
        if act:
            seen = sign_up.confirm_by_link(parts.sessions, rules, token, now)
        else:
            with parts.sessions.read() as session:
                seen = sign_up.look_at_link(session, rules, token, now)
    except LinkGone as gone:
        return pages.show(
            "signup_confirm.html",
            language,
            status=404,
            gone=_sentence(str(gone), say),
            seen=None,
            done=False,
            refusal="",
            wording=wording,
        )
    return pages.show(
        "signup_confirm.html",
        language,
        status=409 if seen.refusal else 200,
        gone="",
        seen=seen,
        done=act,
        refusal=_sentence(seen.refusal, say),
        wording=wording,
    )


def _sentence(reason: str, say: Say) -> str:
    return say(f"{reason[:1].upper()}{reason[1:]}.") if reason else ""


def _send_link(pages: Pages, parts: Parts, typed: str, language: str) -> HTMLResponse:
    """The same page whoever asks, and for whomever: it tells nobody who is enrolled."""
    try:
        channel, where = read_address(typed)
    except ValueError:
        say = translations(language).gettext
        wrong = say("Give a phone number with its area code, or an email address.")
        return pages.show(
            "lost_link.html", language, status=UNPROCESSABLE, sent=False, typed=typed, wrong=wrong
        )
    send_links(parts.sessions, parts.sign_up_rules(), channel, where, parts.clock())
    return pages.show("lost_link.html", language, sent=True, typed="", wrong="")
