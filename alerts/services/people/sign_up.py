"""Signing a farm up: asking whether it was meant, and enrolling it once that is confirmed.

Until a person has said yes from the phone or the mailbox itself, nothing but the question goes
there, and nothing they typed becomes a farm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from itsdangerous import BadSignature
from sqlmodel import Session

from alerts.domain.decision import Kind
from alerts.domain.names import name_key
from alerts.domain.records import AlertBy, ParsedRoster, RosterRow
from alerts.messages.marks import mark
from alerts.messages.sign_up import consent_wording, welcome_email, welcome_text
from alerts.services.access.links import LinkGone, Role, link_url, revoke_of_person
from alerts.services.farms.farm_form import FormError, Typed, kept, read_farm
from alerts.services.people.enrol import enrol_within
from alerts.services.people.sign_up_checks import TAKEN, own_errors
from alerts.services.people.sign_up_rules import (
    DAY,
    SignUpRules,
    bound_reached,
    keep,
    question_too_soon,
    queue,
    queue_question,
    signer,
)
from alerts.store import fields, opt_outs, people, sign_ups
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm, Person, SignUp

REPLACED = "a newer sign-up of the same farm took its place"

ANOTHER_FARMER = (
    "the farm has another farmer by now; who farms it may ask from its page for messages here"
)


@dataclass(frozen=True, slots=True)
class SignUpForm:
    """The form as it was sent."""

    typed: Typed
    language: str  # the page was shown in
    agreed: bool  # the box beside the wording was ticked


@dataclass(frozen=True, slots=True)
class Asked:
    """What became of a form: asked at an address, or why not."""

    errors: tuple[FormError, ...] = ()
    too_many: str = ""  # "address", "ip" or "all": the bound that was reached
    channel: str = ""
    address: str = ""
    expires_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A sign-up that somebody said yes to."""

    farm: str
    channel: str
    address: str
    farm_id: int | None = None  # None: refused
    person_id: int | None = None
    refusal: str = ""  # a sentence without its capital and full stop
    again: bool = False  # it had been confirmed before


# -------------------------------------------------------------------------- asking


def wording_shown(rules: SignUpRules, language: str) -> str:
    """What stands beside the box, and is kept as evidence of what was agreed to."""
    return consent_wording(rules.templates, language)


def ask(sessions: Sessions, rules: SignUpRules, form: SignUpForm, ip: str, now: datetime) -> Asked:
    """Keep a sign-up and queue the one message that asks whether it was meant.

    The message goes at once, whatever the hour: the person sits at the form. Nothing is kept or
    sent when anything is wrong with the form, or a bound is reached.
    """
    with sessions.write() as session:
        area = sign_ups.find_area(session, form.typed.get("area", "").strip())
        reading = read_farm(form.typed, rules.form, time_zone=area.time_zone if area else "")
        errors = [
            *reading.errors,
            *own_errors(session, rules, form.typed, form.agreed, reading.rows, area),
        ]
        if errors or area is None:
            return Asked(errors=tuple(errors))
        first = reading.rows[0]
        channel, address = _asked_at(first)
        if reached := bound_reached(session, rules.bounds, channel, address, ip, now):
            return Asked(too_many=reached)
        wording = wording_shown(rules, form.language)
        sign_up = keep(session, rules, kept(form.typed), channel, address, wording, ip, now)
        person = _addressee(session, first, channel, address)
        queue_question(session, rules, sign_up, person, first.farm, area, now)
        return Asked(channel=channel, address=address, expires_at=sign_up.expires_at)


def _asked_at(row: RosterRow) -> tuple[str, str]:
    return ("email", row.email) if row.alert_by is AlertBy.EMAIL else ("sms", row.phone)


def _addressee(session: Session, row: RosterRow, channel: str, address: str) -> Person:
    """Somebody of this name at this address, unchanged; else somebody new, who has no farm yet."""
    known = sign_ups.persons_at(session, channel, address)
    found = next((one for one in known if name_key(one.name) == name_key(row.farmer)), None)
    if found is not None:
        return found
    person = Person(
        name=row.farmer,
        phone=address if channel == "sms" else "",
        email=address if channel == "email" else "",
        alert_by="text" if channel == "sms" else "email",
        language=row.language,
    )
    session.add(person)
    session.flush()
    return person


# ---------------------------------------------------------------------- confirming


def confirm_by_text(
    session: Session, rules: SignUpRules, phone: str, now: datetime
) -> Confirmed | None:
    """The newest sign-up that waits for a YES of this phone; None when there is none.

    Its farm is enrolled, with the evidence of consent, and a welcome queued; or ``refusal`` says
    why it could not be. A second YES confirms the sign-up before, of another farm.
    """
    waiting = sign_ups.waiting(session, "sms", phone, now)
    return _confirm(session, rules, waiting[0], "YES by text", now) if waiting else None


def look_at_link(session: Session, rules: SignUpRules, token: str, now: datetime) -> Confirmed:
    """What a confirmation link is about; LinkGone when it leads nowhere (any more)."""
    return _seen(_sign_up_of(session, rules, token, now))


def confirm_by_link(sessions: Sessions, rules: SignUpRules, token: str, now: datetime) -> Confirmed:
    """Confirm the sign-up of an emailed link; a second time changes nothing.

    LinkGone when the link is none of ours or has expired.
    """
    with sessions.write() as session:
        sign_up = _sign_up_of(session, rules, token, now)
        if sign_up.confirmed_at is not None or sign_up.refusal:
            return _seen(sign_up)
        return _confirm(session, rules, sign_up, "button of the emailed link", now)


def _seen(sign_up: SignUp) -> Confirmed:
    return Confirmed(
        farm=sign_up.form.get("farm", ""),
        channel=sign_up.channel,
        address=sign_up.address,
        farm_id=sign_up.farm_id,
        refusal=sign_up.refusal,
        again=sign_up.confirmed_at is not None,
    )


def _sign_up_of(session: Session, rules: SignUpRules, token: str, now: datetime) -> SignUp:
    try:
        sign_up_id = int(signer(rules).unsign(token.encode()))
    except (BadSignature, ValueError):
        raise LinkGone("this link is not complete; copy all of it from the email") from None
    sign_up = sign_ups.get_sign_up(session, sign_up_id)
    if sign_up is None:
        raise LinkGone("this link leads nowhere; sign up again")
    if sign_up.confirmed_at is None and sign_up.expires_at <= now:
        raise LinkGone("this link has expired; sign up again")
    return sign_up


def _confirm(
    session: Session, rules: SignUpRules, sign_up: SignUp, how: str, now: datetime
) -> Confirmed:
    if sign_up.farm_id is not None:
        return _confirm_other_address(session, rules, sign_up, how, now)
    area = sign_ups.find_area(session, sign_up.form.get("area", "").strip())
    reading = read_farm(sign_up.form, rules.form, time_zone=area.time_zone if area else "")
    if area is None or not reading.rows:
        # The list of areas or of animals was changed since it was asked.
        return _refuse(session, sign_up, "the form does not fit any more; sign up again")
    if fields.is_farm_known(session, reading.rows[0].farm):
        return _refuse(session, sign_up, TAKEN)
    rows = tuple(_as_confirmed(row, sign_up) for row in reading.rows)
    report = enrol_within(
        session,
        ParsedRoster(rows, ()),
        rules.form.guidelines,
        f"sign-up {sign_up.id}",
        now,
        open_form=True,
    )
    if report.rejected:
        return _refuse(session, sign_up, report.rejected[0].reason)
    farm = people.find_farm(session, area, rows[0].farm)
    assert farm is not None
    person = session.get_one(Person, farm.farmer_id)
    sign_up.farm_id = farm.id
    _record(session, sign_up, person, area, how, now)
    _replace_older(session, sign_up, now)
    _welcome(session, rules, sign_up, farm, person, area, now)
    if _other_address_wished(reading.rows[0]):
        _ask_other_address(session, rules, sign_up, reading.rows[0], farm, person, area, now)
    return replace(_seen(sign_up), person_id=person.id, again=False)


def _refuse(session: Session, sign_up: SignUp, why: str) -> Confirmed:
    sign_up.refusal = why
    session.add(sign_up)
    return _seen(sign_up)


def _as_confirmed(row: RosterRow, sign_up: SignUp) -> RosterRow:
    """Only the address that said yes: typing somebody's number must not make it one's own."""
    if sign_up.channel == "sms":
        return replace(row, email="", alert_by=AlertBy.TEXT)
    return replace(row, phone="", alert_by=AlertBy.EMAIL)


def _record(
    session: Session, sign_up: SignUp, person: Person, area: Area, how: str, now: datetime
) -> None:
    """The evidence; a yes that is newer than a STOP ends it."""
    sign_up.confirmed_at = now
    session.add(sign_up)
    opt_outs.start(session, sign_up.channel, sign_up.address, now, how)
    people.put_consent(
        session,
        person,
        channel=sign_up.channel,
        address=sign_up.address,
        given_on=now.astimezone(ZoneInfo(area.time_zone)).date(),
        how=f"{how}, sign-up {sign_up.id}",
        now=now,
        given_at=now,
        wording=sign_up.wording,
        ip=sign_up.ip,
    )


def _replace_older(session: Session, sign_up: SignUp, now: datetime) -> None:
    """Somebody who mended a form and sent it again did not mean two farms."""
    for older in sign_ups.waiting(session, sign_up.channel, sign_up.address, now):
        if _same_farm(older.form, sign_up.form):
            older.refusal = REPLACED
            session.add(older)


def _same_farm(one: Mapping[str, str], other: Mapping[str, str]) -> bool:
    return all(
        name_key(one.get(column, "")) == name_key(other.get(column, ""))
        for column in ("area", "farm")
    )


def _welcome(
    session: Session,
    rules: SignUpRules,
    sign_up: SignUp,
    farm: Farm,
    person: Person,
    area: Area,
    now: datetime,
) -> None:
    key = f"welcome:{sign_up.id}"
    url = link_url(session, rules.links, Role.FARM, person_id=person.id, farm_id=farm.id, now=now)
    words = welcome_text if sign_up.channel == "sms" else welcome_email
    letter = words(rules.templates, person.language, farm.name, url, mark(key))
    queue(session, Kind.WELCOME, key, letter, sign_up, person, area, now + DAY, now)


def _other_address_wished(row: RosterRow) -> bool:
    """An email beside the phone: for all messages, or for texts that do not arrive."""
    instead = row.alert_by is AlertBy.TEXT and bool(row.email_if_unreached)
    return row.alert_by is AlertBy.BOTH or instead


def _ask_other_address(
    session: Session,
    rules: SignUpRules,
    sign_up: SignUp,
    row: RosterRow,
    farm: Farm,
    person: Person,
    area: Area,
    now: datetime,
) -> None:
    """Whoever gives a phone and an email confirms each where it arrives."""
    if not rules.links.public_url or question_too_soon(session, "email", row.email, now):
        return
    other = keep(
        session,
        rules,
        sign_up.form,
        "email",
        row.email,
        sign_up.wording,
        sign_up.ip,
        now,
        farm_id=farm.id,
        person_id=person.id,
    )
    queue_question(session, rules, other, person, farm.name, area, now)


def _confirm_other_address(
    session: Session, rules: SignUpRules, sign_up: SignUp, how: str, now: datetime
) -> Confirmed:
    """The address takes the old one's place; whoever holds the old one loses the page with it."""
    farm = session.get_one(Farm, sign_up.farm_id)
    if sign_up.person_id != farm.farmer_id:
        return _refuse(session, sign_up, ANOTHER_FARMER)
    person = session.get_one(Person, farm.farmer_id)
    area = session.get_one(Area, farm.area_id)
    before = person.phone if sign_up.channel == "sms" else person.email
    if sign_up.channel == "sms":
        person.phone = sign_up.address
    else:
        person.email = sign_up.address
    kind = "text" if sign_up.channel == "sms" else "email"
    if _only_instead(sign_up):
        person.email_if_unreached = True
    else:
        person.alert_by = kind if person.alert_by == kind else "both"
    session.add(person)
    _record(session, sign_up, person, area, how, now)
    if before not in ("", sign_up.address):
        assert person.id is not None
        revoke_of_person(session, person.id, now)
        _welcome(session, rules, sign_up, farm, person, area, now)
    return replace(_seen(sign_up), person_id=person.id, again=False)


def _only_instead(sign_up: SignUp) -> bool:
    """Whether an email was given for texts that do not arrive, and for nothing else."""
    by = sign_up.form.get("alert_by", AlertBy.TEXT.value)
    wished = sign_up.form.get("email_if_unreached") == "yes"
    return sign_up.channel == "email" and wished and by == AlertBy.TEXT


# ------------------------------------------------------- consent of who is enrolled already


def agree_by_text(session: Session, phone: str, said: str, now: datetime) -> tuple[str, ...]:
    """Consent of a farmer whom somebody else enrolled, given by a text such as YES or START.

    Returns the names of the farms that are written to from now on; () when nobody farms under
    this phone, or its consent is known already.
    """
    if people.has_agreed(session, "sms", phone):
        return ()
    persons = {one.id: one for one in sign_ups.persons_at(session, "sms", phone) if one.id}
    farms = sign_ups.farms_of_farmers(session, list(persons))
    for farm in farms:
        zone = ZoneInfo(session.get_one(Area, farm.area_id).time_zone)
        people.put_consent(
            session,
            persons[farm.farmer_id],
            channel="sms",
            address=phone,
            given_on=now.astimezone(zone).date(),
            how=f"{said} by text",
            now=now,
            given_at=now,
        )
    return tuple(farm.name for farm in farms)
