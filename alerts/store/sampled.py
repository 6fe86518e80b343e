"""Results as those who took the samples look at them."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import date
from typing import NamedTuple

from sqlmodel import Session, col, select

from alerts.domain.names import name_key
from alerts.store.fields import CHUNK
from alerts.store.tables import Area, Document, DocumentNote, Farm, FarmField, LabResult
from alerts.store.withdrawn import WITH_WITHDRAWN


class Returned(NamedTuple):
    """A result that counts, or was taken back, with its field, farm and document's source."""

    result: LabResult
    field: FarmField
    farm: Farm
    source: str


def newest_results(
    session: Session, farm_ids: Collection[int], since: date, limit: int
) -> list[Returned]:
    """Newest versions of results of these farms' fields, what came last first."""
    rows = session.exec(
        select(LabResult, FarmField, Farm, Document.source)
        .join(FarmField, col(FarmField.id) == col(LabResult.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Document, col(Document.id) == col(LabResult.document_id))
        .where(
            col(Farm.id).in_(sorted(farm_ids)),
            col(LabResult.replaced_by).is_(None),
            col(LabResult.sampled_on) >= since,
        )
        .order_by(col(LabResult.received_at).desc(), col(LabResult.id).desc())
        .limit(limit),
        execution_options={WITH_WITHDRAWN: True},
    )
    return [Returned(*row) for row in rows]


def notes_of_documents(
    session: Session, document_ids: Iterable[int]
) -> dict[tuple[int, int], list[str]]:
    """What was said of each row of these documents, by document and row."""
    wanted = sorted(set(document_ids))
    found: dict[tuple[int, int], list[str]] = {}
    for start in range(0, len(wanted), CHUNK):
        rows = session.exec(
            select(DocumentNote)
            .where(col(DocumentNote.document_id).in_(wanted[start : start + CHUNK]))
            .order_by(col(DocumentNote.id))
        )
        for note in rows:
            found.setdefault((note.document_id, note.row), []).append(note.text)
    return found


def farms_named(session: Session, keys: Iterable[str]) -> dict[str, set[int]]:
    """Ids of all farms that bear each of these names, by the name as it is compared."""
    found: dict[str, set[int]] = {}
    wanted = sorted(set(keys) - {""})
    for start in range(0, len(wanted), CHUNK):
        chunk = wanted[start : start + CHUNK]
        for farm_id, key in session.exec(select(Farm.id, Farm.key).where(col(Farm.key).in_(chunk))):
            if farm_id is not None:
                found.setdefault(key, set()).add(farm_id)
    return found


def public_names(session: Session, name: str, except_field: int) -> bool:
    """Whether another field is published under this name."""
    query = select(FarmField.id).where(
        FarmField.public_name == name, col(FarmField.id) != except_field
    )
    return session.exec(query.limit(1)).first() is not None


def is_published(session: Session, area: str, farm: str, field: str, name: str) -> bool:
    """Whether a field of an area other than this one is published under a name."""
    own = (name_key(farm), name_key(field))
    rows = session.exec(
        select(Area.name, Farm.key, FarmField.key, FarmField.public_name)
        .join(Farm, col(Farm.area_id) == col(Area.id))
        .join(FarmField, col(FarmField.farm_id) == col(Farm.id))
        .where(FarmField.public_name != "")
    )
    return any(
        name_key(said) == name_key(name)
        and name_key(where) == name_key(area)
        and (farm_key, field_key) != own
        for where, farm_key, field_key, said in rows
    )
