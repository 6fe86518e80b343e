"""Why a field is to be clipped, in words, and the email that asks for clips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time

from alerts.domain.clips import Clip
from alerts.messages.letters import MOST_PARTS, Letter
from alerts.messages.plain_text import wrapped
from alerts.messages.sampling import sample_due
from alerts.messages.segments import clean, count
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording

LITTLE_DAYS = 0.1
"""Less than this and a clip is worth next to nothing [days]."""


def last_words(words: Wording, clip: Clip) -> str:
    """What is known of the field: 'last result May 10, 4 days ago'."""
    if clip.last_on is None or clip.days_since is None:
        return words.say("clips.none")
    day = words.short_day(clip.last_on)
    ago = (
        words.counted("clips.ago", clip.days_since) if clip.days_since else words.say("clips.today")
    )
    if clip.missed_on is None:
        return words.say("clips.last", day=day, ago=ago)
    return words.say("clips.missed", day=day, ago=ago, missed=words.short_day(clip.missed_on))


def worth_words(words: Wording, clip: Clip) -> str:
    """What the clip is worth; "" where no outlook says it."""
    if clip.worth_days is None:
        return ""
    if clip.worth_days < LITTLE_DAYS:
        return words.say("clips.little")
    if clip.worth_days < 1.0:
        return words.say("clips.under")
    days = words.counted("numbers.days", round(clip.worth_days))
    return words.say("clips.worth", days=days)


def why(words: Wording, clip: Clip) -> str:
    """Why the field is to be clipped, in one line."""
    early = ""
    if clip.last_on is None and clip.start_p10 is not None:
        early = words.say("clips.early", day=words.short_day(max(clip.start_p10, clip.on)))
    parts = (last_words(words, clip), early, worth_words(words, clip))
    return "; ".join(part for part in parts if part)


def clip_row(words: Wording, clip: Clip) -> dict[str, str]:
    return {"farm": clip.farm, "field": clip.field, "why": why(words, clip)}


@dataclass(frozen=True, slots=True)
class ClipDay:
    """What one sampler clips on a day, and what else the words about it hold."""

    clips: Sequence[Clip]
    day: date
    before: time  # local
    mark: str
    page_url: str = ""
    unsubscribe_url: str = ""


def clips_text(templates: Templates, language: str, told: ClipDay) -> Letter:
    """The same as a text: the fields by farm, and where to read the reasons.

    The address of the page is left out where it would take a third part.
    """
    fields: dict[str, list[str]] = {}
    for clip in told.clips:
        fields.setdefault(clip.farm, []).append(clip.field)
    named, day, before = list(fields.items()), told.day, told.before
    alone = sample_due(templates, language, named, day, before, told.mark, by_text=True)
    if not told.page_url:
        return alone
    words = templates.wording(language)
    # The mark stays the last word: by it a text is found at the gateway.
    tail = f"{clean(words.say('clips.page', url=told.page_url))} {told.mark}"
    linked = sample_due(templates, language, named, day, before, tail, by_text=True)
    return linked if count(linked.text).parts <= MOST_PARTS else alone


def clips_email(templates: Templates, language: str, told: ClipDay) -> Letter:
    """The evening before a sampling day: every field to clip, worth most first, with the reason."""
    words = templates.wording(language)
    number = words.counted("numbers.fields", len(told.clips))
    values = {
        "headline": words.say("headline.sample_due", fields=number, day=words.full_day(told.day)),
        "before": words.spoken_clock(told.before),
        "rows": [clip_row(words, clip) for clip in told.clips],
        "page_url": told.page_url,
        "unsubscribe_url": told.unsubscribe_url,
        "mark": told.mark,
    }
    return Letter(
        subject=str(values["headline"]),
        text=wrapped(templates.fill("clips_email.txt", language, values)),
        html=templates.fill("clips_email.html", language, values),
    )
