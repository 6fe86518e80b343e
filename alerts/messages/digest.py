"""The consultant's digest: an email with a table per client sorted by date, and what changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from alerts.domain.changes import ORDER, Change, ChangeKind
from alerts.domain.clips import Clip
from alerts.domain.decision import START_KINDS, Kind
from alerts.domain.delivery import Status
from alerts.messages.clip_words import why
from alerts.messages.digest_parts import Digest, DigestClient, DigestField, DigestMessage, by_date
from alerts.messages.letters import Letter
from alerts.messages.plain_text import wrapped
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording

MOST_NEWS = 3
"""Pieces of news in a subject; a phone shows some 40 characters of it, a screen about 100."""


MOST_HTML = 95_000
"""Bytes of the page: mailboxes cut one of about 100 kB off and hide its end, with what stops the
emails (common practice)."""

_SHORTER: tuple[tuple[int, int | None], ...] = (
    *((60, None), (40, None), (25, None), (10, None), (5, None)),
    *((5, 400), (5, 200), (5, 100), (5, 50)),
)
"""Clients in full, and lines for the rest (None: all of it), tried until the page is short."""


def write_digest(templates: Templates, language: str, digest: Digest) -> Letter:
    """The email; its charts and attachments are added by who sends it.

    Where it would be longer than ``MOST_HTML``, the clients due first are told in full and the
    rest on a line each; where even these are too many, the last are only counted, and so are the
    last that changed.
    """
    clients = by_date(digest.clients)
    letter = _letter(templates, language, digest, clients, [])
    for in_full, lines in _SHORTER:
        if len(letter.html.encode()) <= MOST_HTML:
            break
        letter = _letter(templates, language, digest, clients[:in_full], clients[in_full:], lines)
    return letter


def _letter(
    templates: Templates,
    language: str,
    digest: Digest,
    in_full: Sequence[DigestClient],
    rest: Sequence[DigestClient],
    most_lines: int | None = None,
) -> Letter:
    words = templates.wording(language)
    lines = rest[:most_lines]
    beyond = len(rest) - len(lines)
    changes, unsaid = _changes(words, digest, most_lines)
    since = words.full_day(digest.since) if digest.since else ""
    values = {
        "headline": headline(words, digest),
        "changes": changes,
        "more_changes": words.counted("digest.more_changes", unsaid) if unsaid else "",
        "since": words.say("digest.since", day=since) if since else "",
        "nothing": words.say("digest.nothing", day=since) if digest.is_unchanged else "",
        "clients": [_client(words, client, digest.today) for client in in_full],
        "rest": [_line(words, client, digest.today) for client in lines],
        "rest_title": words.counted("digest.rest", len(lines)) if lines else "",
        "beyond": words.counted("digest.beyond", beyond) if beyond else "",
        "clips": [_clip(words, clip) for clip in digest.clips],
        "page_url": digest.page_url,
        "calendar": digest.has_calendar,
        "unsubscribe_url": digest.unsubscribe_url,
        "mark": digest.mark,
    }
    return Letter(
        subject=headline(words, digest),
        text=wrapped(templates.fill("digest_email.txt", language, values)),
        html=templates.fill("digest_email.html", language, values),
    )


# --------------------------------------------------------------------------- the headline


def headline(words: Wording, digest: Digest) -> str:
    """The first line and the subject: what changed, else how many dates there are."""
    day = words.full_day(digest.today)
    if digest.since is not None and not digest.is_unchanged:
        return words.say("digest.news", day=day, news=_news(words, digest))
    clients = words.counted("digest.clients", len(digest.clients))
    dated = sum(1 for client in digest.clients if client.start_median is not None)
    entry = "digest.same" if digest.is_unchanged else "digest.line"
    return words.say(entry, day=day, clients=clients, dated=dated)


def _news(words: Wording, digest: Digest) -> str:
    """'Alder End moved to May 12, results from 3 clients': a farm by its name where it is alone."""
    told: dict[ChangeKind, list[tuple[str, Change]]] = {}
    for client in by_date(digest.clients):
        for change in client.changes:
            told.setdefault(change.kind, []).append((client.farm, change))
    for farm in digest.gone:
        told.setdefault(ChangeKind.GONE, []).append((farm, Change(ChangeKind.GONE)))
    pieces = [
        _piece(words, kind, told[kind], digest.today)
        for kind in sorted(told, key=ORDER.__getitem__)
    ]
    news = ", ".join(pieces[:MOST_NEWS])
    return words.say("digest.more", news=news) if len(pieces) > MOST_NEWS else news


def _piece(words: Wording, kind: ChangeKind, told: list[tuple[str, Change]], today: date) -> str:
    farms = {farm for farm, _ in told}
    count = len(told) if kind is ChangeKind.FAILED else len(farms)
    farm, change = told[0]
    now = words.short_day(change.now) if change.now else ""
    when = _when(words, change, today)
    return words.counted(f"digest.news_{kind}", count, farm=farm, now=now, when=when)


def _when(words: Wording, change: Change, today: date | None) -> str:
    """'in 5 days'; 'now' for a start that is today or gone by; a date where no day is given."""
    if today is None and change.now is not None:
        return words.short_day(change.now)
    ahead = (change.now - today).days if change.now and today else 0
    if ahead <= 0:
        return words.say("digest.when_now")
    return words.say("digest.when_in", days=words.counted("numbers.days", ahead))


def _changes(words: Wording, digest: Digest, most: int | None) -> tuple[list[dict[str, str]], int]:
    """Client by client what is otherwise than the last digest said, and how many are left out.

    Where there are more than ``most``, those with the weightiest changes are told. A first digest
    has none.
    """
    if digest.since is None:
        return [], 0
    gone = (Change(ChangeKind.GONE),)
    changed = [(one.farm, one.changes) for one in by_date(digest.clients) if one.changes]
    changed += [(farm, gone) for farm in digest.gone]
    by_weight = sorted(range(len(changed)), key=lambda place: ORDER[changed[place][1][0].kind])
    told = [changed[place] for place in sorted(by_weight[:most])]
    rows = [
        {
            "farm": farm,
            "said": "; ".join(change_words(words, change, digest.today) for change in changes),
        }
        for farm, changes in told
    ]
    return rows, len(changed) - len(told)


def change_words(words: Wording, change: Change, today: date | None) -> str:
    """'start date was Fri May 14, now Wed May 12', 'new result from North 40'."""
    return words.say(
        f"digest.changed_{change.kind}",
        field=change.field,
        person=change.person,
        was=words.full_day(change.was) if change.was else "",
        now=words.full_day(change.now) if change.now else "",
        when=_when(words, change, today),
    )


# --------------------------------------------------------------------------- one client


def _client(words: Wording, client: DigestClient, today: date) -> dict[str, object]:
    fields = sorted(client.fields, key=lambda f: (f.start_median or date.max, f.name))
    first = fields[0] if fields else None
    return {
        "farm": client.farm,
        "farmer": client.farmer,
        "url": client.url,
        "summary": summary(words, client, today),
        "marks": _client_marks(words, client),
        "picture": client.picture if first else "",
        "picture_says": _picture_says(words, first, today) if first else "",
        "picture_of": words.say("digest.chart", field=first.name)
        if first and len(fields) > 1
        else "",
        "rows": [_row(words, field, today) for field in fields],
        "told": [told_words(words, message) for message in client.messages]
        or ([words.say("digest.untold")] if client.start_median else []),
    }


def _line(words: Wording, client: DigestClient, today: date) -> dict[str, str]:
    return {
        "farm": client.farm,
        "url": client.url,
        "summary": summary(words, client, today),
        "marks": _client_marks(words, client),
    }


def _client_marks(words: Wording, client: DigestClient) -> str:
    """What the digest's line of this client bears beside the date: 'was Fri May 14'."""
    said = [
        words.say("digest.mark_was", was=words.full_day(change.was))
        for change in client.changes
        if change.kind is ChangeKind.MOVED and change.was
    ]
    if any(change.kind is ChangeKind.NEW_CLIENT for change in client.changes):
        said.append(words.say("digest.changed_new_client"))
    return ", ".join(said)


def summary(words: Wording, client: DigestClient, today: date) -> str:
    """One or two sentences: the start date, or why there is none, and a pause."""
    said = _start(words, client, today)
    if client.paused_until is None or client.paused_until <= today:
        return said
    return f"{said} {words.say('digest.paused', day=words.full_day(client.paused_until))}"


def _start(words: Wording, client: DigestClient, today: date) -> str:
    if client.start_median is not None:
        began = [field.cut_on for field in client.fields if field.cut_on and not field.start_median]
        if began:
            # The rest of the farm follows; a date to start would be no news.
            return words.say("digest.cutting_since", day=words.full_day(min(began)))
        day = words.full_day(client.start_median)
        if client.start_median < today:  # said as the farmer's own page and texts say it
            latest = words.at_latest(client.start_p90, today)
            return words.say(
                "digest.late_latest" if latest else "digest.late", day=day, latest=latest
            )
        likely = words.likely(client.start_p10, client.start_p90, today)
        entry = "digest.start_likely" if likely else "digest.start"
        return words.say(entry, day=day, likely=likely)
    if any(field.start_p10 is not None for field in client.fields):
        return words.say("digest.later")
    if client.fields and all(field.cut_on is not None for field in client.fields):
        return words.say("digest.all_cut")
    return words.say("digest.none")


def _row(words: Wording, field: DigestField, today: date) -> dict[str, str]:
    known = field.evidence
    if field.cut_on is not None:
        day = words.short_day(field.cut_on)
        known = words.say("digest.cut", day=day, cutting=field.cutting, evidence=field.evidence)
    return {
        "name": field.name,
        "start": _field_start(words, field, today),
        "was": words.say("digest.mark_was", was=words.full_day(field.was)) if field.was else "",
        "evidence": known,
        "fresh": words.say(_FRESH[field.fresh]) if field.fresh else "",
    }


_FRESH: Mapping[ChangeKind, str] = {
    ChangeKind.RESULT: "digest.mark_result",
    ChangeKind.CORRECTED: "digest.mark_corrected",
    ChangeKind.NEW_FIELD: "digest.mark_new",
}


def _field_start(words: Wording, field: DigestField, today: date) -> str:
    if field.start_median is None:
        return words.say("digest.field_later") if field.start_p10 else "-"
    day = words.full_day(field.start_median)
    likely = words.likely(field.start_p10, field.start_p90, today)
    return words.say("digest.field_likely", day=day, likely=likely) if likely else day


def _picture_says(words: Wording, field: DigestField, today: date) -> str:
    start = _field_start(words, field, today)
    return words.say("digest.picture", field=field.name, start=start)


def _clip(words: Wording, clip: Clip) -> dict[str, str]:
    return {
        "day": words.full_day(clip.on),
        "where": words.say("clips.where", field=clip.field, farm=clip.farm),
        "why": why(words, clip),
        "sampler": clip.sampler,
    }


# ------------------------------------------------------------------- what was told


def told_words(words: Wording, message: DigestMessage) -> str:
    """'May 11, text to Ida Brandvold: start about Tue May 18; arrived.'"""
    return words.say(
        "digest.told",
        day=words.short_day(message.on),
        by=words.say("digest.by_instead" if message.instead else f"digest.by_{message.channel}"),
        person=message.to,
        said=_said(words, message),
        fate=fate(words, message),
    )


def _said(words: Wording, message: DigestMessage) -> str:
    if message.kind not in {*START_KINDS, Kind.NO_RESULTS}:
        return words.say("digest.said_other")
    day = words.full_day(message.start_on) if message.start_on else ""
    return words.say(f"digest.said_{message.kind}", day=day)


def fate(words: Wording, message: DigestMessage) -> str:
    """What became of a message, in words."""
    if not message.emailed:
        return _own_fate(words, message)
    if message.status is Status.CANCELLED:
        return words.say("digest.fate_emailed")
    return words.say("digest.fate_and_emailed", fate=_own_fate(words, message))


def _own_fate(words: Wording, message: DigestMessage) -> str:
    if message.channel == "email" and message.status is Status.ACCEPTED:
        return words.say("digest.fate_accepted_email")
    said = words.say(f"digest.fate_{message.status}")
    failed = message.status in (Status.UNDELIVERED, Status.FAILED)
    if failed and message.detail:
        return words.say("digest.fate_why", fate=said, why=message.detail)
    return said
