"""Blanking what is kept about a person. Rows stay, so that counts, fates and dates still add up.

No row is deleted whose number stands in a signed link: on SQLite the number of a deleted last row
is given again, and an old link would open the page of somebody else.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime

from sqlmodel import Session, col, delete

from alerts.domain.delivery import Status
from alerts.domain.names import name_key
from alerts.store import opt_outs, outbox, people, personal
from alerts.store.personal import Whose
from alerts.store.tables import (
    ApiRequest,
    ApiToken,
    Area,
    DigestSent,
    Farm,
    FarmField,
    FieldName,
    InboundText,
    LabResult,
    OutboxMessage,
    Person,
    SignUp,
)

FORGOTTEN = "(forgotten)"
"""Stands where a name stood."""

ON_REQUEST = "forgotten on request"

PLACE_DECIMALS = 1
"""Of a field's degrees that stay, some 11 km: the weather of the area needs its middle."""

_ENDS = {
    Status.QUEUED: Status.CANCELLED,
    Status.SENDING: Status.CANCELLED,
    Status.UNKNOWN: Status.EXPIRED,
}


def blank_person(session: Session, person: Person) -> None:
    """Take name and addresses away; the row stays for the farm and the messages it had."""
    person.name, person.phone, person.email = FORGOTTEN, "", ""
    person.language, person.email_if_unreached = "en", False
    session.add(person)


def part_from_farms(session: Session, who: Whose) -> int:
    """Farms of others lose them as consultant and sampler; returns how many did."""
    parted = personal.advised_farms(session, who)
    for farm in parted:
        if farm.consultant_id in who.person_ids:
            farm.consultant_id = None
        if farm.sampler_id in who.person_ids:
            farm.sampler_id = None
        session.add(farm)
    return len(parted)


def stop_addresses(session: Session, who: Whose, now: datetime) -> int:
    """Write their own addresses into the ledger of the stopped; returns how many stand there."""
    for channel, address in sorted(who.own & who.current):
        opt_outs.stop(session, channel, address, now, ON_REQUEST)
    return len(who.own & who.current)


def blank_consents(session: Session, who: Whose) -> int:
    """Where a consent came from goes; that it was given, when, how and for which address stays."""
    given = personal.consents(session, who)
    for consent in given:
        consent.ip = ""
        session.add(consent)
    return len(given)


def blank_messages(session: Session, found: Iterable[OutboxMessage], now: datetime) -> int:
    """Cancel what waits and blank all; returns how many were cancelled."""
    ids, cancelled = [], 0
    for message in found:
        end = _ENDS.get(Status(message.status))
        if end is not None and outbox.settle(session, message, end, now, detail=ON_REQUEST):
            cancelled += 1
        message.to_address = message.subject = message.text = message.html = ""
        message.attachments = []
        message.dedupe_key = f"forgotten:{message.id}"  # it may have named the address
        message.gateway_id = message.error_detail = ""
        session.add(message)
        if message.id is not None:
            ids.append(message.id)
    session.flush()
    for step in personal.steps(session, ids):
        step.detail = ""
        session.add(step)
    return cancelled


def blank_texts(session: Session, found: Iterable[InboundText], now: datetime) -> None:
    """The gateway's number of a text stays, so that one told again changes nothing."""
    for text in found:
        text.from_address = text.body = text.opt_out_type = text.outcome = ""
        text.handled_at = text.handled_at or now  # nothing is to be made of it any more
        session.add(text)


def blank_sign_ups(session: Session, found: Iterable[SignUp], now: datetime) -> None:
    for sign_up in found:
        sign_up.form, sign_up.address, sign_up.ip = {}, "", ""
        if sign_up.confirmed_at is None:
            sign_up.expires_at = min(sign_up.expires_at, now)
        session.add(sign_up)


def revoke_tokens(session: Session, found: Iterable[ApiToken], now: datetime) -> int:
    """Take tokens back with their names and fingerprints; answers kept for them go."""
    given = list(found)
    for token in given:
        token.revoked_at = token.revoked_at or now
        token.name, token.start, token.sha256 = FORGOTTEN, "", f"forgotten:{token.id}"
        session.add(token)
        session.exec(delete(ApiRequest).where(col(ApiRequest.token_id) == token.id))
    return len(given)


# --------------------------------------------------------------------- farms and fields


def rename_farms(session: Session, who: Whose, today: date) -> dict[int, tuple[str, str]]:
    """Give farms and fields neutral names and a rough place, and close the fields.

    Returns the new names of farm and field by field id.
    """
    found = personal.fields(session, who)
    for field in found:
        field.key = f"#{field.id}"  # out of the way of the new names
        session.add(field)
    session.flush()
    names = {}
    for farm in personal.farms(session, who):
        farm.name = _free_name(session, farm)
        farm.key, farm.paused_until = name_key(farm.name), None
        farm.consultant_id = farm.sampler_id = None
        session.add(farm)
        for field in found:
            if field.farm_id == farm.id and field.id is not None:
                _blank_field(session, field, today)
                names[field.id] = (farm.name, field.name)
    session.exec(delete(FieldName).where(col(FieldName.field_id).in_(list(names))))
    return names


def _free_name(session: Session, farm: Farm) -> str:
    area, name = session.get_one(Area, farm.area_id), f"Former farm {farm.id}"
    while (taken := people.find_farm(session, area, name)) is not None and taken.id != farm.id:
        name += " again"
    return name


def _blank_field(session: Session, field: FarmField, today: date) -> None:
    field.name = f"Field {field.id}"
    field.key = name_key(field.name)
    field.zip, field.watched = "", False
    if field.latitude is not None and field.longitude is not None:
        field.latitude = round(field.latitude, PLACE_DECIMALS)
        field.longitude = round(field.longitude, PLACE_DECIMALS)
    field.closed_on = field.closed_on or today
    session.add(field)


def blank_results(
    session: Session, found: Iterable[LabResult], names: Mapping[int, tuple[str, str]]
) -> int:
    """Values, day, laboratory and method stay; labels, numbers, remarks go. Returns how many.

    ``names``: of farm and field by field id; a result without a field gets none.
    """
    first: dict[str, int | None] = {}  # versions of one result stay such
    rows = list(found)
    for row in rows:
        number = first.setdefault(row.identity, row.id)
        row.identity = f"forgotten:{number}"
        row.farm_label, row.field_label = names.get(row.field_id or 0, (FORGOTTEN, FORGOTTEN))
        row.lab_number = row.remark = ""
        session.add(row)
    return len(rows)


def blank_cuts(session: Session, names: Collection[int], said: Collection[str]) -> None:
    """What was known at a cut may name a field whose result stood in."""
    for cut in personal.cuts(session, names):
        if cut.detail.get("stands_in") in said:
            cut.detail = {**cut.detail, "stands_in": FORGOTTEN}
            session.add(cut)


def drop_outlooks(session: Session, who: Whose) -> None:
    """Projections speak of fields by name; those of neighbors are made anew at the next look."""
    for rows in personal.outlooks(session, who):
        for row in rows:
            session.delete(row)


def drop_from_digests(session: Session, who: Whose) -> None:
    """Their own last digest, and their farms out of those of others."""
    farms = {str(one) for one in who.farm_ids}
    for digest in personal.digests(session):
        if digest.person_id in who.person_ids:
            session.delete(digest)
        elif farms & (set(digest.said) | set(digest.before)):
            digest.said, digest.before = _without(digest, farms)
            session.add(digest)


def _without(digest: DigestSent, farms: set[str]) -> tuple[dict[str, object], dict[str, object]]:
    said = {farm: one for farm, one in digest.said.items() if farm not in farms}
    before = {farm: one for farm, one in digest.before.items() if farm not in farms}
    return said, before
