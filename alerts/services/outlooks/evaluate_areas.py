"""The morning look at areas: outlooks, decisions and messages in one transaction.

An area is due when a result came in or a new local day began. Whoever claims it does the whole
area; a message is queued in the same commit as the decision it speaks of. Areas are looked at by
the dozen, which takes a fraction of the time of one after the other; where one of them breaks, each
is looked at by itself, so that it does not keep the others waiting. Only the charts of the emails
are drawn before, since drawing takes long.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, time, timedelta
from typing import Protocol
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain import trace
from alerts.domain.errors import CutcallError
from alerts.services.no_cycles import without_search_for_cycles
from alerts.services.outlooks.area_look import (
    Ahead,
    Drawn,
    EvaluationRules,
    Seen,
    draw_all,
    look_ahead_of_writing,
    see,
    words_of,
)
from alerts.services.outlooks.farm_messages import FarmMessages
from alerts.store import areas, outbox, outlooks, people
from alerts.store.areas import Release
from alerts.store.drafts import enqueue_all
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm

log = logging.getLogger(__name__)

AREAS_AT_ONCE, FEWEST_AT_ONCE = 80, 10
"""More at once save little more, and hold the write lock longer: a tenth of a second by now. Where
few are due, they are taken by the ten, so that other evaluators find some."""


class Stopping(Protocol):
    """A wish to stop, of this process or of several."""

    def is_set(self) -> bool: ...


class LostLease(CutcallError):
    """Somebody else took an area over meanwhile; nothing of this look is kept."""


def evaluate_due(
    sessions: Sessions,
    rules: EvaluationRules,
    owner: str,
    clock: Callable[[], datetime],
    stopping: Stopping | None = None,
) -> int:
    """Evaluate every area that is due, until ``stopping`` is set; returns how many.

    One that breaks does not keep the others waiting: it is tried again once its lease lapses, and
    the first error is raised at the end.
    """
    done, errors = 0, list[Exception]()
    while not (stopping is not None and stopping.is_set()):
        now = clock()
        claimed = _claim(sessions, rules, owner, now)
        if not claimed:
            break
        with without_search_for_cycles():
            broken = _look(sessions, claimed, rules, now, clock)
        done += len(claimed) - len(broken)
        errors += broken
    if errors:
        raise errors[0]
    return done


def count_due(sessions: Sessions, now: datetime) -> int:
    """Areas that are due and that nobody looks at."""
    with sessions.read() as session:
        return areas.count_due(session, now)


def evaluate_next(sessions: Sessions, rules: EvaluationRules, owner: str, now: datetime) -> bool:
    """Claim one due area and evaluate it; False when none is due."""
    claimed = _claim(sessions, rules, owner, now, limit=1)
    for error in _look(sessions, claimed, rules, now, lambda: now) if claimed else ():
        raise error
    return bool(claimed)


def _claim(
    sessions: Sessions, rules: EvaluationRules, owner: str, now: datetime, limit: int | None = None
) -> list[Area]:
    with sessions.write_beside() as session:
        if limit is None:
            share = areas.count_due(session, now) // 4
            limit = min(max(share, FEWEST_AT_ONCE), AREAS_AT_ONCE)
        return areas.claim_due(session, owner=owner, now=now, lease=rules.lease, limit=limit)


def _look(
    sessions: Sessions,
    claimed: Sequence[Area],
    rules: EvaluationRules,
    now: datetime,
    clock: Callable[[], datetime],
) -> list[Exception]:
    """Look at areas and write down what follows; returns what broke, an error for each area."""
    broken: list[Exception] = []

    def look(some: Sequence[Area]) -> None:
        ahead = look_ahead_of_writing(sessions, some, rules, now)
        drawing = [area for area in some if area.id in ahead.charts]
        write([area for area in some if area not in drawing], ahead)
        # Areas that wait for charts are written by themselves, the moment theirs are drawn.
        for place, area in enumerate(drawing):
            write([area], ahead, drawing[place:])

    def write(part: Sequence[Area], ahead: Ahead, waiting: Sequence[Area] = ()) -> None:
        def work(those: Sequence[Area]) -> None:
            _hold(sessions, waiting, rules, clock())
            _write(sessions, those, rules, now, ahead)

        broken.extend(_apart(part, work))

    return _apart(claimed, look) + broken


def _hold(
    sessions: Sessions, waiting: Sequence[Area], rules: EvaluationRules, now: datetime
) -> None:
    """Renew leases of areas that wait for charts once half of their time is over."""
    soon = now + rules.lease / 2
    ending = [area for area in waiting if area.lease_until is None or area.lease_until < soon]
    if ending:
        with sessions.write_beside() as session:
            areas.renew(session, ending, now + rules.lease)


def _apart(some: Sequence[Area], work: Callable[[Sequence[Area]], None]) -> list[Exception]:
    """Do some work on areas together, or on each by itself where it breaks; what broke then."""
    if len(some) > 1:
        try:
            work(some)
            return []
        except Exception as error:
            log.warning("%d areas have to be looked at one by one: %s", len(some), error)
    broken = []
    for area in some:
        with trace.about(area_id=area.id):
            try:
                work([area])
            except Exception as error:
                log.exception("area %s could not be evaluated", area.id)
                broken.append(error)
    return broken


def _write(
    sessions: Sessions,
    some: Sequence[Area],
    rules: EvaluationRules,
    now: datetime,
    ahead: Ahead,
) -> None:
    drawn = draw_all([one for area in some for one in ahead.charts.get(_id(area), ())], rules)
    with sessions.write_beside() as session:
        seen = _as_it_stands(session, some, rules, now, ahead)
        found = [outlook for area in some for outlook in seen[_id(area)].found]
        farm_ids = people.farm_ids_of_areas(session, map(_id, some))
        outlooks.replace_outlooks(session, farm_ids, found, now)
        _tell(session, some, seen, rules, now, drawn)
        releases = [
            Release(area, area.due_at, _next_morning(area, rules.evaluate_at, now)) for area in some
        ]
        if not areas.release(session, releases):
            ids = ", ".join(str(area.id) for area in some)
            raise LostLease(f"the look at area {ids} took too long: another worker has it")


def _id(area: Area) -> int:
    assert area.id is not None
    return area.id


def _as_it_stands(
    session: Session,
    some: Sequence[Area],
    rules: EvaluationRules,
    now: datetime,
    ahead: Ahead,
) -> Mapping[int, Seen]:
    """What was seen ahead; anew of areas in which something has happened since."""
    # Whatever happens in an area makes it due anew.
    due = areas.due_since(session, some)
    news = [area for area in some if due[_id(area)] != area.due_at]
    return {**ahead.seen, **see(session, news, rules, now)} if news else ahead.seen


def _tell(
    session: Session,
    some: Sequence[Area],
    seen: Mapping[int, Seen],
    rules: EvaluationRules,
    now: datetime,
    drawn: Drawn,
) -> None:
    """Queue what farms are to hear, and take back what waits unsent and no longer holds."""
    words = words_of(session, some, seen, rules)
    waiting = outbox.farms_waiting(session, (word.outlook.farm.id for word in words))
    for word in words:
        farm_id = word.outlook.farm.id
        if farm_id not in waiting or word.decision is not None:
            continue
        if word.paused:
            # What is missed is not made up for: the first look afterwards decides as always.
            outbox.cancel_waiting(session, farm_id, now, "the farm is paused")
        else:
            reason = "overtaken by newer results"
            outbox.cancel_waiting(session, farm_id, now, reason, untried_only=True)
    spoken_to = [word for word in words if word.speaks]
    if not spoken_to:
        return
    farms = people.farms(session, (word.outlook.farm.id for word in spoken_to))
    reach = people.recipients(session, _people_of(farms.values()))
    numbers = (one.address for each in reach.values() for one in each if one.channel == "sms")
    written_to = people.written_to(session, "sms", numbers)
    by_id = {area.id: area for area in some}
    drafts = [
        draft
        for word in spoken_to
        for draft in FarmMessages(
            session=session,
            area=by_id[word.area_id],
            farm=farms[word.outlook.farm.id],
            outlook=word.outlook,
            seen=seen[word.area_id],
            reach=reach,
            rules=rules,
            now=now,
            drawn=drawn,
            has_waiting=word.outlook.farm.id in waiting,
            written_to=written_to,
        ).drafts(word)
    ]
    enqueue_all(session, drafts)


def _people_of(farms: Iterable[Farm]) -> set[int]:
    ids: set[int] = set()
    for farm in farms:
        ids.update(i for i in (farm.farmer_id, farm.sampler_id) if i is not None)
    return ids


def _next_morning(area: Area, at: time, now: datetime) -> datetime:
    """The next moment of this hour where the area lies; today's own is still to come at night."""
    zone = ZoneInfo(area.time_zone)
    today = now.astimezone(zone).date()
    mornings = (datetime.combine(today + timedelta(days=k), at, tzinfo=zone) for k in range(3))
    # In UTC: moments of one zone are compared by their wall clocks, which show some hours twice.
    return next(one for one in (m.astimezone(UTC) for m in mornings) if one > now)
