"""Queueing what a farm is to hear: its start date, or that nothing was heard of its fields."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache

from sqlmodel import Session

from alerts.charts.outlook_chart import describe, draw
from alerts.domain.decision import Decision, Kind
from alerts.domain.drying import dry_run
from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.domain.quiet_hours import next_allowed, window_day
from alerts.domain.records import HarvestMethod
from alerts.messages import sampling
from alerts.messages.calendar import content_type, start_event
from alerts.messages.cautions import fall_day
from alerts.messages.letters import Letter
from alerts.messages.marks import mark
from alerts.messages.rain import rain_words
from alerts.messages.start_messages import Setting, headline, start_email, start_text
from alerts.messages.wording import Wording
from alerts.services.access.links import Role, link_url
from alerts.services.delivery.outgoing import About, To, attachment_row, outbox_row
from alerts.services.delivery.unsubscribe import address_url
from alerts.services.outlooks.area_look import Drawn, EvaluationRules, Seen, Word
from alerts.services.outlooks.client_calendar import event_uid
from alerts.services.outlooks.outlook_charts import chart_version, email_chart
from alerts.services.outlooks.silence import told_of_silence
from alerts.store import outbox, outlooks, people
from alerts.store.drafts import Draft
from alerts.store.outbox import FieldStart
from alerts.store.people import Recipient
from alerts.store.tables import Area, Farm


@dataclass(frozen=True, slots=True)
class FarmMessages:
    """What one farm is to hear, made into messages of the outbox."""

    session: Session
    area: Area
    farm: Farm
    outlook: FarmOutlook
    seen: Seen
    reach: Mapping[int, Sequence[Recipient]]  # by person
    rules: EvaluationRules
    now: datetime
    drawn: Drawn
    has_waiting: bool  # a start-date message of the farm waits unsent
    written_to: Container[str]  # numbers that had a text of ours before

    def drafts(self, word: Word) -> Iterator[Draft]:
        """What the farm is to hear of its start date, or of silence."""
        if word.decision is not None:
            window, _ = self._window()
            # Words of an earlier window that never went out would only contradict the new ones.
            if self.has_waiting:
                outbox.cancel_waiting(
                    self.session, self._farm_id, self.now, "overtaken by newer words", before=window
                )
            for recipient in self.reach.get(self.farm.farmer_id, []):
                yield self._start(word.decision, recipient)
        elif word.silent:
            for recipient in told_of_silence(self.farm, self.reach):
                yield from self._no_results(word.silent, recipient)

    @property
    def _farm_id(self) -> int:
        return self.outlook.farm.id

    # -------------------------------------------------------------- start date

    def _start(self, decision: Decision, recipient: Recipient) -> Draft:
        window, not_before = self._window()
        key = f"start:{self._farm_id}:{recipient.person_id}:{recipient.channel}:{window}"
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
            fall_from=fall_day(self.rules.guidelines, self.seen.today.year),
        )
        attachments: list[dict[str, str]] = []
        if recipient.channel == "sms":
            letter = start_text(self.rules.templates, decision, self.outlook, setting)
        else:
            setting, picture = self._illustrated(setting, recipient)
            letter = start_email(self.rules.templates, decision, self.outlook, setting)
            attachments = [self._calendar(decision, self._words(recipient)), picture]
        return self._draft(
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
        chart = email_chart(self.session, self.outlook, self.rules.season_first_day)
        words, language = self._words(recipient), recipient.language
        png = self.drawn.get(chart_version(chart, language)) or draw(chart, "png", words)
        picture = f"chart-{setting.mark}@cutcall"
        url = link_url(
            self.session,
            self.rules.links,
            Role.FARM,
            person_id=recipient.person_id,
            farm_id=self._farm_id,
            now=self.now,
        )
        told = replace(setting, page_url=url, picture=picture, picture_says=describe(chart, words))
        return told, attachment_row("outlook.png", "image/png", png, picture)

    def _rain(self, start: date, recipient: Recipient) -> str:
        """A few words on rain while a crop cut on ``start`` would lie in the field."""
        coming = [day for day in self.seen.rain if day.day >= start]
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
        coming = [day for day in self.seen.rain if day.day >= first]
        # Days the forecast leaves out end a run: nothing is known of them.
        coming = [d for k, d in enumerate(coming) if d.day == coming[0].day + timedelta(days=k)]
        place = dry_run(
            [day.chance_pct for day in coming],
            [day.amount_in for day in coming],
            self._dry_days(),
        )
        return None if place is None else coming[place].day

    def _useless_after(self, decision: Decision) -> datetime:
        """'Coming' and 'moved' lose their use once the start date is there; the next look speaks
        anew. 'Start' and 'past' are news for a day or two."""
        days = 2
        if decision.kind in (Kind.COMING, Kind.MOVED):
            days = max(1, (decision.start_on - self.seen.today).days)
        return self.now + timedelta(days=days)

    def _calendar(self, decision: Decision, words: Wording) -> dict[str, str]:
        """An all-day event over the harvest; its sequence rises only when the date moves."""
        uid = event_uid(self._farm_id, self.seen.today.year, self.outlook.cutting)
        start = max(decision.start_on, self.seen.today)
        sequence = outlooks.calendar_sequence(
            self.session,
            farm_id=self._farm_id,
            season=self.seen.today.year,
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
            description=headline(decision, self.outlook, self.seen.today, words),
            organizer_email=self.rules.organizer_email,
            organizer_name="Cutcall",
            stamp=self.now,
        )
        return attachment_row("start-cutting.ics", content_type(), content)

    # ---------------------------------------------------------------- sampling

    def _no_results(
        self, fields: tuple[FieldOutlook, ...], recipient: Recipient
    ) -> Iterator[Draft]:
        window, not_before = self._window()
        if people.is_spoken_to(
            self.session, self._farm_id, recipient.person_id, recipient.channel, window
        ):
            return  # one message a window; the silence is still there tomorrow
        last = max(f.last_on for f in fields if f.last_on is not None)
        # One word for each silence: the key holds the result after which nothing came.
        key = f"silent:{self._farm_id}:{recipient.person_id}:{recipient.channel}:{last}"
        letter = sampling.no_results(
            self.rules.templates,
            recipient.language,
            self.outlook,
            fields,
            self.seen.today,
            mark(key),
        )
        yield self._draft(
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
        return _window(self.now, self.area.time_zone, self.farm.send_from, self.farm.send_to)

    def _is_first(self, recipient: Recipient) -> bool:
        return recipient.channel == "sms" and recipient.address not in self.written_to

    def _draft(
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
        fields: Sequence[FieldStart] = (),
    ) -> Draft:
        window, _ = self._window()
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
            about=About(self._farm_id, self.seen.today.year, self.outlook.cutting, start_on),
        )
        return Draft(message, fields)


@lru_cache(maxsize=64)
def _window(now: datetime, zone: str, send_from: time, send_to: time) -> tuple[date, datetime]:
    # Farms of a look ask alike, and each several times.
    moment = next_allowed(now, zone, send_from, send_to)
    return window_day(moment, zone, send_from, send_to), moment
