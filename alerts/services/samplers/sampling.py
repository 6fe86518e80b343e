"""The evening before a sampling day: telling samplers which fields to clip, and why.

Only whoever took on the clipping of a farm is asked, which is its sampler. A farm without one
reminds nobody: its farmer agreed to be told when to cut, not to two texts a week, and one who clips
is enrolled as the sampler; its consultant sees the clips in the digest.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain.clips import Clip, by_worth
from alerts.domain.decision import Kind
from alerts.messages.clip_words import ClipDay, clips_email, clips_text
from alerts.messages.letters import Letter
from alerts.messages.marks import mark
from alerts.messages.templates import Templates
from alerts.services.access.links import LinkRules, Role, link_url
from alerts.services.delivery.outgoing import To, outbox_row
from alerts.services.delivery.unsubscribe import address_url
from alerts.services.outlooks.sampling_list import ClipRules, area_weekdays, clips_of
from alerts.store import areas, outbox, outlooks, people
from alerts.store.outlooks import FieldView
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Area

EVENING = time(17, 0)
"""Local time from which tomorrow's clips are announced."""

BEDTIME = time(21, 0)
"""Local time from which nobody is reminded any more; a text that has not left by then never does.
47 CFR 64.1200(c)(1) of the United States ends telephone solicitation at this hour."""

MORNING = time(5, 0)
"""Local time from which an email that was missed in the evening still goes, until the clips begin
(our judgement). A text would ring too early."""


@dataclass(frozen=True, slots=True)
class SamplingRules:
    templates: Templates
    clips: ClipRules
    links: LinkRules
    public_url: str
    secret: str


@dataclass(frozen=True, slots=True)
class _Evening:
    """One sampler's clips of tomorrow, in all areas."""

    clips: Sequence[Clip]
    day: date
    zones: frozenset[str]


def queue_reminders(sessions: Sessions, rules: SamplingRules, now: datetime) -> int:
    """Queue a reminder for each sampler with something to clip tomorrow; returns how many are new.

    Whoever clips in several areas gets one message as soon as it is evening in the first of them.
    """
    with sessions.read() as session:
        sampled = _sampled_next(areas.all_areas(session).values(), rules.clips, now)
        if not any(_is_evening(area, rules.clips, now) for area in sampled):
            return 0
        evenings = _evenings(session, sampled, rules.clips, now)
    if not evenings:
        return 0
    queued = 0
    with sessions.write() as session:
        reach = people.recipients(session, evenings)
        for sampler, evening in evenings.items():
            for recipient in reach.get(sampler, []):
                queued += _queue(session, rules, recipient, evening, now)
    return queued


def _sampled_next(known: Iterable[Area], rules: ClipRules, now: datetime) -> list[Area]:
    return [
        area
        for area in known
        if _next_day(area, rules, now).weekday() in area_weekdays(area, rules.weekdays)
    ]


def _next_day(area: Area, rules: ClipRules, now: datetime) -> date:
    """The day whose clips lie ahead: today until they begin, then tomorrow."""
    local = now.astimezone(ZoneInfo(area.time_zone))
    return local.date() if local.time() < rules.before else local.date() + timedelta(days=1)


def _is_evening(area: Area, rules: ClipRules, now: datetime) -> bool:
    """The evening before the clips; or their morning, should the evening have been missed."""
    clock = now.astimezone(ZoneInfo(area.time_zone)).time()
    return EVENING <= clock < BEDTIME or MORNING <= clock < rules.before


def _evenings(
    session: Session, sampled: Sequence[Area], rules: ClipRules, now: datetime
) -> dict[int, _Evening]:
    """What each sampler clips tomorrow, where it is evening in one of their areas."""
    views = outlooks.field_views(session, area_ids=[area.id for area in sampled if area.id])
    by_day: dict[date, list[FieldView]] = defaultdict(list)
    for view in views:
        by_day[_next_day(view.area, rules, now)].append(view)
    found: dict[int, _Evening] = {}
    for day, those in sorted(by_day.items()):
        places = {view.field.id: view.area for view in those}
        mine: dict[int, list[Clip]] = defaultdict(list)
        for clip in clips_of(session, those, day - timedelta(days=1), rules, first=day).clips:
            if clip.sampler_id is not None and clip.on == day:
                mine[clip.sampler_id].append(clip)
        for sampler, clips in mine.items():
            around = [places[clip.field_id] for clip in clips]
            if sampler not in found and any(_is_evening(area, rules, now) for area in around):
                zones = frozenset(area.time_zone for area in around)
                found[sampler] = _Evening(sorted(clips, key=by_worth), day, zones)
    return found


def _queue(
    session: Session,
    rules: SamplingRules,
    recipient: Recipient,
    evening: _Evening,
    now: datetime,
) -> int:
    key = f"clip:{recipient.person_id}:{recipient.channel}:{evening.day}"
    expires_at = _expiry(recipient, evening, rules.clips.before)
    if expires_at <= now or outbox.is_known(session, key):
        return 0
    letter = _letter(session, rules, recipient, evening, mark(key), now)
    outbox.enqueue(
        session,
        outbox_row(
            key,
            Kind.SAMPLE_DUE,
            To(recipient.person_id, recipient.channel, recipient.address),
            letter,
            now=now,
            told_on=evening.day - timedelta(days=1),
            expires_at=expires_at,
        ),
    )
    return 1


def _letter(
    session: Session,
    rules: SamplingRules,
    recipient: Recipient,
    evening: _Evening,
    ends_with: str,
    now: datetime,
) -> Letter:
    page = link_url(session, rules.links, Role.SAMPLER, person_id=recipient.person_id, now=now)
    told = ClipDay(
        evening.clips,
        evening.day,
        rules.clips.before,
        ends_with,
        page_url=page,
        unsubscribe_url=address_url(
            rules.public_url, rules.secret, recipient.channel, recipient.address
        ),
    )
    write = clips_text if recipient.channel == "sms" else clips_email
    return write(rules.templates, recipient.language, told)


def _expiry(recipient: Recipient, evening: _Evening, before: time) -> datetime:
    """A text rings at once and must not do so at night; an email may be read before the clip."""
    on, at = evening.day, before
    if recipient.channel == "sms":
        on, at = evening.day - timedelta(days=1), BEDTIME
    return min(datetime.combine(on, at, tzinfo=ZoneInfo(zone)) for zone in evening.zones)
