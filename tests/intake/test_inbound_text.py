"""What a text from a phone means.

Source of the stop, start and help words: 47 CFR 64.1200(a)(10); CTIA, 2023, Messaging Principles
and Best Practices; gateway documentation (see tests/data/messaging/SOURCES.md). How people word the
rest is common practice; every text here is invented.
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path
from time import perf_counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.intake.inbound_text import (
    Command,
    Cut,
    Help,
    Link,
    No,
    Reading,
    Start,
    Stop,
    Thanks,
    Unclear,
    Wait,
    When,
    Why,
    Yes,
    read_text,
)

TODAY = date(2027, 5, 16)  # a Sunday
NAMES = ("North", "Creek", "North 40", "Plum Bottom", "7")
TABLE = Path(__file__).parents[1] / "data" / "messaging" / "opt_keywords.csv"
KEYWORDS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))


def read(body: str) -> Command:
    return read_text(body, TODAY, NAMES)


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


@pytest.mark.parametrize("row", KEYWORDS, ids=lambda row: row["phrase"])
@pytest.mark.parametrize("shape", ["{}", " {}! ", "{}\n", "{} please"])
def test_every_listed_keyword_does_what_the_table_says(row: dict[str, str], shape: str) -> None:
    expected = {"out": Stop(), "in": Start(), "help": Help()}[row["action"]]
    if row["phrase"] == "YES":  # like START only for somebody who stopped: the service decides
        expected = Yes()
    for phrase in (row["phrase"], row["phrase"].lower(), row["phrase"].title()):
        assert read(shape.format(phrase)) == expected


def test_table_of_keywords_is_whole() -> None:
    assert len(KEYWORDS) == 19
    assert {row["action"] for row in KEYWORDS} == {"out", "in", "help"}


@pytest.mark.parametrize(
    "body",
    [
        "please opt me out",
        "Stop texting me",
        "stop sending these messages",
        "Pls stop",
        "STOP!!!",
        "No mas",
        "no más",
        "No más mensajes por favor",
        "ya no me manden mensajes",
        "dejen de mandarme mensajes",
        "ALTO",
        "parar",
        "cancelar",
        "Baja",
        "dar de baja",
        "take me off your list",
        "remove me from this",
        "Do not text me again",
        "don't text me",
        "I don’t want any more texts",
        "unsubscribe me",
        "cancel my texts",
        "wrong number",
        "stpo",
        "stopp",
        "unsuscribe",
        "can you stop the texts",
        "No, stop!",
        "STOP STOP STOP",
        "I revoke my consent",
        "revoke consent",
        "I quit",
        "Baja, por favor",
        "parar por favor",
        "please cancel",
        "end please",
    ],
)
def test_wish_to_stop_counts_in_any_wording(body: str) -> None:
    assert read(body) == Stop()


@pytest.mark.parametrize(
    "body", ["dont stop", "we stopped cutting", "stop cutting north", "stop north", "end of may"]
)
def test_other_stopping_is_not_a_wish_to_be_left_alone(body: str) -> None:
    assert isinstance(read(body), Unclear)


@pytest.mark.parametrize("body", ["nstop", "ntop", "utop", "unstopp", "no stop", "not stop"])
def test_slip_in_stop_never_starts_anything(body: str) -> None:
    assert read(body) != Start()


@pytest.mark.parametrize(
    ("body", "command"),
    [
        ("START", Start()),
        ("start sending texts again", Start()),
        ("alta", Start()),
        ("Sí", Yes()),
        ("SI", Yes()),
        ("Yes please", Yes()),
        ("y", Yes(plain=False)),
        ("No", No()),
        ("wrong", No()),
        ("Ayuda", Help()),
        ("hlep", Help()),
        ("?", Help()),
        ("ok thanks", Thanks()),
        ("Gracias!", Thanks()),
        ("link", Link()),
        ("send me the link", Link()),
        ("enlace", Link()),
        ("When?", When()),
        ("wehn", When()),
        ("when should we start north", When("north")),
        ("cuándo", When()),
        ("¿Cuándo cortamos el norte?", When("north")),
        ("should we cut creek", When("creek")),
        ("north", When("north")),
        ("cut north?", When("north")),
        ("why", Why()),
        ("Why plum bottom?", Why("plum bottom")),
        ("¿Por qué?", Why()),
        ("wait 3", Wait(3)),
        ("WAIT three days", Wait(3)),
        ("espera 5", Wait(5)),
        ("esperar 2 días", Wait(2)),
        ("wait a week", Wait(7)),
        ("wait 2 weeks", Wait(14)),
        ("wait until thursday", Wait(4)),
        ("wait till 5/20", Wait(4)),
        ("wait", Wait(None)),
        ("wait 0", Wait(0)),
    ],
)
def test_plain_wishes(body: str, command: Command) -> None:
    assert read(body) == command


@pytest.mark.parametrize(
    ("body", "command"),
    [
        ("we started", Cut((), TODAY)),
        ("started north", Cut(("north",), TODAY)),
        ("Cut north yesterday", Cut(("north",), ago(1))),
        ("cut north 5/14", Cut(("north",), ago(2))),
        ("cut north 5-14", Cut(("north",), ago(2))),
        ("cut north 5/14/27", Cut(("north",), ago(2))),
        ("cut north 14/5", Cut(("north",), ago(2))),
        ("cut north may 14", Cut(("north",), ago(2))),
        ("corte norte 14 de mayo", Cut(("north",), ago(2))),
        ("cut north on the 14th", Cut(("north",), ago(2))),
        ("mowed creek friday", Cut(("creek",), ago(2))),
        ("CORTE NORTE", Cut(("north",), TODAY)),
        ("Cortamos el norte ayer", Cut(("north",), ago(1))),
        ("empezamos norte anteayer", Cut(("north",), ago(2))),
        ("ya cortamos", Cut((), TODAY)),
        ("we cut the north field this morning at 8 am", Cut(("north",), TODAY)),
        ("cut 40 acres of north", Cut(("north",), TODAY)),
        ("cut north 40", Cut(("north 40",), TODAY)),
        ("cut field 7 yesterday", Cut(("7",), ago(1))),
        ("cut north and creek", Cut(("north", "creek"), TODAY)),
        ("cut north, creek", Cut(("north", "creek"), TODAY)),
        ("cut north & creek", Cut(("north", "creek"), TODAY)),
        ("cut north and the hollow", Cut(("north", "hollow"), TODAY)),
        ("cut nort", Cut(("north",), TODAY)),
        ("cut river bend", Cut(("river bend",), TODAY)),
        ("cut everything", Cut((), TODAY, all=True)),
        ("cortamos todo", Cut((), TODAY, all=True)),
        ("cut all of plum bottom", Cut(("plum bottom",), TODAY, all=True)),
        ("start north", Cut(("north",), TODAY, sure=False)),
        ("cut north tomorrow", Cut(("north",), ago(-1))),  # the service says that it has not come
        ("cut north 6/20", Cut(("north",), date(2027, 6, 20))),
    ],
)
def test_cut_with_field_and_day(body: str, command: Command) -> None:
    assert read(body) == command


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("not cut yet", "denied"),
        ("haven't started north", "denied"),
        ("no hemos cortado", "denied"),
        ("going to cut north", "planned"),
        ("might cut creek", "planned"),
        ("vamos a cortar", "planned"),
        ("cut north 5/41", "day"),
        ("cut north 13/13", "day"),
        ("cut feb 30", "day"),
    ],
)
def test_cut_that_is_denied_planned_or_on_no_day_is_none(body: str, reason: str) -> None:
    found = read(body)
    assert isinstance(found, Unclear)
    assert found.reason == reason


@pytest.mark.parametrize("word", ["Liked", "Loved", "Emphasized", "Laughed at", "Disliked"])
def test_mark_that_a_phone_sets_on_our_text_is_nothing(word: str) -> None:
    # It repeats our words, which would else read as a cut that was made.
    assert read(f"{word} “Cutcall Plum Bottom: start cutting north tomorrow”") == Thanks()


@pytest.mark.parametrize(
    ("body", "name", "told", "day"),
    [
        (
            "north 28 30 31 27 29 bud",
            "north",
            [(28, "bud"), (30, "bud"), (31, "bud"), (27, "bud"), (29, "bud")],
            TODAY,
        ),
        ("north 28b 30b 31f", "north", [(28, "bud"), (30, "bud"), (31, "flower")], TODAY),
        ("North: 28, 30, 31 (late bud)", "north", [(28, "bud"), (30, "bud"), (31, "bud")], TODAY),
        ("north bud 28 30", "north", [(28, "bud"), (30, "bud")], TODAY),
        ("28 30 veg north", "north", [(28, "vegetative"), (30, "vegetative")], TODAY),
        ('creek 28" 30" flower', "creek", [(28, "flower"), (30, "flower")], TODAY),
        ("creek 28in 30in flower", "creek", [(28, "flower"), (30, "flower")], TODAY),
        ("north 28.5 31½ bud", "north", [(28.5, "bud"), (31.5, "bud")], TODAY),
        ("north 40 28 30 bud", "north 40", [(28, "bud"), (30, "bud")], TODAY),
        ("norte 28 30 botón ayer", "north", [(28, "bud"), (30, "bud")], ago(1)),
        ("norte 28 flor", "north", [(28, "flower")], TODAY),
        ("norte 28 30 vegetativo", "north", [(28, "vegetative"), (30, "vegetative")], TODAY),
        ("creek 28 30 5/14 bud", "creek", [(28, "bud"), (30, "bud")], ago(2)),
        ("creek 28 30 10% bloom", "creek", [(28, "flower"), (30, "flower")], TODAY),
        ("28 30 31", "", [(28, ""), (30, ""), (31, "")], TODAY),
        ("north 28", "north", [(28, "")], TODAY),
        ("hollow 28 30 bud", "hollow", [(28, "bud"), (30, "bud")], TODAY),
        ("north 288 bud", "north", [(288, "bud")], TODAY),  # the service says what is plausible
    ],
)
def test_stem_reading(body: str, name: str, told: list[tuple[float, str]], day: date) -> None:
    found = read(body)
    assert isinstance(found, Reading)
    assert (found.name, found.day) == (name, day)
    assert [(spot.height_in, spot.stage) for spot in found.spots] == told


@pytest.mark.parametrize("body", ["creek 70 75 cm bud", "creek 70cm 75cm botón"])
def test_heights_in_centimetres_are_turned_into_inches(body: str) -> None:
    # 1 in = 2.54 cm exactly: International Bureau of Weights and Measures, 2019, The
    # International System of Units (SI brochure), by way of the yard of 1959.
    found = read(body)
    assert isinstance(found, Reading)
    assert [spot.height_in for spot in found.spots] == [27.56, 29.53]


@pytest.mark.parametrize(
    "body", ["", " ", "asdf", "hello there", "...", "rfv north 205", "28", "🚜"]
)
def test_what_says_nothing_is_unclear(body: str) -> None:
    assert isinstance(read(body), Unclear)


def test_name_that_looks_like_a_keyword_does_not_keep_anybody_from_stopping() -> None:
    assert read_text("END", TODAY, ["End"]) == Stop()
    assert read_text("cut end", TODAY, ["End"]) == Cut(("end",), TODAY)


def test_name_near_a_keyword_is_the_name() -> None:
    assert read_text("Stoop", TODAY, ["Stoop"]) == When("stoop")


PIECES = [
    *("cut", "north", "stop", "28", "5/14", "5/41", "bud", "cm", "?", "and", "no", "may", "14"),
    *("wait", "week", "el", "corte", "b", ".", ",", "'", "½", "2/29/24", "0/0", "99999", "12th"),
    *("de", "mayo", "field", "7", "fri", "\x00", "\ue0000\ue000", "ñ", "三", "²", "mañana"),
    *("8:30", "am", "stp", "٣", "1/10", "creek", "40", "why", "when", "31f", "28b"),
]


@given(
    st.one_of(st.text(max_size=300), st.lists(st.sampled_from(PIECES), max_size=40).map(" ".join)),
    st.lists(st.text(max_size=12), max_size=4),
)
@settings(max_examples=400, deadline=2000)
def test_any_text_is_read_without_a_crash(body: str, names: list[str]) -> None:
    found = read_text(body, TODAY, [*NAMES, *names])
    assert isinstance(found, Command)
    if isinstance(found, Reading):
        assert 1 <= len(found.spots) <= 40


@pytest.mark.parametrize(
    "body", ["stop " * 2000, "a" * 20000, "north 28 " * 3000, "cta nroth crk " * 2000, "1/" * 9000]
)
def test_long_text_is_read_quickly(body: str) -> None:
    begun = perf_counter()
    read_text(body, TODAY, [f"Field number {n}" for n in range(200)])
    assert perf_counter() - begun < 2.0
