"""What is known of an area when it is looked at, and the charts that its emails will need."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.charts.outlook_chart import OutlookChart, draw
from alerts.domain.clips import next_sampling_day
from alerts.domain.decision import AlertRules, Decision, Told, decide
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, look_ahead
from alerts.domain.snapshot import AreaSnapshot
from alerts.messages.templates import Templates
from alerts.services.links import LinkRules
from alerts.services.outlook_charts import chart_version, email_chart
from alerts.services.sampling_list import area_weekdays
from alerts.store import areas, outbox, people
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm

Drawn = Mapping[str, bytes]
"""PNGs by the chart's version (see `outlook_charts.chart_version`)."""


@dataclass(frozen=True, slots=True)
class EvaluationRules:
    """What the evaluation needs to know besides the area."""

    guidelines: GuidelineSet
    templates: Templates
    season_first_day: date
    evaluate_at: time
    lease: timedelta  # a worker that died holds its area no longer
    sampling_weekdays: frozenset[int]  # date.weekday of the sampling days
    organizer_email: str
    public_url: str
    secret: str
    links: LinkRules

    def alert_rules(self) -> AlertRules:
        value = self.guidelines.value
        return AlertRules(
            moved_days=int(value("alerts.moved_days")),
            start_lead_days=int(value("alerts.start_lead_days")),
            stale_days=int(value("alerts.stale_days")),
        )


@dataclass(frozen=True, slots=True)
class Seen:
    """An area's fields at one moment, and the outlooks they give."""

    today: date
    snapshot: AreaSnapshot
    found: Sequence[FarmOutlook]


@dataclass(frozen=True, slots=True)
class AreaLook(Seen):
    """What an area's decisions rest on, as one session reads it."""

    farms: Mapping[int, Farm]
    reach: Callable[[], Mapping[int, list[Recipient]]]  # by person; read when first asked
    told: Mapping[tuple[int, int], Told]  # by farm and cutting

    def is_paused(self, outlook: FarmOutlook) -> bool:
        until = self.farms[outlook.farm.id].paused_until
        return until is not None and until > self.today

    def decision(self, outlook: FarmOutlook, rules: EvaluationRules) -> Decision | None:
        told = self.told.get((outlook.farm.id, outlook.cutting))
        return decide(outlook, told, self.today, rules.alert_rules())

    def email_languages(self, outlook: FarmOutlook) -> set[str]:
        farmer = self.reach().get(self.farms[outlook.farm.id].farmer_id, [])
        return {recipient.language for recipient in farmer if recipient.channel == "email"}


def look_at(
    session: Session,
    area: Area,
    rules: EvaluationRules,
    now: datetime,
    before: Seen | None = None,
) -> AreaLook:
    """Read what is known of the area and its people, and work its outlooks out.

    What was seen ``before`` serves again; not so where something has happened in the area since.
    """
    return _with_people(session, area, before or _see(session, area, rules, now))


def _see(session: Session, area: Area, rules: EvaluationRules, now: datetime) -> Seen:
    today = now.astimezone(ZoneInfo(area.time_zone)).date()
    snapshot = areas.load_snapshot(session, area, rules.season_first_day)
    sample_on = next_sampling_day(
        today + timedelta(days=1), area_weekdays(area, rules.sampling_weekdays)
    )
    return Seen(today, snapshot, look_ahead(snapshot, rules.guidelines, today, sample_on))


def _with_people(session: Session, area: Area, seen: Seen) -> AreaLook:
    assert area.id is not None
    farms = people.farms_of_area(session, area.id)
    return AreaLook(
        today=seen.today,
        snapshot=seen.snapshot,
        found=seen.found,
        farms=farms,
        reach=cache(lambda: people.recipients(session, _people_of(farms.values()))),
        told=outbox.told_by_farm(session, farms, seen.today.year),
    )


def _people_of(farms: Iterable[Farm]) -> set[int]:
    ids: set[int] = set()
    for farm in farms:
        ids.update(i for i in (farm.farmer_id, farm.sampler_id) if i is not None)
    return ids


@dataclass(frozen=True, slots=True)
class Ahead:
    """What takes long, done without the write lock: a look, and the charts of its emails."""

    seen: Seen
    drawn: Drawn


def look_and_draw_ahead(
    sessions: Sessions, area: Area, rules: EvaluationRules, now: datetime
) -> Ahead:
    """A first look at the area, and the charts of the emails that it would queue.

    A chart takes near a tenth of a second, and whoever writes to SQLite waits for the lock. Nothing
    is decided here: what this look has read may change before the one that decides, which works
    out and draws for itself what it then lacks.
    """
    with sessions.read() as session:
        seen = _see(session, area, rules, now)
        charts: list[tuple[OutlookChart, str]] = []
        if people.any_by_email(session, area.id):
            charts += _charts(session, _with_people(session, area, seen), rules)
    drawn = {
        chart_version(chart, language): draw(chart, "png", rules.templates.wording(language))
        for chart, language in charts
    }
    return Ahead(seen, drawn)


def _charts(
    session: Session, look: AreaLook, rules: EvaluationRules
) -> Iterator[tuple[OutlookChart, str]]:
    for outlook in look.found:
        languages = look.email_languages(outlook)
        if not languages or look.is_paused(outlook) or look.decision(outlook, rules) is None:
            continue
        chart = email_chart(session, outlook, rules.season_first_day)
        for language in sorted(languages):
            yield chart, language
