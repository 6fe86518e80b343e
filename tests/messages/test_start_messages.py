from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from situations import AREA_WITHOUT_A_VALUE, DECISIONS, FARMS, MARK, NAME_TEXTS, SETTINGS, TODAY

from alerts.domain.decision import Decision, Kind
from alerts.domain.outlook import FarmOutlook, StartDates
from alerts.domain.records import HarvestMethod, Index
from alerts.messages.letters import fit
from alerts.messages.segments import count, is_gsm7
from alerts.messages.start_messages import Setting, start_text
from alerts.messages.templates import Templates
from alerts.messages.wording import ENGLISH

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
    target = ENGLISH.number(field.standing_target)
    if decision.kind is Kind.PAST:
        standing = "NDF 46.2" if field.index is Index.NDF else f"{field.index.label} 172"
        feed = ENGLISH.number(outlook.farm.feed_target)
        in_order = [standing, "on Wed May 12", target, f"store {feed}", "ask your adviser"]
    else:
        date_told = ENGLISH.full_day(decision.start_on)
        likely = ENGLISH.day_range(outlook.start.p10, outlook.start.p90, TODAY)
        assert field.last_value is not None
        latest = ENGLISH.reading(field.index, field.last_value)
        around = f"(likely {likely})"
        if decision.kind is Kind.START and decision.start_on < TODAY:
            # The day is gone: only how late it may have been is of use, and only if that is ahead.
            around = ENGLISH.at_latest(outlook.start.p90, TODAY)
        in_order = [w for w in (date_told, around, f"{latest} on May 11", target) if w]
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
    # carries the opt-out ENGLISH.
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
        ("start moved near", "Thu May 13 (likely now to May 18), instead of Sun May 16."),
        (
            "late start",
            "start cutting now. The day to start was Tue May 11 (at the latest May 14).",
        ),
        (
            "late start moved",
            "was Tue May 11, not Fri May 14 as told before (at the latest May 14).",
        ),
        ("start long late", "The day to start was Thu May 6."),
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
    text, _, _ = texted("late start", "three fields", "first text")
    assert ", Hill Top first, then North 40, Creek Piece." in text
    assert "to store 160, 2-day harvest" in text  # two parts leave room for all the reasons


def test_text_names_the_first_field_once_where_that_saves_a_part(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("start tomorrow", "three fields")
    assert ". Hill Top first (RFV 205 on May 11, needs 185), then North 40 and 1 more." in text
    assert count(text).parts == 1


@pytest.mark.parametrize("kind", ["moved", "start moved near"])
def test_order_of_the_fields_does_not_run_into_the_date_before(
    kind: str, texted: Callable[..., tuple[str, FarmOutlook, Decision]]
) -> None:
    text, _, _ = texted(kind, "three fields", "first text")
    assert re.search(r"(was|instead of) \w+ May \d+\. Hill Top first", text), text


def test_late_text_names_the_fields_before_the_date(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("late start", "three fields")
    assert "start cutting now, Hill Top first, then North 40, Creek Piece. The day" in text


def test_text_of_nine_fields_says_how_many_it_does_not_name(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("coming", "nine fields")
    assert re.search(r"Paddock 1 first( \(.*\))?, then ", text)
    named = set(re.findall(r"Paddock \d", text))
    (more,) = re.findall(r"and (\d) more", text)
    assert len(named) + int(more) == 9


def test_text_names_the_middle_of_fields_nearby(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text = texted("coming", "area")[0]
    assert "middle of 4 fields near you RFV 205 on May 11" in text
    assert "Linden" not in text


def test_text_names_no_neighbors_single_result(
    templates: Templates, outlook_of: Callable[..., FarmOutlook], setting_of: Callable[..., Setting]
) -> None:
    outlook = outlook_of(**AREA_WITHOUT_A_VALUE)
    text = start_text(templates, DECISIONS["coming"][0], outlook, setting_of()).text
    assert "from fields near you; needs 185 when cut" in text
    assert "Linden" not in text


def test_text_names_the_field_that_stands_in(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    assert "Far Bottom RFV 205 on May 11" in texted("coming", "stands in")[0]


def test_text_for_ndf_calls_the_target_a_limit(
    texted: Callable[..., tuple[str, FarmOutlook, Decision]],
) -> None:
    text, _, _ = texted("start moved near", "NDF")
    assert "Barn Field NDF 36.4 on May 11; limit 41.5 when cut to store 44, 2-day harvest" in text
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


@pytest.mark.parametrize(("kind", "farm"), list(product(DECISIONS, FARMS)), ids=str)
def test_text_with_rain_and_all_that_may_come_together_takes_two_parts(
    kind: str,
    farm: str,
    templates: Templates,
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    decision, _ = DECISIONS[kind]
    setting = setting_of(first_text=True, method=HarvestMethod.DRY_HAY)
    setting = replace(setting, rain="Chance of rain Wed 50%, Sat 90%")
    text = start_text(templates, decision, outlook_of(**FARMS[farm]), setting).text
    assert count(text).parts <= 2
    if decision.kind is not Kind.PAST:  # it says to cut or keep, whatever the weather
        assert "Chance of rain Wed 50%, Sat 90%." in text


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(farm=NAME_TEXTS, fields=st.lists(NAME_TEXTS, min_size=1, max_size=12))
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
