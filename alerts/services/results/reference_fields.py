"""Fields whose results everybody may see, under a public name that gives nobody away."""

from __future__ import annotations

from dataclasses import dataclass

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.names import name_key
from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.services.access.scope import require_field
from alerts.store import outlooks, people, sampled
from alerts.store.tables import Farm

MOST_CHARS = 60


class NotPublic(CutcallError):
    """Something typed cannot be published; names the control at fault."""

    def __init__(self, control: str, sentence: str) -> None:
        super().__init__(sentence)
        self.control, self.sentence = control, sentence


@dataclass(frozen=True, slots=True)
class ReferenceField:
    """A field as its sampler sees it; not published where the public name is ""."""

    id: int
    farm: str
    name: str
    area: str
    grass_pct: float
    public_name: str
    public_place: str


def fields_of(session: Session, visitor: Visitor) -> list[ReferenceField]:
    """Open fields of the visitor's farms, by area, farm and name."""
    return [
        ReferenceField(
            id=view.field.id or 0,
            farm=view.farm.name,
            name=view.field.name,
            area=view.area.name,
            grass_pct=view.field.grass_pct,
            public_name=view.field.public_name,
            public_place=view.field.public_place,
        )
        for view in outlooks.field_views(session, scope.farm_ids(session, visitor))
    ]


def publish(
    session: Session, visitor: Visitor, field_id: int, public_name: str, public_place: str
) -> None:
    """Publish a field's results under this name and place from now on.

    NotYours outside the scope; NotPublic for a name that is missing, taken, or gives away the
    farm or its farmer.
    """
    field = require_field(session, visitor, field_id)
    name, place = _line(public_name), _line(public_place)
    if not name:
        raise NotPublic("public_name", "Give the name under which everybody may see the results.")
    for control, said in (("public_name", name), ("public_place", place)):
        _check(session, field.farm_id, control, said)
    if sampled.public_names(session, name, field_id):
        raise NotPublic("public_name", f"{name} is published already; choose another name.")
    field.public_name, field.public_place = name, place
    session.add(field)


def withdraw(session: Session, visitor: Visitor, field_id: int) -> None:
    """Show the field's results to nobody else any more; NotYours outside the scope."""
    field = require_field(session, visitor, field_id)
    field.public_name = field.public_place = ""
    session.add(field)


def _line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _check(session: Session, farm_id: int, control: str, said: str) -> None:
    farm = session.get_one(Farm, farm_id)
    [farmer] = people.names(session, [farm.farmer_id]).values()
    if reason := objection(said, farm.name, farmer):
        raise NotPublic(control, reason)


def objection(said: str, farm: str, farmer: str) -> str:
    """Why a name or place of a field of this farm and farmer cannot be published; "" if it may."""
    if len(said) > MOST_CHARS:
        return f"Use at most {MOST_CHARS} characters."
    if said[:1] in ("=", "+", "-", "@"):
        return "Begin with a letter or a number."
    told = set(name_key(said).split())
    for whose, private in (("farm", farm), ("farmer", farmer)):
        words = set(name_key(private).split())
        if words and words <= told:
            return f"This gives away the {whose}, {private}; choose words that do not."
    return ""
