from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, time

import pytest
from factories import AREA, PHONE, Service
from hypothesis import given
from hypothesis import strategies as st

from alerts.agronomy.goals import standing_target, start_quality
from alerts.configfiles import read_guidelines, shipped_config_dir
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import AlertBy, HarvestMethod, Index, WhichLoad
from alerts.intake.roster_row import RosterDefaults
from alerts.messages.templates import Templates
from alerts.services.farms.area_choice import AreaPlace
from alerts.services.farms.farm_form import (
    FARM_CONTROLS,
    FIELD_CONTROLS,
    MOST_FIELDS,
    FarmReading,
    FormRules,
    control,
    defaults,
    field_numbers,
    kept,
    read_farm,
    typed_of,
    with_field_added,
    with_field_removed,
    zip_answer,
)
from alerts.services.farms.worked_line import daily_change, script_data, worked, worked_line
from alerts.store.tables import Farm, FarmField

# What is asked and forgiven is a choice of this project; people and farms are invented.
SHORTEST = {
    "farmer": "Ada Lindqvist",
    "phone": "202-555-0143",
    "farm": "Plum Bottom",
    "area": AREA,
    "field-1-field": "North",
    "animal_class": "milking_cows",
    "harvest_days": "5",
}
TEXTS = [name for name in FARM_CONTROLS if name != "language"] + [
    control(column, 1) for column in FIELD_CONTROLS if column != "watched"
]


@pytest.fixture
def rules(guidelines: GuidelineSet) -> FormRules:
    return FormRules(guidelines, RosterDefaults(time_zone="America/Chicago"))


def read(rules: FormRules, **changes: str) -> FarmReading:
    return read_farm({**SHORTEST, **{k.replace("__", "-"): v for k, v in changes.items()}}, rules)


def wrong(reading: FarmReading) -> list[str]:
    return [error.control for error in reading.errors]


def test_seven_answers_are_enough(rules: FormRules) -> None:
    reading = read_farm(SHORTEST, rules, time_zone="America/Denver")
    assert reading.errors == ()
    [row] = reading.rows
    assert (row.farm, row.field, row.area, row.phone) == ("Plum Bottom", "North", AREA, PHONE)
    assert (row.index, row.harvest_method, row.which_load) == (
        Index.RFV,
        HarvestMethod.HAYLAGE,
        WhichLoad.LAST,
    )
    assert (row.notice_days, row.send_from, row.send_to) == (5, time(7), time(20))
    assert (row.alert_by, row.harvest_days, row.time_zone) == (AlertBy.TEXT, 5.0, "America/Denver")
    assert row.feed_target is row.handling_loss is None
    assert not row.watched


def test_each_needed_answer_is_asked_for_beside_its_own_control(rules: FormRules) -> None:
    reading = read_farm({}, rules)
    assert reading.rows == ()
    assert wrong(reading) == [
        *("farmer", "farm", "area", "field-1-field", "phone", "animal_class", "harvest_days")
    ]
    assert all(error.missing for error in reading.errors)


def test_defaults_of_a_new_form_are_read_as_the_usual_way(rules: FormRules) -> None:
    reading = read_farm({**defaults(rules, "es", [AREA]), **SHORTEST}, rules)
    assert reading.rows[0].language == "es"
    assert defaults(rules, "en", [AREA])["area"] == AREA
    assert defaults(rules, "en", [AREA, "Otter Bend"])["area"] == ""
    assert "consent" not in defaults(rules, "en", [AREA])


def test_fields_are_read_each_with_its_own_values(rules: FormRules) -> None:
    reading = read(
        rules,
        **{
            "field-1-acres": "40 acres",
            "field-1-watched": "yes",
            "field-2-field": "Creek",
            "field-2-acres": "20",
            "field-2-grass_pct": "30%",
            "field-2-zip": "82801",
        },
    )
    one, two = reading.rows
    assert (one.acres, one.grass_pct, one.watched) == (40.0, 0.0, True)
    assert (two.acres, two.grass_pct, two.watched, two.zip) == (20.0, 30.0, False, "82801")


def test_empty_field_is_left_out_and_a_nameless_one_is_not(rules: FormRules) -> None:
    reading = read(rules, **{"field-2-field": "", "field-3-field": " ", "field-3-acres": ""})
    assert [row.field for row in reading.rows] == ["North"]
    assert wrong(read(rules, **{"field-2-acres": "12"})) == ["field-2-field"]


def test_two_fields_of_one_name_are_wrong_beside_the_second(rules: FormRules) -> None:
    assert wrong(read(rules, **{"field-2-field": "NORTH "})) == ["field-2-field"]


@pytest.mark.parametrize(
    ("column", "typed"),
    [
        ("phone", "555-0143"),
        ("email", "ada at example"),
        ("harvest_days", "soon"),
        ("harvest_days", "-3"),
        ("harvest_days", "1e999"),
        ("acres_per_day", "0"),
        ("feed_target", "9000"),
        ("handling_loss", "-1"),
        ("notice_days", "2.5"),
        ("send_from", "25:00"),
        ("index", "tdn"),
        ("animal_class", "unicorns"),
        ("harvest_method", "silo bags"),
        ("which_load", "first"),
        ("alert_by", "pigeon"),
        ("field-1-acres", "many"),
        ("field-1-zip", "1234567"),
        ("field-1-latitude", "91"),
        ("field-1-grass_pct", "101"),
        ("field-1-seeding_year", "24"),
    ],
)
def test_value_that_cannot_be_read_is_wrong_beside_its_control(
    rules: FormRules, column: str, typed: str
) -> None:
    other_half = {"field-1-longitude": "-93"} if column == "field-1-latitude" else {}
    reading = read(rules, **{column: typed, **other_half})
    assert wrong(reading) == [column]
    assert reading.typed[column] == typed
    assert reading.rows == ()


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("bad", ["=1+1", "@SUM(A1)", '=HYPERLINK("http://x","y")', "#REF!"])
def test_formula_is_refused_in_every_control(rules: FormRules, name: str, bad: str) -> None:
    assert name in wrong(read(rules, **{name: bad}))


@pytest.mark.parametrize("name", ["farmer", "farm", "field-1-field", "field-1-variety"])
@pytest.mark.parametrize("bad", ["+cmd|' /C calc'!A0", "-2+3+cmd", "x" * 81])
def test_text_that_would_run_or_never_ends_is_refused(
    rules: FormRules, name: str, bad: str
) -> None:
    assert wrong(read(rules, **{name: bad})) == [name]


def test_control_characters_do_not_reach_a_name(rules: FormRules) -> None:
    [row] = read(rules, farm="Plum\r\nBottom\x00\x1b").rows
    assert row.farm == "Plum Bottom"


def test_half_a_place_is_asked_for_the_other_half(rules: FormRules) -> None:
    assert wrong(read(rules, **{"field-1-latitude": "44.2"})) == ["field-1-longitude"]


@pytest.mark.parametrize(
    ("by", "given", "missing"),
    [
        ("text", "email", ["phone"]),
        ("email", "phone", ["email"]),
        ("both", "phone", ["email"]),
        ("both", "email", ["phone"]),
        ("both", "", ["phone", "email"]),
    ],
)
def test_way_to_be_told_needs_its_address(
    rules: FormRules, by: str, given: str, missing: list[str]
) -> None:
    addresses = {"phone": "2025550143", "email": "ada@example.org"}
    typed = {
        "phone": "",
        "email": "",
        "alert_by": by,
        **({given: addresses[given]} if given else {}),
    }
    assert wrong(read(rules, **typed)) == missing


def test_pace_takes_the_place_of_days_where_every_field_has_acres(rules: FormRules) -> None:
    pace = {"harvest_days": "", "acres_per_day": "30", "field-1-acres": "60"}
    assert read(rules, **pace).rows[0].acres_per_day == 30.0
    assert wrong(read(rules, **pace, **{"field-2-field": "Creek"})) == ["field-2-acres"]


def test_animals_without_a_published_target_need_their_own(rules: FormRules) -> None:
    assert wrong(read(rules, animal_class="horses")) == ["feed_target"]
    assert read(rules, animal_class="horses", index="ndf").errors == ()
    assert read(rules, animal_class="horses", feed_target="120").rows[0].feed_target == 120.0


def test_other_animals_need_a_target_and_have_no_class(rules: FormRules) -> None:
    assert wrong(read(rules, animal_class="other")) == ["feed_target"]
    [row] = read(rules, animal_class="other", feed_target="140").rows
    assert (row.animal_class, row.feed_target) == ("", 140.0)


# ----------------------------------------------------------------- read well, hardly meant


@pytest.mark.parametrize(("first", "last"), [("07:00", "06:00"), ("20:30", "08:00")])
def test_last_hour_before_the_first_is_asked_about(rules: FormRules, first: str, last: str) -> None:
    [error] = read(rules, send_from=first, send_to=last).errors
    assert (error.control, first in error.reason) == ("send_to", True)
    assert read(rules, send_from=last, send_to=first).errors == ()


def test_hour_that_cannot_be_read_is_the_only_thing_wrong_with_the_hours(rules: FormRules) -> None:
    assert wrong(read(rules, send_from="late", send_to="05:00")) == ["send_from"]


def test_seeding_year_ahead_is_wrong_once_the_day_is_known(rules: FormRules) -> None:
    on_the_day = replace(rules, today=date(2027, 5, 14))
    assert wrong(read(on_the_day, **{"field-1-seeding_year": "2028"})) == ["field-1-seeding_year"]
    assert read(on_the_day, **{"field-1-seeding_year": "2027"}).errors == ()
    assert read(rules, **{"field-1-seeding_year": "2028"}).errors == ()


def test_longitude_without_its_minus_is_wrong_in_north_america_only(rules: FormRules) -> None:
    place = {"field-1-latitude": "44.25", "field-1-longitude": "93.5"}
    [error] = read(rules, **place).errors
    assert (error.control, "-93.5" in error.reason) == ("field-1-longitude", True)
    abroad = replace(rules, defaults=replace(rules.defaults, time_zone="Asia/Urumqi"))
    assert read(abroad, **place).errors == ()
    assert read(rules, **{**place, "field-1-longitude": "-93.5"}).errors == ()


def test_zip_code_far_from_the_area_is_a_question_that_a_yes_answers(rules: FormRules) -> None:
    # 82801 is Sheridan, Wyoming, near 44.8 N 107.0 W (United States Census Bureau, gazetteer of
    # ZIP code tabulation areas, from memory); 44.1 N 103.2 W lies some 190 miles east of it.
    far = AreaPlace(AREA, "America/Denver", 44.1, -103.2)
    near = replace(far, longitude=-106.0)
    asking = replace(rules, areas=(far,))
    typed = {**SHORTEST, "field-1-zip": "82801"}
    [error] = read_farm(typed, asking).errors
    assert (error.control, error.question) == ("field-1-zip", True)
    assert read_farm(typed, replace(rules, areas=(near,))).errors == ()
    answered = {**typed, "field-1-zip_right": zip_answer(typed, 1)}
    assert read_farm(answered, asking).errors == ()
    assert kept(answered) == answered
    # A yes is about that code in that area.
    assert wrong(read_farm({**answered, "field-1-zip": "82801-1234"}, asking)) == ["field-1-zip"]
    elsewhere = replace(asking, areas=(replace(far, name="Otter Bend"),))
    assert wrong(read_farm({**answered, "area": "Otter Bend"}, elsewhere)) == ["field-1-zip"]


# --------------------------------------------------------------------- adding, removing


def test_field_is_added_at_the_end_and_nothing_is_lost() -> None:
    grown = with_field_added(SHORTEST)
    assert field_numbers(grown) == [1, 2]
    assert grown.items() >= SHORTEST.items()
    assert field_numbers(with_field_added({})) == [1, 2]
    full = {control("field", number): "x" for number in range(1, MOST_FIELDS + 1)}
    assert with_field_added(full) == full


def test_field_taken_out_lets_the_others_move_up() -> None:
    typed = {**SHORTEST, "field-2-field": "Creek", "field-2-acres": "9", "field-3-field": "Hill"}
    left = with_field_removed(typed, 1)
    assert {name: left[name] for name in left if name.startswith("field-")} == {
        "field-1-field": "Creek",
        "field-1-acres": "9",
        "field-2-field": "Hill",
    }
    assert left["farmer"] == "Ada Lindqvist"
    assert field_numbers(with_field_removed(SHORTEST, 1)) == [1]


def test_only_controls_of_the_form_are_kept() -> None:
    typed = {
        **SHORTEST,
        "consultant_email": "x@example.org",
        "consent_on": "2027-01-01",
        "field-1-public_name": "mine",
        "field-99-field": "x",
        "time_zone": "Asia/Tokyo",
    }
    assert kept(typed) == SHORTEST


@given(st.dictionaries(st.sampled_from([*TEXTS, "field-2-field", "language"]), st.text()))
def test_any_text_is_read_or_answered_and_given_back(typed: dict[str, str]) -> None:
    reading = read_farm({**SHORTEST, **typed}, RULES)
    assert bool(reading.rows) != bool(reading.errors)
    assert reading.typed.items() >= typed.items()


# ------------------------------------------------------------------------- editing


def test_form_of_a_farm_reads_back_as_the_same_farm(service: Service) -> None:
    service.enrol(
        {"field": "North", "acres": 40.25, "latitude": 44.123456, "longitude": -93.654321},
        {"field": "Creek", "acres": 20, "zip": "82801", "soil": "sandy loam", "watched": "no"},
    )
    rules = service.parts.sign_up_rules().form
    with service.sessions.read() as session:
        typed = typed_of(session, 1)
    reading = read_farm(typed, rules, time_zone="America/Chicago")
    assert reading.errors == ()
    for row, field in zip(reading.rows, service.rows(FarmField), strict=True):
        for name in ("acres", "grass_pct", "soil", "slope", "zip", "watched", "latitude"):
            assert getattr(row, name) == getattr(field, name)
    [farm] = service.rows(Farm)
    assert (reading.rows[0].feed_target, reading.rows[0].harvest_days) == (
        farm.feed_target,
        farm.harvest_days,
    )
    assert typed["field-2-zip"] == "82801"
    assert typed["field-2-latitude"] == ""


# ----------------------------------------------------------------------- the worked line


@pytest.mark.parametrize(
    ("typed", "start"),
    [
        # 150 + 15 + 5 x 4; Iowa's 3 to 5 points a day and 15 lost as haylage (Lang, 2011)
        ({}, 185.0),
        ({"which_load": "average"}, 175.0),
        ({"harvest_method": "dry_hay", "harvest_days": "1"}, 179.0),
        ({"feed_target": "160", "handling_loss": "25"}, 205.0),
        # NDF rises: 40 - 2 - 5 x 0.55
        ({"index": "ndf"}, 35.25),
        # half grass loses 4.1 RFV points a day, a quarter 4.05
        ({"field-1-grass_pct": "50"}, 185.5),
        ({"field-1-grass_pct": "25"}, 185.25),
        ({"harvest_days": "", "acres_per_day": "20", "field-1-acres": "50"}, 175.0),
    ],
)
def test_sum_leads_from_the_feed_to_the_start(
    rules: FormRules, typed: dict[str, str], start: float
) -> None:
    sum_ = worked({"animal_class": "milking_cows", "harvest_days": "5", **typed}, rules)
    assert sum_ is not None
    assert sum_.start == pytest.approx(start)
    falls = sum_.index.falls
    target = standing_target(sum_.feed, sum_.loss, falls=falls)
    assert sum_.standing == pytest.approx(float(target))
    share = 0.5 if sum_.which_load is WhichLoad.AVERAGE else 1.0
    again = start_quality(target, sum_.days, sum_.per_day, share=share, falls=falls)
    assert sum_.start == pytest.approx(float(again))


@pytest.mark.parametrize(
    "typed",
    [
        {},
        {"animal_class": "milking_cows"},
        {"harvest_days": "5"},
        {"animal_class": "horses", "harvest_days": "5"},
        {"animal_class": "milking_cows", "harvest_days": "many"},
        {"animal_class": "milking_cows", "acres_per_day": "20"},
    ],
)
def test_there_is_no_sum_before_its_parts_are_known(
    rules: FormRules, typed: dict[str, str]
) -> None:
    assert worked(typed, rules) is None


def test_sum_waits_for_neither_name_nor_phone(rules: FormRules) -> None:
    typed = {"animal_class": "milking_cows", "harvest_days": "5", "phone": "555", "farm": "=1"}
    assert worked(typed, rules) is not None


def test_line_says_the_sum_in_both_languages(rules: FormRules, templates: Templates) -> None:
    sum_ = worked({"animal_class": "milking_cows", "harvest_days": "5", "index": "ndf"}, rules)
    assert sum_ is not None
    assert worked_line(sum_, templates, "en") == (
        "NDF 40 fed - 2 gained in handling = 38 standing. Harvest of 5 days x 0.55 a day = 2.75. "
        "Start near NDF 35.25, so that the last load still meets the feed target."
    )
    spanish = worked_line(sum_, templates, "es")
    assert "38 en pie" in spanish
    assert "Empiece cerca de NDF 35.25" in spanish


def test_script_holds_what_the_server_reckons_with(rules: FormRules, templates: Templates) -> None:
    data = json.loads(json.dumps(script_data(rules, templates, "en")))
    assert data["feed"]["milking_cows.rfv"] == 150
    assert data["feed"]["horses.rfv"] is None
    assert data["loss"]["haylage.ndf"] == 2
    assert data["change"]["rfv"] == [
        daily_change(rules.guidelines, Index.RFV, grass) for grass in data["grass"]
    ]
    pattern = data["line"]["rfv.last"]
    assert {"{feed}", "{loss}", "{standing}", "{days}", "{per_day}", "{ahead}", "{start}"} <= {
        word.strip(",.") for word in pattern.split()
    }


def _rules() -> FormRules:
    guidelines = read_guidelines(shipped_config_dir() / "guidelines.toml")
    return FormRules(guidelines, RosterDefaults(time_zone="America/Chicago"))


RULES = _rules()
