"""What a text says as a whole: nothing is done unless its words plainly say it.

The texts are those of inbound_samples.py.
"""

from __future__ import annotations

from datetime import date, timedelta

import inbound_samples as samples
import pytest

from alerts.intake.inbound_text import (
    Command,
    Cut,
    Help,
    No,
    Reading,
    Start,
    Stop,
    Unclear,
    Wait,
    When,
    Yes,
    agrees,
    read_text,
)

TODAY = date(2027, 5, 17)  # a Monday
NAMES = ("North", "Creek", "Long Strip", "Plum Bottom")


def read(body: str) -> Command:
    return read_text(body, TODAY, NAMES)


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


# ------------------------------------------------------------------------- cutting


@pytest.mark.parametrize("body", samples.CUTS)
def test_plain_cut_is_sure(body: str) -> None:
    found = read(body)
    assert isinstance(found, Cut)
    assert (found.fields, found.day, found.sure) == (("north",), TODAY, True)


@pytest.mark.parametrize("body", samples.CUTS_OF_NO_FIELD)
def test_start_alone_is_a_cut_of_the_field_there_is(body: str) -> None:
    assert read(body) == Cut((), TODAY)


@pytest.mark.parametrize("body", samples.CUTS_OF_ALL)
def test_everything_cut_is_sure(body: str) -> None:
    assert read(body) == Cut((), TODAY, all=True)


@pytest.mark.parametrize("body", samples.PLANNED)
def test_plan_wish_or_condition_is_no_cut(body: str) -> None:
    assert read(body) == Unclear("planned")


@pytest.mark.parametrize("body", samples.DENIED)
def test_denied_cut_is_none(body: str) -> None:
    assert read(body) == Unclear("denied")


@pytest.mark.parametrize("body", samples.ASKED_ABOUT)
def test_cut_with_words_left_over_is_asked_about(body: str) -> None:
    found = read(body)
    assert isinstance(found, Cut)
    assert (found.fields, found.sure) == (("north",), False)


@pytest.mark.parametrize("body", samples.WHICH_ONES)
def test_cut_of_all_but_some_names_none(body: str) -> None:
    found = read(body)
    assert isinstance(found, Cut)
    assert (found.fields, found.sure) == ((), False)


@pytest.mark.parametrize("body", samples.QUESTIONS)
def test_question_about_cutting_asks_when(body: str) -> None:
    assert isinstance(read(body), When)


# ---------------------------------------------------------------------------- days


@pytest.mark.parametrize(
    ("body", "days"),
    [
        ("cut north 2 days ago", 2),
        ("cut north two days ago", 2),
        ("cut north a couple of days ago", 2),
        ("cut north a day ago", 1),
        ("cut north a week ago", 7),
        ("cut north 2 weeks ago", 14),
        ("cut north last monday", 7),
        ("cut north last sunday", 1),
        ("cut north monday", 0),
        ("cut north friday", 3),
        ("cut north friday 5/7", 10),
        ("cut north fri may 14", 3),
        ("cut north last night", 1),
        ("finished the north field last night", 1),
        ("cut north yesterday morning", 1),
        ("cut north yesterday, sunday", 1),
        ("cut north 5/8", 9),
        ("cut north 4/5", 42),
        ("cut north may 3 2027", 14),
        ("corte norte hace dos dias", 2),
        ("corté norte hace 3 días", 3),
        ("corte norte hace una semana", 7),
        ("corte norte el lunes pasado", 7),
        ("corte norte anoche", 1),
        ("corte norte ayer en la tarde", 1),
        ("corte norte 14/5", 3),
        ("corte norte 5/14", 3),
        ("corte norte 5/6", 11),  # the fifth of June has not come
        ("corte norte 5/5", 12),
        ("corte norte el 8 de mayo", 9),
    ],
)
def test_day_in_words_and_figures(body: str, days: int) -> None:
    assert read(body) == Cut(("north",), ago(days))


@pytest.mark.parametrize("body", samples.ANY_DAY)
def test_no_day_or_several_are_asked_about(body: str) -> None:
    found = read(body)
    assert isinstance(found, Unclear)
    assert found.reason == "which_day"


def test_day_before_month_goes_by_the_writer() -> None:
    assert read_text("north 5/4", TODAY, NAMES, day_first=True) == When("north")
    asked = read_text("cut north 4/5", TODAY, NAMES, day_first=True)
    assert asked == Unclear("which_day", "4/5")
    assert read_text("corte norte 4/5", TODAY, NAMES, day_first=False) == Cut(("north",), ago(42))


# ------------------------------------------------------------------------ stopping


@pytest.mark.parametrize("body", samples.STOPS)
def test_wish_to_be_left_alone_stops(body: str) -> None:
    assert read(body) == Stop()


@pytest.mark.parametrize("body", samples.PERHAPS_STOPS)
def test_what_may_be_a_wish_to_stop_is_asked_about(body: str) -> None:
    assert read(body) == Unclear("stop")


@pytest.mark.parametrize("body", [*samples.NO_STOPS, *samples.NO_STARTS])
def test_everyday_words_neither_stop_nor_start(body: str) -> None:
    assert not isinstance(read(body), Stop | Start | Yes)


@pytest.mark.parametrize(
    "body", ["START", "Start!", " start ", "UNSTOP", "resume", "Alta", "start please", "opt in"]
)
def test_exact_keyword_starts(body: str) -> None:
    assert read(body) == Start()


@pytest.mark.parametrize("body", ["hlep", "HELP", "hepl", "ayudaa", "Ayuda"])
def test_help_is_forgiven_a_slip(body: str) -> None:
    assert read(body) == Help()


# ------------------------------------------------------------------------- waiting


@pytest.mark.parametrize("body", samples.NOT_HELD)
def test_wait_that_is_denied_told_or_doubtful_holds_nothing(body: str) -> None:
    assert read(body) == Unclear("wait")


@pytest.mark.parametrize(
    ("body", "days"),
    [
        ("should i wait 3 days", 3),
        ("can i wait 2 days?", 2),
        ("what if i wait 5 days", 5),
        ("could we wait a week", 7),
        ("is it ok to wait 3 days", 3),
        ("puedo esperar 3 dias", 3),
        ("¿espero 2 dias?", 2),
        ("que pasa si espero 4 dias", 4),
    ],
)
def test_question_about_waiting_asks_what_it_costs(body: str, days: int) -> None:
    assert read(body) == Wait(days, asked=True)


@pytest.mark.parametrize(
    ("body", "days"),
    [
        ("wait 3", 3),
        ("WAIT 3 days", 3),
        ("wait three days for rain", 3),
        ("hold the texts 3 days", 3),
        ("hold off 3 days please", 3),
        ("we will wait 3 days", 3),
        ("wait a week", 7),
        ("wait until thursday", 3),
        ("espera 5", 5),
        ("vamos a esperar 2 dias", 2),
        ("espera hasta el jueves", 3),
        ("wait 0", 0),
        ("take me off hold", 0),
        ("get me off the wait", 0),
        ("end the hold", 0),
        ("stop the wait", 0),
    ],
)
def test_plain_wait(body: str, days: int) -> None:
    assert read(body) == Wait(days)


# -------------------------------------------------------------------------- stems


@pytest.mark.parametrize("body", samples.STAGES_TOLD)
def test_stage_denied_coming_or_without_heights_is_no_reading(body: str) -> None:
    assert read(body) == Unclear("stems")


@pytest.mark.parametrize(
    ("body", "heights", "days"),
    [
        ("north 28 30 31 27 29 bud", 5, 0),
        ("north 28 30 bud today", 2, 0),
        ("north 28 30 bud friday", 2, 3),
        ("north 28, 30, 31 late bud", 3, 0),
        ("north 28 in and 30 in bud", 2, 0),
        ("north field 28 30 bud 2 days ago", 2, 2),
        ("norte 28 30 31 botón", 3, 0),
        ("norte 28 30 botón hace dos dias", 2, 2),
    ],
)
def test_plain_reading(body: str, heights: int, days: int) -> None:
    found = read(body)
    assert isinstance(found, Reading)
    assert (found.name, len(found.spots), found.day) == ("north", heights, ago(days))
    assert {spot.stage for spot in found.spots} == {"bud"}


# ------------------------------------------------------------------ yes, no, mistakes


@pytest.mark.parametrize(
    ("body", "command"),
    [
        ("no", No()),
        ("NO!", No()),
        ("nope", No()),
        ("wrong", No()),
        ("undo that", No()),
        ("wrong date", No()),
        ("oops wrong field", No()),
        ("my mistake", No()),
        ("me equivoque", No()),
        ("no thanks", No(declines=True)),
        ("no gracias", No(declines=True)),
        ("thanks no", No(declines=True)),
        ("no, not yet", No(declines=True)),
        ("no it was yesterday", No(day=ago(1))),
        ("no, 5/7", No(day=ago(10))),
        ("no, last monday", No(day=ago(7))),
        ("no, fue ayer", No(day=ago(1))),
        ("no that was creek", No(("creek",))),
        ("wrong field, creek", No(("creek",))),
        ("no, cut creek", No(("creek",))),
        ("wrong date, cut north 5/7", No(("north",), ago(10))),
        ("me equivoqué, fue creek ayer", No(("creek",), ago(1))),
        ("no, we did not cut", Unclear("undo")),
        ("no, too wet", Unclear("undo")),
        ("undo the north cut", Unclear("undo")),
        ("no that was last week", Unclear("which_day", "last week")),
        ("no, 5/41", Unclear("day", "5/41")),
        ("no fue ayer", Unclear()),  # 'it was not yesterday'
        ("no worries", Unclear()),
        ("no, stop", Stop()),
        ("no, wait 3", Unclear("wait")),
    ],
)
def test_no_and_what_is_right_instead(body: str, command: Command) -> None:
    assert read(body) == command


@pytest.mark.parametrize(
    "body",
    [
        *("yes", "Yes!", "I agree", "Yes I agree", "agree", "sure", "ok yes", "yea", "yess"),
        *("Yes, that was me", "si acepto", "Sí", "yes it was me", "claro"),
    ],
)
def test_any_wording_of_yes_agrees(body: str) -> None:
    assert agrees(body)


@pytest.mark.parametrize(
    "body",
    [
        *("no", "not me", "yes?", "that was not me", "i do not agree", "who is this", "ok"),
        *("yes but not now", "stop", "cut north", "si no era yo", ""),
    ],
)
def test_denial_question_or_something_else_does_not_agree(body: str) -> None:
    assert not agrees(body)


@pytest.mark.parametrize(("body", "plain"), [("YES", True), ("sí", True), ("sure", False)])
def test_only_plain_yes_may_start(body: str, plain: bool) -> None:
    assert read(body) == Yes(plain=plain)
