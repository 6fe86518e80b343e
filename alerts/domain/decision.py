"""When to speak, and with which kind of message.

A farm is told once per turn of events: the date is coming, it moved, start now, it is past. A date
that wobbles by a day is not news, and nothing is said again that was already told.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from alerts.domain.outlook import HORIZON_DAYS, LOOK_BACK_DAYS, FarmOutlook, FieldOutlook

EVEN = 0.5
"""A crop that still meets its target with less than even chance counts as below it."""


class Kind(StrEnum):
    COMING = "coming"
    MOVED = "moved"
    START = "start"
    PAST = "past"
    SAMPLE_DUE = "sample_due"
    NO_RESULTS = "no_results"
    DIGEST = "digest"
    CONFIRM = "confirm"  # asks whether a sign-up was meant
    WELCOME = "welcome"
    NEW_LINK = "new_link"
    REPLY = "reply"  # an answer to a text
    STOPPED = "stopped"  # confirms that the person stopped
    HELP = "help"  # the help that somebody asked for by text


TO_THE_STOPPED = frozenset({Kind.STOPPED, Kind.HELP})
"""What may still be sent to somebody who stopped: one word that it is done, and help asked for."""

ANSWERS = frozenset({Kind.REPLY, Kind.STOPPED, Kind.HELP})
"""What answers a text at once, whatever the hour."""

ASKED_FOR = frozenset({Kind.CONFIRM, Kind.NEW_LINK})
"""What somebody has just asked for on a page. By email it goes even to who stopped before that:
only the mailbox itself can say that it means to hear from us again."""

START_KINDS = frozenset({Kind.COMING, Kind.MOVED, Kind.START, Kind.PAST})
"""Kinds that tell a farmer about the start date."""

NEWS = START_KINDS | {Kind.SAMPLE_DUE, Kind.NO_RESULTS}
"""What somebody waits for; such a text that cannot reach its number may go by email instead."""


@dataclass(frozen=True, slots=True)
class AlertRules:
    moved_days: int
    start_lead_days: int
    stale_days: int


@dataclass(frozen=True, slots=True)
class Told:
    """What a farm has been told so far about its open cutting."""

    kinds: frozenset[Kind]  # those that still hold, see told_also
    start_on: date  # the date last told
    on: date  # the day it was told


@dataclass(frozen=True, slots=True)
class Decision:
    kind: Kind
    start_on: date
    was: date | None = None  # the date told before, when it moved
    beyond_horizon: bool = False  # start_on is only "not before"


def told_also(told: Told | None, kind: Kind, start_on: date, on: date) -> Told:
    """What a farm knows once it has been told this as well.

    A date that moved takes back 'start' and 'past', which were said of the old date; both have to
    be said again when the new one comes.
    """
    before = frozenset[Kind]() if told is None else told.kinds
    if kind is Kind.MOVED:
        before -= {Kind.START, Kind.PAST}
    return Told(before | {kind}, start_on, on)


def decide(
    outlook: FarmOutlook, told: Told | None, today: date, rules: AlertRules
) -> Decision | None:
    """The message a farm should get today about its start date, or None.

    Order of urgency: past, start, moved, coming. A rough outlook is never told, and "past" only
    from a result of the last `LOOK_BACK_DAYS`.
    """
    if outlook.rough:
        return None
    start, beyond = _start(outlook, today)
    if below_target(outlook):
        return Decision(Kind.PAST, start) if _may_say_past(outlook, told, today) else None
    if outlook.under_way:
        # The mower is out: the rest of the farm follows, and a date to start is no news.
        return None
    if told is not None and _has_moved(start, beyond, told, today, rules):
        if start <= today + timedelta(days=rules.start_lead_days):
            return Decision(Kind.START, start, was=told.start_on)
        return Decision(Kind.MOVED, start, was=told.start_on, beyond_horizon=beyond)
    if start <= today + timedelta(days=rules.start_lead_days):
        # "Past" has said already that nothing is gained by waiting.
        said = told is not None and not told.kinds.isdisjoint({Kind.START, Kind.PAST})
        return None if said else Decision(Kind.START, start)
    if told is None and start <= today + timedelta(days=outlook.farm.notice_days):
        return Decision(Kind.COMING, start)
    return None


def below_target(outlook: FarmOutlook) -> bool:
    """True when the standing crop of the field due first is already below its standing target."""
    return outlook.tightest.meets_today < EVEN


def _start(outlook: FarmOutlook, today: date) -> tuple[date, bool]:
    median = outlook.start.median
    if median is None:
        return today + timedelta(days=HORIZON_DAYS), True
    return median, False


def _may_say_past(outlook: FarmOutlook, told: Told | None, today: date) -> bool:
    if _is_of_another_time(outlook, today):
        return False
    if told is None:
        return True
    if Kind.PAST in told.kinds:
        return False
    if Kind.START not in told.kinds:
        return True
    # After "start", silence usually means that the mower runs. Only a sample taken since then
    # in the field itself shows that the crop still stands.
    tightest = outlook.tightest
    if tightest.stands_in or tightest.last_on is None:
        return False
    return tightest.last_on > max(told.on, told.start_on)


def _is_of_another_time(outlook: FarmOutlook, today: date) -> bool:
    """True where the newest result is older than a start date is looked for.

    A crop sampled that long ago has been cut or has gone by; what it would be worth today is a
    number without a field (a roster and its old results may well come in midsummer).
    """
    sampled = [field.last_on for field in outlook.fields if field.last_on is not None]
    return bool(sampled) and (today - max(sampled)).days > LOOK_BACK_DAYS


def _has_moved(start: date, beyond: bool, told: Told, today: date, rules: AlertRules) -> bool:
    if beyond and told.start_on >= told.on + timedelta(days=HORIZON_DAYS - 1):
        # Told before: "not before" moves along with today and is no news. It may have been told
        # for the day after it was decided, hence the 1.
        return False
    if Kind.PAST in told.kinds:
        # Once called past, only a clear return of the date into the future is news.
        return start >= today + timedelta(days=rules.moved_days)
    if Kind.START in told.kinds:
        # "Start now" cannot become more urgent; it can only turn out to have been early.
        return start >= max(told.start_on, today) + timedelta(days=rules.moved_days)
    return abs((start - told.start_on).days) >= rules.moved_days


def stale_fields(
    outlook: FarmOutlook, watched: frozenset[int], today: date, rules: AlertRules
) -> tuple[FieldOutlook, ...]:
    """Watched fields whose last result is too old while the start date draws near.

    The critical window opens when the early end of the range falls inside twice the notice.
    """
    early = outlook.start.p10
    window = timedelta(days=2 * max(outlook.farm.notice_days, rules.stale_days))
    if early is None or early > today + window or below_target(outlook):
        return ()
    return tuple(
        field
        for field in outlook.fields
        if field.field_id in watched
        and not field.stands_in
        and field.last_on is not None
        and (today - field.last_on).days > rules.stale_days
    )
