"""Results and their versions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import orjson
from sqlmodel import Session, col, select

from alerts.domain.records import Index
from alerts.store import bulk
from alerts.store.fields import CHUNK
from alerts.store.many import one_of
from alerts.store.tables import Document, Farm, LabResult
from alerts.store.withdrawn import WITH_WITHDRAWN


def versions(session: Session, identities: Iterable[str]) -> dict[str, list[LabResult]]:
    """All versions of each identity that is known, oldest first, those taken back too.

    More than one is valid where a laboratory's number stands for several samples.
    """
    found: dict[str, list[LabResult]] = {}
    rows = session.exec(
        select(LabResult)
        .where(one_of(session, col(LabResult.identity), set(identities)))
        .order_by(col(LabResult.version)),
        execution_options={WITH_WITHDRAWN: True},
    )
    for row in rows:
        found.setdefault(row.identity, []).append(row)
    return found


def known_among(session: Session, identities: Sequence[str]) -> set[str]:
    """Those of these identities of which something is stored."""
    wanted = set(identities)
    if not wanted:
        return wanted
    if session.get_bind().dialect.name == "sqlite":
        # It compares texts as we do, so what lies between them is theirs or a neighbour's; numbers
        # of a laboratory mostly rise, and then there is nothing in the way.
        between = select(LabResult.identity).where(
            col(LabResult.identity).between(min(wanted), max(wanted))
        )
        near = session.exec(
            between.limit(len(wanted) + 1), execution_options={WITH_WITHDRAWN: True}
        ).all()
        if len(near) <= len(wanted):
            return wanted.intersection(near)
    asked = select(LabResult.identity).where(one_of(session, col(LabResult.identity), wanted))
    return set(session.exec(asked, execution_options={WITH_WITHDRAWN: True}))


def add_new(session: Session, columns: bulk.Columns) -> None:
    """Store results of which none is a version of another, in their order.

    ``columns`` are those of `LabResult` by name.
    """
    readings = [orjson.dumps(one).decode() for one in columns["readings"]]
    bulk.insert(session, LabResult, {**columns, "readings": readings})


def add_result(session: Session, result: LabResult, replaces: LabResult | None = None) -> None:
    """Store a result; an older version stays, marked as replaced.

    A ``version`` above that of ``replaces`` stays as it is.
    """
    if replaces is not None:
        result.version = max(result.version or 1, replaces.version + 1)
    session.add(result)
    if replaces is not None:
        session.flush()
        replaces.replaced_by = result.id
        session.add(replaces)


def as_stored(session: Session, result: LabResult) -> LabResult:
    """The row of this identity and version; ``result`` itself where it is one."""
    if result.id is not None:
        return result
    query = select(LabResult).where(
        LabResult.identity == result.identity, LabResult.version == result.version
    )
    return session.exec(query, execution_options={WITH_WITHDRAWN: True}).one()


def target_indexes(session: Session, farm_ids: Iterable[int]) -> dict[int, Index]:
    """The index each farm has its target in, by its id."""
    wanted = sorted(set(farm_ids))
    found: dict[int, Index] = {}
    for start in range(0, len(wanted), CHUNK):
        chunk = wanted[start : start + CHUNK]
        rows = session.exec(select(Farm.id, Farm.index).where(col(Farm.id).in_(chunk)))
        found.update((farm_id, Index(index)) for farm_id, index in rows if farm_id is not None)
    return found


def of_document(session: Session, document_id: int) -> list[LabResult]:
    """What a document's rows became, in their order, those taken back too."""
    rows = session.exec(
        select(LabResult)
        .where(LabResult.document_id == document_id)
        .order_by(col(LabResult.row), col(LabResult.id)),
        execution_options={WITH_WITHDRAWN: True},
    )
    return list(rows)


class Unmatched(NamedTuple):
    """Results that wait for somebody to say which field they are from."""

    farm_label: str
    field_label: str
    results: list[tuple[LabResult, str]]  # with the name of the document


def unmatched(session: Session) -> list[Unmatched]:
    rows = session.exec(
        select(LabResult, Document.name)
        .join(Document, col(Document.id) == col(LabResult.document_id))
        .where(col(LabResult.field_id).is_(None), col(LabResult.replaced_by).is_(None))
        .order_by(col(LabResult.id))
    )
    groups: dict[tuple[str, str], Unmatched] = {}
    for result, document in rows:
        pair = (result.farm_label, result.field_label)
        groups.setdefault(pair, Unmatched(*pair, [])).results.append((result, document))
    return list(groups.values())
