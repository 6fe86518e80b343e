"""Changing a farm on its own page: goal, harvest, messages and fields, by the sign-up's form.

A field can be added, taken out (it is closed: results and cuts stay) and opened again; all of it
happens when the form is saved, and not before. Who is told, at which phone and email, is not
changed here: a new address has to say yes itself, which services/people/addresses.py asks it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlmodel import Session

from alerts.agronomy.goals import harvest_days_from_capacity
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import Index, RosterRow
from alerts.services.access.links import Visitor
from alerts.services.access.scope import NotYours, require_farm, require_field
from alerts.services.farms.farm_actions import local_day
from alerts.services.farms.farm_form import (
    FIELD_CONTROLS,
    MOST_FIELDS,
    FormError,
    FormRules,
    Typed,
    control,
    first_of_each,
    kept,
    read_farm,
    typed_of,
    typed_of_field,
    with_field_removed,
)
from alerts.services.farms.farm_page import wished
from alerts.services.farms.record_cuts import close_field_in
from alerts.services.results.match_results import match_waiting
from alerts.store import areas, consents, fields, inbound, people
from alerts.store.tables import Farm, FarmField, Person

FIXED = ("farmer", "phone", "email", "farm", "area")
"""Controls of the sign-up that are not changed here."""

NOT_CONFIRMED = (
    "your email has not been confirmed yet; confirm it through "
    "'Another phone or email' on the farm's page"
)

NEW = 0
"""In the place of the id of a field that is not there yet."""


@dataclass(frozen=True, slots=True)
class EditForm:
    """The form filled in; field number k of it is the field with ``field_ids[k - 1]``, or NEW.

    ``open_ids`` are the fields that were open when it was first shown. One that is not among
    ``field_ids`` was taken out; one of ``field_ids`` that is not among them was opened again.
    """

    typed: Typed
    field_ids: tuple[int, ...]
    open_ids: tuple[int, ...]
    errors: tuple[FormError, ...] = ()

    @property
    def taken_out(self) -> frozenset[int]:
        return frozenset(self.open_ids) - frozenset(self.field_ids)

    @property
    def has_room(self) -> bool:
        return len(self.field_ids) < MOST_FIELDS


@dataclass(frozen=True, slots=True)
class ClosedField:
    """A field that the form leaves out, and that can be opened again."""

    field_id: int
    name: str
    closed_on: date | None  # None: taken out of the form, which is not saved yet


def edit_form(
    session: Session, visitor: Visitor, farm_id: int, guidelines: GuidelineSet
) -> EditForm:
    """The form as the farm stands now; NotYours when it is outside the visitor's scope.

    A target or loss that is the usual one is left empty, so that it follows a change of animals
    or of the way to harvest.
    """
    farm = require_farm(session, visitor, farm_id)
    typed = typed_of(session, farm_id)
    index = Index(farm.index)
    if guidelines.feed_target(farm.animal_class, index) == farm.feed_target:
        typed["feed_target"] = ""
    if guidelines.value(f"handling_loss.{farm.harvest_method}.{index}") == farm.handling_loss:
        typed["handling_loss"] = ""
    standing = _open_ids(session, farm_id)
    return EditForm(_ours(typed), standing, standing)


def closed_fields(
    session: Session, visitor: Visitor, farm_id: int, form: EditForm
) -> tuple[ClosedField, ...]:
    """The farm's fields that the form leaves out."""
    require_farm(session, visitor, farm_id)
    return tuple(
        ClosedField(field.id, field.name, field.closed_on)
        for field in fields.all_fields(session, farm_id)
        if field.id is not None
        and field.id not in form.field_ids
        and (field.closed_on is not None or field.id in form.open_ids)
    )


# --------------------------------------------------------------------- filling it in


def with_new_field(form: EditForm) -> EditForm:
    """The form with an empty field at its end; unchanged when it has as many as it may."""
    return replace(form, field_ids=(*form.field_ids, NEW)) if form.has_room else form


def with_taken_out(form: EditForm, number: int) -> EditForm:
    """The form without that field; those behind it move up. The last one stays."""
    ids = form.field_ids
    if len(ids) < 2 or not 1 <= number <= len(ids):
        return form
    typed = with_field_removed(form.typed, number)
    return replace(form, typed=typed, field_ids=(*ids[: number - 1], *ids[number:]))


def with_opened(
    session: Session, visitor: Visitor, farm_id: int, form: EditForm, field_id: int
) -> EditForm:
    """The form with a field that it left out at its end; NotYours for one of another farm."""
    field = require_field(session, visitor, field_id)
    if field.farm_id != farm_id:
        raise NotYours("there is no such field here")
    if field_id in form.field_ids or not form.has_room:
        return form
    number = len(form.field_ids) + 1
    own = {control(column, number): text for column, text in typed_of_field(field).items()}
    return replace(form, typed={**form.typed, **own}, field_ids=(*form.field_ids, field_id))


# ---------------------------------------------------------------------------- saving


def save(
    session: Session,
    visitor: Visitor,
    farm_id: int,
    form: EditForm,
    rules: FormRules,
    now: datetime,
) -> EditForm:
    """Take the form over; with errors nothing is changed, and what was typed comes back.

    Fields that came or went since it was first shown are an error: numbers would stand for other
    fields, and one that somebody else added would be closed.
    """
    farm = require_farm(session, visitor, farm_id)
    farmer = session.get_one(Person, farm.farmer_id)
    form = _without_empty(replace(form, typed=_ours(form.typed), errors=()))
    known = {field.id: field for field in fields.all_fields(session, farm_id) if field.id}
    if not form.field_ids:
        reason = "the farm has no open field; add one, or open one again"
        return replace(form, errors=(FormError("farm", "farm", reason),))
    if not _holds_still(form, _open_ids(session, farm_id), known):
        reason = "the farm's fields have changed meanwhile; open this page anew"
        return replace(form, errors=(FormError("farm", "farm", reason),))
    standing = [known.get(field_id) for field_id in form.field_ids]
    reading = read_farm(_filled_in(form.typed, farmer, standing), rules)
    errors = [
        *reading.errors,
        *_name_errors(session, form.typed, standing, known.values()),
        *_address_errors(session, farmer, form.typed),
    ]
    if errors:
        return replace(form, errors=first_of_each(errors))
    _take_fields(session, farm, form, standing, reading.rows, now)
    _take_farm(session, farm, reading.rows[0], rules.guidelines)
    _take_person(farmer, reading.rows[0])
    session.add_all([farm, farmer])
    areas.mark_due(session, [farm.area_id], now)
    match_waiting(session, rules.guidelines, now)
    return form


def _ours(typed: Typed) -> dict[str, str]:
    return {name: text for name, text in kept(typed).items() if name not in FIXED}


def _open_ids(session: Session, farm_id: int) -> tuple[int, ...]:
    """The open fields that the form has room for; what a farm has beyond stays as it is."""
    standing = fields.open_fields(session, farm_id)[:MOST_FIELDS]
    return tuple(field.id for field in standing if field.id is not None)


def _without_empty(form: EditForm) -> EditForm:
    """The form without new fields of which nothing was said."""
    for number in range(len(form.field_ids), 0, -1):
        said = (form.typed.get(control(column, number), "") for column in FIELD_CONTROLS)
        if form.field_ids[number - 1] == NEW and not any(text.strip() for text in said):
            form = with_taken_out(form, number)
    return form


def _holds_still(form: EditForm, open_ids: tuple[int, ...], known: Mapping[int, FarmField]) -> bool:
    """Whether the form speaks of the farm's fields as they are."""
    named = [field_id for field_id in form.field_ids if field_id != NEW]
    opened = set(named) - set(open_ids)
    return (
        form.open_ids == open_ids
        and len(form.field_ids) <= MOST_FIELDS
        and len(set(named)) == len(named)
        and all(one in known and known[one].closed_on is not None for one in opened)
    )


def _changed(typed: Typed, field: FarmField, number: int) -> frozenset[str]:
    """Columns of a field that were typed anew: a form shows numbers shorter than they are kept."""
    return frozenset(
        column
        for column, text in typed_of_field(field).items()
        if typed.get(control(column, number), "").strip() != text
    )


def _filled_in(
    typed: Typed, farmer: Person, standing: Sequence[FarmField | None]
) -> dict[str, str]:
    """The form with stand-ins where it asks for what is not changed here.

    A roster may hold longer names than the form takes; those that stay are not read again.
    """
    fixed = {
        "farmer": "a",
        "farm": "a",
        "area": "a",
        "phone": "+12025550100" if farmer.phone else "",
        "email": "a@example.org" if farmer.email else "",
    }
    names = {
        control("field", number): f"a name that stays as it is, {number}"
        for number, field in enumerate(standing, start=1)
        if field is not None and typed.get(control("field", number), "").strip() == field.name
    }
    numbers = range(1, len(standing) + 1)
    own = {control(column, number) for column in FIELD_CONTROLS for number in numbers}
    told = {
        name: text for name, text in typed.items() if name in own or not name.startswith("field-")
    }
    if not farmer.email:
        told.pop("email_if_unreached", None)  # said of it elsewhere: no email is given here
    return {**told, **names, **fixed}


def _name_errors(
    session: Session,
    typed: Typed,
    standing: Sequence[FarmField | None],
    known: Iterable[FarmField],
) -> Iterator[FormError]:
    """A name that another field of the farm bears, closed ones included; and one left empty.

    A further name that laboratories use for another field, such as its former one, is taken too:
    their results would lead to both.
    """
    bearers = {field.key: field for field in known}
    others = inbound.other_names(session, [field.id for field in bearers.values() if field.id])
    for number, field in enumerate(standing, start=1):
        name = control("field", number)
        key = name_key(typed.get(name, "").strip())
        bearer = bearers.get(key)
        if not key:
            reason = "the field has no name; fill it in"
            yield FormError(name, "field", reason, missing=True)
        elif bearer is not None and bearer is not field:
            yield FormError(name, "field", _taken(bearer))
        elif (field is None or field.key != key) and any(
            key in names for one, names in others.items() if field is None or one != field.id
        ):
            reason = "laboratories know another field of the farm by this name; give another one"
            yield FormError(name, "field", reason)


def _taken(bearer: FarmField) -> str:
    if bearer.closed_on is None:
        return "another field of the farm bears this name; give each its own"
    return "a field that was taken out bears this name; open it again, or give another name"


def _address_errors(session: Session, farmer: Person, typed: Typed) -> Iterator[FormError]:
    """Nobody is written to at an address that was never confirmed."""
    by = typed.get("alert_by", farmer.alert_by)
    wanted = Person(name="", phone=farmer.phone, email=farmer.email, alert_by=by)
    for channel, address in wished(wanted):
        if not consents.has_agreed(session, farmer, channel, address):
            reason = (
                "your phone has not agreed to texts yet; confirm it through "
                "'Another phone or email' on the farm's page"
                if channel == "sms"
                else NOT_CONFIRMED
            )
            yield FormError("alert_by", "alert_by", reason)
    if typed.get("email_if_unreached") and not consents.has_agreed(
        session, farmer, "email", farmer.email
    ):
        yield FormError("email_if_unreached", "email_if_unreached", NOT_CONFIRMED)


def _take_farm(session: Session, farm: Farm, row: RosterRow, guidelines: GuidelineSet) -> None:
    target = row.feed_target
    if target is None:
        target = guidelines.feed_target(row.animal_class, row.index)
    assert target is not None  # the form asks for a target where none was published
    loss = row.handling_loss
    if loss is None:
        loss = guidelines.value(f"handling_loss.{row.harvest_method}.{row.index}")
    farm.animal_class, farm.index = row.animal_class, row.index.value
    farm.feed_target, farm.handling_loss = target, loss
    farm.harvest_method, farm.which_load = row.harvest_method.value, row.which_load.value
    farm.notice_days, farm.send_from, farm.send_to = row.notice_days, row.send_from, row.send_to
    farm.acres_per_day = None if row.harvest_days is not None else row.acres_per_day
    if row.harvest_days is not None:
        farm.harvest_days = row.harvest_days
    elif row.acres_per_day is not None:
        farm.harvest_days = harvest_days_from_capacity(_acres(session, farm), row.acres_per_day)


def _acres(session: Session, farm: Farm) -> float:
    assert farm.id is not None
    return sum(field.acres or 0.0 for field in fields.open_fields(session, farm.id))


def _take_person(farmer: Person, row: RosterRow) -> None:
    farmer.alert_by, farmer.language = row.alert_by.value, row.language
    farmer.email_if_unreached = bool(row.email_if_unreached)  # a box not ticked is left out


def _take_fields(
    session: Session,
    farm: Farm,
    form: EditForm,
    standing: Sequence[FarmField | None],
    rows: Sequence[RosterRow],
    now: datetime,
) -> None:
    today = local_day(session, farm, now)
    for field_id in sorted(form.taken_out):
        close_field_in(session, field_id=field_id, on=today, now=now)
    for number, (field, row) in enumerate(zip(standing, rows, strict=True), start=1):
        if field is None:
            people.put_field(session, farm, row)
        else:
            _take_field(session, field, row, _changed(form.typed, field, number))


def _take_field(
    session: Session, field: FarmField, row: RosterRow, changed: frozenset[str]
) -> None:
    assert field.id is not None
    if "field" in changed:
        # The laboratory may go on using the old name.
        fields.add_name(session, field.id, "", field.name)
        field.name, field.key = row.field, name_key(row.field)
    for column in changed - {"field", *_PLACE}:
        setattr(field, column, getattr(row, column))
    if changed & _PLACE:
        field.latitude, field.longitude, field.zip = row.latitude, row.longitude, row.zip
    field.closed_on = None
    session.add(field)


_PLACE = frozenset({"zip", "latitude", "longitude"})
"""What says where a field is; the middle of a ZIP code takes the place of an exact one."""
