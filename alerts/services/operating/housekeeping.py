"""Work that keeps the house in order: unread documents, a new season, what was kept long enough."""

from __future__ import annotations

from datetime import datetime

from alerts.services.people.retention import RetentionRules, take_away
from alerts.services.results.accept_results import IntakeReport, IntakeRules, finish_unread
from alerts.store import fields
from alerts.store.session import Sessions


def tidy(
    sessions: Sessions,
    rules: IntakeRules,
    now: datetime,
    retention: RetentionRules | None = None,
) -> list[IntakeReport]:
    """Finish documents that a crash left unread, and open the season of a new year.

    ``retention`` says how long words and traces of people are kept; None: for ever.
    """
    with sessions.write() as session:
        fields.open_new_season(session, rules.season_first_day)
    reports = finish_unread(sessions, rules, now)
    if retention is not None:
        take_away(sessions, retention, now)
    return reports
