"""The form about a farm, at sign-up and when it is edited: what was typed, read like a roster.

A control of the farm is called as the roster's column, one of a field 'field-2-acres'. What was
typed is kept as it was; what is wrong with it comes as sentences, one for each control.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import AlertBy, Index, RosterRow
from alerts.intake.roster_row import COLUMNS, Line, RosterDefaults, read_row
from alerts.intake.roster_values import printable, zip_place
from alerts.services.farms.area_choice import AreaPlace
from alerts.services.farms.form_doubts import doubts_of_farm, doubts_of_field
from alerts.store import fields
from alerts.store.tables import Area, Farm, FarmField, Person

FARM_CONTROLS = (
    *("farmer", "phone", "email", "alert_by", "email_if_unreached", "farm", "area"),
    *(
        "animal_class",
        "index",
        "feed_target",
        "harvest_method",
        "handling_loss",
        "harvest_days",
        "acres_per_day",
    ),
    *("which_load", "notice_days", "send_from", "send_to", "language"),
)
FIELD_CONTROLS = (
    *("field", "zip", "latitude", "longitude", "acres", "grass_pct", "soil", "slope"),
    *("variety", "seeding_year", "watched"),
)
ZIP_RIGHT = "zip_right"
"""Column of the box that says a ZIP code far from the area is meant; it holds `zip_answer`."""
MOST_FIELDS = 30
OTHER_CLASS = "other"
"""The class of whoever has a target of their own and feeds none of the classes listed."""

LONGEST = {"farm": 40, "farmer": 60, "field": 40}
LONGEST_OTHERWISE = 80
_FIELD_CONTROL = re.compile(r"field-([1-9]\d?)-([a-z_]+)")

Typed = Mapping[str, str]
"""What was typed, by control; a control left out is an empty one."""


@dataclass(frozen=True, slots=True)
class FormRules:
    """What a form is judged by; without ``today`` or ``areas`` what needs them is not asked."""

    guidelines: GuidelineSet
    defaults: RosterDefaults
    today: date | None = None
    areas: tuple[AreaPlace, ...] = ()


@dataclass(frozen=True, slots=True)
class FormError:
    """What is wrong with one control: a sentence without its capital and full stop."""

    control: str
    column: str
    reason: str
    missing: bool = False  # nothing was typed where something is needed
    question: bool = False  # it may be right; a box says so


@dataclass(frozen=True, slots=True)
class FarmReading:
    """The form as it was read: rows for `services.people.enrol`, or else what is wrong with it."""

    typed: Typed
    rows: tuple[RosterRow, ...]
    errors: tuple[FormError, ...]


def control(column: str, number: int | None = None) -> str:
    """Name of a control: 'acres' of field 2 is 'field-2-acres'."""
    return column if number is None else f"field-{number}-{column}"


def kept(typed: Typed) -> dict[str, str]:
    """Of everything that was posted, the controls of this form, as they were typed."""
    return {name: text for name, text in typed.items() if _is_ours(name)}


def _is_ours(name: str) -> bool:
    found = _FIELD_CONTROL.fullmatch(name)
    if found is None:
        return name in FARM_CONTROLS
    return int(found[1]) <= MOST_FIELDS and found[2] in (*FIELD_CONTROLS, ZIP_RIGHT)


def defaults(rules: FormRules, language: str, areas: Sequence[str] = ()) -> dict[str, str]:
    """What a new form holds already: the usual way of harvesting, and the area if there is one."""
    usual = rules.defaults
    return {
        "alert_by": "text",
        "area": areas[0] if len(areas) == 1 else "",
        "index": usual.index.value,
        "harvest_method": usual.harvest_method.value,
        "which_load": usual.which_load.value,
        "notice_days": str(usual.notice_days),
        "send_from": f"{usual.send_from:%H:%M}",
        "send_to": f"{usual.send_to:%H:%M}",
        "language": language,
    }


def field_numbers(typed: Typed) -> list[int]:
    """Numbers of the fields of the form, 1 at least."""
    found = {int(match[1]) for name in typed if (match := _FIELD_CONTROL.fullmatch(name))}
    return sorted(number for number in found if number <= MOST_FIELDS) or [1]


def with_field_added(typed: Typed) -> dict[str, str]:
    """The form with one more field, empty; unchanged when it has as many as it may."""
    last = field_numbers(typed)[-1]
    new = {} if last >= MOST_FIELDS else {control("field", last + 1): ""}
    return {control("field", 1): "", **typed, **new}


def with_field_removed(typed: Typed, number: int) -> dict[str, str]:
    """The form without that field; those behind it move up."""
    renumbered: dict[str, str] = {}
    for name, text in typed.items():
        match = _FIELD_CONTROL.fullmatch(name)
        if match is None:
            renumbered[name] = text
        elif int(match[1]) != number:
            place = int(match[1]) - (int(match[1]) > number)
            renumbered[control(match[2], place)] = text
    return renumbered


# ------------------------------------------------------------------------- reading


def read_farm(typed: Typed, rules: FormRules, *, time_zone: str = "") -> FarmReading:
    """Read the form; each field becomes a roster row unless something is wrong anywhere.

    ``time_zone`` is that of the area, which a form does not ask for.
    """
    cells = {name: text for name, raw in kept(typed).items() if (text := printable(raw))}
    if time_zone:
        cells["time_zone"] = time_zone
    if cells.get("animal_class") == OTHER_CLASS:
        del cells["animal_class"]
    numbers = _filled(cells)
    errors = list(_too_long(cells))
    rows = []
    for number in numbers:
        row, wrong = _read_field(cells, number, rules)
        rows.append(row)
        errors += wrong
    errors += _missing(cells, numbers, typed)
    if not any(error.column in ("send_from", "send_to") for error in errors):
        errors += [FormError(d.column, d.column, d.reason) for d in doubts_of_farm(rows[0])]
    errors += _unlikely_fields(cells, rows, numbers, rules)
    if not errors:
        errors += _conflicts(rows, numbers, rules.guidelines)
    return FarmReading(typed, () if errors else tuple(rows), first_of_each(errors))


def _filled(cells: Mapping[str, str]) -> list[int]:
    """Fields of which anything was said; the first one in any case."""
    said = [n for n in field_numbers(cells) if any(control(c, n) in cells for c in FIELD_CONTROLS)]
    return said or [1]


def _read_field(
    cells: Mapping[str, str], number: int, rules: FormRules
) -> tuple[RosterRow, list[FormError]]:
    own = {c: cells[control(c, number)] for c in FIELD_CONTROLS if control(c, number) in cells}
    shared = {column: cells[column] for column in COLUMNS if column in cells}
    # Somebody who signs up is not assumed to sample; a box says so.
    line = Line(number, {"watched": "no", **shared, **own}, {})
    row, problems = read_row(line, {}, rules.guidelines.animal_classes(), rules.defaults)
    return row, [
        FormError(_where(p.column, number), p.column, p.reason)
        for p in problems
        if _is_about_a_value(p.column, own | shared)
    ]


def _is_about_a_value(column: str, said: Mapping[str, str]) -> bool:
    """What is missing a form says in words of its own, but for the other half of a place."""
    if column == "alert_by":
        return said.get(column, "").casefold() not in set(AlertBy)
    if column == "email_if_unreached":
        return said.get(column) != "yes"
    return column in said or column in ("latitude", "longitude")


def _where(column: str, number: int) -> str:
    return control(column, number if column in FIELD_CONTROLS else None)


def _too_long(cells: Mapping[str, str]) -> Iterator[FormError]:
    for name, text in cells.items():
        match = _FIELD_CONTROL.fullmatch(name)
        column = match[2] if match else name
        most = LONGEST.get(column, LONGEST_OTHERWISE)
        if len(text) > most and name != "time_zone":
            yield FormError(name, column, f"this is too long; give at most {most} characters")


_NEEDED = {
    "farmer": "the name is missing; fill in who gets the messages",
    "farm": "the farm's name is missing; fill it in",
    "area": "the area is missing; choose the one nearest to you",
}


def _missing(cells: Mapping[str, str], numbers: Sequence[int], typed: Typed) -> Iterator[FormError]:
    for column, reason in _NEEDED.items():
        if column not in cells:
            yield FormError(column, column, reason, missing=True)
    for number in numbers:
        if control("field", number) not in cells:
            yield FormError(
                control("field", number), "field", "the field has no name; fill it in", missing=True
            )
    yield from _missing_address(cells)
    yield from _missing_feed(cells, typed)
    yield from _missing_harvest(cells, numbers)


def _missing_address(cells: Mapping[str, str]) -> Iterator[FormError]:
    by = cells.get("alert_by", "text").casefold()
    if by != "email" and "phone" not in cells:
        reason = "the phone number is missing; fill it in, or choose email"
        yield FormError("phone", "phone", reason, missing=True)
    if by in ("email", "both") and "email" not in cells:
        reason = "the email address is missing; fill it in, or choose text"
        yield FormError("email", "email", reason, missing=True)
    elif "email_if_unreached" in cells and "email" not in cells:
        reason = "the email address is missing; fill it in, or take the tick below it out"
        yield FormError("email", "email", reason, missing=True)


def _missing_feed(cells: Mapping[str, str], typed: Typed) -> Iterator[FormError]:
    if "animal_class" in cells or "feed_target" in cells:
        return
    if typed.get("animal_class") == OTHER_CLASS:
        reason = "the feed target is missing; give your adviser's number"
        yield FormError("feed_target", "feed_target", reason, missing=True)
    else:
        reason = "the animals are missing; choose who eats the feed"
        yield FormError("animal_class", "animal_class", reason, missing=True)


def _missing_harvest(cells: Mapping[str, str], numbers: Sequence[int]) -> Iterator[FormError]:
    if "harvest_days" in cells:
        return
    if "acres_per_day" not in cells:
        reason = "the days that your harvest takes are missing; give them, or the acres a day"
        yield FormError("harvest_days", "harvest_days", reason, missing=True)
        return
    for number in numbers:
        if control("acres", number) not in cells:
            reason = "the acres are missing, from which the days of harvest follow; fill them in"
            yield FormError(control("acres", number), "acres", reason, missing=True)


def _unlikely_fields(
    cells: Mapping[str, str], rows: Sequence[RosterRow], numbers: Sequence[int], rules: FormRules
) -> Iterator[FormError]:
    """What could be read and is hardly meant, unless somebody said that it is right."""
    for number, row in zip(numbers, rows, strict=True):
        for doubt in doubts_of_field(row, rules.today, rules.areas):
            is_right = cells.get(control(ZIP_RIGHT, number)) == zip_answer(cells, number)
            if not (doubt.question and is_right):
                where = control(doubt.column, number)
                yield FormError(where, doubt.column, doubt.reason, question=doubt.question)


def zip_answer(typed: Typed, number: int) -> str:
    """What the box beside a ZIP code says is right: that code in that area, and no other."""
    return f"{typed.get(control('zip', number), '').strip()}, {typed.get('area', '').strip()}"


def _conflicts(
    rows: Sequence[RosterRow], numbers: Sequence[int], guidelines: GuidelineSet
) -> Iterator[FormError]:
    """What is wrong between values that are each in order."""
    first = rows[0]
    if first.feed_target is None and (
        guidelines.feed_target(first.animal_class, first.index) is None
    ):
        animals = first.animal_class.replace("_", " ")
        reason = (
            f"no {first.index.label} target was published for {animals}; "
            "give your adviser's number, or choose another index"
        )
        yield FormError("feed_target", "feed_target", reason, missing=True)
    seen: dict[str, int] = {}
    for number, row in zip(numbers, rows, strict=True):
        other = seen.setdefault(name_key(row.field), number)
        if other != number:
            reason = f"field {other} bears this name already; give each field its own"
            yield FormError(control("field", number), "field", reason)


def first_of_each(errors: Iterable[FormError]) -> tuple[FormError, ...]:
    """One error for each control."""
    found: dict[str, FormError] = {}
    for error in errors:
        found.setdefault(error.control, error)
    return tuple(found.values())


# ----------------------------------------------------------------------- giving back


def typed_of(session: Session, farm_id: int) -> dict[str, str]:
    """The form as it would have to be filled in for the farm as it stands now."""
    farm = session.get_one(Farm, farm_id)
    farmer = session.get_one(Person, farm.farmer_id)
    area = session.get_one(Area, farm.area_id)
    values: dict[str, str] = {
        "farmer": farmer.name,
        "phone": farmer.phone,
        "email": farmer.email,
        "alert_by": farmer.alert_by,
        "email_if_unreached": "yes" if farmer.email_if_unreached else "",
        "language": farmer.language,
        "farm": farm.name,
        "area": area.name,
        "index": farm.index,
        "animal_class": farm.animal_class or OTHER_CLASS,
        "feed_target": f"{farm.feed_target:g}",
        "handling_loss": f"{farm.handling_loss:g}",
        "harvest_method": farm.harvest_method,
        "harvest_days": "" if farm.acres_per_day else f"{farm.harvest_days:g}",
        "acres_per_day": _number(farm.acres_per_day),
        "which_load": farm.which_load,
        "notice_days": str(farm.notice_days),
        "send_from": f"{farm.send_from:%H:%M}",
        "send_to": f"{farm.send_to:%H:%M}",
    }
    for number, field in enumerate(fields.open_fields(session, farm_id), start=1):
        values |= {control(c, number): text for c, text in typed_of_field(field).items()}
    return values


def typed_of_field(field: FarmField) -> dict[str, str]:
    """The controls of one field, by column."""
    latitude, longitude = _given_place(field)
    return {
        "field": field.name,
        "zip": field.zip,
        "latitude": _number(latitude),
        "longitude": _number(longitude),
        "acres": _number(field.acres),
        "grass_pct": f"{field.grass_pct:g}" if field.grass_pct else "",
        "soil": field.soil,
        "slope": field.slope,
        "variety": field.variety,
        "seeding_year": "" if field.seeding_year is None else str(field.seeding_year),
        "watched": "yes" if field.watched else "",
    }


def _given_place(field: FarmField) -> tuple[float | None, float | None]:
    """The middle of a ZIP code is no place that anybody gave."""
    here = (field.latitude, field.longitude)
    if field.zip:
        place = zip_place(field.zip)
        if here == (place.latitude, place.longitude):
            return None, None
    return here


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"


def index_of(typed: Typed, usual: Index) -> Index:
    """The index chosen so far; the usual one where there is none yet."""
    try:
        return Index(typed.get("index", ""))
    except ValueError:
        return usual
