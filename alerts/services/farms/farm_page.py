"""All that a farm's page shows, read in one go."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import hypot
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.agronomy.scale import from_scale, points_to_scale, to_scale
from alerts.domain.area_fit import on_scale
from alerts.domain.cut_record import KnownAtCut
from alerts.domain.delivery import Status
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, FieldOutlook, StartDates, standing_target
from alerts.domain.records import HarvestMethod, Index, Method, WhichLoad
from alerts.domain.snapshot import result_kind
from alerts.messages.arithmetic import arithmetic, at_start, field_arithmetic
from alerts.messages.cautions import fall_day, outlook_cautions
from alerts.messages.digest import told_words
from alerts.messages.digest_parts import DigestMessage
from alerts.messages.start_messages import WAITING_SHOWN
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording
from alerts.services.access.links import Visitor
from alerts.services.access.masking import masked
from alerts.services.access.scope import NotYours, require_farm, require_field
from alerts.services.delivery.fallbacks import emailed_instead
from alerts.services.farms.farm_records import (
    FarmPage,
    FarmPlanPage,
    FieldPage,
    Noise,
    PageAddress,
    PageChart,
    PageCut,
    PageMessage,
    PageResult,
    Sum,
    WaitingDay,
)
from alerts.services.outlooks.outlook_charts import (
    Results,
    bare_chart,
    chart_version,
    field_chart,
    open_and_young_results,
)
from alerts.services.outlooks.stored_outlooks import is_overtaken, stored_outlook
from alerts.store import cuts, opt_outs, outlooks, people, told_farms
from alerts.store.outlooks import FieldView
from alerts.store.snapshots import farm_plan
from alerts.store.tables import Area, Farm, LabResult, OutboxMessage, Person

MESSAGES_SINCE = timedelta(days=60)
"""Messages shown go back so far: a cutting and the one before."""


@dataclass(frozen=True, slots=True)
class PageRules:
    guidelines: GuidelineSet
    templates: Templates
    season_first_day: date


def farm_page(
    session: Session,
    visitor: Visitor,
    farm_id: int,
    rules: PageRules,
    now: datetime,
    language: str = "",
) -> FarmPage:
    """The farm as the visitor may see it; NotYours when it is outside the visitor's scope.

    ``language`` "" stands for the farmer's own.
    """
    # First, since farm and area come with it.
    views = outlooks.field_views(session, [farm_id])
    farm = require_farm(session, visitor, farm_id)
    area = session.get_one(Area, farm.area_id)
    farmer = session.get_one(Person, farm.farmer_id)
    today = now.astimezone(ZoneInfo(area.time_zone)).date()
    words = rules.templates.wording(language or farmer.language)
    in_work = is_overtaken(views)
    outlook = None if in_work else stored_outlook(views)
    gain = rules.guidelines.value("yield.gain_lb_per_acre_day")
    return FarmPage(
        farm_id=farm_id,
        name=farm.name,
        area=area.name,
        farmer=farmer.name,
        language=words.language,
        today=today,
        index=Index(farm.index),
        feed_target=farm.feed_target,
        handling_loss=farm.handling_loss,
        standing_target=standing_target(farm_plan(farm)),
        harvest_days=farm.harvest_days,
        plan=_plan(farm),
        start=outlook.start if outlook else None,
        in_work=in_work,
        sum=_sum(outlook, outlook.tightest, outlook.harvest_days, arithmetic(outlook, words))
        if outlook
        else None,
        meets_today=outlook.tightest.meets_today if outlook else None,
        under_way=bool(outlook and outlook.under_way),
        rough=bool(outlook and outlook.rough),
        follows_heat=bool(outlook and outlook.follows_heat),
        fields=_fields(views, outlook, _given(session, views, rules), words, today),
        waiting=_waiting(outlook, outlook.tightest, outlook.start, gain, today) if outlook else (),
        cautions=outlook_cautions(
            rules.templates,
            words.language,
            HarvestMethod(farm.harvest_method),
            outlook,
            fall_day(rules.guidelines, today.year),
        ),
        messages=_messages(session, visitor, farm_id, words, today),
        cuts=_cuts(session, farm_id, today),
        paused_until=farm.paused_until if is_paused(farm, today) else None,
        addresses=_addresses(session, visitor, farmer),
        instead=_instead(session, visitor, farmer),
    )


def chart_of(
    session: Session,
    visitor: Visitor,
    field_id: int,
    rules: PageRules,
    now: datetime,
    language: str = "",
) -> PageChart:
    """A field's chart; NotYours when it is outside the visitor's scope."""
    field = require_field(session, visitor, field_id)
    page = farm_page(session, visitor, field.farm_id, rules, now, language)
    found = next((one for one in page.fields if one.field_id == field_id), None)
    if found is None:  # given up since
        raise NotYours("there is no such field here")
    return PageChart(found.chart, found.chart_version, page.language)


def is_paused(farm: Farm, today: date) -> bool:
    return farm.paused_until is not None and farm.paused_until > today


# ---------------------------------------------------------------------------- parts


def _plan(farm: Farm) -> FarmPlanPage:
    return FarmPlanPage(
        animal_class=farm.animal_class,
        harvest_method=farm.harvest_method,
        acres_per_day=farm.acres_per_day,
        which_load=WhichLoad(farm.which_load),
        notice_days=farm.notice_days,
        send_from=farm.send_from,
        send_to=farm.send_to,
    )


@dataclass(frozen=True, slots=True)
class _Given:
    """What a field's part of the page is made from, besides its outlook."""

    results: Results
    young: Results
    guidelines: GuidelineSet

    @property
    def gain(self) -> float:
        return self.guidelines.value("yield.gain_lb_per_acre_day")


def _given(session: Session, views: Sequence[FieldView], rules: PageRules) -> _Given:
    fields = [view.field for view in views]
    return _Given(
        *open_and_young_results(session, fields, rules.season_first_day), rules.guidelines
    )


def _fields(
    views: Sequence[FieldView],
    outlook: FarmOutlook | None,
    given: _Given,
    words: Wording,
    today: date,
) -> tuple[FieldPage, ...]:
    known = {field.field_id: field for field in outlook.fields} if outlook else {}
    order = {field_id: place for place, field_id in enumerate(known)}
    ordered = sorted(views, key=lambda view: order.get(view.field.id or 0, len(order)))
    return tuple(
        _field(view, outlook, known.get(view.field.id or 0), given, words, today)
        for view in ordered
    )


def _field(
    view: FieldView,
    outlook: FarmOutlook | None,
    field: FieldOutlook | None,
    given: _Given,
    words: Wording,
    today: date,
) -> FieldPage:
    row, results = view.field, given.results
    assert row.id is not None
    title = f"{view.farm.name}, {row.name}"
    if outlook is None or field is None:
        chart = bare_chart(farm_plan(view.farm), row.id, results, title, today)
    else:
        chart = field_chart(outlook, field, results, title)
    return FieldPage(
        field_id=row.id,
        name=row.name,
        cutting=row.cutting,
        cut_on=row.cut_on,
        acres=row.acres,
        start=field.start if field else None,
        evidence=words.evidence(field) if field else words.say("evidence.none"),
        chart=chart,
        chart_version=chart_version(chart, words.language),
        sum=_sum(outlook, field, field.own_days, field_arithmetic(outlook, field, words))
        if outlook and field
        else None,
        waiting=_waiting(outlook, field, field.start, given.gain, today)
        if outlook and field
        else (),
        results=_results(results.get(row.id, ())),
        young=_results(given.young.get(row.id, ())),
        noise=_noise(field, results.get(row.id, ()), given.guidelines, today) if field else None,
    )


def _results(rows: Sequence[LabResult]) -> tuple[PageResult, ...]:
    return tuple(_result(result) for result in reversed(rows))


def _sum(outlook: FarmOutlook, field: FieldOutlook, days: float, in_words: str) -> Sum:
    farm = outlook.farm
    return Sum(
        feed_target=farm.feed_target,
        handling_loss=farm.handling_loss,
        standing_target=field.standing_target,
        change_per_day=field.change_per_day,
        harvest_days=days,
        start_near=at_start(outlook, field, days),
        in_words=in_words,
    )


def _noise(
    field: FieldOutlook, rows: Sequence[LabResult], guidelines: GuidelineSet, today: date
) -> Noise | None:
    """The last result, carried to today at the field's pace, against all samples together."""
    index, falls = field.index, field.index.falls
    own = [row for row in rows if getattr(row, index.value) is not None]
    now = next((day for day in field.days if day.day == today), None)
    if not own or now is None or field.stands_in:
        return None
    last = own[-1]
    value = float(getattr(last, index.value))
    carried = to_scale(value, falls=falls) + (today - last.sampled_on).days * points_to_scale(
        field.change_per_day, field.days[0].median, falls=falls
    )
    kind = result_kind(Method(last.method), last.spots)
    sd = hypot(
        on_scale(guidelines[f"result_sd.{kind}.{index}"], index),
        on_scale(guidelines[f"visit_sd.any.{index}"], index),
    )
    middle = to_scale(now.median, falls=falls)
    if abs(float(carried - middle)) <= sd:
        return None
    off = abs(float(from_scale(middle + sd, falls=falls)) - now.median)
    return Noise(off, now.median)


def _waiting(
    outlook: FarmOutlook, field: FieldOutlook, start: StartDates, gain: float, today: date
) -> tuple[WaitingDay, ...]:
    """Days from today on; an outlook of an earlier day has fewer left.

    What is stored is the load that must meet the target: the last one when the harvest is over,
    not the first on the first day.
    """
    loss = outlook.farm.handling_loss
    handled = -loss if outlook.farm.index.falls else loss
    ahead = [
        (day, chance, load)
        for day, chance, load in zip(field.days, start.waiting, start.load, strict=False)
        if day.day >= today
    ]
    return tuple(
        WaitingDay(
            day=day.day,
            standing=day.median,
            low=day.low,
            high=day.high,
            stored=load + handled,
            gained_lb_per_acre=k * gain,
            chance_of_missing=chance,
        )
        for k, (day, chance, load) in enumerate(ahead[:WAITING_SHOWN])
    )


def _result(row: LabResult) -> PageResult:
    values = ((index, getattr(row, index.value)) for index in Index)
    return PageResult(
        day=row.sampled_on,
        method=Method(row.method),
        readings=tuple((index, float(value)) for index, value in values if value is not None),
        lab=row.lab,
    )


def _messages(
    session: Session, visitor: Visitor, farm_id: int, words: Wording, today: date
) -> tuple[PageMessage, ...]:
    found = told_farms.messages(session, [farm_id], today - MESSAGES_SINCE)
    emailed = emailed_instead(found)
    return tuple(
        PageMessage(
            on=message.told_on,
            channel=message.channel,
            told=told_words(words, _told(visitor, message, emailed)),
            text=message.text if message.channel == "sms" else message.subject,
            status=Status(message.status),
        )
        for message in reversed(found)
        if message.status != Status.CANCELLED
    )


def _told(visitor: Visitor, message: OutboxMessage, emailed: Set[int | None]) -> DigestMessage:
    return DigestMessage(
        on=message.told_on,
        to=_seen_by(visitor, message.person_id, message.to_address),
        kind=message.kind,
        start_on=message.start_on,
        channel=message.channel,
        status=Status(message.status),
        # A gateway's own words repeat the address, and mean nothing to a farmer.
        detail="",
        instead=message.fallback_of is not None,
        emailed=message.id in emailed,
    )


def _seen_by(visitor: Visitor, person_id: int | None, address: str) -> str:
    """An address in full for whom it belongs to only."""
    own = person_id is not None and visitor.person_id == person_id
    return address if own else masked(address)


def _cuts(session: Session, farm_id: int, today: date) -> tuple[PageCut, ...]:
    found = cuts.cuts_of_farms(session, [farm_id], today.year)
    return tuple(
        PageCut(
            field_id=one.cut.field_id,
            field=one.field.name,
            cutting=one.cut.cutting,
            cut_on=one.cut.cut_on,
            expected=KnownAtCut.of_json(one.cut.detail).expected,
            may_undo=one.field.closed_on is None and one.cut.cutting == one.field.cutting - 1,
        )
        for one in sorted(found, key=lambda one: one.cut.cut_on, reverse=True)
    )


def _addresses(session: Session, visitor: Visitor, farmer: Person) -> tuple[PageAddress, ...]:
    return tuple(
        PageAddress(
            channel=channel,
            address=_seen_by(visitor, farmer.id, address),
            stopped=address in opt_outs.stopped(session, channel, [address]),
        )
        for channel, address in wished(farmer)
    )


def _instead(session: Session, visitor: Visitor, farmer: Person) -> PageAddress | None:
    """The email for texts that do not arrive, where it may be written to."""
    assert farmer.id is not None
    if not farmer.email_if_unreached or farmer.alert_by != "text":
        return None
    for found in people.recipients(session, [farmer.id], by_email=True)[farmer.id]:
        return PageAddress("email", _seen_by(visitor, farmer.id, found.address), stopped=False)
    return None


def wished(person: Person) -> Iterable[tuple[str, str]]:
    """Channels and addresses over which a person wants to be told."""
    channels: Mapping[str, tuple[str, ...]] = {"text": ("sms",), "email": ("email",)}
    both = (("sms", person.phone), ("email", person.email))
    wanted = channels.get(person.alert_by, ("sms", "email"))
    return [(channel, address) for channel, address in both if channel in wanted and address]
