"""Texts about no farm, which has no send window for them, wait for the day."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import or_, update
from sqlmodel import Session, col, select

from alerts.domain.decision import ANSWERS
from alerts.domain.delivery import Status
from alerts.domain.quiet_hours import DAY_FROM, DAY_TO, next_allowed
from alerts.store.tables import OutboxMessage


def hold_for_the_day(session: Session, channel: str, now: datetime) -> None:
    """Put off texts about no farm that do not leave in the moment they were asked for.

    One that a gateway put off, or that an operator sends again, must not ring at night. An answer
    to a text goes whatever the hour: the person is awake. Emails ring nobody.
    """
    if channel != "sms":
        return
    late = (
        col(OutboxMessage.status) == Status.QUEUED,
        col(OutboxMessage.channel) == channel,
        col(OutboxMessage.next_attempt_at) <= now,
        col(OutboxMessage.not_before) <= now,
        col(OutboxMessage.farm_id).is_(None),
        col(OutboxMessage.kind).not_in(sorted(ANSWERS)),
        or_(col(OutboxMessage.attempts) > 0, col(OutboxMessage.resent_of).is_not(None)),
    )
    for zone in session.exec(select(OutboxMessage.time_zone).where(*late).distinct()).all():
        opens = next_allowed(now, zone, DAY_FROM, DAY_TO) if zone else now
        if opens > now:
            held = select(OutboxMessage.id).where(*late, col(OutboxMessage.time_zone) == zone)
            session.exec(
                update(OutboxMessage)
                .where(col(OutboxMessage.id).in_(held.with_for_update(skip_locked=True)))
                .values(not_before=opens)
                .execution_options(synchronize_session=False)
            )
