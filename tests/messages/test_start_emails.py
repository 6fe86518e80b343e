from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
from situations import DECISIONS, FARMS, MARK, TODAY

from alerts.domain.outlook import FarmOutlook, StartDates
from alerts.domain.records import HarvestMethod, Index, WhichLoad
from alerts.messages.arithmetic import arithmetic, field_arithmetic
from alerts.messages.start_messages import Setting, headline, start_email
from alerts.messages.templates import Templates


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
    table = letter.text.partition("What waiting costs and buys")[2]
    rows = re.findall(
        r"^(\w+ \w+ \d+): standing (\d+) \((\d+)-(\d+)\), last load stored at about (\d+), "
        r"(\d+) lb more .*target (.+ %)$",
        table,
        re.M,
    )
    assert [row[-1] for row in rows] == [
        *("under 1 %", "7 %", "14 %", "24 %", "36 %", "48 %", "59 %", "69 %")
    ]
    assert [row[0] for row in rows][:2] == ["Wed May 12", "Thu May 13"]
    days = outlook.tightest.days
    for k, (_, standing, low, high, stored, gained, _) in enumerate(rows):
        assert [standing, low, high] == [
            f"{v:.0f}" for v in (days[k].median, days[k].low, days[k].high)
        ]
        # the last load, two days later, not what stands on the day of the start
        assert int(stored) == round(outlook.start.load[k] - outlook.farm.handling_loss)
        assert int(gained) == 100 * k
        for cell in (standing, stored, gained):
            assert f">{cell}<" in letter.html


def test_email_says_which_load_is_stored(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], setting_of: Callable[..., Setting]
) -> None:
    decision = DECISIONS["coming"][0]
    for which_load, says in (
        (WhichLoad.LAST, "Last load stored"),
        (WhichLoad.AVERAGE, "Crop stored, average"),
    ):
        letter = start_email(templates, decision, outlook_of(which_load=which_load), setting_of())
        assert f">{says}</th>" in letter.html


def test_sum_of_a_field_counts_its_own_days_and_the_farms_all_of_them(
    outlook_of: Callable[..., FarmOutlook],
) -> None:
    # our arithmetic: 4 points a day, 185 at the last load; three days from 197, one day from 189
    outlook = outlook_of(fields=("Hill", "Creek Piece", "Moss"), harvest_days=3.0)
    assert "the harvest takes 3 days: start near RFV 197" in arithmetic(outlook)
    assert field_arithmetic(outlook, outlook.fields[1]).endswith(
        "Creek Piece takes about 1 of the 3 days and loses about 4.0 points a day: "
        "start it near RFV 189."
    )
    rest = replace(outlook, fields=outlook.fields[1:], under_way=True)
    assert "what still stands takes 2 days: start near RFV 193" in arithmetic(rest)
    single = outlook_of(harvest_days=3.0)
    assert field_arithmetic(single, single.tightest) == arithmetic(single)


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
            "Windfall Acres: start cutting tomorrow, Thu May 13, instead of Sun May 16",
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
    assert "1. East: if it were the only field, by Sun May 16 (likely May 13-21); " in letter.text
    assert (
        "2. West: if it were the only field, later; RFV 205 on May 11, 3 results\n" in letter.text
    )
    assert "not in sight" not in letter.text + letter.html
