from __future__ import annotations

from datetime import timedelta

from factories import NOON, OTHER_PHONE, PHONE
from sqlmodel import select

from alerts.store import opt_outs
from alerts.store.session import Sessions
from alerts.store.tables import OptOut


def test_opt_out_twice_is_kept_once_with_the_first_instant(sessions: Sessions) -> None:
    for minutes in (0, 5):
        with sessions.write() as session:
            opt_outs.stop(session, "sms", PHONE, NOON + timedelta(minutes=minutes), "STOP")
    with sessions.read() as session:
        assert opt_outs.stopped(session, "sms", [PHONE, OTHER_PHONE]) == {PHONE}
        assert opt_outs.stopped(session, "email", [PHONE]) == frozenset()
        assert session.exec(select(OptOut.at)).all() == [NOON]
