"""Work that keeps the house in order: unread documents, a new season."""

from __future__ import annotations

from datetime import datetime

from alerts.services.accept_results import IntakeReport, IntakeRules, finish_unread
from alerts.store import fields
from alerts.store.session import Sessions


def tidy(sessions: Sessions, rules: IntakeRules, now: datetime) -> list[IntakeReport]:
    """Finish documents that a crash left unread, and open the season of a new year."""
    with sessions.write() as session:
        fields.open_new_season(session, rules.season_first_day)
    return finish_unread(sessions, rules, now)
