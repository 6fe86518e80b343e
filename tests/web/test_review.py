"""The season looked back at, under each kind of link."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import time

import httpx
import pytest
from factories import Service, day

from alerts.services.access.links import Role, link_path
from alerts.store.tables import Farm, FarmField, Person

Ask = Callable[..., httpx.Response]

ADVISERS = {
    "consultant": "Marta Quill", "consultant_email": "marta@example.org",
    "sampler": "Jo Fenwick", "sampler_email": "jo@example.org",
}  # fmt: skip
OTHERS = {
    "farm": "Brook Farm", "field": "East", "farmer": "Bo Ek", "phone": "+12025550146",
    "consultant": "Owen Tarr", "consultant_email": "owen@example.org",
    "sampler": "Una Rask", "sampler_email": "una@example.org", "language": "es",
}  # fmt: skip


@pytest.fixture
def season(web_service: Service) -> Service:
    """Two farms, told on the sampling day and cut later, one of them in Spanish."""
    web_service.enrol({"field": "North", **ADVISERS}, {"field": "Creek", **ADVISERS}, OTHERS)
    web_service.results(
        {"rfv": 205},
        {"field": "Creek", "rfv": 212},
        {"farm": "Brook Farm", "field": "East", "rfv": 204},
    )
    web_service.evaluate()
    web_service.send()
    web_service.clock.set(day(4), time(9))
    web_service.evaluate()
    web_service.cut("North", day(4))
    web_service.cut("East", day(1), farm="Brook Farm")
    return web_service


Links = dict[str, str]


@pytest.fixture
def links(season: Service) -> Links:
    people = {person.name: person.id for person in season.rows(Person)}
    rules, now = season.parts.link_rules(), season.clock()
    with season.sessions.write() as session:
        return {
            "farm": link_path(session, rules, Role.FARM, farm_id=1, now=now),
            "granja": link_path(session, rules, Role.FARM, farm_id=2, now=now),
            "marta": link_path(
                session, rules, Role.CONSULTANT, person_id=people["Marta Quill"], now=now
            ),
            "una": link_path(session, rules, Role.SAMPLER, person_id=people["Una Rask"], now=now),
            "operator": link_path(session, rules, Role.OPERATOR, now=now),
        }


def page(ask: Ask, path: str) -> str:
    answer = ask("GET", f"{path}/review")
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    return " ".join(answer.text.split())


def table(ask: Ask, path: str) -> list[dict[str, str]]:
    answer = ask("GET", f"{path}/review.csv")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.headers["cache-control"] == "no-store"
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


def test_farmer_reads_in_words_what_was_told_and_done(
    ask: Ask, links: Links, season: Service
) -> None:
    text = page(ask, links["farm"])
    [row] = table(ask, links["farm"])
    words = season.parts.templates.wording("en")
    [told] = {m.start_on for m in season.messages() if m.farm_id == 1 and m.status == "accepted"}
    assert told is not None
    assert f"Told: start by {words.full_day(told)}. It was said on Mon May 10." in text
    assert "The first cut was made on Fri May 14" in text
    assert "Last sample before: RFV 205 on Mon May 10." in text
    low, high = float(row["expected_low"]), float(row["expected_high"])
    assert f"RFV {float(row['expected_at_cut']):.0f}, likely {low:.0f} to {high:.0f}" in text
    assert "the standing target was 185." in text
    assert "1 field has no cut recorded yet" in text
    assert "East" not in text


def test_farmers_page_is_in_the_farmers_language(ask: Ask, links: Links) -> None:
    text = page(ask, links["granja"])
    assert '<html lang="es">' in text
    assert "Temporada 2027, mirando atrás" in text
    assert "El corte se anotó tarde: esto sigue el pronóstico del vie 14 may" in text
    english = ask("GET", f"{links['granja']}/review?lang=en").text
    assert "The cut was recorded late" in english


def test_every_sentence_of_the_farmers_page_is_translated(ask: Ask, links: Links) -> None:
    text = page(ask, links["granja"]).split("<main")[1].split("</main>")[0]
    for word in (" the ", " was ", " day", "Told", "field", " cut "):
        assert word not in text, word


@pytest.mark.parametrize(
    ("who", "farms"),
    [
        ("farm", ["Plum Bottom"]),
        ("granja", ["Brook Farm"]),
        ("marta", ["Plum Bottom"]),
        ("una", ["Brook Farm"]),
        ("operator", ["Brook Farm", "Plum Bottom"]),
    ],
)
def test_everybody_sees_own_farms_only(who: str, farms: list[str], ask: Ask, links: Links) -> None:
    assert [row["farm"] for row in table(ask, links[who])] == farms
    text = page(ask, links[who])
    if who not in ("farm", "granja"):  # which do not name the farm to itself
        assert {farm for farm in ("Plum Bottom", "Brook Farm") if farm in text} == set(farms)


def test_link_of_another_kind_or_none_opens_nothing(ask: Ask, links: Links) -> None:
    token = links["farm"].split("/")[2]
    for path in (f"/operator/{token}", f"/consultant/{token}", "/farm/1.x", "/operator/x"):
        for form in ("", ".csv"):
            assert ask("GET", f"{path}/review{form}").status_code == 404


def test_operator_sees_the_area_as_a_whole(ask: Ask, links: Links) -> None:
    text = page(ask, links["operator"])
    assert "Heron Flats, cutting 1" in text
    assert "<dt>Farms cut</dt><dd>2, with 2 fields</dd>" in text
    assert "<dt>Told in time</dt><dd>2 of 2</dd>" in text
    assert "in the middle" in text
    assert "<dt>Recorded late</dt><dd>1 cut; the crop is reckoned back for it</dd>" in text


def test_table_says_how_each_field_went(ask: Ask, links: Links) -> None:
    east, north = table(ask, links["operator"])
    assert (east["cut_on"], east["outlook_is_later_than_cut"]) == ("2027-05-11", "yes")
    assert (north["cut_on"], north["outlook_is_later_than_cut"]) == ("2027-05-14", "no")
    assert (north["last_value"], north["last_index"], north["own_results"]) == ("205.0", "rfv", "1")
    assert float(north["better_than_target_by"]) == pytest.approx(
        float(north["expected_at_cut"]) - 185, abs=0.06
    )


def test_season_is_chosen_and_an_odd_one_is_this_one(ask: Ask, links: Links) -> None:
    assert table(ask, links["farm"])
    for season, is_empty in (("2026", True), ("2027", False), ("x", False), ("9" * 30, False)):
        answer = ask("GET", f"{links['farm']}/review?season={season}")
        assert answer.status_code == 200
        assert ("No cut is recorded for this season." in answer.text) is is_empty, season


def test_season_without_a_cut_says_so_in_every_role(ask: Ask, web_service: Service) -> None:
    with web_service.sessions.write() as session:
        path = link_path(
            session, web_service.parts.link_rules(), Role.OPERATOR, now=web_service.clock()
        )
    assert "No cut is recorded for this season." in page(ask, path)
    assert table(ask, path) == []


def test_names_are_escaped_on_the_page_and_no_formula_in_the_table(
    ask: Ask, links: Links, season: Service
) -> None:
    with season.sessions.write() as session:
        session.get_one(FarmField, 1).name = "=1+1"
        session.get_one(Farm, 1).name = "<script>alert(1)</script>"
    row = table(ask, links["operator"])[0]
    assert row["field"] == "'=1+1"
    assert row["farm"] == "<script>alert(1)</script>"
    for who in ("operator", "farm", "marta"):
        assert "<script>" not in page(ask, links[who])


def test_days_off_below_zero_stay_numbers_in_the_table(ask: Ask, links: Links) -> None:
    east, _ = table(ask, links["operator"])
    assert int(east["days_from_told_field_start"]) < 0
