"""Queueing the consultants' digests: at most one email per consultant and day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.charts.outlook_chart import OutlookChart, draw_small
from alerts.domain.changes import Said, as_json, from_json
from alerts.domain.clips import Clip
from alerts.domain.decision import Kind
from alerts.messages.calendar import content_type
from alerts.messages.digest import summary, write_digest
from alerts.messages.digest_parts import Digest, DigestClient, by_date
from alerts.messages.digest_table import digest_csv
from alerts.messages.letters import Letter
from alerts.messages.marks import mark
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording
from alerts.services.access.links import LinkRules, Role, link_url
from alerts.services.consultants.digest_clients import Clients, clients_shown, read_clients, said_of
from alerts.services.delivery.outgoing import To, attachment_row, outbox_row
from alerts.services.delivery.unsubscribe import address_url
from alerts.services.outlooks.client_calendar import ClientNote, client_calendar
from alerts.services.outlooks.outlook_charts import farm_chart
from alerts.services.outlooks.sampling_list import ClipRules, clips_of
from alerts.services.outlooks.stored_outlooks import stored_outlook
from alerts.store import digests, outbox, outlooks, people
from alerts.store.digests import LastDigest
from alerts.store.outlooks import FieldView
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Person

USEFUL_FOR = timedelta(hours=20)
"""Tomorrow's digest makes today's useless."""

MONDAY = 0
ONE_DAY = timedelta(days=1)

MOST_PICTURES = 25
"""Charts in one email: about 10 kB each, and mail servers refuse large ones. The clients due first
get one."""


@dataclass(frozen=True, slots=True)
class DigestRules:
    templates: Templates
    digest_at: time
    season_first_day: date
    public_url: str
    secret: str
    links: LinkRules
    clips: ClipRules
    organizer_email: str


@dataclass(frozen=True, slots=True)
class _Draft:
    """A digest that is due, as far as reading goes; what is left to do needs no lock."""

    recipient: Recipient
    clients: Clients
    digest: Digest
    said: Said
    charts: Mapping[int, OutlookChart]  # by farm id
    key: str


def queue_digests(sessions: Sessions, rules: DigestRules, now: datetime) -> int:
    """Queue the digest of every consultant for whom one is due; returns how many are new.

    The hour is that of the first of the consultant's areas. A daily digest in which nothing
    changed goes out unless its reader asked for quiet then; one that is sent on a change goes out
    from that hour on, as soon as there is one. A weekly one goes out on Monday, or on the first day
    after a Monday that was missed.
    """
    with sessions.read() as session:
        readers = digests.readers(session)
        last = digests.last_digests(session, [one.person.id for one in readers if one.person.id])
    queued = 0
    for reader in readers:
        local = now.astimezone(ZoneInfo(reader.time_zone))
        before = last.get(reader.person.id or 0)
        today, first_day = local.date(), rules.season_first_day
        if local.time() >= rules.digest_at and _may_be_due(reader.person, before, today, first_day):
            queued += _write(sessions, rules, reader.person, today, now)
    return queued


def _may_be_due(reader: Person, last: LastDigest | None, today: date, first_day: date) -> bool:
    """The first weekly digest of a season waits for its Monday; only a later one can be missed.

    One of another day than today or tomorrow (where a zone changed) that lies ahead was queued
    by a clock that ran ahead.
    """
    if last is not None and today <= last.queued_on <= today + ONE_DAY:
        return False
    if reader.digest != "weekly" or today.weekday() == MONDAY:
        return True
    monday = today - timedelta(days=today.weekday())
    return last is not None and first_day <= last.queued_on < monday


def _write(
    sessions: Sessions, rules: DigestRules, reader: Person, today: date, now: datetime
) -> int:
    """Read, draw, and only then take the database's lock: drawing takes long."""
    with sessions.read() as session:
        drafts = _drafts(session, rules, reader, today)
    wanted = [draft for draft in drafts if _is_wanted(reader, draft.digest)]
    if drafts and not wanted and reader.digest == "weekly" and reader.id is not None:
        with sessions.write() as session:
            digests.put_unchanged(session, reader.id, today)
    queued = 0
    for draft in wanted:
        words = rules.templates.wording(draft.recipient.language)
        pictures = {farm: draw_small(chart, words) for farm, chart in draft.charts.items()}
        with sessions.write() as session:
            queued += _queue(session, rules, draft, pictures, today, now)
    return queued


# ------------------------------------------------------------------------------ reading


def _drafts(session: Session, rules: DigestRules, reader: Person, today: date) -> list[_Draft]:
    assert reader.id is not None
    reach = people.recipients(session, [reader.id], by_email=True)[reader.id]
    if not reach:
        return []
    farms = people.farms_of_consultant(session, reader.id)
    views = outlooks.field_views(session, [farm.id for farm, _ in farms if farm.id])
    clips = clips_of(session, views, today, rules.clips).clips
    if not clips and not _in_season(views, rules.season_first_day):
        return []  # a digest without a start date or a clip is no news
    clients = read_clients(session, farms, views, today, rules.season_first_day)
    last = digests.last_digests(session, [reader.id]).get(reader.id)
    if last is not None and (last.on is None or not rules.season_first_day <= last.on <= today):
        last = None  # what was said in another year is nothing to compare with
    return [_draft(rules, recipient, clients, clips, last, today) for recipient in reach]


def _in_season(views: list[FieldView], first_day: date) -> bool:
    return any(
        view.outlook is not None and view.outlook.made_at.date() >= first_day for view in views
    )


def _is_wanted(reader: Person, digest: Digest) -> bool:
    quiet = reader.digest == "changes" or not reader.digest_if_unchanged
    return not (quiet and digest.is_unchanged)


def _draft(
    rules: DigestRules,
    recipient: Recipient,
    clients: Clients,
    clips: tuple[Clip, ...],
    last: LastDigest | None,
    today: date,
) -> _Draft:
    words = rules.templates.wording(recipient.language)
    before = None if last is None else from_json(last.said)
    since = None if last is None else last.on
    shown = clients_shown(clients, words, today, before, since)
    said = said_of(clients, today)
    key = f"digest:{recipient.person_id}:{recipient.channel}:{today}"
    return _Draft(
        recipient=recipient,
        clients=clients,
        digest=Digest(
            today=today,
            clients=shown,
            mark=mark(key),
            since=since,
            gone=tuple(farm.name for id_, farm in (before or {}).items() if id_ not in said),
            clips=clips,
            unsubscribe_url=address_url(
                rules.public_url, rules.secret, recipient.channel, recipient.address
            ),
        ),
        said=said,
        charts=_charts(clients, shown),
        key=key,
    )


def _charts(clients: Clients, shown: tuple[DigestClient, ...]) -> dict[int, OutlookChart]:
    """The chart of the field due first, of the clients due first."""
    charts: dict[int, OutlookChart] = {}
    for client in by_date(shown):
        outlook = stored_outlook(clients.views.get(client.farm_id, []))
        if outlook is not None and len(charts) < MOST_PICTURES:
            title = outlook.tightest.name
            charts[client.farm_id] = farm_chart(outlook, clients.results, title)
    return charts


# ----------------------------------------------------------------------------- queueing


def _queue(
    session: Session,
    rules: DigestRules,
    draft: _Draft,
    pictures: Mapping[int, bytes],
    today: date,
    now: datetime,
) -> int:
    recipient = draft.recipient
    if outbox.is_known(session, draft.key):
        return 0
    words = rules.templates.wording(recipient.language)
    digest = _with_links(session, rules.links, draft, pictures, now)
    files = _files(session, rules, draft, digest, words, today, now)
    digest = replace(digest, has_calendar=any("calendar" in one["content_type"] for one in files))
    letter = write_digest(rules.templates, recipient.language, digest)
    outbox.enqueue(
        session,
        outbox_row(
            draft.key,
            Kind.DIGEST,
            To(recipient.person_id, recipient.channel, recipient.address),
            letter,
            now=now,
            told_on=today,
            expires_at=now + USEFUL_FOR,
            attachments=[*_pictures(pictures, letter), *files],
        ),
    )
    digests.put_sent(session, recipient.person_id, today, as_json(draft.said), draft.key)
    return 1


def _with_links(
    session: Session,
    links: LinkRules,
    draft: _Draft,
    pictures: Mapping[int, bytes],
    now: datetime,
) -> Digest:
    page = link_url(session, links, Role.CONSULTANT, person_id=draft.recipient.person_id, now=now)
    clients = tuple(
        replace(
            client,
            url=f"{page}/farm/{client.farm_id}" if page else "",
            picture=picture_id(client.farm_id) if client.farm_id in pictures else "",
        )
        for client in draft.digest.clients
    )
    return replace(draft.digest, clients=clients, page_url=page)


def picture_id(farm_id: int) -> str:
    """Content-ID of a client's chart within one digest (RFC 2392)."""
    return f"chart-{farm_id}@cutcall"


def _pictures(pictures: Mapping[int, bytes], letter: Letter) -> list[dict[str, str]]:
    """The charts of those clients whom a long digest still tells in full."""
    return [
        attachment_row(f"chart-{farm}.png", "image/png", png, content_id=picture_id(farm))
        for farm, png in pictures.items()
        if f'"cid:{picture_id(farm)}"' in letter.html
    ]


def _files(
    session: Session,
    rules: DigestRules,
    draft: _Draft,
    digest: Digest,
    words: Wording,
    today: date,
    now: datetime,
) -> list[dict[str, str]]:
    ordered = by_date(digest.clients)
    notes = {
        client.farm_id: ClientNote(summary(words, client, today), client.url) for client in ordered
    }
    events = client_calendar(
        session,
        draft.clients.all_views,
        notes,
        words,
        organizer_email=rules.organizer_email,
        now=now,
    )
    table = digest_csv(ordered, digest.clips)
    files = [attachment_row(f"start-dates-{today}.csv", "text/csv; charset=utf-8", table)]
    if events:
        files.append(attachment_row(f"start-dates-{today}.ics", content_type(), events))
    return files
