"""A new link for who lost theirs, sent to the phone or email they are enrolled under."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain.decision import Kind
from alerts.messages.marks import mark
from alerts.messages.sign_up import Page, new_link_email, new_link_text
from alerts.services.access.links import Role, link_url
from alerts.services.delivery.outgoing import To, outbox_row
from alerts.services.people.sign_up_rules import DAY, HOUR, SignUpRules
from alerts.store import consents, opt_outs, outbox, sign_ups
from alerts.store.session import Sessions
from alerts.store.tables import Person

HALF_DAY = timedelta(hours=12)
"""Of use so long: asked for in the evening and put off by the gateway, it waits for the day."""


def send_links(
    sessions: Sessions, rules: SignUpRules, channel: str, address: str, now: datetime
) -> bool:
    """Queue a message with the links of whoever is known at an address.

    False when nobody is, when they never agreed to be written to, or have been sent as many as
    they may; whoever asked must not learn which, nor that it was so. A phone that stopped gets
    none; an email address that did gets one a day, which was asked for after all.
    """
    with sessions.write() as session:
        if not _may_send(session, rules, channel, address, now):
            return False
        persons = [
            person
            for person in sign_ups.persons_at(session, channel, address)
            if consents.has_agreed(session, person, channel, address)
        ]
        pages = [page for one in persons for page in _pages(session, rules, one, now)]
        if not pages:
            return False
        _queue(session, rules, channel, address, persons, pages, now)
        return True


def _may_send(
    session: Session, rules: SignUpRules, channel: str, address: str, now: datetime
) -> bool:
    if not rules.links.public_url:
        return False
    stopped = opt_outs.stopped(session, channel, [address])
    if stopped and channel == "sms":
        return False
    bounds = rules.bounds
    a_day = min(1, bounds.links_a_day) if stopped else bounds.links_a_day
    return all(
        sign_ups.messages_to(session, Kind.NEW_LINK, channel, address, now - span) < most
        for span, most in ((HOUR, bounds.links_an_hour), (DAY, a_day))
    )


def _pages(session: Session, rules: SignUpRules, person: Person, now: datetime) -> Iterator[Page]:
    assert person.id is not None
    for farm in sign_ups.farms_of_farmers(session, [person.id]):
        url = link_url(
            session, rules.links, Role.FARM, person_id=person.id, farm_id=farm.id, now=now
        )
        yield Page(farm.name, url)
    consults, samples = sign_ups.advises(session, person.id)
    if consults:
        url = link_url(session, rules.links, Role.CONSULTANT, person_id=person.id, now=now)
        yield Page("Clients", url)
    if samples:
        url = link_url(session, rules.links, Role.SAMPLER, person_id=person.id, now=now)
        yield Page("Sampling", url)


def _queue(
    session: Session,
    rules: SignUpRules,
    channel: str,
    address: str,
    persons: Sequence[Person],
    pages: Sequence[Page],
    now: datetime,
) -> None:
    person = persons[0]
    assert person.id is not None
    key = f"new_link:{channel}:{address}:{now:%Y%m%d%H%M%S%f}"
    words = new_link_text if channel == "sms" else new_link_email
    letter = words(rules.templates, person.language, pages, mark(key))
    outbox.enqueue(
        session,
        outbox_row(
            key,
            Kind.NEW_LINK,
            To(person.id, channel, address),
            letter,
            now=now,
            told_on=now.date(),
            expires_at=now + HALF_DAY,
            time_zone=sign_ups.time_zone_of(session, person.id),
        ),
    )
