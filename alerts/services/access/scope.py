"""Which farms a visitor may see: the one place that decides it.

Whatever a page or a program is asked about (a farm, a field, a result, a message) leads to a farm,
and that farm must be within the scope; else it does not exist as far as the visitor is told.
"""

from __future__ import annotations

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.services.access.links import Role, Visitor
from alerts.store import people
from alerts.store.tables import Farm, FarmField


class NotYours(CutcallError):
    """There is no such thing within the visitor's scope."""


def farm_ids(session: Session, visitor: Visitor) -> frozenset[int]:
    """Ids of the farms a visitor may see; none for a link that names nobody."""
    person, farm = visitor.person_id, visitor.farm_id
    match visitor.role:
        case Role.FARM if farm is not None:
            return frozenset({farm})
        case Role.CONSULTANT if person is not None:
            return people.farm_ids_of_consultant(session, person)
        case Role.SAMPLER if person is not None:
            return people.farm_ids_of_sampler(session, person)
        case Role.OPERATOR:
            return people.all_farm_ids(session)
    return frozenset()


def require_farm(session: Session, visitor: Visitor, farm_id: int) -> Farm:
    """The farm; NotYours when it is outside the scope, or nowhere."""
    farm = session.get(Farm, farm_id)
    if farm is None or farm_id not in farm_ids(session, visitor):
        raise NotYours("there is no such farm here")
    return farm


def require_field(session: Session, visitor: Visitor, field_id: int) -> FarmField:
    """The field of a farm within the scope; NotYours otherwise."""
    field = session.get(FarmField, field_id)
    if field is None or field.farm_id not in farm_ids(session, visitor):
        raise NotYours("there is no such field here")
    return field
