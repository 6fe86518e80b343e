"""The mark of the database changes with every commit of anybody, and with nothing else."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from sqlalchemy import text

from alerts.store.session import Sessions
from alerts.store.tables import Area


def add_area(sessions: Sessions, name: str) -> None:
    with sessions.write() as session:
        session.add(Area(name=name, time_zone="America/Chicago"))


def test_mark_stays_while_others_only_read(sessions: Sessions) -> None:
    add_area(sessions, "Heron Flats")
    before = sessions.mark()
    with sessions.read() as session:
        session.connection().execute(text("SELECT count(*) FROM area"))
    assert sessions.mark() == before


def test_mark_changes_with_each_commit(sessions: Sessions) -> None:
    marks = [sessions.mark()]
    for number in range(5):
        add_area(sessions, f"Area {number}")
        marks.append(sessions.mark())
    assert len(set(marks)) == len(marks)


def test_mark_changes_with_a_commit_through_another_engine(sessions: Sessions) -> None:
    before = sessions.mark()
    other = Sessions(sessions.engine)
    add_area(other, "Alder Reach")
    assert sessions.mark() != before


def test_commit_of_what_was_under_way_changes_the_mark(sessions: Sessions) -> None:
    with sessions.write() as session:
        session.add(Area(name="Heron Flats", time_zone="America/Chicago"))
        session.flush()
        during = sessions.mark()
    assert sessions.mark() != during


def test_nothing_committed_on_the_way_is_missed_by_any_thread(sessions: Sessions) -> None:
    with ThreadPoolExecutor(4) as pool:
        before = set(pool.map(lambda _: sessions.mark(), range(8)))
        pool.submit(add_area, sessions, "Heron Flats").result()
        after = set(pool.map(lambda _: sessions.mark(), range(8)))
    assert (len(before), len(after)) == (1, 1)
    assert before != after
