"""Why somebody is not written to."""

from __future__ import annotations

from collections.abc import Iterable

from sqlmodel import Session

from alerts.store import opt_outs, people
from alerts.store.tables import Person

NO_CONSENT = "no consent on record"
STOPPED = "asked us to stop"
NO_ADDRESS = "no address for the way they want to be told"


def why_unreached(session: Session, person_ids: Iterable[int]) -> dict[int, str]:
    """Those of these people who get no message, with the reason."""
    reach = people.recipients(session, person_ids)
    return {
        person_id: _reason(session, session.get_one(Person, person_id))
        for person_id, addresses in reach.items()
        if not addresses
    }


def _reason(session: Session, person: Person) -> str:
    wanted = {"text": ("sms",), "email": ("email",)}.get(person.alert_by, ("sms", "email"))
    addresses = {"sms": person.phone, "email": person.email}
    asked = [(channel, addresses[channel]) for channel in wanted if addresses[channel]]
    if not asked:
        return NO_ADDRESS
    stopped = any(opt_outs.stopped(session, channel, [address]) for channel, address in asked)
    return STOPPED if stopped else NO_CONSENT
