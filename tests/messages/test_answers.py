"""Answers to texts, on invented farms: short whatever the names are, the date first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from situations import FARMS, TODAY

from alerts.domain.outlook import FarmOutlook, StartDates
from alerts.messages import answers
from alerts.messages.answers import FarmSaid
from alerts.messages.segments import Encoding, count
from alerts.messages.templates import Templates

Build = Callable[..., FarmOutlook]
USUAL = ("one field", "three fields", "NDF", "RFQ", "average load", "half a day")


def said_of(templates: Templates, language: str, outlook: FarmOutlook) -> dict[str, str]:
    farm = FarmSaid(outlook.farm.name, outlook)
    held = FarmSaid(outlook.farm.name, outlook, TODAY + timedelta(days=3))
    other = FarmSaid("Second Farm", outlook)
    until = TODAY + timedelta(days=5)
    return {
        "when": answers.when(templates, language, [farm], TODAY),
        "when held": answers.when(templates, language, [held], TODAY),
        "when of three": answers.when(templates, language, [farm, other, held], TODAY),
        "when field": answers.when_field(templates, language, farm, outlook.fields[-1], TODAY),
        "why": answers.why(templates, language, farm, TODAY),
        "wait": answers.wait(templates, language, [farm], until, 5),
        "wait asked about": answers.wait(templates, language, [farm], until, 5, ask_for=5),
        "wait of two": answers.wait(templates, language, [farm, other], until, 5),
    }


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("name", FARMS)
def test_no_answer_takes_more_than_two_parts(
    templates: Templates, outlook_of: Build, start_dates: Callable[..., StartDates],
    language: str, name: str,
) -> None:  # fmt: skip
    said = said_of(templates, language, outlook_of(**FARMS[name], start=start_dates(1, 4, 9)))
    sizes = {kind: count(text) for kind, text in said.items()}
    assert {size.encoding for size in sizes.values()} == {Encoding.GSM_7}
    assert {kind: size.parts for kind, size in sizes.items() if size.parts > 2} == {}


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("name", USUAL)
@pytest.mark.parametrize("kind", ["when", "when field", "why", "wait", "wait asked about"])
def test_usual_answer_takes_one_part(
    templates: Templates, outlook_of: Build, start_dates: Callable[..., StartDates],
    language: str, name: str, kind: str,
) -> None:  # fmt: skip
    said = said_of(templates, language, outlook_of(**FARMS[name], start=start_dates(1, 4, 9)))[kind]
    assert count(said).parts == 1, said


@pytest.mark.parametrize(
    ("days", "says"),
    [
        ((1, 4, 9), "start about Sun May 16 (likely May 13-21)"),
        ((0, 2, 5), "start about Fri May 14 (likely now to May 17)"),
        ((-3, 1, 5), "start tomorrow, Thu May 13 (likely now to May 17)"),
        ((-3, 0, 5), "start today, Wed May 12 (likely now to May 17)"),
        ((-5, -2, 1), "start now, the day to start was Mon May 10"),
    ],
)
def test_when_says_the_date_first(
    templates: Templates, outlook_of: Build, start_dates: Callable[..., StartDates],
    days: tuple[int, int, int], says: str,
) -> None:  # fmt: skip
    outlook = outlook_of(start=start_dates(*days))
    said = answers.when(templates, "en", [FarmSaid("Windfall Acres", outlook)], TODAY)
    assert said.startswith(f"Windfall Acres: {says}")


def test_when_says_tomorrow_in_spanish_too(
    templates: Templates, outlook_of: Build, start_dates: Callable[..., StartDates]
) -> None:
    outlook = outlook_of(start=start_dates(-3, 1, 5))
    said = answers.when(templates, "es", [FarmSaid("Windfall Acres", outlook)], TODAY)
    assert said.startswith("Windfall Acres: empiece mañana, jue 13 may (")


def test_when_of_a_rough_outlook_says_no_date(templates: Templates, outlook_of: Build) -> None:
    rough = replace(outlook_of(), rough=True)
    said = answers.when(templates, "en", [FarmSaid("Windfall Acres", rough)], TODAY)
    assert "no start date yet" in said
    assert "May" not in said


def test_when_of_a_farm_past_its_target_says_so(templates: Templates, outlook_of: Build) -> None:
    outlook = outlook_of()
    field = replace(outlook.fields[0], meets_today=0.2)
    past = replace(outlook, fields=(field,))
    said = answers.when(templates, "en", [FarmSaid("Windfall Acres", past)], TODAY)
    assert "Long Strip is past its target" in said


def test_waiting_is_that_of_the_farm_due_first(
    templates: Templates, outlook_of: Build, start_dates: Callable[..., StartDates]
) -> None:
    soon = FarmSaid("Soon", outlook_of(farm="Soon", fields=("A",), start=start_dates(0, 1, 2)))
    late = FarmSaid("Late", outlook_of(farm="Late", fields=("B",), start=start_dates(5, 9, 12)))
    said = answers.wait(templates, "en", [late, soon], TODAY + timedelta(days=2), 2)
    assert "A near RFV" in said
    assert "14 %" in said  # third of the invented chances


def test_sum_of_an_index_that_rises_speaks_of_a_limit(
    templates: Templates, outlook_of: Build
) -> None:
    outlook = outlook_of(**FARMS["NDF"])
    said = answers.why(templates, "en", FarmSaid("Windfall Acres", outlook), TODAY)
    assert "gains 0.6 a day, limit 41.5" in said
    assert "to store 44" in said
