from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alerts.domain.outlook import FarmOutlook, StartDates
from alerts.messages.letters import Letter
from alerts.messages.sampling import no_results, sample_due
from alerts.messages.segments import count, is_gsm7
from alerts.messages.templates import Templates

MARK = "#K7Q2B"
DAY = date(2027, 5, 13)  # a Thursday
ONE = [("Windfall Acres", ["Long Strip"])]
SOME = [("Alder Bottom", ["Creek Piece", "Hill Top", "North 40"]), ("Cold Spring", ["Ledge"])]
MANY = [(f"Farm {n}", [f"Paddock {n}-{k}" for k in range(1, 6)]) for n in range(1, 31)]


@pytest.fixture
def due(templates: Templates) -> Callable[..., Letter]:
    def write(fields: list[tuple[str, list[str]]], *, by_text: bool) -> Letter:
        return sample_due(templates, "en", fields, DAY, time(8), MARK, by_text=by_text)

    return write


@pytest.mark.parametrize("fields", [ONE, SOME, MANY], ids=["one", "some", "many"])
def test_clip_text_says_day_and_hour_in_two_parts_at_most(
    fields: list[tuple[str, list[str]]], due: Callable[..., Letter]
) -> None:
    text = due(fields, by_text=True).text
    assert text.startswith("Cutcall: clip tomorrow, Thu May 13, before 8 am: ")
    assert is_gsm7(text)
    assert count(text).parts <= 2
    assert text.endswith(f" {MARK}")
    assert "\n" not in text


def test_clip_text_of_one_field_takes_one_part(due: Callable[..., Letter]) -> None:
    text = due(ONE, by_text=True).text
    assert count(text).parts == 1
    assert "Windfall Acres (Long Strip)." in text


def test_clip_text_names_fields_under_their_farm(due: Callable[..., Letter]) -> None:
    text = due(SOME, by_text=True).text
    assert "Alder Bottom (Creek Piece, Hill Top, North 40); Cold Spring (Ledge)." in text


def test_clip_text_that_cannot_name_all_says_how_many_more(due: Callable[..., Letter]) -> None:
    text = due(MANY, by_text=True).text
    shown = text.count("(5 fields)")
    assert 0 < shown < 30
    assert f"and {5 * (30 - shown)} fields more." in text


@pytest.mark.parametrize("fields", [ONE, SOME, MANY], ids=["one", "some", "many"])
def test_clip_email_names_every_field_a_farm_to_a_line(
    fields: list[tuple[str, list[str]]], due: Callable[..., Letter]
) -> None:
    lines = due(fields, by_text=False).text.splitlines()
    assert lines[0] == "Cutcall: clip tomorrow, Thu May 13, before 8 am:"
    told = [line.strip().rstrip(".") for line in lines[1 : 1 + len(fields)]]
    assert told == [f"{farm}: {', '.join(names)}" for farm, names in fields]
    assert lines[-1] == MARK


def test_clip_subject_counts_the_fields(due: Callable[..., Letter]) -> None:
    assert due(ONE, by_text=False).subject == "Clip 1 field on Thu May 13"
    assert due(SOME, by_text=False).subject == "Clip 4 fields on Thu May 13"


words = st.text(alphabet=st.characters(exclude_categories=["Cs"]), min_size=1, max_size=90)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(
    fields=st.lists(
        st.tuples(words, st.lists(words, min_size=1, max_size=12)), min_size=1, max_size=20
    )
)
def test_clip_text_fits_whatever_the_names(
    fields: list[tuple[str, list[str]]], due: Callable[..., Letter]
) -> None:
    text = due(fields, by_text=True).text
    assert is_gsm7(text)
    assert count(text).parts <= 2
    assert text.endswith(f" {MARK}")


# -------------------------------------------------------------------- gone silent


@pytest.fixture
def silent(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], today: date
) -> Callable[..., Letter]:
    """The letter on fields whose last results are of these days."""

    def write(last_on: dict[str, date], farm: str = "Windfall Acres") -> Letter:
        outlook = outlook_of(farm=farm, fields=list(last_on))
        fields = [replace(f, last_on=last_on[f.name]) for f in outlook.fields]
        return no_results(templates, "en", outlook, fields, today, MARK)

    return write


def test_silence_text_names_field_last_result_and_range(silent: Callable[..., Letter]) -> None:
    letter = silent({"Long Strip": date(2027, 5, 3)})
    assert letter.text == (
        "Cutcall Windfall Acres: no result from Long Strip since May 3, and the start date is near "
        f"(likely May 13-21). Please clip or read stems there. {MARK}"
    )
    assert count(letter.text).parts == 1
    assert letter.subject == "Windfall Acres: no new result, start date near"


def test_silence_text_of_two_fields_is_true_of_both(silent: Callable[..., Letter]) -> None:
    text = silent({"North": date(2027, 5, 3), "South": date(2027, 5, 5)}).text
    assert "no result from North, South since May 5" in text


def test_silence_text_of_many_fields_with_long_names_fits(silent: Callable[..., Letter]) -> None:
    names = {f"€ The upper meadow behind the stone barn {n}": date(2027, 5, 3) for n in range(9)}
    text = silent(names, farm="™" * 60).text
    assert is_gsm7(text)
    assert count(text).parts <= 2
    assert "more since May 3" in text
    assert text.endswith(MARK)


def test_silence_text_without_a_range_leaves_it_out(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], today: date
) -> None:
    outlook = outlook_of(start=StartDates(None, None, None, 0.0, ()))
    text = no_results(templates, "en", outlook, outlook.fields, today, MARK).text
    assert "the start date is near. Please" in text
