from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from html.parser import HTMLParser
from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alerts.domain.decision import Decision, Kind
from alerts.domain.outlook import FarmOutlook, StartDates
from alerts.domain.records import HarvestMethod, Index, WhichLoad
from alerts.messages import wording
from alerts.messages.segments import count, is_gsm7
from alerts.messages.start_messages import (
    Setting,
    arithmetic,
    fit,
    headline,
    start_email,
    start_text,
)
from alerts.messages.templates import Templates

MARK = "#K7Q2B"
TODAY = date(2027, 5, 12)

LONG = "The upper meadow behind the old stone barn beside the county road, north half, lot 7"
FARMS: dict[str, dict[str, Any]] = {
    "one field": {},
    "three fields": {"farm": "Alder Bottom", "fields": ("Hill Top", "North 40", "Creek Piece")},
    "nine fields": {"farm": "Alder Bottom", "fields": [f"Paddock {n}" for n in range(1, 10)]},
    "long names": {"farm": f"Farm of {LONG}", "fields": [f"{LONG} {n}" for n in range(5)]},
    "accents": {"farm": "Sœur Thérèse Łuczak", "fields": ("Çà et là", "Ó Súilleabháin")},
    "look-alikes": {"farm": "O’Brien – “Home”…", "fields": ("½ section™", "North\u00a040")},
    "doubling look-alikes": {"farm": "™" * 30, "fields": ("®" * 30, "…" * 30)},
    "no letter of ours": {"farm": "草地 🌿 1", "fields": ("東 2",)},
    "two-septet names": {"farm": "€" * 40, "fields": ("[North]" * 9, "|" * 40)},
    "line breaks": {"farm": "Two\nLines", "fields": ("Tab\tbed",)},
    "NDF": {"index": Index.NDF, "fields": ("Barn Field", "Marsh Side")},
    "RFQ": {"index": Index.RFQ},
    "average load": {"which_load": WhichLoad.AVERAGE, "harvest_days": 4.0},
    "half a day": {"harvest_days": 0.5},
    "stands in": {"stands_in": "Far Bottom"},
}
SETTINGS: dict[str, dict[str, Any]] = {
    "haylage": {},
    "dry hay": {"method": HarvestMethod.DRY_HAY},
    "first text": {"first_text": True},
    "first text of dry hay": {"first_text": True, "method": HarvestMethod.DRY_HAY},
}


def day(offset: int) -> date:
    return TODAY + timedelta(days=offset)


# Each kind as the decision makes it, and the farm's start dates in days from today.
DECISIONS: dict[str, tuple[Decision, tuple[int, int, int]]] = {
    "coming": (Decision(Kind.COMING, day(4)), (1, 4, 9)),
    "moved": (Decision(Kind.MOVED, day(6), was=day(3)), (2, 6, 11)),
    "moved into sight again": (Decision(Kind.MOVED, day(2), was=day(-3)), (-1, 2, 5)),
    "start today": (Decision(Kind.START, TODAY), (-2, 0, 4)),
    "start tomorrow": (Decision(Kind.START, day(1)), (-2, 1, 6)),
    "start with more lead": (Decision(Kind.START, day(3)), (0, 3, 7)),
    "start moved near": (Decision(Kind.START, day(1), was=day(4)), (-2, 1, 6)),
    "late start": (Decision(Kind.START, day(-1)), (-4, -1, 2)),
    "late start moved": (Decision(Kind.START, day(-1), was=day(2)), (-4, -1, 2)),
    "start long late": (Decision(Kind.START, day(-6)), (-9, -6, -3)),
    "past": (Decision(Kind.PAST, day(-3)), (-7, -3, 0)),
}
ALL = list(product(DECISIONS, FARMS, SETTINGS))


@pytest.fixture
def texted(
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
    start_dates: Callable[..., StartDates],
) -> Callable[..., tuple[str, FarmOutlook, Decision]]:
    """The text of a kind for a farm under a setting, with what it was made of."""

    def write(kind: str, farm: str, setting: str = "haylage") -> tuple[str, FarmOutlook, Decision]:
        decision, around = DECISIONS[kind]
        outlook = outlook_of(**FARMS[farm], start=start_dates(*around))
        if decision.kind is Kind.PAST:
            level = 171.6 if outlook.farm.index.falls else 46.24
            first = outlook.tightest
            tight = replace(first, days=(replace(first.days[0], median=level),))
            outlook = replace(outlook, fields=(tight, *outlook.fields[1:]))
        letter = start_text(templates, decision, outlook, setting_of(**SETTINGS[setting]))
        return letter.text, outlook, decision

    return write


# ------------------------------------------------------------------------ the text


@pytest.mark.parametrize(("kind", "farm", "setting"), ALL, ids=lambda value: str(value))
def test_text_is_gsm7_in_two_parts_and_ends_with_its_mark(
    kind: str, farm: str, setting: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    text, _, _ = texted(kind, farm, setting)
    assert is_gsm7(text)
    assert count(text).parts <= 2
    assert text.endswith(f" {MARK}")
    assert text.startswith("Cutcall ")
    assert "\n" not in text
    assert "  " not in text


@pytest.mark.parametrize(("kind", "farm", "setting"), ALL, ids=lambda value: str(value))
def test_text_says_date_range_and_numbers_and_the_date_first(
    kind: str, farm: str, setting: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    text, outlook, decision = texted(kind, farm, setting)
    field = outlook.tightest
    target = wording.number(field.standing_target)
    if decision.kind is Kind.PAST:
        standing = "NDF 46.2" if field.index is Index.NDF else f"{field.index.label} 172"
        feed = wording.number(outlook.farm.feed_target)
        in_order = [standing, "on Wed May 12", target, f"store {feed}", "ask your adviser"]
    else:
        date_told = wording.full_day(decision.start_on)
        likely = wording.day_range(outlook.start.p10, outlook.start.p90, TODAY)
        assert field.last_value is not None
        latest = wording.reading(field.index, field.last_value)
        in_order = [date_told, f"(likely {likely})", f"{latest} on May 11", target]
    places = [text.index(words) for words in in_order]
    assert places == sorted(places), text


@pytest.mark.parametrize(("kind", "farm", "setting"), ALL, ids=lambda value: str(value))
def test_text_has_no_hole_and_no_typographers_character(
    kind: str, farm: str, setting: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    text, _, _ = texted(kind, farm, setting)
    wrong = ["{", "}", "None", "nan", "()", "—", "–", "’", "…", ",,"]
    if farm not in ("doubling look-alikes", "two-septet names"):  # made of punctuation
        wrong += [" ,", " .", ".. ", ". ."]
    for found in wrong:
        assert found not in text, (found, text)


# All but the rare one that has to say two dates gone wrong.
@pytest.mark.parametrize("kind", [kind for kind in DECISIONS if kind != "late start moved"])
@pytest.mark.parametrize("index", ["one field", "RFQ", "average load", "half a day"])
def test_text_of_a_usual_farm_with_one_field_takes_one_part(
    kind: str, index: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    text, _, _ = texted(kind, index)
    assert count(text).parts == 1, text


def test_first_text_of_a_usual_farm_with_one_field_takes_one_part(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("coming", "one field", "first text")
    assert count(text).parts == 1, text


@pytest.mark.parametrize("kind", DECISIONS)
def test_first_text_says_how_to_stop_and_later_ones_do_not(
    kind: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    # CTIA (2023), Messaging Principles and Best Practices, 5.1.2: the first message of a program
    # carries the opt-out wording.
    assert "Reply STOP to end, HELP for help." in texted(kind, "one field", "first text")[0]
    assert "STOP" not in texted(kind, "one field")[0]


@pytest.mark.parametrize("kind", ["start today", "start tomorrow", "late start", "past"])
def test_text_to_cut_dry_hay_carries_the_heating_caution(
    kind: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    assert "Bale dry; probe stored hay for heat." in texted(kind, "one field", "dry hay")[0]
    assert "Bale dry" not in texted(kind, "one field")[0]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("coming", "start cutting about Sun May 16 (likely May 13-21)."),
        ("moved", "start date is now Tue May 18 (likely May 14-23), was Sat May 15."),
        ("start today", "start cutting today, Wed May 12 (likely now to May 16)."),
        ("start tomorrow", "start cutting tomorrow, Thu May 13 (likely now to May 18)."),
        ("start with more lead", "start cutting on Sat May 15 (likely now to May 19)."),
        ("start moved near", "Thu May 13 (likely now to May 18), not Sun May 16 as told."),
        (
            "late start",
            "start cutting now. The day to start was Tue May 11 (likely now to May 14).",
        ),
        ("late start moved", "was Tue May 11 (likely now to May 14), not Fri May 14 as told."),
        ("start long late", "The day to start was Thu May 6 (likely now or before)."),
        ("past", "Long Strip is about RFV 172 on Wed May 12, under the 185 needed to store 160."),
    ],
)
def test_text_puts_each_kind_into_plain_words(
    kind: str, words: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    # Days of the week: 12 May 2027 is a Wednesday (any calendar).
    assert words in texted(kind, "one field")[0]


def test_text_names_the_fields_in_harvest_order(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("start tomorrow", "three fields")
    assert ", Hill Top first, then North 40, Creek Piece." in text
    assert "to store 160, 2-day harvest" in text  # two parts leave room for all the reasons


def test_late_text_names_the_fields_before_the_date(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("late start", "three fields")
    assert "start cutting now, Hill Top first, then North 40, Creek Piece. The day" in text


def test_text_of_nine_fields_says_how_many_it_does_not_name(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("coming", "nine fields")
    assert "Paddock 1 first, then " in text
    named = set(re.findall(r"Paddock \d", text))
    (more,) = re.findall(r"and (\d) more", text)
    assert len(named) + int(more) == 9


def test_text_names_the_field_that_stands_in(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    assert "Far Bottom RFV 205 on May 11" in texted("coming", "stands in")[0]


def test_text_for_ndf_calls_the_target_a_limit(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("start moved near", "NDF")
    assert "Barn Field NDF 36.4 on May 11; limit 41.5 standing to store 44, 2-day harvest" in text
    past, _, _ = texted("past", "NDF")
    assert "Barn Field is about NDF 46.2 on Wed May 12, over the 41.5 needed to store 44" in past


def test_text_keeps_long_names_short_but_recognisable(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("coming", "long names")
    assert text.startswith("Cutcall Farm of The up..f, lot 7: start")
    assert "The upper mead..lot 7 0 first, then The upper mead..lot 7 1" in text


def test_text_keeps_accents_that_gsm7_holds(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    # GSM 7 bit default alphabet, 3GPP TS 23.038: é, à and è have a place; œ, Ł, Ó and ç do not.
    text, _, _ = texted("coming", "accents")
    assert "Soeur Thérèse Luczak" in text
    assert "Çà et là" in text
    assert "O Suilleabhain" in text


@pytest.mark.parametrize("farm", FARMS)
def test_date_beyond_the_horizon_is_called_after_and_not_about(
    farm: str,
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    unseen = StartDates(None, None, None, 0.0, (0.0,) * 10)
    outlook = outlook_of(**FARMS[farm], start=unseen)
    decision = Decision(Kind.MOVED, date(2027, 7, 26), was=date(2027, 5, 20), beyond_horizon=True)
    text = start_text(templates, decision, outlook, setting_of()).text
    assert "start date is now after Mon Jul 26, was Thu May 20" in text
    assert "likely" not in text
    assert count(text).parts <= 2
    assert text.endswith(MARK)


def test_date_with_an_open_late_end_says_or_later(
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    start = StartDates(date(2027, 5, 15), date(2027, 6, 2), None, 0.2, (0.1,) * 10)
    decision = Decision(Kind.MOVED, date(2027, 6, 2), was=date(2027, 5, 20))
    text = start_text(templates, decision, outlook_of(start=start), setting_of()).text
    assert "now Wed Jun 2 (likely May 15 or later), was Thu May 20" in text


name_texts = st.text(
    alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="{}"),
    min_size=1,
    max_size=90,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(farm=name_texts, fields=st.lists(name_texts, min_size=1, max_size=12))
def test_text_fits_whatever_the_names(
    farm: str,
    fields: list[str],
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    outlook = outlook_of(farm=farm, fields=fields)
    setting = setting_of(first_text=True, method=HarvestMethod.DRY_HAY)
    for decision, _ in DECISIONS.values():
        text = start_text(templates, decision, outlook, setting).text
        assert is_gsm7(text)
        assert count(text).parts <= 2
        assert text.endswith(f" {MARK}")


def test_fit_takes_the_first_of_one_part_then_of_two_then_the_last() -> None:
    one, two, three = "a" * 160, "b" * 300, "c" * 400
    assert fit([three, two, one]) == one
    assert fit([three, two, "b" * 200]) == two
    assert fit([three, "c" * 500]) == "c" * 500


# ----------------------------------------------------------------------- the email


class Words(HTMLParser):
    """The words of a page as a person reads them."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name == "href" and value]

    def handle_data(self, data: str) -> None:
        self.said.append(data)


def read(html: str) -> Words:
    words = Words()
    words.feed(html)
    words.close()
    return words


def dates_in(text: str) -> set[str]:
    month = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
    return set(re.findall(rf"(?:{month}) \d+(?:-(?:(?:{month}) )?\d+)?", text))


def numbers_in(text: str) -> set[str]:
    return set(re.findall(r"\d+(?:\.\d+)?", text))


@pytest.mark.parametrize("kind", DECISIONS)
@pytest.mark.parametrize("farm", ["one field", "three fields", "nine fields", "NDF", "stands in"])
def test_email_says_the_same_dates_and_numbers_plain_and_as_html(
    kind: str,
    farm: str,
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
    start_dates: Callable[..., StartDates],
) -> None:
    decision, around = DECISIONS[kind]
    outlook = outlook_of(**FARMS[farm], start=start_dates(*around))
    letter = start_email(templates, decision, outlook, setting_of())
    body = letter.html.partition("</title>")[2]
    shown = " ".join(read(body).said)
    assert dates_in(letter.text) == dates_in(shown) != set()
    places = {str(n) for n in range(1, 1 + len(outlook.fields))}  # only the plain list is numbered
    assert numbers_in(shown) <= numbers_in(letter.text) <= numbers_in(shown) | places
    assert letter.subject == headline(decision, outlook, TODAY)
    assert letter.text.startswith(f"{letter.subject}\n")
    assert f"<title>{letter.subject}</title>" in letter.html
    assert letter.text.rstrip().endswith(MARK)
    assert MARK in shown
    for wrong in ("None", "{", "}", "()"):
        assert wrong not in letter.text
        assert wrong not in body


def test_email_escapes_names_in_html_only(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], setting_of: Callable[..., Setting]
) -> None:
    farm, field = '<script>alert("x")</script> farm', "North & <b>South</b>"
    outlook = outlook_of(farm=farm, fields=(field,))
    letter = start_email(templates, DECISIONS["coming"][0], outlook, setting_of())
    assert "&lt;script&gt;alert(" in letter.html
    assert "North &amp; &lt;b&gt;South&lt;/b&gt;" in letter.html
    page = read(letter.html)
    assert "script" not in page.tags
    assert "b" not in page.tags
    assert farm in letter.subject
    assert field in letter.text


def test_email_shows_what_waiting_costs_day_by_day(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], setting_of: Callable[..., Setting]
) -> None:
    outlook = outlook_of()
    letter = start_email(templates, DECISIONS["coming"][0], outlook, setting_of())
    rows = ["Wed May 12: under 1 %", "Thu May 13: 7 %", "Fri May 14: 14 %", "Sat May 15: 24 %"]
    rows += ["Sun May 16: 36 %", "Mon May 17: 48 %", "Tue May 18: 59 %", "Wed May 19: 69 %"]
    shown = letter.text.partition("by start day:")[2].strip().splitlines()[: len(rows)]
    assert [line.strip() for line in shown] == rows
    cells = re.findall(r"<th scope=\"row\"[^>]*>([^<]*)</th>\s*<td[^>]*>([^<]*%)</td>", letter.html)
    assert [f"{day_of}: {chance}" for day_of, chance in cells] == rows


@pytest.mark.parametrize(
    ("method", "own"),
    [
        (HarvestMethod.HAYLAGE, "Ensile at the moisture"),
        (HarvestMethod.BALEAGE, "Bale and wrap at the moisture"),
        (HarvestMethod.DRY_HAY, "from 150 F check twice a day"),
    ],
)
def test_email_carries_the_cautions_of_its_harvest_method(
    method: HarvestMethod,
    own: str,
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    letter = start_email(
        templates, DECISIONS["start today"][0], outlook_of(), setting_of(method=method)
    )
    for body in (letter.text, letter.html):
        assert own in body
        assert "rain on cut hay" in body
        assert "your nutritionist" in body
        assert "Power off" in body
    others = {"Ensile at", "Bale and wrap", "from 150 F"} - {own[:9], own[:13], own[:10]}
    assert len(others) == 2
    assert not any(other in letter.text for other in others)


def test_email_links_to_stop_only_where_there_is_a_page_for_it(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], setting_of: Callable[..., Setting]
) -> None:
    url = "https://cutcall.example.org/stop/abc.def?x=1&y=2"
    decision = DECISIONS["coming"][0]
    with_link = start_email(templates, decision, outlook_of(), setting_of(unsubscribe_url=url))
    assert f"Stop these emails: {url}\n" in with_link.text
    assert read(with_link.html).links == [url]
    without = start_email(templates, decision, outlook_of(), setting_of())
    assert "Stop these" not in without.text + without.html


@pytest.mark.parametrize(
    ("case", "words"),
    [
        # 160 + 25 = 185; 185 + 2 days x 4.0 = 193
        (
            {},
            ("RFV 160", "loses about 25 points", "the last load must", "185", "start near RFV 193"),
        ),
        # the average load is cut half way: 185 + 4 / 2 x 4.0 = 193
        (
            {"which_load": WhichLoad.AVERAGE, "harvest_days": 4.0},
            ("the average of the crop must", "takes 4 days", "start near RFV 193"),
        ),
        # 165 + 15 = 180; 180 + 1 x 4.1 = 184.1
        ({"index": Index.RFQ, "harvest_days": 1.0}, ("180", "takes 1 day:", "start near RFQ 184")),
        # 44 - 2.5 = 41.5; 41.5 - 2 x 0.6 = 40.3
        ({"index": Index.NDF}, ("NDF 44", "adds about 2.5 units", "41.5", "start near NDF 40.3")),
    ],
)
def test_arithmetic_gives_the_sum_in_words(
    case: dict[str, Any], words: tuple[str, ...], outlook_of: Callable[..., FarmOutlook]
) -> None:
    said = arithmetic(outlook_of(**case))
    for expected in words:
        assert expected in said, said


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("coming", "Windfall Acres: start cutting about Sun May 16"),
        ("moved", "Windfall Acres: start date moved to Tue May 18, was Sat May 15"),
        ("start today", "Windfall Acres: start cutting today, Wed May 12"),
        ("start tomorrow", "Windfall Acres: start cutting tomorrow, Thu May 13"),
        ("start with more lead", "Windfall Acres: start cutting on Sat May 15"),
        (
            "start moved near",
            "Windfall Acres: start cutting tomorrow, Thu May 13, not Sun May 16 as told",
        ),
        ("late start", "Windfall Acres: start cutting now, the day to start was Tue May 11"),
        ("past", "Windfall Acres: Long Strip is already past its RFV target"),
    ],
)
def test_headline_says_date_and_farm(
    kind: str, line: str, outlook_of: Callable[..., FarmOutlook]
) -> None:
    assert headline(DECISIONS[kind][0], outlook_of(), TODAY) == line


def test_email_of_a_field_not_in_sight_says_later_without_a_range(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], setting_of: Callable[..., Setting]
) -> None:
    outlook = outlook_of(fields=("East", "West"))
    unseen = replace(outlook.fields[1], start=StartDates(None, None, None, 0.0, (0.0,)))
    outlook = replace(outlook, fields=(outlook.fields[0], unseen))
    letter = start_email(templates, DECISIONS["coming"][0], outlook, setting_of())
    assert "2. West: latest start later; RFV 205 on May 11, 3 results\n" in letter.text
    assert "not in sight" not in letter.text + letter.html
