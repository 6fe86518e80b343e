from __future__ import annotations

import re
from collections.abc import Callable
from datetime import time, timedelta
from html import unescape

import httpx
import pytest
from advisers import EVA, JO, KIT, PER, farm, field_id, page_of, person_id
from factories import MONDAY, OTHER_PHONE, THIRD_PHONE, Service

from alerts.services.access.links import Role
from alerts.store.tables import Area, Document, FarmField, FieldName, FieldOutlookRow, LabResult
from alerts.web import sampling_protocol

Ask = Callable[..., httpx.Response]


@pytest.fixture
def mine(spring: Service) -> str:
    return page_of(spring, Role.SAMPLER, JO)


def words(page: httpx.Response) -> str:
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.text)))


def clip(spring: Service, field: str = "North", **cells: str) -> dict[str, str]:
    usual = {"field": str(field_id(spring, field)), "sampled_on": MONDAY.isoformat()}
    return {**usual, **cells}


def spots(
    spring: Service, *given: tuple[str, str], field: str = "North", **cells: str
) -> dict[str, str]:
    rows = {f"height_{k}": height for k, (height, _) in enumerate(given)}
    stages = {f"stage_{k}": stage for k, (_, stage) in enumerate(given)}
    return {**clip(spring, field), "unit": "in", "do": "mean", **rows, **stages, **cells}


def newest(service: Service) -> LabResult:
    return max(service.stored_results(), key=lambda row: row.id or 0)


# --- what to clip next


def test_page_names_own_fields_with_the_reason_and_nobody_elses(ask: Ask, mine: str) -> None:
    page = ask("GET", mine)
    assert page.status_code == 200
    assert "no-store" in page.headers["cache-control"]
    said = words(page)
    for name in ("North", "Ridge", "Hollow"):
        assert name in said
    assert "last result May 10" in said
    assert "a clip makes its date about" in said
    assert "Wide Acre" not in said
    assert "Long" not in said


@pytest.mark.parametrize("path", ["", "/print", "/clip", "/reading"])
def test_link_of_another_role_or_a_changed_one_opens_nothing(
    ask: Ask, spring: Service, mine: str, path: str
) -> None:
    consultant = page_of(spring, Role.CONSULTANT, PER).rsplit("/", 1)[1]
    assert ask("GET", f"/sampler/{consultant}{path}").status_code == 404
    assert ask("GET", f"{mine[:-1]}{path}").status_code == 404


def test_printed_list_has_rows_to_fill_in_and_the_protocol(ask: Ask, mine: str) -> None:
    page = ask("GET", f"{mine}/print")
    rows = re.findall(r"<tr><th scope=\"row\">.*?</tr>", page.text, re.DOTALL)
    assert len(rows) == 2
    assert all(row.count("<td></td>") == 4 for row in rows)
    said = words(page)
    # University of Minnesota Extension, n.d., Alfalfa scissors cut sampling procedure: before
    # 8 am, 2 to 3 inches, the same small area. Iowa State University, 2006, Predictive equations
    # of alfalfa quality: five areas of 2 square feet, tallest stem, most mature stage.
    for told in (
        "before 8 am",
        "2 to 3 inches",
        "half acre",
        "half a pound",
        "farm, field, date",
        "the same day",
        "cool",
        "2 square feet",
        "tallest stem",
        "most mature",
    ):
        assert told in said
    # Common practice: what goes wrong between farms and on the road.
    for told in ("Clean boots and shears", "traffic", "machinery", "heat", "dogs", "sprayed"):
        assert told in said
    assert "/static/sampling_list.css" in page.text
    sheet = ask("GET", "/static/sampling_list.css").text
    assert "@media print" in sheet
    assert "@page" in sheet


def test_each_line_of_the_protocol_has_a_source() -> None:
    for lines in (sampling_protocol.CLIP, sampling_protocol.STEMS, sampling_protocol.CAUTIONS):
        for told, source in lines:
            assert told
            assert re.search(r", (\d{4}|n\.d\.), |common practice", source), told


# --- a result told by phone


def test_clip_goes_in_as_a_document_of_the_sampler(ask: Ask, spring: Service, mine: str) -> None:
    page = ask(
        "POST",
        f"{mine}/clip",
        data=clip(
            spring, lab="Ouzel Bend", lab_number="88", method="wet", rfv="201", ndf_pct_dm="31.5"
        ),
    )
    assert page.status_code == 200
    assert "Saved." in page.text
    row = newest(spring)
    assert row.field_id == field_id(spring, "North")
    assert (row.rfv, row.ndf, row.method, row.lab_number) == (201.0, 31.5, "wet", "88")
    [document] = [one for one in spring.rows(Document) if one.id == row.document_id]
    assert document.name.startswith("typed by Jo Fenwick, 2027-05-10")
    assert document.source == f"api sampler {person_id(spring, JO)}"
    assert [one.due_at for one in spring.rows(Area)] == [spring.clock()]


def test_clip_typed_twice_is_known_already(ask: Ask, spring: Service, mine: str) -> None:
    data = clip(spring, lab="Ouzel Bend", lab_number="88", rfv="201")
    ask("POST", f"{mine}/clip", data=data)
    count = len(spring.stored_results())
    assert "Known already" in ask("POST", f"{mine}/clip", data=data).text
    assert len(spring.stored_results()) == count


def test_clip_with_a_corrected_value_is_a_new_version(ask: Ask, spring: Service, mine: str) -> None:
    for value, said in (("201", "Saved."), ("191", "corrects an earlier result")):
        data = clip(spring, lab="Ouzel Bend", lab_number="88", rfv=value)
        assert said in ask("POST", f"{mine}/clip", data=data).text
    assert newest(spring).version == 2


@pytest.mark.parametrize(
    ("cells", "control", "sentence"),
    [
        ({"rfv": "2010"}, "rfv", "outside the plausible"),
        ({"rfv": "=1+1"}, "rfv", "is a formula"),
        ({"ndf_pct_dm": "thirty"}, "ndf_pct_dm", "is not a number"),
        ({"sampled_on": "2027-05-20", "rfv": "200"}, "sampled_on", "in the future"),
        ({"sampled_on": "", "rfv": "200"}, "sampled_on", "no sampling date"),
        ({"sampled_at": "early", "rfv": "200"}, "sampled_at", "not a time of day"),
        ({"lab": "=cmd()", "rfv": "200"}, "lab", "is a formula"),
        ({"method": "guess", "rfv": "200"}, "method", "is not known"),
    ],
)
def test_slip_is_said_beside_its_field_and_nothing_typed_is_lost(
    ask: Ask,
    spring: Service,
    mine: str,
    cells: dict[str, str],
    control: str,
    sentence: str,
) -> None:
    count = len(spring.rows(Document))
    data = clip(spring, **{"remark": "from the phone", "lab_number": "77", **cells})
    page = ask("POST", f"{mine}/clip", data=data)
    assert page.status_code == 422
    wrong = re.search(rf'id="{control}-error">([^<]+)<', page.text)
    assert wrong
    assert sentence in unescape(wrong.group(1))
    assert f'aria-describedby="{control}-error' in page.text
    for name, value in data.items():
        if name not in ("field", "method"):
            assert f'name="{name}" type' in page.text
            assert f'value="{value}"' in unescape(page.text)
    assert f'value="{data["field"]}" selected' in page.text
    assert len(spring.rows(Document)) == count  # nothing half right is kept


def test_all_slips_of_a_clip_are_said_at_once(ask: Ask, spring: Service, mine: str) -> None:
    data = clip(spring, rfv="2010", ndf_pct_dm="x", sampled_at="early", cp_pct_dm="21")
    page = ask("POST", f"{mine}/clip", data=data)
    wrong = set(re.findall(r'id="(\w+)-error"', page.text))
    assert wrong == {"rfv", "ndf_pct_dm", "sampled_at"}


def test_clip_without_any_value_is_refused(ask: Ask, spring: Service, mine: str) -> None:
    page = ask("POST", f"{mine}/clip", data=clip(spring, cp_pct_dm="21"))
    assert page.status_code == 422
    assert "RFV" in words(page)
    assert "Not saved yet" in page.text


def test_clip_without_a_field_is_refused_beside_the_choice(
    ask: Ask, spring: Service, mine: str
) -> None:
    page = ask("POST", f"{mine}/clip", data={**clip(spring, rfv="200"), "field": ""})
    assert page.status_code == 422
    assert 'id="field-error"' in page.text


def test_value_without_the_farms_index_is_noted(ask: Ask, spring: Service, mine: str) -> None:
    page = ask("POST", f"{mine}/clip", data=clip(spring, rfq="190"))
    assert "It gives no RFV, in which Plum Bottom has its target" in words(page)


def test_late_clip_is_flagged_in_what_came_back(ask: Ask, spring: Service, mine: str) -> None:
    spring.clock.set(MONDAY, time(15))
    ask("POST", f"{mine}/clip", data=clip(spring, rfv="200", sampled_at="11:30"))
    assert "clipped at 11:30, late in the day" in words(ask("GET", mine))


def test_what_is_typed_cannot_become_markup(ask: Ask, spring: Service, mine: str) -> None:
    page = ask("POST", f"{mine}/clip", data=clip(spring, rfv="x", remark='"><script>1</script>'))
    assert "<script>1" not in page.text
    ask("POST", f"{mine}/clip", data=clip(spring, rfv="200", lab="<b>Lab</b>"))
    assert "<b>Lab" not in ask("GET", mine).text


def test_line_break_in_a_cell_makes_no_second_row(ask: Ask, spring: Service, mine: str) -> None:
    count = len(spring.stored_results())
    forged = 'x"\r\nWide Acre,Long,2027-05-10,190'
    ask("POST", f"{mine}/clip", data=clip(spring, rfv="200", remark=forged))
    assert len(spring.stored_results()) == count + 1
    assert newest(spring).field_id == field_id(spring, "North")


def test_namesake_farm_in_another_area_is_told_apart(ask: Ask, spring: Service, mine: str) -> None:
    spring.enrol(
        farm("Plum Bottom", "North", area="Far Valley", farmer="Bo Lund", phone=THIRD_PHONE)
    )
    fields = sorted(one.id or 0 for one in spring.rows(FarmField) if one.name == "North")
    for number, value in zip(fields, ("200", "210"), strict=True):
        data = {"field": str(number), "sampled_on": MONDAY.isoformat(), "rfv": value}
        assert "Saved." in ask("POST", f"{mine}/clip", data=data).text
        assert (newest(spring).field_id, newest(spring).rfv) == (number, float(value))


# --- stem readings


def test_mean_is_worked_out_and_not_saved_yet(ask: Ask, spring: Service, mine: str) -> None:
    # Weld, 2021, Calculating alfalfa stand quality: 26 in bud 172, 28 in bud 164, 30 in flower
    # 147; the results are averaged, not the heights (Iowa State University, 2006).
    count = len(spring.rows(Document))
    data = spots(spring, ("26", "bud"), ("28", "bud"), ("", ""), ("30", "flower"))
    page = ask("POST", f"{mine}/reading", data=data)
    assert page.status_code == 200
    said = words(page)
    assert "Mean of 3 spots, not saved yet RFV 161" in said
    assert "The farm needs RFV 185 standing." in said
    assert re.search(r"4 30 flower 147", said)
    assert "Only 3 spots: 5 or more give a steadier average." in said
    assert len(spring.rows(Document)) == count


def test_reading_is_saved_with_its_spots(ask: Ask, spring: Service, mine: str) -> None:
    data = spots(spring, *[("26", "bud")] * 5, do="save")
    page = ask("POST", f"{mine}/reading", data=data)
    assert "Saved." in page.text
    row = newest(spring)
    assert (row.field_id, row.method, row.spots, row.rfv) == (
        field_id(spring, "North"),
        "stem",
        5,
        172.0,
    )
    assert "stem reading, 5 spots" in words(ask("GET", mine))


def test_reading_typed_again_corrects_the_first(ask: Ask, spring: Service, mine: str) -> None:
    for height in ("26", "30"):
        ask("POST", f"{mine}/reading", data=spots(spring, *[(height, "bud")] * 5, do="save"))
    assert newest(spring).version == 2
    valid = [one for one in spring.stored_results() if one.method == "stem" and not one.replaced_by]
    assert [one.rfv for one in valid] == [156.0]


def test_heights_in_centimeters_are_taken_as_such(ask: Ask, spring: Service, mine: str) -> None:
    # 66.04 cm are 26 in, 2.54 cm to the inch (NIST, 2008, Special Publication 811).
    data = spots(spring, ("66.04", "bud"), unit="cm")
    said = words(ask("POST", f"{mine}/reading", data=data))
    assert "RFV 172" in said
    assert "1 26 bud 172" in said


def test_more_spots_keep_what_was_typed(ask: Ask, spring: Service, mine: str) -> None:
    data = spots(spring, *[("26", "bud")] * 5, do="more")
    page = ask("POST", f"{mine}/reading", data=data)
    assert page.text.count('name="height_') == 10
    assert page.text.count('value="26"') == 5
    assert page.text.count("<option selected>bud</option>") == 5
    assert f'value="{data["field"]}" selected' in page.text


@pytest.mark.parametrize(
    ("given", "control", "sentence"),
    [
        (("tall", "bud"), "height_1", "is not a number"),
        (("26", ""), "stage_1", "is not known"),
        (("", "bud"), "height_1", "no height"),
        (("200", "bud"), "height_1", "outside the plausible"),
        (("=26", "bud"), "height_1", "is a formula"),
    ],
)
def test_slip_in_a_spot_is_said_beside_it(
    ask: Ask, spring: Service, mine: str, given: tuple[str, str], control: str, sentence: str
) -> None:
    count = len(spring.rows(Document))
    data = spots(spring, ("26", "bud"), given, ("27", "bud"), do="save")
    page = ask("POST", f"{mine}/reading", data=data)
    assert page.status_code == 422
    wrong = re.search(rf'id="{control}-error">([^<]+)<', page.text)
    assert wrong
    assert sentence in unescape(wrong.group(1))
    assert 'value="27"' in page.text
    assert len(spring.rows(Document)) == count


def test_reading_without_a_spot_is_refused(ask: Ask, spring: Service, mine: str) -> None:
    page = ask("POST", f"{mine}/reading", data=spots(spring, ("", "")))
    assert page.status_code == 422
    assert 'id="height_0-error"' in page.text


def test_spot_outside_the_tables_is_not_counted(ask: Ask, spring: Service, mine: str) -> None:
    data = spots(spring, ("26", "bud"), ("12", "vegetative"))
    said = words(ask("POST", f"{mine}/reading", data=data))
    assert "Mean of 1 spot" in said
    assert "2 12 vegetative not counted" in said
    alone = words(ask("POST", f"{mine}/reading", data=spots(spring, ("12", "vegetative"))))
    assert "No spot can be used" in alone


def test_stand_with_grass_is_warned_of(ask: Ask, spring: Service, mine: str) -> None:
    # Sulc, 2011, Estimating alfalfa NDF in the field: grass makes the stem method wrong.
    spring.enrol(farm("Plum Bottom", "North", grass_pct="40"))
    said = words(ask("POST", f"{mine}/reading", data=spots(spring, ("26", "bud"))))
    assert "North holds 40 % grass: stem tables are for pure alfalfa" in said


# --- isolation


@pytest.mark.parametrize("act", ["clip", "reading", "publish"])
def test_another_samplers_field_cannot_be_written_to(
    ask: Ask, spring: Service, mine: str, act: str
) -> None:
    before = (len(spring.rows(Document)), len(spring.stored_results()))
    data = {
        "clip": clip(spring, "Long", rfv="200"),
        "reading": spots(spring, ("26", "bud"), field="Long", do="save"),
        "publish": {"field": str(field_id(spring, "Long")), "public_name": "Hillside"},
    }[act]
    answer = ask("POST", f"{mine}/{act}", data=data)
    assert answer.status_code == 404
    assert "Wide Acre" not in answer.text
    assert (len(spring.rows(Document)), len(spring.stored_results())) == before
    assert all(not one.public_name for one in spring.rows(FarmField))


def test_number_of_another_samplers_result_does_not_replace_it(
    ask: Ask, spring: Service, mine: str
) -> None:
    spring.results(
        {"farm": "Wide Acre", "field": "Long", "lab": "Ouzel Bend", "lab_number": "9", "rfv": 222}
    )
    theirs = newest(spring)
    page = ask(
        "POST", f"{mine}/clip", data=clip(spring, lab="Ouzel Bend", lab_number="9", rfv="199")
    )
    assert "222" not in page.text
    [kept] = [one for one in spring.stored_results() if one.id == theirs.id]
    assert (kept.replaced_by, kept.field_id) == (None, field_id(spring, "Long"))


def test_choices_and_results_are_of_own_fields_only(ask: Ask, spring: Service, mine: str) -> None:
    for path in ("", "/clip", "/reading", "/print"):
        said = words(ask("GET", f"{mine}{path}"))
        assert "Wide Acre" not in said
        assert "RFV 230" not in said
    theirs = words(ask("GET", page_of(spring, Role.SAMPLER, KIT)))
    assert "RFV 230" in theirs
    assert "Plum Bottom" not in theirs


# --- results that wait for their field


def test_waiting_result_of_an_own_farm_is_shown_and_assigned(
    ask: Ask, spring: Service, mine: str
) -> None:
    spring.results({"field": "N forty", "rfv": 201, "lab": "Ouzel Bend", "lab_number": "5"})
    assert "N forty , Plum Bottom" in words(ask("GET", mine))
    data = {
        "farm_label": "Plum Bottom",
        "field_label": "N forty",
        "field": str(field_id(spring, "North")),
    }
    answer = ask("POST", f"{mine}/assign", data=data)
    assert answer.status_code == 303
    assert newest(spring).field_id == field_id(spring, "North")
    page = ask("GET", answer.headers["location"])
    assert "Assigned. 1 of the waiting results" in page.text
    assert "Which field is this?" not in page.text
    [name] = spring.rows(FieldName)
    assert (name.farm_key, name.field_key) == ("plum bottom", "n forty")


def test_waiting_result_without_a_choice_is_said_beside_it(
    ask: Ask, spring: Service, mine: str
) -> None:
    spring.results({"field": "N forty", "rfv": 201})
    data = {"farm_label": "Plum Bottom", "field_label": "N forty", "field": ""}
    page = ask("POST", f"{mine}/assign", data=data)
    assert page.status_code == 422
    assert 'id="assign-1-error"' in page.text


@pytest.mark.parametrize(
    ("farm_label", "field_label"),
    [("Wide Acre", "back lot"), ("Wide Akre", "back lot"), ("", "back lot")],
)
def test_waiting_result_that_may_be_somebody_elses_is_neither_shown_nor_assigned(
    ask: Ask, spring: Service, mine: str, farm_label: str, field_label: str
) -> None:
    spring.results({"farm": farm_label, "field": field_label, "rfv": 201})
    assert "back lot" not in ask("GET", mine).text
    data = {
        "farm_label": farm_label,
        "field_label": field_label,
        "field": str(field_id(spring, "North")),
    }
    assert ask("POST", f"{mine}/assign", data=data).status_code == 404
    assert newest(spring).field_id is None


def test_waiting_result_of_a_farm_name_that_two_samplers_have_is_the_operators(
    ask: Ask, spring: Service, mine: str
) -> None:
    spring.enrol(
        farm("Plum Bottom", "Knoll", EVA, KIT, area="Far Valley", farmer="Bo", phone=THIRD_PHONE)
    )
    spring.results({"field": "N forty", "rfv": 201})
    for page in (mine, page_of(spring, Role.SAMPLER, KIT)):
        assert "N forty" not in ask("GET", page).text


def test_waiting_result_cannot_be_given_to_another_samplers_field(
    ask: Ask, spring: Service, mine: str
) -> None:
    spring.results({"field": "N forty", "rfv": 201})
    data = {
        "farm_label": "Plum Bottom",
        "field_label": "N forty",
        "field": str(field_id(spring, "Long")),
    }
    assert ask("POST", f"{mine}/assign", data=data).status_code == 404
    assert newest(spring).field_id is None


# --- reference fields


def test_field_is_published_and_withdrawn(ask: Ask, spring: Service, mine: str) -> None:
    number = str(field_id(spring, "North"))
    data = {"field": number, "public_name": "Creek flat", "public_place": "south of the county"}
    assert ask("POST", f"{mine}/publish", data=data).status_code == 303
    [north] = [one for one in spring.rows(FarmField) if one.name == "North"]
    assert (north.public_name, north.public_place) == ("Creek flat", "south of the county")
    assert "published as Creek flat" in words(ask("GET", mine))
    ask("POST", f"{mine}/publish", data={"field": number, "do": "withdraw"})
    [north] = [one for one in spring.rows(FarmField) if one.name == "North"]
    assert (north.public_name, north.public_place) == ("", "")


@pytest.mark.parametrize(
    ("typed", "control", "sentence"),
    [
        ({"public_name": ""}, "public_name", "Give the name"),
        ({"public_name": "Plum Bottom north"}, "public_name", "gives away the farm"),
        ({"public_name": "Flat", "public_place": "Lindqvist, Ada"}, "public_place", "farmer"),
        ({"public_name": "=1+1"}, "public_name", "Begin with a letter"),
        ({"public_name": "x" * 61}, "public_name", "at most 60"),
    ],
)
def test_name_that_cannot_be_public_is_refused_beside_it(
    ask: Ask, spring: Service, mine: str, typed: dict[str, str], control: str, sentence: str
) -> None:
    number = field_id(spring, "North")
    page = ask("POST", f"{mine}/publish", data={"field": str(number), **typed})
    assert page.status_code == 422
    wrong = re.search(rf'id="{control}-{number}-error">([^<]+)<', page.text)
    assert wrong
    assert sentence in unescape(wrong.group(1))
    assert f'value="{typed["public_name"]}"' in page.text
    assert all(not one.public_name for one in spring.rows(FarmField))


def test_public_name_is_given_once(ask: Ask, spring: Service, mine: str) -> None:
    for field, status in (("North", 303), ("Ridge", 422)):
        data = {"field": str(field_id(spring, field)), "public_name": "Creek flat"}
        assert ask("POST", f"{mine}/publish", data=data).status_code == status


def test_every_header_and_control_has_a_name(ask: Ask, mine: str) -> None:
    # W3C, 2023, Web Content Accessibility Guidelines 2.2: 1.3.1 and 4.1.2.
    for path in ("", "/clip", "/reading", "/print"):
        text = ask("GET", f"{mine}{path}").text
        assert not re.search(r"<th(?![^>]*scope=)[ >]", text)
        labels = set(re.findall(r'<label for="([^"]+)"', text))
        for control in re.findall(r'<(?:input|select)(?![^>]*type="hidden")[^>]*>', text):
            named = re.search(r'id="([^"]+)"', control)
            assert "aria-label=" in control or (named and named.group(1) in labels), control
        assert len(re.findall(r"<table", text)) == len(re.findall(r"<caption", text))


def test_sampler_without_farms_sees_an_empty_page(ask: Ask, spring: Service) -> None:
    page = page_of(spring, Role.SAMPLER, KIT)
    spring.enrol(farm("Wide Acre", "Long", EVA, JO, farmer="Uma Holt", phone=OTHER_PHONE))
    said = words(ask("GET", page))
    assert "No farm names you as its sampler" in said


# --- taking a result back


def test_own_result_is_taken_back_after_a_question_and_put_back(
    ask: Ask, spring: Service, mine: str
) -> None:
    ask("POST", f"{mine}/clip", data=clip(spring, rfv="131", method="nir"))
    own = newest(spring).id
    page = ask("GET", mine)
    assert page.text.count("/take-back?result=") == 1  # beside what the laboratory sent stands none
    asked = ask("GET", f"{mine}/take-back?result={own}")
    assert "Take this result back?" in asked.text
    assert "RFV 131" in asked.text
    assert newest(spring).id == own  # asking changes nothing
    form = {"result": str(own), "do": "take-back"}
    done = ask("POST", f"{mine}/take-back", data=form)
    assert done.status_code == 303
    assert newest(spring).id != own
    after = ask("GET", done.headers["location"])
    assert "Taken back: the result no longer counts." in after.text
    assert "taken back: does not count" in after.text
    assert "Put this result back?" in ask("GET", f"{mine}/take-back?result={own}").text
    ask("POST", f"{mine}/take-back", data={**form, "do": "put-back"})
    assert newest(spring).id == own


def test_result_of_another_cannot_be_taken_back(ask: Ask, spring: Service, mine: str) -> None:
    theirs = newest(spring).id
    assert ask("GET", f"{mine}/take-back?result={theirs}").status_code == 404
    assert ask("POST", f"{mine}/take-back", data={"result": str(theirs)}).status_code == 404
    assert ask("POST", f"{mine}/take-back", data={"result": "x"}).status_code == 400
    assert newest(spring).id == theirs


# --- values that do not fit


def test_index_that_the_fiber_contradicts_is_asked_about_once(
    ask: Ask, spring: Service, mine: str
) -> None:
    # Rohweder, Barnes and Jorgensen, 1978, Proposed hay grading standards: (88.9 - 0.779 * 35) *
    # 120 / 45 / 1.29 = 127.4 at 35 % ADF and 45 % NDF.
    before = newest(spring).id
    values = {"rfv": "190", "adf_pct_dm": "35", "ndf_pct_dm": "45", "method": "nir"}
    page = ask("POST", f"{mine}/clip", data=clip(spring, **values, do="save"))
    assert page.status_code == 422
    assert "These do not fit: RFV 190, but NDF and ADF give 127." in words(page)
    assert 'value="190"' in page.text and "Save anyway" in page.text
    assert newest(spring).id == before
    done = ask("POST", f"{mine}/clip", data=clip(spring, **values, do="anyway"))
    assert "Saved." in words(done)
    assert newest(spring).rfv == 190


def test_index_near_what_the_fiber_gives_is_saved_at_once(
    ask: Ask, spring: Service, mine: str
) -> None:
    values = {"rfv": "135", "adf_pct_dm": "35", "ndf_pct_dm": "45", "method": "nir"}
    assert "Saved." in words(ask("POST", f"{mine}/clip", data=clip(spring, **values)))


# --- a clip that comes too late


def test_field_that_only_a_clip_tomorrow_helps_is_said_apart(
    ask: Ask, spring: Service, mine: str
) -> None:
    ridge = field_id(spring, "Ridge")
    with spring.sessions.write() as session:
        session.get_one(FieldOutlookRow, ridge).start_median = spring.parts.today() + timedelta(2)
    said = words(ask("GET", mine))
    assert "Only if you can go tomorrow Ridge, Alder End: a clip tomorrow still helps, " in said
    assert "Thursday's will not" in said
    assert "Thursday's will not" in words(ask("GET", f"{mine}/print"))


def test_page_says_today_and_whole_days(ask: Ask, mine: str) -> None:
    said = words(ask("GET", mine))
    assert re.search(r"a clip makes its date about \d+ days? surer", said)
    assert re.search(r"needs RFV 185 standing", said)
    assert "0 days ago" not in said


def test_last_visit_stands_open_and_earlier_ones_are_folded(
    ask: Ask, spring: Service, mine: str
) -> None:
    ask("POST", f"{mine}/clip", data=clip(spring, rfv="190", method="nir"))
    ask("POST", f"{mine}/reading", data=spots(spring, ("28", "bud"), do="save"))
    text = ask("GET", mine).text
    newest, _, folded = text.partition('<details id="earlier">')
    assert re.search(r"<summary>Earlier visits: \d+ results?</summary>", folded)
    assert "Results of the last visit, Mon May 10" in newest
    assert "Mon May 10</td>" not in folded
    assert "stem reading, 1 spot<" in newest
