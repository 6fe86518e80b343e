"""The morning look at an area: outlooks, decisions and messages in one transaction.

An area is due when a result came in or a new local day began. Whoever claims it does the whole
area; a message is queued in the same commit as the decision it speaks of. Only the charts of the
emails are drawn before, since drawing takes long.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from threading import Event
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.charts.outlook_chart import describe, draw
from alerts.domain import trace
from alerts.domain.decision import Decision, Kind
from alerts.domain.drying import dry_run
from alerts.domain.errors import CutcallError
from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.domain.quiet_hours import next_allowed, window_day
from alerts.domain.records import HarvestMethod
from alerts.domain.snapshot import RainAhead
from alerts.messages import sampling
from alerts.messages.calendar import content_type, start_event
from alerts.messages.marks import mark
from alerts.messages.rain import rain_words
from alerts.messages.start_messages import Letter, Setting, headline, start_email, start_text
from alerts.messages.wording import Wording
from alerts.services.area_look import Ahead, Drawn, EvaluationRules, look_and_draw_ahead, look_at
from alerts.services.client_calendar import event_uid
from alerts.services.links import Role, link_url
from alerts.services.outgoing import About, To, attachment_row, outbox_row
from alerts.services.outlook_charts import chart_version, email_chart
from alerts.services.sampling_list import area_weekdays
from alerts.services.silence import silent_fields, told_of_silence
from alerts.services.unsubscribe import address_url
from alerts.store import areas, outbox, outlooks, people
from alerts.store.outbox import FieldStart
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm

log = logging.getLogger(__name__)


class LostLease(CutcallError):
    """Somebody else took the area over meanwhile; nothing of this look is kept."""


def evaluate_due(
    sessions: Sessions,
    rules: EvaluationRules,
    owner: str,
    clock: Callable[[], datetime],
    stopping: Event | None = None,
) -> int:
    """Evaluate every area that is due, until ``stopping`` is set; returns how many.

    One that breaks does not keep the others waiting: it is tried again once its lease lapses, and
    the first error is raised at the end.
    """
    done, errors = 0, []
    while not (stopping is not None and stopping.is_set()):
        now = clock()
        claimed = _claim(sessions, rules, owner, now)
        if claimed is None:
            break
        with trace.about(area_id=claimed.id):
            try:
                _look(sessions, claimed, rules, now)
                done += 1
            except Exception as error:
                log.exception("area %s could not be evaluated", claimed.id)
                errors.append(error)
    if errors:
        raise errors[0]
    return done


def evaluate_next(sessions: Sessions, rules: EvaluationRules, owner: str, now: datetime) -> bool:
    """Claim one due area and evaluate it; False when none is due."""
    area = _claim(sessions, rules, owner, now)
    if area is None:
        return False
    _look(sessions, area, rules, now)
    return True


def _claim(sessions: Sessions, rules: EvaluationRules, owner: str, now: datetime) -> Area | None:
    with sessions.write_beside() as session:
        return areas.claim_due(session, owner=owner, now=now, lease=rules.lease)


def _look(sessions: Sessions, area: Area, rules: EvaluationRules, now: datetime) -> None:
    due_seen = area.due_at
    ahead = look_and_draw_ahead(sessions, area, rules, now)
    with sessions.write_beside() as session:
        _evaluate(session, area, rules, now, ahead)
        next_due = _next_morning(area, rules.evaluate_at, now)
        if not areas.release(session, area, due_seen=due_seen, next_due=next_due):
            raise LostLease(f"the look at area {area.id} took too long: another worker has it")


def _next_morning(area: Area, at: time, now: datetime) -> datetime:
    """The next moment of this hour where the area lies; today's own is still to come at night."""
    zone = ZoneInfo(area.time_zone)
    today = now.astimezone(zone).date()
    mornings = (datetime.combine(today + timedelta(days=k), at, tzinfo=zone) for k in range(3))
    # In UTC: moments of one zone are compared by their wall clocks, which show some hours twice.
    return next(one for one in (m.astimezone(UTC) for m in mornings) if one > now)


def _evaluate(
    session: Session, area: Area, rules: EvaluationRules, now: datetime, ahead: Ahead
) -> None:
    # Whatever happens in an area makes it due anew.
    is_news = areas.due_since(session, area.id) != area.due_at
    look = look_at(session, area, rules, now, None if is_news else ahead.seen)
    outlooks.replace_outlooks(session, list(look.farms), look.found, now)
    watched = frozenset(field.id for field in look.snapshot.fields if field.watched)
    waiting = outbox.farms_waiting(session, look.farms)
    for outlook in look.found:
        work = _FarmWork(
            session=session,
            area=area,
            farm=look.farms[outlook.farm.id],
            outlook=outlook,
            rain=look.snapshot.rain,
            reach=look.reach,
            rules=rules,
            now=now,
            today=look.today,
            drawn=ahead.drawn,
            has_waiting=outlook.farm.id in waiting,
        )
        if look.is_paused(outlook):
            # What is missed is not made up for: the first look after the pause decides as always.
            work.cancel_waiting("the farm is paused")
        else:
            work.speak(look.decision(outlook, rules), watched)


@dataclass(frozen=True, slots=True)
class _FarmWork:
    """Deciding and queueing for one farm."""

    session: Session
    area: Area
    farm: Farm
    outlook: FarmOutlook
    rain: tuple[RainAhead, ...]
    reach: Callable[[], Mapping[int, list[Recipient]]]
    rules: EvaluationRules
    now: datetime
    today: date
    drawn: Drawn
    has_waiting: bool  # a start-date message of the farm waits unsent

    def cancel_waiting(
        self, reason: str, *, untried_only: bool = False, before: date | None = None
    ) -> None:
        if self.has_waiting:
            outbox.cancel_waiting(
                self.session,
                self.outlook.farm.id,
                self.now,
                reason,
                untried_only=untried_only,
                before=before,
            )

    def speak(self, decision: Decision | None, watched: frozenset[int]) -> None:
        if decision is not None:
            window, _ = self._window()
            # Words of an earlier window that never went out would only contradict the new ones.
            self.cancel_waiting("overtaken by newer words", before=window)
            for recipient in self.reach().get(self.farm.farmer_id, []):
                self._queue_start(decision, recipient)
            return
        # Nothing to say: words that still wait and no longer hold are taken back.
        self.cancel_waiting("overtaken by newer results", untried_only=True)
        silent = silent_fields(
            self.outlook,
            watched,
            self.today,
            self.rules.alert_rules(),
            area_weekdays(self.area, self.rules.sampling_weekdays),
            int(self.rules.guidelines.value("sampling.results_take_days")),
        )
        if silent:
            for recipient in told_of_silence(self.farm, self.reach()):
                self._queue_no_results(silent, recipient)

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
            rain=self._rain(max(decision.start_on, window), recipient),
            dry_from=self._dry_from(window),
            dry_days=self._dry_days(),
            gain_lb_per_acre_day=self.rules.guidelines.value("yield.gain_lb_per_acre_day"),
            fall_from=self._fall_from(),
        )
        attachments: list[dict[str, str]] = []
        if recipient.channel == "sms":
            letter = start_text(self.rules.templates, decision, self.outlook, setting)
        else:
            setting, picture = self._illustrated(setting, recipient)
            letter = start_email(self.rules.templates, decision, self.outlook, setting)
            attachments = [self._calendar(decision, self._words(recipient)), picture]
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

    def _illustrated(
        self, setting: Setting, recipient: Recipient
    ) -> tuple[Setting, dict[str, str]]:
        """What only an email holds: the link to the farm's page, and the chart with its words."""
        assert self.farm.id is not None
        chart = email_chart(self.session, self.outlook, self.rules.season_first_day)
        words, language = self._words(recipient), recipient.language
        png = self.drawn.get(chart_version(chart, language)) or draw(chart, "png", words)
        picture = f"chart-{setting.mark}@cutcall"
        url = link_url(
            self.session,
            self.rules.links,
            Role.FARM,
            person_id=recipient.person_id,
            farm_id=self.farm.id,
            now=self.now,
        )
        told = replace(setting, page_url=url, picture=picture, picture_says=describe(chart, words))
        return told, attachment_row("outlook.png", "image/png", png, picture)

    def _rain(self, start: date, recipient: Recipient) -> str:
        """A few words on rain while a crop cut on ``start`` would lie in the field."""
        coming = [day for day in self.rain if day.day >= start]
        if not coming or coming[0].day != start:
            return ""
        phrase = rain_words(
            [day.day for day in coming],
            [day.chance_pct for day in coming],
            self._dry_days(),
            self._words(recipient),
        )
        return phrase[:1].upper() + phrase[1:]

    def _words(self, recipient: Recipient) -> Wording:
        return self.rules.templates.wording(recipient.language)

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

    def _calendar(self, decision: Decision, words: Wording) -> dict[str, str]:
        """An all-day event over the harvest; its sequence rises only when the date moves."""
        assert self.farm.id is not None
        uid = event_uid(self.farm.id, self.today.year, self.outlook.cutting)
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
            summary=words.say("headline.calendar", farm=self.farm.name),
            description=headline(decision, self.outlook, self.today, words),
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
        assert self.farm.id is not None
        message = outbox_row(
            key,
            kind,
            To(recipient.person_id, recipient.channel, recipient.address),
            letter,
            now=self.now,
            told_on=window,
            not_before=not_before,
            expires_at=max(expires_at, not_before + timedelta(hours=6)),
            attachments=attachments or (),
            about=About(self.farm.id, self.today.year, self.outlook.cutting, start_on),
        )
        outbox.enqueue(self.session, message, fields)
