"""The morning look at an area: outlooks, decisions and messages in one transaction.

An area is due when a result came in or a new local day began. Whoever claims it does the whole
area; a message is queued in the same commit as the decision it speaks of.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain.decision import AlertRules, Decision, Kind, Told, decide, stale_fields
from alerts.domain.drying import dry_run, rain_phrase
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, FieldOutlook, look_ahead
from alerts.domain.quiet_hours import next_allowed, window_day
from alerts.domain.records import HarvestMethod
from alerts.domain.snapshot import RainAhead
from alerts.messages import sampling
from alerts.messages.calendar import content_type, start_event
from alerts.messages.marks import mark
from alerts.messages.start_messages import Letter, Setting, headline, start_email, start_text
from alerts.messages.templates import Templates
from alerts.services.outgoing import attachment_row
from alerts.services.unsubscribe import address_url
from alerts.store import areas, outbox, outlooks, people
from alerts.store.outbox import FieldStart
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm, OutboxMessage

LEASE = timedelta(minutes=5)
"""Longer than any area takes; a worker that died holds its area no longer than this."""


@dataclass(frozen=True, slots=True)
class EvaluationRules:
    """What the evaluation needs to know besides the area."""

    guidelines: GuidelineSet
    templates: Templates
    season_first_day: date
    evaluate_at: time
    sampling_weekdays: frozenset[int]  # date.weekday of the sampling days
    organizer_email: str
    public_url: str
    secret: str

    def alert_rules(self) -> AlertRules:
        value = self.guidelines.value
        return AlertRules(
            moved_days=int(value("alerts.moved_days")),
            start_lead_days=int(value("alerts.start_lead_days")),
            stale_days=int(value("alerts.stale_days")),
        )


def evaluate_due(sessions: Sessions, rules: EvaluationRules, owner: str, now: datetime) -> int:
    """Evaluate every area that is due; returns how many."""
    done = 0
    while evaluate_next(sessions, rules, owner, now):
        done += 1
    return done


def evaluate_next(sessions: Sessions, rules: EvaluationRules, owner: str, now: datetime) -> bool:
    """Claim one due area and evaluate it; False when none is due."""
    with sessions.write() as session:
        area = areas.claim_due(session, owner=owner, now=now, lease=LEASE)
    if area is None:
        return False
    due_seen = area.due_at
    with sessions.write() as session:
        _evaluate(session, area, rules, now)
        areas.release(
            session, area, due_seen=due_seen, next_due=_next_morning(area, rules.evaluate_at, now)
        )
    return True


def _next_morning(area: Area, at: time, now: datetime) -> datetime:
    zone = ZoneInfo(area.time_zone)
    today = now.astimezone(zone).date()
    return datetime.combine(today + timedelta(days=1), at, tzinfo=zone)


def _evaluate(session: Session, area: Area, rules: EvaluationRules, now: datetime) -> None:
    today = now.astimezone(ZoneInfo(area.time_zone)).date()
    snapshot = areas.load_snapshot(session, area, rules.season_first_day)
    sample_on = next_sampling_day(today, rules.sampling_weekdays)
    found = look_ahead(snapshot, rules.guidelines, today, sample_on)
    outlooks.replace_outlooks(session, [farm.id for farm in snapshot.farms], found, now)
    assert area.id is not None
    farms = people.farms_of_area(session, area.id)
    reach = people.recipients(session, _people_of(farms.values()))
    told = outbox.told_by_farm(session, farms, today.year)
    watched = frozenset(field.id for field in snapshot.fields if field.watched)
    for outlook in found:
        work = _FarmWork(
            session=session,
            area=area,
            farm=farms[outlook.farm.id],
            outlook=outlook,
            rain=snapshot.rain,
            reach=reach,
            rules=rules,
            now=now,
            today=today,
        )
        work.speak(told.get((outlook.farm.id, outlook.cutting)), watched)


def next_sampling_day(today: date, weekdays: frozenset[int]) -> date | None:
    """The first sampling day after ``today``; None where there are none."""
    coming = (today + timedelta(days=k) for k in range(1, 8))
    return next((day for day in coming if day.weekday() in weekdays), None)


def _people_of(farms: Iterable[Farm]) -> set[int]:
    ids: set[int] = set()
    for farm in farms:
        ids.update(i for i in (farm.farmer_id, farm.sampler_id) if i is not None)
    return ids


@dataclass(frozen=True, slots=True)
class _FarmWork:
    """Deciding and queueing for one farm."""

    session: Session
    area: Area
    farm: Farm
    outlook: FarmOutlook
    rain: tuple[RainAhead, ...]
    reach: Mapping[int, list[Recipient]]
    rules: EvaluationRules
    now: datetime
    today: date

    def speak(self, told: Told | None, watched: frozenset[int]) -> None:
        farmer = self.reach.get(self.farm.farmer_id, [])
        decision = decide(self.outlook, told, self.today, self.rules.alert_rules())
        assert self.farm.id is not None
        if decision is not None:
            window, _ = self._window()
            # Words of an earlier window that never went out would only contradict the new ones.
            outbox.cancel_waiting(
                self.session, self.farm.id, self.now, "overtaken by newer words", before=window
            )
            for recipient in farmer:
                self._queue_start(decision, recipient)
            return
        # Nothing to say: words that still wait and no longer hold are taken back.
        outbox.cancel_waiting(
            self.session, self.farm.id, self.now, "overtaken by newer results", untried_only=True
        )
        stale = stale_fields(self.outlook, watched, self.today, self.rules.alert_rules())
        if stale:
            sampler = self.reach.get(self.farm.sampler_id or self.farm.farmer_id, [])
            for recipient in sampler or farmer:
                self._queue_no_results(stale, recipient)

    # -------------------------------------------------------------- start date

    def _queue_start(self, decision: Decision, recipient: Recipient) -> None:
        window, not_before = self._window()
        key = f"start:{self.farm.id}:{recipient.person_id}:{recipient.channel}:{window}"
        setting = Setting(
            language=recipient.language,
            harvest_method=HarvestMethod(self.farm.harvest_method),
            mark=mark(key),
            today=window,
            first_text=self._is_first(recipient),
            unsubscribe_url=address_url(
                self.rules.public_url, self.rules.secret, recipient.channel, recipient.address
            ),
            rain=self._rain(max(decision.start_on, window)),
            dry_from=self._dry_from(window),
            dry_days=self._dry_days(),
            gain_lb_per_acre_day=self.rules.guidelines.value("yield.gain_lb_per_acre_day"),
            fall_from=self._fall_from(),
        )
        by_text = recipient.channel == "sms"
        write = start_text if by_text else start_email
        letter = write(self.rules.templates, decision, self.outlook, setting)
        attachments = [] if by_text else [self._calendar(decision)]
        self._enqueue(
            key,
            decision.kind,
            recipient,
            letter,
            not_before=not_before,
            expires_at=self._useless_after(decision),
            start_on=decision.start_on,
            attachments=attachments,
            fields=[FieldStart(f.field_id, f.start.median) for f in self.outlook.fields],
        )

    def _rain(self, start: date) -> str:
        """A few words on rain while a crop cut on ``start`` would lie in the field."""
        coming = [day for day in self.rain if day.day >= start]
        if not coming or coming[0].day != start:
            return ""
        phrase = rain_phrase(
            [day.day for day in coming], [day.chance_pct for day in coming], self._dry_days()
        )
        return phrase[:1].upper() + phrase[1:]

    def _dry_days(self) -> int:
        """Days without rain that the farm's way of harvesting needs."""
        return int(self.rules.guidelines.value(f"drying_days.{self.farm.harvest_method}"))

    def _dry_from(self, first: date) -> date | None:
        """First day, from ``first`` on, of a dry run long enough; None where none is in sight."""
        coming = [day for day in self.rain if day.day >= first]
        # Days the forecast leaves out end a run: nothing is known of them.
        coming = [d for k, d in enumerate(coming) if d.day == coming[0].day + timedelta(days=k)]
        place = dry_run(
            [day.chance_pct for day in coming],
            [day.amount_in for day in coming],
            self._dry_days(),
        )
        return None if place is None else coming[place].day

    def _fall_from(self) -> date:
        day = int(self.rules.guidelines.value("fall.caution_from_day_of_year"))
        return date(self.today.year, 1, 1) + timedelta(days=day - 1)

    def _useless_after(self, decision: Decision) -> datetime:
        """'Coming' and 'moved' lose their use once the start date is there; the next look speaks
        anew. 'Start' and 'past' are news for a day or two."""
        days = 2
        if decision.kind in (Kind.COMING, Kind.MOVED):
            days = max(1, (decision.start_on - self.today).days)
        return self.now + timedelta(days=days)

    def _calendar(self, decision: Decision) -> dict[str, str]:
        """An all-day event over the harvest; its sequence rises only when the date moves."""
        uid = f"harvest-{self.farm.id}-{self.today.year}-{self.outlook.cutting}@cutcall"
        assert self.farm.id is not None
        start = max(decision.start_on, self.today)
        sequence = outlooks.calendar_sequence(
            self.session,
            farm_id=self.farm.id,
            season=self.today.year,
            cutting=self.outlook.cutting,
            uid=uid,
            start_on=start,
        )
        last = start + timedelta(days=max(0, round(self.outlook.farm.harvest_days) - 1))
        content = start_event(
            uid=uid,
            sequence=sequence,
            start=start,
            end=last,
            summary=f"Start cutting: {self.farm.name}",
            description=headline(decision, self.outlook, self.today),
            organizer_email=self.rules.organizer_email,
            organizer_name="Cutcall",
            stamp=self.now,
        )
        return attachment_row("start-cutting.ics", content_type(), content)

    # ---------------------------------------------------------------- sampling

    def _queue_no_results(self, fields: tuple[FieldOutlook, ...], recipient: Recipient) -> None:
        window, not_before = self._window()
        assert self.farm.id is not None
        if people.is_spoken_to(
            self.session, self.farm.id, recipient.person_id, recipient.channel, window
        ):
            return  # one message a window; the silence is still there tomorrow
        last = max(f.last_on for f in fields if f.last_on is not None)
        # One word for each silence: the key holds the result after which nothing came.
        key = f"silent:{self.farm.id}:{recipient.person_id}:{recipient.channel}:{last}"
        letter = sampling.no_results(
            self.rules.templates,
            recipient.language,
            self.outlook,
            fields,
            self.today,
            mark(key),
        )
        self._enqueue(
            key,
            Kind.NO_RESULTS,
            recipient,
            letter,
            not_before=not_before,
            expires_at=self.now + timedelta(days=2),
        )

    # ---------------------------------------------------------------- queueing

    def _window(self) -> tuple[date, datetime]:
        """Local date and first moment of the send window this look falls into, or of the next."""
        zone = self.area.time_zone
        moment = next_allowed(self.now, zone, self.farm.send_from, self.farm.send_to)
        return window_day(moment, zone, self.farm.send_from, self.farm.send_to), moment

    def _is_first(self, recipient: Recipient) -> bool:
        return recipient.channel == "sms" and not people.was_written_to(
            self.session, recipient.channel, recipient.address
        )

    def _enqueue(
        self,
        key: str,
        kind: Kind,
        recipient: Recipient,
        letter: Letter,
        *,
        not_before: datetime,
        expires_at: datetime,
        start_on: date | None = None,
        attachments: list[dict[str, str]] | None = None,
        fields: Iterable[FieldStart] = (),
    ) -> None:
        window, _ = self._window()
        message = OutboxMessage(
            public_id=hashlib.sha256(key.encode()).hexdigest()[:24],
            dedupe_key=key,
            kind=kind,
            channel=recipient.channel,
            person_id=recipient.person_id,
            farm_id=self.farm.id,
            season=self.today.year,
            cutting=self.outlook.cutting,
            start_on=start_on,
            to_address=recipient.address,
            subject=letter.subject,
            text=letter.text,
            html=letter.html,
            attachments=attachments or [],
            mark=mark(key),
            created_at=self.now,
            told_on=window,
            not_before=not_before,
            expires_at=max(expires_at, not_before + timedelta(hours=6)),
            next_attempt_at=not_before,
        )
        outbox.enqueue(self.session, message, fields)
