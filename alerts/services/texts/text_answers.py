"""What a text from a farmer or sampler does, and the words that say so.

Everything here runs inside the transaction in which the text is marked as handled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlmodel import Session

from alerts.domain.decision import Kind
from alerts.intake.inbound_text import Wait, When, Why
from alerts.messages import answers
from alerts.messages.answers import FarmSaid, Values
from alerts.messages.templates import Templates
from alerts.services.access.links import LinkRules, Role, link_url
from alerts.services.outlooks.stored_outlooks import stored_outlook
from alerts.services.texts.text_writers import Writer, fields_named
from alerts.store import areas, inbound, outbox
from alerts.store.outlooks import FieldView
from alerts.store.tables import Farm

LONGEST_WAIT = 14
"""Days that WAIT may hold a date back; an outlook shows as many."""


@dataclass(frozen=True, slots=True)
class Answer:
    """``text`` "" = nothing is said. ``outcome`` is kept beside the text, for the operator."""

    text: str
    outcome: str
    kind: Kind = Kind.REPLY


@dataclass(frozen=True, slots=True)
class Work:
    """What a command needs: who wrote, when, and the words to answer with."""

    session: Session
    templates: Templates
    links: LinkRules
    season_first_day: date
    writer: Writer
    phone: str
    written_at: datetime  # when the text came in; it may be handled later
    now: datetime

    @property
    def today(self) -> date:
        """The day on which the text was written, where its writer farms."""
        return self.writer.today(self.written_at)

    @property
    def day_now(self) -> date:
        return self.writer.today(self.now)

    def say(self, name: str, outcome: str, *versions: Values, kind: Kind = Kind.REPLY) -> Answer:
        text = answers.answer(self.templates, self.writer.language, name, *versions)
        return Answer(text, outcome, kind)

    def day(self, day: date) -> str:
        return self.templates.wording(self.writer.language).full_day(day)

    def lists(self, views: Sequence[FieldView]) -> list[str]:
        """Names of fields, from the longest to the shortest way of writing them."""
        many = len({view.farm.id for view in views}) > 1
        names = [f"{v.farm.name} {v.field.name}" if many else v.field.name for v in views]
        words = self.templates.wording(self.writer.language)
        return list(answers.name_lists(words, list(dict.fromkeys(names))))


# --------------------------------------------------------------------- when and why


def tell_when(work: Work, command: When) -> Answer:
    """The start date of each farm, or of the one field asked about."""
    chosen = _asked_about(work, command.name)
    farms = _farms_said(chosen or work.writer.own)
    if not farms:
        return work.say("unclear", "no farm", {"reason": "no_farm", "said": ""})
    language = work.writer.language
    if command.name and len(chosen) == 1 and len(farms) == 1:
        one, outlook = farms[0], farms[0].outlook
        field = next(
            (f for f in (outlook.fields if outlook else ()) if f.field_id == chosen[0].field.id),
            None,
        )
        if field is not None and outlook is not None and not outlook.rough:
            text = answers.when_field(work.templates, language, one, field, work.day_now)
            return Answer(text, "told the date of a field")
    return Answer(answers.when(work.templates, language, farms, work.day_now), "told the date")


def tell_why(work: Work, command: Why) -> Answer:
    """The sum behind the date of the farm due first, or of the one asked about."""
    farms = _farms_said(_asked_about(work, command.name) or work.writer.own)
    known = [farm for farm in farms if farm.outlook is not None and not farm.outlook.rough]
    if not known:
        return tell_when(work, When())
    text = answers.why(work.templates, work.writer.language, min(known, key=_due), work.day_now)
    return Answer(text, "told why")


def _asked_about(work: Work, name: str) -> list[FieldView]:
    return fields_named(work.writer, work.writer.own, name)


def _due(farm: FarmSaid) -> date:
    return (farm.outlook.start.median if farm.outlook else None) or date.max


def _farms_said(views: Sequence[FieldView]) -> list[FarmSaid]:
    """The farms of these fields with their newest outlook, in the order of the fields."""
    by_farm: dict[int | None, list[FieldView]] = {}
    for view in views:
        by_farm.setdefault(view.farm.id, []).append(view)
    return [
        FarmSaid(group[0].farm.name, stored_outlook(group), group[0].farm.paused_until)
        for group in by_farm.values()
    ]


# -------------------------------------------------------------------------- asking


def ask_which(work: Work, views: Sequence[FieldView], *, reading: bool = False) -> Answer:
    example = answers.short(views[0].field.name)
    versions = [
        {"names": names, "reading": reading, "example": example} for names in work.lists(views)
    ]
    return work.say("which", "asked which field", *versions)


def no_such_field(work: Work, said: str, views: Sequence[FieldView]) -> Answer:
    short = answers.short(said)
    versions = [{"said": short, "names": names} for names in work.lists(views)]
    return work.say("no_such_field", "no such field", *versions)


# -------------------------------------------------------------------- waiting, link


def hold(work: Work, command: Wait) -> Answer:
    """Say nothing of the date for some days, and what these days cost."""
    farms = [work.session.get_one(Farm, farm.id) for farm in work.writer.farms]
    if not farms:
        return work.say("unclear", "no farm", {"reason": "no_farm", "said": ""})
    days = command.days
    if days is None or not 0 <= days <= LONGEST_WAIT or (command.asked and not days):
        return work.say("wait_refused", "wait: no days", {"lifted": False, "most": LONGEST_WAIT})
    until = work.today + timedelta(days=days)
    if command.asked:
        return _cost_of_waiting(work, farms, until, held=False)
    if not days:
        lift(work)
        return work.say("wait_refused", "wait ended", {"lifted": True, "most": LONGEST_WAIT})
    for farm in farms:
        assert farm.id is not None
        farm.paused_until = until
        work.session.add(farm)
        outbox.cancel_waiting(work.session, farm.id, work.now, f"waits until {until}")
    return _cost_of_waiting(work, farms, until, held=True)


def lift(work: Work) -> bool:
    """End every pause of the writer's farms; False where there is none."""
    farms = [work.session.get_one(Farm, farm.id) for farm in work.writer.farms]
    held = [farm for farm in farms if farm.paused_until and farm.paused_until > work.today]
    for farm in farms:
        farm.paused_until = None
        work.session.add(farm)
    areas.mark_due(work.session, {farm.area_id for farm in held}, work.now)
    return bool(held)


def _cost_of_waiting(work: Work, farms: Sequence[Farm], until: date, *, held: bool) -> Answer:
    said = _farms_said(work.writer.own) or [FarmSaid(farms[0].name, None)]
    ahead, language = _days_from(work, until), work.writer.language
    days = (until - work.today).days
    text = answers.wait(work.templates, language, said, until, ahead, ask_for=0 if held else days)
    return Answer(text, f"waits {days} d" if held else "told what waiting costs")


def _days_from(work: Work, until: date) -> int:
    """Place of a day in the outlooks, which may have been made yesterday."""
    made = [view.outlook.made_at for view in work.writer.own if view.outlook is not None]
    oldest = min(made, default=work.now).astimezone(work.writer.zone).date()
    return min((until - oldest).days, LONGEST_WAIT)


def give_link(work: Work) -> Answer:
    """The page of the writer's farm, else of their sampling, else of their clients."""
    consultant = inbound.advises(work.session, work.writer.person_ids)
    if work.writer.farms:
        farm = work.writer.farms[0]
        address = _address(work, Role.FARM, farm.farmer_id, farm.id)
    elif work.writer.sampled:
        address = _address(work, Role.SAMPLER, work.writer.sampled[0].farm.sampler_id)
    elif consultant is not None:
        address = _address(work, Role.CONSULTANT, consultant)
    else:
        return work.say("unclear", "no farm", {"reason": "no_farm", "said": ""})
    return work.say("link", "gave a link", {"url": address})


def _address(work: Work, role: Role, person_id: int | None, farm_id: int | None = None) -> str:
    return link_url(
        work.session, work.links, role, person_id=person_id, farm_id=farm_id, now=work.now
    )
