"""Recording that a field was cut: closes its cutting, opens the next."""

from __future__ import annotations

from datetime import date, datetime

from alerts.domain.errors import CutcallError
from alerts.services.match_results import find_field
from alerts.store import areas, fields, outbox
from alerts.store.session import Sessions


def record_cut(sessions: Sessions, *, farm: str, field: str, cut_on: date, now: datetime) -> int:
    """Close the open cutting of a field as cut on ``cut_on``; returns its number.

    Messages about it that still wait are cancelled.
    """
    with sessions.write() as session:
        known = find_field(session, farm, field)
        if known.cut_on is not None and cut_on <= known.cut_on:
            raise CutcallError(
                f"{known.name} was already cut on {known.cut_on}; "
                "give a later date for its next cutting"
            )
        closed = fields.record_cut(session, known.id, cut_on, now)
        outbox.cancel_waiting(session, known.farm_id, now, f"{known.name} was cut on {cut_on}")
        areas.mark_due(session, [known.area_id], now)
        return closed
