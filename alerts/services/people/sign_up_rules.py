"""What asking and confirming of sign-ups share: the rules, the bounds, and queueing a message."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_network
from zoneinfo import ZoneInfo

from itsdangerous import Signer
from sqlmodel import Session

from alerts.domain.decision import Kind
from alerts.domain.quiet_hours import DAY_FROM, DAY_TO, next_allowed, night_began
from alerts.messages.letters import Letter
from alerts.messages.marks import mark
from alerts.messages.sign_up import confirm_email, confirm_text
from alerts.messages.templates import Templates
from alerts.services.access.links import LinkRules
from alerts.services.delivery.outgoing import To, outbox_row
from alerts.services.farms.farm_form import FormRules, Typed
from alerts.store import opt_outs, outbox, sign_ups
from alerts.store.tables import Area, Person, SignUp


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much the form may be used before it is closed for a while."""

    an_hour_to_one_address: int
    a_day_to_one_address: int
    an_hour_from_one_ip: int
    an_hour_in_all: int
    links_an_hour: int
    links_a_day: int


@dataclass(frozen=True, slots=True)
class SignUpRules:
    form: FormRules
    templates: Templates
    links: LinkRules
    expires: timedelta
    bounds: Bounds
    texts_to: tuple[str, ...]  # what a phone number has to begin with, such as "+1"


HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def bound_reached(
    session: Session, bounds: Bounds, channel: str, address: str, ip: str, now: datetime
) -> str:
    hour, day = now - HOUR, now - DAY
    if question_too_soon(session, channel, address, now):
        return "address"
    if sign_ups.number_to(session, channel, address, hour) >= bounds.an_hour_to_one_address:
        return "address"
    if sign_ups.number_to(session, channel, address, day) >= bounds.a_day_to_one_address:
        return "address"
    ips = [_connection(one) for one in sign_ups.ips_since(session, hour)]
    if ips.count(_connection(ip)) >= bounds.an_hour_from_one_ip:
        return "ip"
    return "all" if len(ips) >= bounds.an_hour_in_all else ""


def question_too_soon(session: Session, channel: str, address: str, now: datetime) -> bool:
    """Whether an address that asked us to stop was asked today already whether it means to.

    Somebody at the form says it does; only the address itself can, and one email a day asks it.
    """
    if not opt_outs.stopped(session, channel, [address]):
        return False
    return sign_ups.messages_to(session, Kind.CONFIRM, channel, address, now - DAY) > 0


def _connection(ip: str) -> str:
    """An IPv6 connection has a whole /64 of addresses to change between."""
    try:
        return str(ip_network(f"{ip}/64", strict=False)) if ":" in ip else ip
    except ValueError:
        return ip


def keep(
    session: Session,
    rules: SignUpRules,
    typed: Typed,
    channel: str,
    address: str,
    wording: str,
    ip: str,
    now: datetime,
    farm_id: int | None = None,
    person_id: int | None = None,
) -> SignUp:
    return sign_ups.add_sign_up(
        session,
        SignUp(
            channel=channel,
            address=address,
            form=dict(typed),
            wording=wording,
            ip=ip,
            asked_at=now,
            expires_at=now + rules.expires,
            farm_id=farm_id,
            person_id=person_id,
        ),
    )


def queue_question(
    session: Session,
    rules: SignUpRules,
    sign_up: SignUp,
    person: Person,
    farm: str,
    area: Area,
    now: datetime,
) -> None:
    key = f"confirm:{sign_up.id}"
    language = sign_up.form.get("language") or person.language
    if sign_up.channel == "sms":
        letter = confirm_text(rules.templates, language, mark(key))
    else:
        until = sign_up.expires_at.astimezone(ZoneInfo(area.time_zone)).date()
        url = f"{rules.links.public_url.rstrip('/')}/signup/confirm/{token_of(rules, sign_up)}"
        letter = confirm_email(rules.templates, language, farm, url, until, mark(key))
    queue(
        session,
        Kind.CONFIRM,
        key,
        letter,
        sign_up,
        person,
        area,
        sign_up.expires_at,
        now,
        not_before=_first_moment(session, sign_up, area, now),
    )


def _first_moment(session: Session, sign_up: SignUp, area: Area, now: datetime) -> datetime:
    """At once, since the person is at the form; a second text in one night waits for the day."""
    evening = night_began(now, area.time_zone)
    if sign_up.channel != "sms" or evening is None:
        return now
    asked = sign_ups.messages_to(session, Kind.CONFIRM, "sms", sign_up.address, evening)
    return next_allowed(now, area.time_zone, DAY_FROM, DAY_TO) if asked else now


def queue(
    session: Session,
    kind: Kind,
    key: str,
    letter: Letter,
    sign_up: SignUp,
    person: Person,
    area: Area,
    expires_at: datetime,
    now: datetime,
    *,
    not_before: datetime | None = None,
) -> None:
    """Without a farm, so that it counts neither as its message of the day nor waits for hours."""
    assert person.id is not None
    outbox.enqueue(
        session,
        outbox_row(
            key,
            kind,
            To(person.id, sign_up.channel, sign_up.address),
            letter,
            now=now,
            told_on=now.astimezone(ZoneInfo(area.time_zone)).date(),
            expires_at=expires_at,
            not_before=not_before,
            time_zone=area.time_zone,
        ),
    )


def token_of(rules: SignUpRules, sign_up: SignUp) -> str:
    return signer(rules).sign(str(sign_up.id)).decode()


def signer(rules: SignUpRules) -> Signer:
    return Signer(list(rules.links.secrets), salt="cutcall.confirm")
