"""What goes out in Spanish: whole, plain, and no longer than a text may be."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, time
from html.parser import HTMLParser
from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from situations import DECISIONS, FARMS, MARK, NAME_TEXTS, SETTINGS, TODAY

from alerts.configfiles import shipped_config_dir
from alerts.domain.decision import Decision, Kind
from alerts.domain.outlook import FarmOutlook, StartDates
from alerts.domain.records import HarvestMethod, Index
from alerts.messages.letters import Letter
from alerts.messages.rain import rain_words
from alerts.messages.sampling import no_results, sample_due
from alerts.messages.segments import clean, count, is_gsm7
from alerts.messages.start_messages import Setting, start_email, start_text
from alerts.messages.templates import Templates
from alerts.messages.words import read_words

MESSAGES = shipped_config_dir() / "messages"

# Farms of invented names that no English word hides in.
RANCHES: dict[str, dict[str, Any]] = {
    "un lote": {"farm": "Rancho Las Palmas", "fields": ("El Llano",)},
    "tres lotes": {"farm": "Los Sauces", "fields": ("La Loma", "El Bajo", "Santa Rita")},
    "nueve lotes": {"farm": "Los Sauces", "fields": [f"Potrero {n}" for n in range(1, 10)]},
    "NDF": {"farm": "Los Sauces", "fields": ("La Loma", "El Bajo"), "index": Index.NDF},
    "zona": {
        "farm": "Los Sauces",
        "fields": ("La Loma",),
        "stands_in": "Valle Verde",
        "is_area": True,
        "area_fields": 4,
    },
    "zona sin valor": {
        "farm": "Los Sauces",
        "fields": ("La Loma",),
        "stands_in": "Valle",
        "is_area": True,
    },
}
ENGLISH_WORDS = re.compile(
    r"\b(the|start|cutting|cut|is|was|likely|now|today|tomorrow|on|first|then|needs|limit|about|"
    r"standing|store|stored|harvest|day|days|results?|yet|field|fields|clip|before|reply|to|and|"
    r"more|mon|tue|wed|thu|fri|sat|sun|jan|apr|aug|dec|area|loses|points|rain|chance|later|under|"
    r"over|target|dry|hay|your|you|these|emails|outlook|calendar|degree)\b",
    re.IGNORECASE,
)


# ---------------------------------------------------------------------- texts


@pytest.fixture
def written(
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
    start_dates: Callable[..., StartDates],
) -> Callable[..., Letter]:
    """What goes out in Spanish on a kind, to a farm, under a setting."""

    def write(
        kind: str,
        farm: dict[str, Any],
        setting: str = "haylage",
        *,
        rain: str = "",
        by_email: bool = False,
        language: str = "es",
    ) -> Letter:
        decision, around = DECISIONS[kind]
        outlook = outlook_of(**farm, start=start_dates(*around))
        if decision.kind is Kind.PAST:
            first = outlook.tightest
            level = 171.6 if outlook.farm.index.falls else 46.24
            tight = replace(first, days=(replace(first.days[0], median=level), *first.days[1:]))
            outlook = replace(outlook, fields=(tight, *outlook.fields[1:]))
        given = replace(setting_of(**SETTINGS[setting], language=language), rain=rain)
        make = start_email if by_email else start_text
        return make(templates, decision, outlook, given)

    return write


def spanish_rain(templates: Templates) -> str:
    """The longest words on rain that a text may have to hold."""
    said = rain_words([TODAY, date(2027, 5, 15)], [50.0, 90.0], words=templates.wording("es"))
    assert len(said) == len("lluvia posible mié 50%, sáb 90%")
    return said[:1].upper() + said[1:]


@pytest.mark.parametrize(
    ("kind", "farm", "setting"), list(product(DECISIONS, FARMS, SETTINGS)), ids=str
)
def test_spanish_text_is_gsm7_in_two_parts_whatever_comes_together(
    kind: str, farm: str, setting: str, written: Callable[..., Letter], templates: Templates
) -> None:
    for rain in ("", spanish_rain(templates)):
        text = written(kind, FARMS[farm], setting, rain=rain).text
        assert is_gsm7(text)
        assert count(text).parts <= 2, text
        assert text.startswith("Cutcall ")
        assert text.endswith(f" {MARK}")
        for wrong in ("{", "}", "None", "()", "  ", "\n"):
            assert wrong not in text.removeprefix("Cutcall "), text


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(farm=NAME_TEXTS, fields=st.lists(NAME_TEXTS, min_size=1, max_size=12))
def test_spanish_text_fits_whatever_the_names(
    farm: str, fields: list[str], written: Callable[..., Letter], templates: Templates
) -> None:
    for kind in DECISIONS:
        ranch = {"farm": farm, "fields": fields}
        text = written(kind, ranch, "first text of dry hay", rain=spanish_rain(templates)).text
        assert is_gsm7(text)
        assert count(text).parts <= 2, text
        assert text.endswith(f" {MARK}")


# All but the rare one that has to say two dates gone wrong.
@pytest.mark.parametrize("kind", [kind for kind in DECISIONS if kind != "late start moved"])
@pytest.mark.parametrize("farm", ["one field", "RFQ", "average load", "half a day"])
def test_spanish_text_of_a_usual_farm_with_one_field_takes_one_part(
    kind: str, farm: str, written: Callable[..., Letter]
) -> None:
    assert count(written(kind, FARMS[farm]).text).parts == 1


@pytest.mark.parametrize(
    ("kind", "farm", "setting"), list(product(DECISIONS, RANCHES, SETTINGS)), ids=str
)
def test_spanish_text_holds_no_english_word(
    kind: str, farm: str, setting: str, written: Callable[..., Letter], templates: Templates
) -> None:
    text = written(kind, RANCHES[farm], setting, rain=spanish_rain(templates)).text
    assert ENGLISH_WORDS.findall(text.removesuffix(MARK)) == []


def test_word_list_would_find_english_in_a_text(written: Callable[..., Letter]) -> None:
    for kind in DECISIONS:
        assert ENGLISH_WORDS.search(written(kind, RANCHES["un lote"], language="en").text)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("coming", "empiece a cortar hacia el dom 16 may (probable 13-21 may)."),
        ("moved", "nueva fecha de corte: mar 18 may (probable 14-23 may), antes sab 15 may."),
        ("start today", "empiece a cortar hoy, mié 12 may (probable hoy al 16 may)."),
        ("start tomorrow", "empiece a cortar mañana, jue 13 may (probable hoy al 18 may)."),
        ("start with more lead", "empiece a cortar el sab 15 may (probable hoy al 19 may)."),
        ("start moved near", "jue 13 may (probable hoy al 18 may), en vez del dom 16 may."),
        ("late start", "empiece a cortar ya. El dia era el mar 11 may (a mas tardar 14 may)."),
        ("late start moved", "El dia era el mar 11 may, no el vie 14 may (a mas tardar 14 may)."),
        ("start long late", "empiece a cortar ya. El dia era el jue 6 may."),
        ("past", "El Llano anda en RFV 172 el mié 12 may; para guardar 160 hacen falta 185. Corte"),
    ],
)
def test_spanish_text_puts_each_kind_into_plain_words(
    kind: str, words: str, written: Callable[..., Letter]
) -> None:
    text = written(kind, RANCHES["un lote"]).text
    assert text.startswith("Cutcall Rancho Las Palmas: ")
    assert words in text


def test_spanish_text_says_the_date_first_and_then_why(written: Callable[..., Letter]) -> None:
    text = written("coming", RANCHES["tres lotes"], "first text").text
    told = [
        *("dom 16 may", "primero La Loma, luego El Bajo, Santa Rita", "La Loma RFV 205 el 11 may"),
        *("necesita 185 al cortar para guardar 160, corte de 2 dias", "Responda ALTO o STOP"),
    ]
    places = [text.index(words) for words in told]
    assert places == sorted(places)


def test_spanish_text_for_ndf_speaks_of_a_limit(written: Callable[..., Letter]) -> None:
    assert "NDF 36.4 el 11 may; limite 41.5 al cortar" in written("moved", RANCHES["NDF"]).text
    past = written("past", RANCHES["NDF"]).text
    assert "anda en NDF 46.2 el mié 12 may; para guardar 44 el limite es 41.5." in past


def test_spanish_text_names_the_area_that_stands_in(written: Callable[..., Letter]) -> None:
    assert "valor medio de 4 lotes vecinos RFV 205 el 11 may" in (
        written("coming", RANCHES["zona"]).text
    )
    assert "segun lotes vecinos; necesita 185" in written("coming", RANCHES["zona sin valor"]).text
    email = written("coming", RANCHES["zona"], by_email=True).text
    assert "sin resultado propio; valor medio de 4 lotes vecinos: RFV 205 el 11 may" in email


def test_first_spanish_text_says_how_to_stop_in_both_languages(
    written: Callable[..., Letter],
) -> None:
    # CTIA (2023), Messaging Principles and Best Practices, 5.1.2: the first message of a program
    # carries the opt-out wording.
    opt_out = "Responda ALTO o STOP para terminar, AYUDA o HELP para ayuda."
    assert opt_out in written("coming", RANCHES["un lote"], "first text").text
    assert "STOP" not in written("coming", RANCHES["un lote"]).text


def test_spanish_date_beyond_the_horizon_is_called_after(
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    outlook = outlook_of(start=StartDates(None, None, None, 0.0, (0.0,) * 10))
    decision = Decision(Kind.MOVED, date(2027, 7, 26), was=date(2027, 5, 20), beyond_horizon=True)
    text = start_text(templates, decision, outlook, setting_of(language="es")).text
    assert "nueva fecha de corte: después del lun 26 jul, antes jue 20 may" in text


@pytest.mark.parametrize("phrase", ["mañana", "mié", "qué", "Ñandú", "¿Ya?"])
def test_what_the_alphabet_holds_of_spanish_stays(phrase: str) -> None:
    # 3GPP TS 23.038, GSM 7 bit default alphabet: é, ñ, ü, ¿ and ¡ are in it; á, í, ó and ú are not.
    kept = phrase.replace("ú", "u")
    assert clean(phrase) == kept


def test_every_spanish_phrase_is_readable_without_the_accents_a_text_loses() -> None:
    for entry, phrase in read_words(MESSAGES / "es" / "words.toml").items():
        assert "?" not in clean(phrase), entry
        assert len(clean(phrase)) == len(phrase), entry


# --------------------------------------------------------------------- sampling


DUE = [("Los Sauces", ["La Loma", "El Bajo"]), ("Rancho Las Palmas", ["El Llano"])]


def test_spanish_clip_text(templates: Templates) -> None:
    letter = sample_due(templates, "es", DUE, date(2027, 5, 13), time(8), MARK, by_text=True)
    assert letter.text == (
        "Cutcall: tome muestra mañana, jue 13 may, antes de las 8 am: Los Sauces (La Loma, El "
        f"Bajo); Rancho Las Palmas (El Llano). {MARK}"
    )
    assert count(letter.text).parts == 1
    assert letter.subject == "Tome muestra de 3 lotes el jue 13 may"


def test_spanish_clip_text_of_many_farms_says_how_many_more(templates: Templates) -> None:
    many = [(f"Rancho {n}", [f"Lote {k}" for k in range(6)]) for n in range(40)]
    text = sample_due(templates, "es", many, date(2027, 5, 13), time(8), MARK, by_text=True).text
    assert count(text).parts <= 2
    assert re.search(r"Rancho \d+ \(6 lotes\) y \d+ lotes mas\. #", text)
    assert ENGLISH_WORDS.findall(text) == []


def test_spanish_text_on_silence(
    templates: Templates, outlook_of: Callable[..., FarmOutlook]
) -> None:
    outlook = outlook_of(**RANCHES["un lote"])
    letter = no_results(templates, "es", outlook, outlook.fields, TODAY, MARK)
    assert letter.text == (
        "Cutcall Rancho Las Palmas: sin resultado de El Llano desde el 11 may y el corte se acerca "
        f"(probable 13-21 may). Tome muestra o mida tallos, por favor. {MARK}"
    )
    assert count(letter.text).parts == 1
    assert letter.subject == "Rancho Las Palmas: sin resultado nuevo y la fecha está cerca"


# ---------------------------------------------------------------------- emails


class Shown(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []

    def handle_data(self, data: str) -> None:
        self.said.append(data)


def shown(html: str) -> str:
    page = Shown()
    page.feed(html)
    return " ".join(page.said)


@pytest.mark.parametrize("kind", DECISIONS)
@pytest.mark.parametrize("farm", RANCHES)
@pytest.mark.parametrize("setting", ["haylage", "dry hay"])
def test_spanish_email_holds_no_english_word_plain_or_as_html(
    kind: str, farm: str, setting: str, written: Callable[..., Letter], templates: Templates
) -> None:
    letter = written(kind, RANCHES[farm], setting, rain=spanish_rain(templates), by_email=True)
    page = shown(letter.html)
    for said in (letter.subject, letter.text, page):
        assert ENGLISH_WORDS.findall(said) == []
    assert '<html lang="es">' in letter.html
    assert letter.text.startswith(f"{letter.subject}\n")
    assert set(re.findall(r"\d+(?:\.\d+)?", page)) <= set(re.findall(r"\d+(?:\.\d+)?", letter.text))
    for caution in templates.cautions("es", HarvestMethod.HAYLAGE)[:3]:
        assert caution in letter.text
        assert caution in page


def test_spanish_email_on_late_regrowth_and_dry_days_holds_no_english_word(
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    outlook = replace(outlook_of(**RANCHES["un lote"]), cutting=4, follows_heat=True)
    given = replace(
        setting_of(language="es", unsubscribe_url="https://cutcall.example.org/s/x"),
        dry_from=date(2027, 5, 14),
        dry_days=3,
        fall_from=TODAY,
    )
    text = start_email(templates, DECISIONS["coming"][0], outlook, given).text
    assert "Los primeros 3 días secos seguidos del pronóstico empiezan el vie 14 may." in text
    assert "Rebrote" in text
    assert "helada" in text
    assert "Terminar estos correos: https" in text
    assert ENGLISH_WORDS.findall(text) == []


@pytest.mark.parametrize(
    ("ranch", "words"),
    [
        # 160 + 25 = 185; 185 + 2 days x 4.0 = 193
        ("un lote", ("RFV 160", "25 puntos", "la última carga", "185", "2 días", "RFV 193")),
        # 44 - 2.5 = 41.5; 41.5 - 2 x 0.6 = 40.3
        ("NDF", ("NDF 44", "suma unas 2.5 unidades", "41.5", "0.6", "cerca de NDF 40.3")),
    ],
)
def test_spanish_email_gives_the_sum_in_words(
    ranch: str, words: tuple[str, ...], written: Callable[..., Letter]
) -> None:
    text = written("coming", RANCHES[ranch], by_email=True).text
    for expected in words:
        assert expected in text, text


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("coming", "El Rancho: empiece a cortar hacia el dom 16 may"),
        ("moved", "El Rancho: nueva fecha de corte: mar 18 may; antes sáb 15 may"),
        ("start tomorrow", "El Rancho: empiece a cortar mañana, jue 13 may"),
        (
            "start moved near",
            "El Rancho: empiece a cortar mañana, jue 13 may, en vez del dom 16 may",
        ),
        ("late start", "El Rancho: empiece a cortar ya, el día era el mar 11 may"),
        ("past", "El Rancho: La Loma ya pasó su meta de RFV"),
    ],
)
def test_spanish_subject_keeps_its_accents(
    kind: str, line: str, written: Callable[..., Letter]
) -> None:
    ranch = {"farm": "El Rancho", "fields": ("La Loma",)}
    assert written(kind, ranch, by_email=True).subject == line
