"""The farm's form: what it is filled in with, what it changes, and what it leaves alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, time

import pytest
from factories import AREA, MONDAY, OTHER_PHONE, Service, day

from alerts.services.access.links import Role, Visitor
from alerts.services.access.scope import NotYours
from alerts.services.farms.farm_edit import (
    NEW,
    EditForm,
    closed_fields,
    edit_form,
    save,
    with_new_field,
    with_opened,
    with_taken_out,
)
from alerts.services.farms.farm_form import MOST_FIELDS, FormRules
from alerts.store.tables import Cut, Farm, FarmField, FieldName, Person

OWNER = Visitor(1, Role.FARM, 1, 1)
ROWS = (
    {"field": "North", "acres": "30", "soil": "loam", "latitude": "44.123456", "longitude": "-93.5",
     "consultant": "Cara Voss", "consultant_email": "cara@example.org", "sampler": "Sam Oyen",
     "sampler_email": "sam@example.org"},
    {"field": "South", "acres": "10"},
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Editor:
    service: Service

    def form(self, visitor: Visitor = OWNER) -> EditForm:
        with self.service.sessions.read() as session:
            return edit_form(session, visitor, 1, self.service.parts.guidelines)

    def save(self, form: EditForm | None = None, **changes: str) -> EditForm:
        """Save the form, by default as it is filled in for the farm, with some changes."""
        form = form or self.form()
        typed = {**form.typed, **{name.replace("__", "-"): one for name, one in changes.items()}}
        parts = self.service.parts
        rules = FormRules(parts.guidelines, parts.roster_defaults())
        sent = replace(form, typed=typed)
        with self.service.sessions.write() as session:
            return save(session, OWNER, 1, sent, rules, self.service.clock())

    def opened(self, field_id: int, form: EditForm | None = None) -> EditForm:
        with self.service.sessions.read() as session:
            return with_opened(session, OWNER, 1, form or self.form(), field_id)

    def closed(self, form: EditForm | None = None) -> list[tuple[str, date | None]]:
        with self.service.sessions.read() as session:
            found = closed_fields(session, OWNER, 1, form or self.form())
        return [(one.name, one.closed_on) for one in found]

    def farm(self) -> Farm:
        with self.service.sessions.read() as session:
            return session.get_one(Farm, 1)

    def field(self, field_id: int = 1) -> FarmField:
        with self.service.sessions.read() as session:
            return session.get_one(FarmField, field_id)

    def person(self) -> Person:
        with self.service.sessions.read() as session:
            return session.get_one(Person, 1)


@pytest.fixture
def editor(service: Service) -> Editor:
    service.enrol(*ROWS)
    return Editor(service)


def test_form_saved_as_it_was_filled_in_changes_nothing(editor: Editor) -> None:
    before = editor.farm(), editor.field(1), editor.field(2), editor.person()
    assert editor.save().errors == ()
    after = editor.farm(), editor.field(1), editor.field(2), editor.person()
    assert [one.model_dump() for one in after] == [one.model_dump() for one in before]
    # a form shows fewer digits than a roster may give
    assert editor.field().latitude == 44.123456


def test_form_holds_no_name_and_no_address_of_anybody(editor: Editor) -> None:
    assert not {"farmer", "phone", "email", "farm", "area"} & set(editor.form().typed)


def test_address_that_is_smuggled_in_is_left_out(editor: Editor) -> None:
    editor.save(phone=OTHER_PHONE, email="x@example.org", farmer="Eve", farm="Eve's", area="Far")
    person, farm = editor.person(), editor.farm()
    assert (person.name, person.phone, person.email) == ("Ada Lindqvist", "+12025550143", "")
    assert (farm.name, farm.area_id) == ("Plum Bottom", 1)


def test_goal_harvest_and_messages_are_changed(editor: Editor) -> None:
    editor.save(
        feed_target="150", handling_loss="20", harvest_method="baleage", harvest_days="3.5",
        which_load="average", notice_days="7", send_from="06:30", send_to="21:00", language="es",
    )  # fmt: skip
    farm = editor.farm()
    assert (farm.feed_target, farm.handling_loss, farm.harvest_method) == (150.0, 20.0, "baleage")
    assert (farm.harvest_days, farm.which_load, farm.notice_days) == (3.5, "average", 7)
    assert (farm.send_from, farm.send_to) == (time(6, 30), time(21))
    assert editor.person().language == "es"
    assert (farm.consultant_id, farm.sampler_id) == (2, 3)


def test_usual_target_follows_the_animals_and_the_way_to_harvest(service: Service) -> None:
    service.enrol({"feed_target": "", "handling_loss": "", "animal_class": "milking_cows"})
    editor = Editor(service)
    form = editor.form().typed
    assert (form["feed_target"], form["handling_loss"]) == ("", "")
    editor.save(animal_class="dry_cows", harvest_method="dry_hay")
    guidelines, farm = service.parts.guidelines, editor.farm()
    assert farm.feed_target == guidelines.value("feed_target.dry_cows.rfv")
    assert farm.handling_loss == guidelines.value("handling_loss.dry_hay.rfv")


def test_target_of_ones_own_stays(editor: Editor) -> None:
    assert editor.form().typed["handling_loss"] == "25"
    editor.save(feed_target="163", animal_class="dry_cows")
    assert editor.farm().feed_target == 163.0


def test_harvest_can_follow_from_the_acres_a_day(editor: Editor) -> None:
    editor.save(harvest_days="", acres_per_day="16")
    assert (editor.farm().harvest_days, editor.farm().acres_per_day) == (2.5, 16.0)  # 40 / 16
    editor.save(field__2__acres="24")
    assert editor.farm().harvest_days == 54 / 16
    editor.save(harvest_days="2", acres_per_day="")
    assert (editor.farm().harvest_days, editor.farm().acres_per_day) == (2.0, None)


def test_field_is_changed_and_its_neighbour_is_not(editor: Editor) -> None:
    editor.save(
        field__1__grass_pct="30", field__1__soil="light", field__1__slope="south",
        field__1__variety="Rambler 4", field__1__seeding_year="2024",
    )  # fmt: skip
    north, south = editor.field(1), editor.field(2)
    assert (north.grass_pct, north.soil, north.slope) == (30.0, "light", "south")
    assert (north.variety, north.seeding_year, north.latitude) == ("Rambler 4", 2024, 44.123456)
    assert (south.grass_pct, south.soil) == (0.0, "")


def test_field_with_a_new_name_answers_to_its_old_one(editor: Editor) -> None:
    editor.save(field__1__field="North Forty")
    assert (editor.field().name, editor.field().key) == ("North Forty", "north forty")
    assert [row.field_key for row in editor.service.rows(FieldName)] == ["north"]
    editor.service.results({"field": "North", "rfv": 208})
    [result] = editor.service.stored_results()
    assert result.field_id == 1


def test_name_of_another_field_is_refused(editor: Editor) -> None:
    for name in ("South", " south "):
        [error] = editor.save(field__1__field=name).errors
        assert (error.control, error.column) == ("field-1-field", "field")
    assert editor.field().name == "North"


def test_name_longer_than_the_form_takes_may_stay(service: Service) -> None:
    service.enrol({"field": "The meadow behind the old stone barn beside the county road"})
    editor = Editor(service)
    assert editor.save(field__1__acres="12").errors == ()
    assert editor.field().acres == 12.0


@pytest.mark.parametrize(
    ("changes", "control"),
    [
        ({"feed_target": "900"}, "feed_target"),
        ({"harvest_days": "", "acres_per_day": ""}, "harvest_days"),
        ({"notice_days": "soon"}, "notice_days"),
        ({"field__2__acres": "-3"}, "field-2-acres"),
        ({"field__1__seeding_year": "24"}, "field-1-seeding_year"),
        ({"field__1__field": ""}, "field-1-field"),
        ({"field__2__field": "", "field__2__acres": "", "field__2__watched": ""}, "field-2-field"),
        ({"field__1__zip": "00000"}, "field-1-zip"),
        ({"alert_by": "email"}, "email"),
    ],
)
def test_wrong_value_changes_nothing_and_comes_back(
    editor: Editor, changes: dict[str, str], control: str
) -> None:
    before = editor.farm().model_dump(), editor.field(1).model_dump(), editor.field(2).model_dump()
    form = editor.save(**changes, which_load="average")
    assert control in [error.control for error in form.errors]
    for name, text in changes.items():
        if name != "alert_by":
            assert form.typed[name.replace("__", "-")] == text
    after = editor.farm().model_dump(), editor.field(1).model_dump(), editor.field(2).model_dump()
    assert after == before


def test_address_that_never_agreed_cannot_be_chosen(service: Service) -> None:
    service.enrol({"email": "ada@example.org", "consent_on": "", "consent_how": ""})
    editor = Editor(service)
    [error] = editor.save(alert_by="email").errors
    assert (error.control, "confirmed" in error.reason) == ("alert_by", True)
    assert "Another phone or email" in error.reason


def test_address_that_agreed_can(service: Service) -> None:
    service.enrol({"email": "ada@example.org"})
    editor = Editor(service)
    assert editor.save(alert_by="both").errors == ()
    assert editor.person().alert_by == "both"


def test_email_for_texts_that_do_not_arrive_is_wished_and_taken_back(service: Service) -> None:
    service.enrol({"email": "ada@example.org"})
    editor = Editor(service)
    assert editor.save(email_if_unreached="yes").errors == ()
    assert editor.person().email_if_unreached
    form = editor.form()
    assert form.typed["email_if_unreached"] == "yes"
    left_out = {k: v for k, v in form.typed.items() if k != "email_if_unreached"}
    assert editor.save(replace(form, typed=left_out)).errors == ()  # as a browser sends no tick
    assert not editor.person().email_if_unreached


@pytest.mark.parametrize(
    "row",
    [{}, {"email": "ada@example.org", "consent_on": "", "consent_how": ""}],
    ids=["no email", "not agreed"],
)
def test_email_for_texts_that_do_not_arrive_has_to_be_confirmed(
    service: Service, row: dict[str, str]
) -> None:
    service.enrol(row)
    editor = Editor(service)
    errors = editor.save(email_if_unreached="yes").errors
    [error] = [one for one in errors if one.control != "alert_by"]  # nor has the phone agreed
    assert (error.control, "confirmed" in error.reason) == ("email_if_unreached", True)
    assert not editor.person().email_if_unreached


def test_fields_that_changed_meanwhile_are_not_mixed_up(editor: Editor) -> None:
    form = editor.form()
    with editor.service.sessions.write() as session:
        row = session.get_one(FarmField, 1)
        row.closed_on = date(2027, 5, 1)
        session.add(row)
    for _ in range(2):  # nor by pressing the button again
        form = editor.save(form, field__1__acres="99")
        assert ["changed meanwhile" in error.reason for error in form.errors] == [True]
    assert editor.field(2).acres == 10.0


def test_saving_works_the_date_out_anew(editor: Editor) -> None:
    editor.service.results({"rfv": 208})
    editor.service.evaluate()
    first = editor.service.line().farm_start_median
    editor.save(feed_target="140")
    assert editor.service.evaluate() == 1
    later = editor.service.line().farm_start_median
    assert first is not None
    assert later is not None
    assert later > first


def test_cutting_of_a_field_is_left_alone(editor: Editor) -> None:
    with editor.service.sessions.write() as session:
        row = session.get_one(FarmField, 2)
        row.cutting = 3
        session.add(row)
    editor.save(field__2__acres="11")
    assert editor.field(2).cutting == 3


def test_farm_of_somebody_else_does_not_exist(editor: Editor) -> None:
    with pytest.raises(NotYours):
        editor.form(Visitor(9, Role.FARM, 2, 7))


# ------------------------------------------------------------- fields that come and go


def test_field_is_added(editor: Editor) -> None:
    form = with_new_field(editor.form())
    assert form.field_ids == (1, 2, NEW)
    saved = editor.save(form, field__3__field="West", field__3__acres="12", field__3__zip="82801")
    assert saved.errors == ()
    west = editor.field(3)
    assert (west.farm_id, west.name, west.acres, west.zip) == (1, "West", 12.0, "82801")
    assert (west.cutting, west.watched, west.closed_on) == (1, False, None)
    assert [editor.field(one).name for one in (1, 2)] == ["North", "South"]


def test_new_field_of_which_nothing_was_said_is_left_out(editor: Editor) -> None:
    form = with_new_field(with_new_field(editor.form()))
    assert editor.save(form, field__4__field="West", field__3__field="  ").errors == ()
    assert [row.name for row in editor.service.rows(FarmField)] == ["North", "South", "West"]


def test_result_that_waited_for_a_new_field_finds_it(editor: Editor) -> None:
    editor.service.results({"field": "West", "rfv": 208})
    assert [row.field_id for row in editor.service.stored_results()] == [None]
    editor.save(with_new_field(editor.form()), field__3__field="West")
    assert [row.field_id for row in editor.service.stored_results()] == [3]
    editor.service.evaluate()
    assert editor.service.line("West").start_median is not None


def test_new_field_needs_a_name_of_its_own(editor: Editor) -> None:
    form = with_new_field(editor.form())
    for name in ("North", " south "):
        [error] = editor.save(form, field__3__field=name).errors
        assert (error.control, error.column) == ("field-3-field", "field")
        assert "another field of the farm bears this name" in error.reason
    [error] = editor.save(form, field__3__acres="3").errors
    assert (error.control, error.missing) == ("field-3-field", True)
    assert len(editor.service.rows(FarmField)) == 2


def test_new_fields_of_one_name_are_told_apart(editor: Editor) -> None:
    form = with_new_field(with_new_field(editor.form()))
    [error] = editor.save(form, field__3__field="West", field__4__field="west").errors
    assert error.control == "field-4-field"
    assert len(editor.service.rows(FarmField)) == 2


def test_field_may_be_called_by_a_number(editor: Editor) -> None:
    form = with_new_field(editor.form())
    assert editor.save(form, field__3__field="Field 1").errors == ()
    assert editor.field(3).name == "Field 1"


def test_field_taken_out_is_closed_and_keeps_what_is_known_of_it(editor: Editor) -> None:
    editor.service.results({"rfv": 208}, {"field": "South", "rfv": 215})
    editor.service.cut("South", MONDAY)
    editor.service.evaluate()
    before = editor.field(2).model_dump()
    form = with_taken_out(editor.form(), 2)
    assert editor.closed(form) == [("South", None)]
    assert editor.field(2).closed_on is None  # not before it is saved
    editor.save(form)
    assert editor.field(2).model_dump() == {**before, "closed_on": MONDAY}
    assert editor.closed() == [("South", MONDAY)]
    assert [row.field_id for row in editor.service.rows(Cut)] == [2]
    assert sorted(row.field_id for row in editor.service.stored_results()) == [1, 2]
    editor.service.evaluate()
    assert [line.field for line in editor.service.lines()] == ["North"]


def test_others_move_up_with_what_was_typed_and_stay_themselves(editor: Editor) -> None:
    form = editor.form()
    form = with_taken_out(replace(form, typed={**form.typed, "field-2-acres": "77"}), 1)
    assert form.field_ids == (2,)
    editor.save(form)
    assert (editor.field(1).acres, editor.field(1).closed_on) == (30.0, MONDAY)
    assert (editor.field(2).acres, editor.field(2).name) == (77.0, "South")


def test_messages_about_a_field_taken_out_are_taken_back(editor: Editor) -> None:
    editor.service.results({"rfv": 208}, {"field": "South", "rfv": 208})
    editor.service.evaluate()
    assert [m.status for m in editor.service.messages()] == ["queued"]
    editor.save(with_taken_out(editor.form(), 1))
    assert [m.status for m in editor.service.messages()] == ["cancelled"]


def test_field_is_opened_again_as_it_was(editor: Editor) -> None:
    editor.service.results({"field": "South", "rfv": 215})
    editor.service.cut("South", day(0))
    before = editor.field(2).model_dump()
    editor.save(with_taken_out(editor.form(), 2))
    form = editor.opened(2)
    assert (form.field_ids, form.typed["field-2-field"]) == ((1, 2), "South")
    assert editor.save(form).errors == ()
    assert editor.field(2).model_dump() == before
    assert editor.closed() == []


def test_field_taken_out_by_mistake_comes_back_before_anything_is_saved(editor: Editor) -> None:
    before = [row.model_dump() for row in editor.service.rows(FarmField)]
    form = editor.opened(1, with_taken_out(editor.form(), 1))
    assert form.field_ids == (2, 1)
    assert editor.save(form).errors == ()
    after = [row.model_dump() for row in editor.service.rows(FarmField)]
    assert after == before


def test_name_of_a_field_taken_out_is_refused_and_the_way_said(editor: Editor) -> None:
    editor.save(with_taken_out(editor.form(), 2))
    form = with_new_field(editor.form())
    [error] = editor.save(form, field__2__field="South").errors
    assert (error.control, "open it again" in error.reason) == ("field-2-field", True)
    # taken out and named anew in one go: the same
    form = with_new_field(with_taken_out(editor.save(editor.opened(2)), 1))
    [error] = editor.save(replace(form, open_ids=(1, 2)), field__2__field="North").errors
    assert error.control == "field-2-field"


def test_acres_of_fields_that_come_and_go_count(editor: Editor) -> None:
    editor.save(harvest_days="", acres_per_day="10")
    assert editor.farm().harvest_days == 4.0  # 40 / 10
    editor.save(with_new_field(editor.form()), field__3__field="West", field__3__acres="20")
    assert editor.farm().harvest_days == 6.0
    editor.save(with_taken_out(editor.form(), 1))
    assert editor.farm().harvest_days == 3.0


def test_last_field_cannot_be_taken_out(editor: Editor) -> None:
    form = with_taken_out(with_taken_out(editor.form(), 1), 1)
    assert form.field_ids == (2,)


def test_farm_whose_fields_are_all_closed_can_open_one(editor: Editor) -> None:
    with editor.service.sessions.write() as session:
        for field_id in (1, 2):
            row = session.get_one(FarmField, field_id)
            row.closed_on = day(-3)
            session.add(row)
    [error] = editor.save().errors
    assert "no open field" in error.reason
    assert editor.save(editor.opened(2)).errors == ()
    assert editor.field(2).closed_on is None


def test_form_takes_no_more_fields_than_it_may(service: Service) -> None:
    service.enrol(*({"field": f"Lot {n}", "acres": "10"} for n in range(1, MOST_FIELDS + 2)))
    editor = Editor(service)
    form = editor.form()
    assert len(form.field_ids) == MOST_FIELDS
    assert with_new_field(form) == form
    assert editor.save(form, harvest_days="", acres_per_day="31").errors == ()
    assert editor.farm().harvest_days == 10.0  # that of the field beyond counts
    assert editor.field(MOST_FIELDS + 1).closed_on is None


@pytest.mark.parametrize(
    ("field_ids", "open_ids"),
    [((1, 2, 3), (1, 2)), ((1, 1), (1, 2)), ((1, 2), (1,)), ((1, 3), (1, 3)), ((1, 99), (1, 2))],
)
def test_ids_that_are_not_the_farms_are_refused(
    editor: Editor, field_ids: tuple[int, ...], open_ids: tuple[int, ...]
) -> None:
    editor.service.enrol({"farm": "Stone Row", "field": "East", "area": AREA})
    before = [row.model_dump() for row in editor.service.rows(FarmField)]
    form = replace(editor.form(), field_ids=field_ids, open_ids=open_ids)
    assert editor.save(form, field__3__field="East").errors != ()
    assert [row.model_dump() for row in editor.service.rows(FarmField)] == before
    with pytest.raises(NotYours):
        editor.opened(3)


def test_former_name_of_another_field_is_taken(editor: Editor) -> None:
    """Laboratories go on using it: results under it would lead to two fields."""
    assert editor.save(**{"field-1-field": "Ridge"}).errors == ()  # was North
    [error] = editor.save(**{"field-2-field": "north"}).errors
    assert (error.control, "by this name" in error.reason) == ("field-2-field", True)
    added = with_new_field(editor.form())
    assert [e.control for e in editor.save(added, **{"field-3-field": "North"}).errors] == [
        "field-3-field"
    ]
    assert editor.save(**{"field-1-field": "North"}).errors == ()  # its own former name
