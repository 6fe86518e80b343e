"""What is known of areas when they are looked at, what their farms are to hear, and the charts that
their emails will need."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.charts.outlook_chart import OutlookChart, draw
from alerts.domain.clips import next_sampling_day
from alerts.domain.decision import AlertRules, Decision, Told, decide, stale_fields
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, FieldOutlook, look_ahead
from alerts.domain.snapshot import RainAhead
from alerts.messages.templates import Templates
from alerts.services.access.links import LinkRules
from alerts.services.outlooks.outlook_charts import chart_version, email_chart
from alerts.services.outlooks.sampling_list import area_weekdays
from alerts.services.outlooks.silence import silent_fields
from alerts.store import people, told_farms
from alerts.store.session import Sessions
from alerts.store.snapshots import load_snapshot
from alerts.store.tables import Area

Drawn = Mapping[str, bytes]
"""PNGs by the chart's version (see `outlook_charts.chart_version`)."""


@dataclass(frozen=True)
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

    @cached_property
    def alert_rules(self) -> AlertRules:
        value = self.guidelines.value
        return AlertRules(
            moved_days=int(value("alerts.moved_days")),
            start_lead_days=int(value("alerts.start_lead_days")),
            stale_days=int(value("alerts.stale_days")),
        )

    @cached_property
    def results_take_days(self) -> int:
        return int(self.guidelines.value("sampling.results_take_days"))


@dataclass(frozen=True, slots=True)
class Seen:
    """An area's fields at one moment, and the outlooks they give."""

    today: date
    rain: Sequence[RainAhead]
    watched: frozenset[int]  # fields, of other areas too
    found: Sequence[FarmOutlook]


def see(
    session: Session, areas: Iterable[Area], rules: EvaluationRules, now: datetime
) -> dict[int, Seen]:
    """What is known of each area, by its id, and what follows from it."""
    by_day: dict[date, list[Area]] = {}
    for area in areas:
        by_day.setdefault(now.astimezone(ZoneInfo(area.time_zone)).date(), []).append(area)
    seen: dict[int, Seen] = {}
    for today, some in by_day.items():
        seen |= _see_on(session, some, rules, today)
    return seen


def _see_on(
    session: Session, areas: Sequence[Area], rules: EvaluationRules, today: date
) -> dict[int, Seen]:
    snapshot = load_snapshot(session, areas, rules.season_first_day)
    weekdays = {area.id: area_weekdays(area, rules.sampling_weekdays) for area in areas}
    tomorrow = today + timedelta(days=1)
    sample_on = [next_sampling_day(tomorrow, weekdays[area.id]) for area in snapshot.areas]
    found: list[list[FarmOutlook]] = [[] for _ in snapshot.areas]
    area_of = dict(zip((farm.id for farm in snapshot.farms), snapshot.area.tolist(), strict=True))
    for outlook in look_ahead(snapshot, rules.guidelines, today, sample_on):
        found[area_of[outlook.farm.id]].append(outlook)
    watched = frozenset(snapshot.fields.id[snapshot.fields.watched].tolist())
    return {
        area.id: Seen(today, area.rain, watched, of_area)
        for area, of_area in zip(snapshot.areas, found, strict=True)
    }


@dataclass(frozen=True, slots=True)
class Word:
    """What a look has to say to a farm, or that it is not to speak to it now."""

    area_id: int
    outlook: FarmOutlook
    paused: bool = False
    decision: Decision | None = None
    silent: tuple[FieldOutlook, ...] = ()  # fields of which nothing was heard

    @property
    def speaks(self) -> bool:
        return self.decision is not None or bool(self.silent)


def words_of(
    session: Session, areas: Iterable[Area], seen: Mapping[int, Seen], rules: EvaluationRules
) -> list[Word]:
    """What every farm with an outlook is to hear, by what the session reads of farms and messages;
    ``seen`` gives what is known of each area."""
    by_id = {area.id: area for area in areas if area.id is not None}
    chosen = [(area, seen[area_id]) for area_id, area in by_id.items()]
    paused = people.paused_until(session, by_id)
    told: dict[tuple[int, int], Told] = {}
    for season in {one.today.year for _, one in chosen}:
        farms = (
            outlook.farm.id
            for _, one in chosen
            for outlook in one.found
            if one.today.year == season
        )
        told |= told_farms.by_farm(session, farms, season)
    return [
        _word(area, one, outlook, paused.get(outlook.farm.id), told, rules)
        for area, one in chosen
        for outlook in one.found
    ]


def _word(
    area: Area,
    seen: Seen,
    outlook: FarmOutlook,
    paused_until: date | None,
    told: Mapping[tuple[int, int], Told],
    rules: EvaluationRules,
) -> Word:
    assert area.id is not None
    if paused_until is not None and paused_until > seen.today:
        return Word(area.id, outlook, paused=True)
    known = told.get((outlook.farm.id, outlook.cutting))
    alerts = rules.alert_rules
    decision = decide(outlook, known, seen.today, alerts)
    if decision is not None:
        return Word(area.id, outlook, decision=decision)
    stale = stale_fields(outlook, seen.watched, seen.today, alerts)
    return Word(area.id, outlook, silent=_silent(area, stale, seen.today, rules) if stale else ())


def _silent(
    area: Area, stale: Sequence[FieldOutlook], today: date, rules: EvaluationRules
) -> tuple[FieldOutlook, ...]:
    weekdays = area_weekdays(area, rules.sampling_weekdays)
    return silent_fields(stale, today, weekdays, rules.results_take_days)


Charts = Sequence[tuple[OutlookChart, str]]
"""Each with the language of its words."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What takes long, done without the write lock: a look, and which charts its emails need."""

    seen: Mapping[int, Seen]
    charts: Mapping[int, Charts]  # by area, of those that need any


def look_ahead_of_writing(
    sessions: Sessions, areas: Sequence[Area], rules: EvaluationRules, now: datetime
) -> Ahead:
    """A first look at areas, and the charts of the emails that it would queue.

    A chart takes near a tenth of a second, and whoever writes to SQLite waits for the lock. Nothing
    is decided here: what this look has read may change before the one that decides, which works
    out and draws for itself what it then lacks.
    """
    with sessions.read() as session:
        seen = see(session, areas, rules, now)
        by_email = people.areas_by_email(session, seen)
        asking = [area for area in areas if area.id in by_email]
        charts: dict[int, list[tuple[OutlookChart, str]]] = {}
        if asking:
            words = [one for one in words_of(session, asking, seen, rules) if one.decision]
            farms = people.farms(session, (one.outlook.farm.id for one in words))
            reach = people.recipients(session, (farm.farmer_id for farm in farms.values()))
            for word in words:
                farmer = reach.get(farms[word.outlook.farm.id].farmer_id, [])
                languages = {one.language for one in farmer if one.channel == "email"}
                if languages:
                    chart = email_chart(session, word.outlook, rules.season_first_day)
                    told = ((chart, language) for language in sorted(languages))
                    charts.setdefault(word.area_id, []).extend(told)
    return Ahead(seen, charts)


def draw_all(charts: Charts, rules: EvaluationRules) -> dict[str, bytes]:
    """The charts as PNG, by their version."""
    return {
        chart_version(chart, language): draw(chart, "png", rules.templates.wording(language))
        for chart, language in charts
    }
