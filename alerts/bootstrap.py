"""The one place where settings, config files, database, clock and transports come together."""

from __future__ import annotations

import os
import random
import socket
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, timezone
from threading import Event
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from alerts.configfiles import (
    WEEKDAYS,
    ConfigDir,
    Pace,
    Rest,
    Schedule,
    read_guidelines,
    read_schedule,
)
from alerts.domain.guidelines import GuidelineSet
from alerts.intake.base import Source
from alerts.intake.folder import Folder
from alerts.intake.labmap import LabMap, load_lab_maps
from alerts.messages.templates import Templates
from alerts.settings import Settings
from alerts.store.leadership import Leadership, leadership
from alerts.store.session import Sessions, build_engine, upgrade
from alerts.transports.base import Channel, Transport
from alerts.transports.registry import transport_class
from alerts.weather.base import WeatherSource

if TYPE_CHECKING:
    # Loaded when they are first asked for: the service ticks before it does its work.
    from alerts.domain.circuit import CircuitRules
    from alerts.intake.roster import RosterDefaults
    from alerts.services.access.links import LinkRules
    from alerts.services.consultants.digest import DigestRules
    from alerts.services.delivery.fallbacks import FallbackRules
    from alerts.services.delivery.sending import SendingRules
    from alerts.services.operating.doctor import Subject
    from alerts.services.outlooks.area_look import EvaluationRules
    from alerts.services.outlooks.sampling_list import ClipRules
    from alerts.services.people.retention import RetentionRules
    from alerts.services.people.sign_up_rules import SignUpRules
    from alerts.services.results.accept_results import IntakeRules
    from alerts.services.samplers.sampling import SamplingRules
    from alerts.services.texts.replies import ReplyRules
    from alerts.transports.webhooks import SmsWebhooks

MIB = 1024 * 1024

Clock = Callable[[], datetime]

LATEST_ZONE = timezone(timedelta(hours=14))
"""Where a day begins first. A sampling date is in the future only when it is so there too: fields
may lie far from the zone of the service, and a good sample must not wait for midnight."""

MAIL_DATA_TIMEOUT_S = 120.0
"""Wait for a mail server's word on the text itself. RFC 5321 asks for ten minutes, to avoid
duplicates; ours carry one Message-ID over all attempts, which mail systems merge."""


def system_clock() -> datetime:
    return datetime.now(UTC)


def process_name() -> str:
    """What leases, ticks and the log call this process."""
    return f"{socket.gethostname()}:{os.getpid()}"


@dataclass(frozen=True, slots=True)
class Parts:
    """All that an entry point needs; rules are made for the moment they are asked at."""

    settings: Settings
    schedule: Schedule
    guidelines: GuidelineSet
    templates: Templates
    lab_maps: Sequence[LabMap]
    sessions: Sessions
    clock: Clock
    source: Source
    transports: Mapping[Channel, Transport]
    owner: str
    leadership: Leadership
    jitter: Callable[[], float] = field(default=random.random)
    stopping: Event = field(default_factory=Event)  # set when the process is to end
    weather: WeatherSource | None = None  # None: areas run on the calendar, or on tables given

    @property
    def secret(self) -> str:
        return self.settings.secret.get_secret_value()

    def today(self) -> date:
        return self.clock().astimezone(ZoneInfo(self.settings.time_zone)).date()

    def season_first_day(self) -> date:
        return self.schedule.season.first_of(self.today().year)

    def ticks(self) -> dict[str, int]:
        """Seconds between the ticks of each job, by its name."""
        ticks = self.schedule.ticks.model_dump()
        return {name.removesuffix("_s"): seconds for name, seconds in ticks.items()}

    def intake_rules(self) -> IntakeRules:
        from alerts.services.results.accept_results import IntakeRules

        return IntakeRules(
            lab_maps=self.lab_maps,
            guidelines=self.guidelines,
            season_first_day=self.season_first_day(),
            sample_before=self.schedule.sampling.before,
            today=self.clock().astimezone(LATEST_ZONE).date(),
            time_zone=ZoneInfo(self.settings.time_zone),
        )

    def evaluation_rules(self) -> EvaluationRules:
        from alerts.services.outlooks.area_look import EvaluationRules

        return EvaluationRules(
            guidelines=self.guidelines,
            templates=self.templates,
            season_first_day=self.season_first_day(),
            evaluate_at=self.schedule.evaluation.at,
            lease=timedelta(seconds=self.schedule.evaluation.lease_s),
            sampling_weekdays=self._sampling_weekdays(),
            organizer_email=self.settings.email_from,
            public_url=self.settings.public_url,
            secret=self.secret,
            links=self.link_rules(),
        )

    def sending_rules(self) -> SendingRules:
        from alerts.services.delivery.sending import SendingRules

        sending = self.schedule.sending
        return SendingRules(
            concurrency=sending.concurrency,
            lease=timedelta(seconds=sending.lease_s),
            settle=timedelta(seconds=sending.settle_s),
            backoff_base_s=sending.backoff_base_s,
            backoff_cap_s=sending.backoff_cap_s,
            circuits={
                Channel.SMS: _circuit(sending.texts, sending.rest),
                Channel.EMAIL: _circuit(sending.emails, sending.rest),
            },
            stopping=self.stopping,
            jitter=self.jitter,
            public_url=self.settings.public_url,
            secret=self.secret,
        )

    def fallback_rules(self) -> FallbackRules:
        from alerts.services.delivery.fallbacks import FallbackRules

        figures = self.schedule.fallback
        return FallbackRules(
            templates=self.templates,
            links=self.link_rules(),
            public_url=self.settings.public_url,
            secret=self.secret,
            after=timedelta(hours=figures.after_h),
            before_expiry=timedelta(hours=figures.before_expiry_h),
            at_least=timedelta(minutes=figures.at_least_min),
        )

    def retention_rules(self) -> RetentionRules:
        from alerts.services.people.retention import YEAR, RetentionRules

        kept = self.schedule.retention
        return RetentionRules(
            messages=kept.messages_years * YEAR,
            texts_in=kept.texts_in_years * YEAR,
            consents=kept.consents_years * YEAR,
            links=timedelta(days=kept.links_days),
            ips=timedelta(days=kept.ip_days),
            sign_ups=timedelta(days=kept.sign_ups_days),
            answers=timedelta(days=kept.answers_days),
        )

    def digest_rules(self) -> DigestRules:
        from alerts.services.consultants.digest import DigestRules

        return DigestRules(
            templates=self.templates,
            digest_at=self.schedule.digest.at,
            season_first_day=self.season_first_day(),
            public_url=self.settings.public_url,
            secret=self.secret,
            links=self.link_rules(),
            clips=self.clip_rules(),
            organizer_email=self.settings.email_from,
        )

    def sampling_rules(self) -> SamplingRules:
        from alerts.services.samplers.sampling import SamplingRules

        return SamplingRules(
            templates=self.templates,
            clips=self.clip_rules(),
            links=self.link_rules(),
            public_url=self.settings.public_url,
            secret=self.secret,
        )

    def clip_rules(self) -> ClipRules:
        from alerts.services.outlooks.sampling_list import clip_rules

        return clip_rules(
            self.guidelines,
            self._sampling_weekdays(),
            self.schedule.sampling.before,
            self.season_first_day(),
        )

    def _sampling_weekdays(self) -> frozenset[int]:
        return frozenset(WEEKDAYS.index(day) for day in self.schedule.sampling.days)

    def link_rules(self) -> LinkRules:
        from alerts.services.access.links import LinkRules

        before = self.settings.secret_before.get_secret_value()
        return LinkRules(
            public_url=self.settings.public_url,
            secrets=(before, self.secret) if before else (self.secret,),
            lasts=timedelta(days=self.schedule.links.days),
            operator_lasts=timedelta(days=self.schedule.links.operator_days),
        )

    def sign_up_rules(self) -> SignUpRules:
        from alerts.services.farms.farm_form import FormRules
        from alerts.services.people.sign_up_rules import Bounds, SignUpRules

        figures = self.schedule.sign_up
        return SignUpRules(
            form=FormRules(self.guidelines, self.roster_defaults()),
            templates=self.templates,
            links=self.link_rules(),
            expires=timedelta(hours=figures.expires_h),
            bounds=Bounds(
                an_hour_to_one_address=figures.an_hour_to_one_address,
                a_day_to_one_address=figures.a_day_to_one_address,
                an_hour_from_one_ip=figures.an_hour_from_one_ip,
                an_hour_in_all=figures.an_hour_in_all,
                links_an_hour=figures.links_an_hour,
                links_a_day=figures.links_a_day,
            ),
            texts_to=figures.texts_to,
        )

    def reply_rules(self) -> ReplyRules:
        from alerts.services.texts.replies import ReplyRules

        settings = self.settings
        return ReplyRules(
            intake=self.intake_rules(),
            sign_up=self.sign_up_rules(),
            time_zone=settings.time_zone,
            own_number=settings.sms_sender,
            contact=settings.email_reply_to or settings.email_from,
            gateway_answers=settings.sms_answers_keywords,
        )

    def sms_webhooks(self) -> SmsWebhooks:
        """Several keys, separated by spaces, are good while one takes the place of another."""
        from alerts.transports.signatures import WebhookKeys
        from alerts.transports.webhooks import SmsWebhooks

        secrets = self.settings.sms_webhook_secret.get_secret_value().split()
        return SmsWebhooks(WebhookKeys(tuple(secrets) if self.settings.public_url else ()))

    def roster_defaults(self) -> RosterDefaults:
        from alerts.intake.roster import RosterDefaults

        return RosterDefaults(time_zone=self.settings.time_zone)

    def subject(self) -> Subject:
        from alerts.services.operating.doctor import Subject

        return Subject(self.settings, self.sessions, self.transports, self.ticks(), self.clock)

    async def aclose(self) -> None:
        for transport in self.transports.values():
            await transport.aclose()
        if self.weather is not None:
            await self.weather.aclose()
        self.sessions.close()


def build_parts(
    settings: Settings,
    *,
    clock: Clock = system_clock,
    transports: Mapping[Channel, Transport] | None = None,
    jitter: Callable[[], float] = random.random,
    migrate: bool = True,
) -> Parts:
    """Wire the service up and, with ``migrate``, bring its database to the newest tables.

    ConfigurationError when a setting or config file is wrong.
    """
    config = ConfigDir(settings.config_dir)
    engine = build_engine(settings.database_url)
    if migrate:
        upgrade(engine)
    return Parts(
        settings=settings,
        schedule=read_schedule(config.find("schedule.toml")),
        guidelines=read_guidelines(config.find("guidelines.toml")),
        templates=Templates(config.places),
        lab_maps=load_lab_maps(*(place / "labs" for place in config.places)),
        sessions=Sessions(engine),
        clock=clock,
        source=Folder(settings.inbox_dir, settings.intake_max_mib * MIB),
        transports=build_transports(settings, clock) if transports is None else transports,
        owner=process_name(),
        leadership=leadership(engine),
        jitter=jitter,
        weather=_weather(settings, clock),
    )


def _circuit(pace: Pace, rest: Rest) -> CircuitRules:
    from alerts.domain.circuit import CircuitRules

    return CircuitRules(
        per_second=pace.per_second,
        in_flight=pace.in_flight,
        failures=rest.failures,
        rest_s=rest.rest_s,
        rest_cap_s=rest.rest_cap_s,
    )


def _weather(settings: Settings, clock: Clock) -> WeatherSource | None:
    if settings.weather == "none":
        return None
    from alerts.weather.nws import NationalWeatherService

    return NationalWeatherService(
        contact=settings.weather_contact, clock=clock, base_url=settings.weather_url
    )


def build_transports(settings: Settings, clock: Clock) -> dict[Channel, Transport]:
    return {Channel.SMS: _sms(settings, clock), Channel.EMAIL: _email(settings)}


def _sms(settings: Settings, clock: Clock) -> Transport:
    kind = transport_class(Channel.SMS, settings.sms)
    if settings.sms == "console":
        return kind(channel=Channel.SMS, write=_show)
    return kind(
        base_url=settings.sms_url,
        account=settings.sms_account,
        key=settings.sms_key,
        secret=settings.sms_secret.get_secret_value(),
        sender=settings.sms_sender,
        service=settings.sms_service,
        status_callback=_status_callback(settings),
        clock=clock,
    )


def _status_callback(settings: Settings) -> str:
    """Where the gateway reports what became of a text; "" where it could not sign it."""
    if not settings.public_url or not settings.sms_webhook_secret.get_secret_value():
        return ""
    return f"{settings.public_url.rstrip('/')}/webhooks/sms/status"


def _email(settings: Settings) -> Transport:
    kind = transport_class(Channel.EMAIL, settings.email)
    if settings.email == "console":
        return kind(channel=Channel.EMAIL, write=_show)
    return kind(
        host=settings.smtp_host,
        port=settings.smtp_port,
        use=settings.smtp_use,
        username=settings.smtp_username,
        password=settings.smtp_password.get_secret_value(),
        sender=settings.email_from,
        sender_name="Cutcall",
        reply_to=settings.email_reply_to,
        data_timeout_s=MAIL_DATA_TIMEOUT_S,
    )


def _show(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()
