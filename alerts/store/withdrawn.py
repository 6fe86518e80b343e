"""Results that whoever sent them took back: kept, and left out of every query.

They are left out in one place, since a query that forgot to would have a wrong result count.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import ORMExecuteState, with_loader_criteria
from sqlmodel import Session, col, select

from alerts.store.tables import Document, LabResult

WITH_WITHDRAWN = "with_withdrawn"
"""Execution option of a query that is to see them."""


def leave_out(state: ORMExecuteState) -> None:
    """For every SELECT of a session, of rows or of columns: results taken back do not count."""
    if state.is_select and not state.execution_options.get(WITH_WITHDRAWN, False):
        state.statement = state.statement.options(_WHAT_COUNTS)


_WHAT_COUNTS = with_loader_criteria(
    LabResult, col(LabResult.withdrawn_at).is_(None), include_aliases=True
)


def find(session: Session, result_id: int) -> tuple[LabResult, str] | None:
    """A result, taken back or not, with the source of its document."""
    query = select(LabResult, Document.source).join(
        Document, col(Document.id) == col(LabResult.document_id)
    )
    query = query.where(LabResult.id == result_id)
    return session.exec(query, execution_options={WITH_WITHDRAWN: True}).first()


def withdraw(session: Session, result: LabResult, now: datetime) -> None:
    """Let a result no longer count; one that it corrected counts again."""
    result.withdrawn_at = now
    for before in session.exec(select(LabResult).where(LabResult.replaced_by == result.id)):
        before.replaced_by = None
        session.add(before)
    session.add(result)
    session.flush()


def put_back(session: Session, result: LabResult) -> None:
    """Let it count again, in the place of an earlier version of the same field and day."""
    result.withdrawn_at = None
    before = select(LabResult).where(
        LabResult.identity == result.identity,
        LabResult.field_id == result.field_id,
        LabResult.sampled_on == result.sampled_on,
        col(LabResult.replaced_by).is_(None),
        LabResult.version < result.version,
    )
    for one in session.exec(before):
        one.replaced_by = result.id
        session.add(one)
    session.add(result)
    session.flush()
