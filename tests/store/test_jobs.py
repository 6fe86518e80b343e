from __future__ import annotations

from datetime import timedelta

from factories import NOON

from alerts.store import jobs
from alerts.store.session import Sessions


def put(sessions: Sessions, name: str, seconds: int, ok: bool = True, detail: str = "") -> None:
    started = NOON + timedelta(seconds=seconds)
    with sessions.write() as session:
        jobs.put_run(
            session,
            name=name,
            started_at=started,
            ended_at=started + timedelta(seconds=1),
            ok=ok,
            detail=detail,
        )


def shown(sessions: Sessions) -> list[tuple[str, float, bool, str]]:
    with sessions.read() as session:
        return [
            (run.name, (run.started_at - NOON).total_seconds(), run.ok, run.detail)
            for run in jobs.last_runs(session)
        ]


def test_last_run_of_each_job_is_kept_by_name(sessions: Sessions) -> None:
    put(sessions, "sending", 0)
    put(sessions, "intake", 3)
    put(sessions, "sending", 5, ok=False, detail="OSError: disk full")
    assert shown(sessions) == [
        ("intake", 3, True, ""),
        ("sending", 5, False, "OSError: disk full"),
    ]


def test_run_that_went_well_takes_the_reason_of_the_last_one_away(sessions: Sessions) -> None:
    put(sessions, "sending", 0, ok=False, detail="OSError: disk full")
    put(sessions, "sending", 5)
    assert shown(sessions) == [("sending", 5, True, "")]


def test_clock_put_right_does_not_hold_the_record_fast(sessions: Sessions) -> None:
    put(sessions, "sending", 3600)  # the computer's clock ran ahead
    put(sessions, "sending", 5)
    assert shown(sessions) == [("sending", 5, True, "")]


def test_tick_is_taken_once_and_numbered(sessions: Sessions) -> None:
    def take(owner: str, after_s: float) -> int | None:
        with sessions.write_beside() as session:
            return jobs.claim_tick(
                session,
                name="intake",
                owner=owner,
                now=NOON + timedelta(seconds=after_s),
                every=timedelta(seconds=20),
            )

    assert [take("one", 0), take("two", 1), take("two", 20), take("one", 25)] == [1, None, 2, None]


def test_tick_taken_by_a_clock_that_ran_ahead_does_not_count(sessions: Sessions) -> None:
    moments = (NOON + timedelta(days=365), NOON)
    with sessions.write_beside() as session:
        taken = [
            jobs.claim_tick(
                session, name="intake", owner="one", now=now, every=timedelta(seconds=20)
            )
            for now in moments
        ]
    assert taken == [1, 2]
