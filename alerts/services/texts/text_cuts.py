"""A cut that was texted: recorded, asked about where the words are not plain, or taken back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, timedelta

from alerts.intake.inbound_text import Cut, No
from alerts.messages import answers
from alerts.messages.answers import Values
from alerts.messages.letters import NAME_LENGTHS
from alerts.services.farms.record_cuts import SHORTEST_REGROWTH, cut_field_in, doubt_of, undo_cut_in
from alerts.services.texts.text_answers import Answer, Work, ask_which, no_such_field
from alerts.services.texts.text_writers import fields_named
from alerts.store import inbound
from alerts.store.outlooks import FieldView
from alerts.store.tables import InboundText

_CUT = "cut "  # then the numbers of the fields

UNDO_WITHIN = timedelta(hours=6)
"""How long NO takes back a cut that was texted, on the same day."""

QUESTION_STANDS = timedelta(hours=1)
"""How long YES answers a question."""

_QUESTION = re.compile(r"asks: cut (?P<fields>[\d,]+) on (?P<day>[\d-]+)")
_ASIDE = ("thanks", "when", "why", "help", "link")
"""Texts that may come between a question and its answer."""


def record(work: Work, command: Cut) -> Answer:
    """Record the cut of the fields named, or of the only one there is; asks where in doubt."""
    own = work.writer.own
    if not own:
        return work.say("unclear", "no farm", {"reason": "no_farm", "said": ""})
    chosen = _chosen(work, command)
    if isinstance(chosen, Answer):
        return chosen
    return _record(work, chosen, command.day) if command.sure else _ask(work, chosen, command.day)


def _record(
    work: Work, chosen: Sequence[FieldView], day: date, taken_back: Sequence[str] = ()
) -> Answer:
    refused = _refused(work, day, chosen)
    if refused is not None:
        return refused
    fresh = [view for view in chosen if not _stands_recorded(view, day)]
    for view in fresh:
        cut_field_in(
            work.session,
            field_id=_id(view),
            cut_on=day,
            now=work.now,
            season_first_day=work.season_first_day,
        )
    return work.say("cut", f"{_CUT}{_ids(fresh)}", *_of_cut(work, fresh, day, taken_back))


def _of_cut(
    work: Work, views: Sequence[FieldView], day: date, taken_back: Sequence[str] = ()
) -> list[Values]:
    farm = answers.short(views[0].farm.name)
    others = [name for name in taken_back if name not in {view.field.name for view in views}]
    words = work.templates.wording(work.writer.language)
    back = answers.listed(words, others, 3, NAME_LENGTHS[-1]) if others else ""
    return [
        {"farm": farm, "fields": names, "day": work.day(day), "taken_back": back}
        for names in work.lists(views)
    ]


def _id(view: FieldView) -> int:
    assert view.field.id is not None
    return view.field.id


def _ids(views: Sequence[FieldView]) -> str:
    return ",".join(str(_id(view)) for view in views)


# ------------------------------------------------------------------ asking, and the answer


def _ask(work: Work, chosen: Sequence[FieldView], day: date) -> Answer:
    """'Cut North today? Reply YES': the text said more than is understood."""
    refused = _refused(work, day, chosen)
    if refused is not None:
        return refused
    fresh = [view for view in chosen if not _stands_recorded(view, day)]
    versions = _of_cut(work, fresh, day)
    return work.say("ask_cut", f"asks: cut {_ids(fresh)} on {day}", *versions)


def _question(work: Work) -> tuple[list[FieldView], date] | None:
    """What was asked last, where the next text but for asides is this one."""
    since = work.written_at - QUESTION_STANDS
    text = inbound.newest_handled(work.session, work.phone, since, _ASIDE)
    asked = _QUESTION.fullmatch(text.outcome) if text else None
    if asked is None:
        return None
    views = _views(work, asked["fields"])
    return (views, date.fromisoformat(asked["day"])) if views else None


def agree(work: Work) -> Answer | None:
    """YES: the cut that was asked about; None where nothing was."""
    asked = _question(work)
    return _record(work, *asked) if asked is not None else None


def _chosen(work: Work, command: Cut) -> list[FieldView] | Answer:
    """The fields a cut is about; an answer that asks where they are not clear."""
    own = work.writer.own
    if not command.fields:
        one_farm = len({view.farm.id for view in own}) == 1
        if len(own) == 1 or (command.all and one_farm):
            return _standing(own, command.day)
        return ask_which(work, own)
    found: list[FieldView] = []
    for said in command.fields:
        means = fields_named(work.writer, own, said)
        if not means:
            return no_such_field(work, said, own)
        if len(means) > 1 and not command.all:
            return ask_which(work, means)
        found.extend(view for view in means if view not in found)
    return _standing(found, command.day) if command.all else found


def _standing(views: Sequence[FieldView], day: date) -> list[FieldView]:
    """Those on the earliest cutting still open, else all: 'everything' is today's harvest."""
    open_now = [view for view in views if not _stands_recorded(view, day)]
    if not open_now:
        return list(views)
    first = min(view.field.cutting for view in open_now)
    return [view for view in open_now if view.field.cutting == first]


def _stands_recorded(view: FieldView, day: date) -> bool:
    return view.field.cut_on is not None and day < view.field.cut_on + SHORTEST_REGROWTH


def _out_of_range(work: Work, day: date) -> Answer | None:
    said: dict[str, object] = {"day": work.day(day), "fields": ""}
    if day > work.today:
        return work.say("cut_refused", "not cut: future day", said | {"reason": "future"})
    if day < work.season_first_day:
        return work.say("cut_refused", "not cut: before the season", said | {"reason": "before"})
    return None


def _refused(work: Work, day: date, chosen: Sequence[FieldView]) -> Answer | None:
    out_of_range = _out_of_range(work, day)
    if out_of_range is not None:
        return out_of_range
    fresh = [view for view in chosen if not _stands_recorded(view, day)]
    if fresh:
        return _doubted(work, day, fresh)
    known = max(view.field.cut_on for view in chosen if view.field.cut_on is not None)
    versions = [
        {"reason": "known", "day": work.day(known), "fields": names} for names in work.lists(chosen)
    ]
    return work.say("cut_refused", "not cut: recorded already", *versions)


def _doubted(work: Work, day: date, views: Sequence[FieldView]) -> Answer | None:
    doubts = (doubt_of(work.session, view, day) for view in views)
    doubt = next((found for found in doubts if found is not None), None)
    if doubt is None:
        return None
    said = {"reason": doubt.reason, "day": work.day(doubt.on), "fields": answers.short(doubt.field)}
    return work.say("cut_refused", f"not cut: {doubt.reason}", said)


# --------------------------------------------------------------------- taking back


def take_back(work: Work, command: No) -> Answer:
    """NO: to what was asked last, else to the cut that this phone texted last.

    What the text puts right is recorded instead, where that is plain.
    """
    asked = _question(work)
    corrects = bool(command.fields) or command.day is not None
    if not corrects and (asked is not None or command.declines):
        return work.say("no", "no")
    if asked is not None:
        chosen = _named_or(work, command, asked[0])
        return chosen if isinstance(chosen, Answer) else _ask(work, chosen, command.day or asked[1])
    text, recorded = _recorded_last(work)
    if text is not None and recorded:
        return _undo(work, text, recorded, command)
    if not command.fields:
        return work.say("no", "no")
    return record(work, Cut(command.fields, command.day or work.today, sure=False))


def _recorded_last(work: Work) -> tuple[InboundText | None, list[FieldView]]:
    """The newest text of this phone that recorded a cut, and what of it still stands."""
    since = work.written_at - UNDO_WITHIN
    text = inbound.newest_of(work.session, work.phone, _CUT, since)
    if text is None or work.writer.today(text.received_at) != work.today:
        return None, []
    mine = _views(work, text.outcome.removeprefix(_CUT))
    return text, [v for v in mine if inbound.recorded_by(work.session, text, _id(v))]


def _views(work: Work, ids: str) -> list[FieldView]:
    """Fields by their numbers, '3,1', that are still the writer's, in this order."""
    own = {_id(view): view for view in work.writer.own}
    return [own[int(part)] for part in ids.split(",") if int(part) in own]


def _undo(work: Work, text: InboundText, recorded: list[FieldView], command: No) -> Answer:
    chosen = _named_or(work, command, recorded)
    if isinstance(chosen, Answer):
        return chosen
    day = command.day or recorded[0].field.cut_on or work.today
    out_of_range = _out_of_range(work, day)
    if out_of_range is not None:
        return out_of_range
    names = [view.field.name for view in recorded]
    for view in recorded:
        undo_cut_in(work.session, field_id=_id(view), now=work.now)
    text.outcome = f"taken back: {text.outcome}"
    work.session.add(text)
    if command.fields or command.day is not None:
        return _record(work, chosen, day, names)
    farm, words = answers.short(recorded[0].farm.name), work.templates.wording(work.writer.language)
    example = answers.short(names[0])
    versions = [
        {"farm": farm, "fields": said, "example": example}
        for said in answers.name_lists(words, names)
    ]
    return work.say("undone", "took back a cut", *versions)


def _named_or(work: Work, command: No, others: list[FieldView]) -> list[FieldView] | Answer:
    if not command.fields:
        return others
    return _chosen(work, Cut(command.fields, work.today))
