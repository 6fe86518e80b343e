"""Texts that came in, and whose farms and fields their writer may speak of."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlmodel import Session, col, func, select

from alerts.store import sign_ups
from alerts.store.tables import Cut, Farm, FarmField, FieldName, InboundText

HANDLING_FAILED = "failed: "
"""Begins the outcome of a text that broke while it was handled; the reason follows."""


def keep_text(
    session: Session,
    *,
    gateway_id: str,
    from_address: str,
    to_address: str,
    body: str,
    now: datetime,
    opt_out_type: str = "",
) -> tuple[InboundText, bool]:
    """Store a text as it came; returns it and whether it is new: a gateway may tell it twice."""
    known = session.exec(select(InboundText).where(InboundText.gateway_id == gateway_id)).first()
    if known is not None:
        return known, False
    text = InboundText(
        gateway_id=gateway_id,
        from_address=from_address,
        to_address=to_address,
        body=body,
        opt_out_type=opt_out_type,
        received_at=now,
    )
    session.add(text)
    session.flush()
    return text, True


def get(session: Session, text_id: int | None) -> InboundText:
    """A text as it stands now, locked until the end of the transaction."""
    return session.get_one(InboundText, text_id, with_for_update=True)


def waiting(session: Session) -> list[InboundText]:
    """Texts that were stored and not handled: something broke in between."""
    query = select(InboundText).where(col(InboundText.handled_at).is_(None))
    return list(session.exec(query.order_by(col(InboundText.id))))


def close_text(
    session: Session,
    text: InboundText,
    *,
    command: str,
    outcome: str,
    person_id: int | None,
    now: datetime,
) -> None:
    text.command, text.outcome, text.person_id = command, outcome, person_id
    text.handled_at = now
    session.add(text)


def number_of(
    session: Session, from_address: str, since: datetime, outcomes: Sequence[str] = ()
) -> int:
    """How many texts of a number were handled since then, with one of these outcomes.

    ``since`` lies at most a day back; a text that lies ahead of the clock does not count.
    """
    query = (
        select(func.count())
        .select_from(InboundText)
        .where(
            InboundText.from_address == from_address,
            col(InboundText.received_at) > since,
            col(InboundText.received_at) <= since + sign_ups.LONGEST_COUNTED,
            col(InboundText.handled_at).is_not(None),
        )
    )
    if outcomes:
        query = query.where(col(InboundText.outcome).in_(outcomes))
    return session.exec(query).one()


def newest_of(
    session: Session, from_address: str, outcome: str, since: datetime
) -> InboundText | None:
    """The newest text of a number whose outcome begins so."""
    return session.exec(
        select(InboundText)
        .where(
            InboundText.from_address == from_address,
            col(InboundText.outcome).startswith(outcome, autoescape=True),
            col(InboundText.received_at) > since,
        )
        .order_by(col(InboundText.id).desc())
    ).first()


def newest_handled(
    session: Session, from_address: str, since: datetime, besides: Sequence[str]
) -> InboundText | None:
    """The newest text of a number that was handled since then, passing over these commands."""
    return session.exec(
        select(InboundText)
        .where(
            InboundText.from_address == from_address,
            col(InboundText.handled_at) > since,
            col(InboundText.command).not_in(besides),
        )
        .order_by(col(InboundText.id).desc())
    ).first()


def is_overtaken(session: Session, text: InboundText) -> bool:
    """Whether a later text of the same number was handled before this one."""
    later = select(InboundText.id).where(
        InboundText.from_address == text.from_address,
        col(InboundText.id) > text.id,
        col(InboundText.handled_at).is_not(None),
    )
    return session.exec(later.limit(1)).first() is not None


def recorded_by(session: Session, text: InboundText, field_id: int) -> bool:
    """Whether the newest cut of a field is the one that this text recorded."""
    newest = (
        select(Cut).join(FarmField, col(FarmField.id) == col(Cut.field_id))
        .where(Cut.field_id == field_id, Cut.cutting == FarmField.cutting - 1)
        .where(Cut.cut_on == FarmField.cut_on, Cut.recorded_at == text.handled_at)
    )  # fmt: skip
    return session.exec(newest.limit(1)).first() is not None


# ----------------------------------------------------------------------- the writer


def sign_up_waits(session: Session, phone: str, now: datetime) -> bool:
    """Whether a sign-up waits for the YES of this phone."""
    return bool(sign_ups.waiting(session, "sms", phone, now))


def farms_of(session: Session, person_ids: Iterable[int]) -> list[Farm]:
    """Farms whose farmer is one of these people."""
    query = select(Farm).where(col(Farm.farmer_id).in_(list(person_ids)))
    return list(session.exec(query.order_by(col(Farm.name), col(Farm.id))))


def sampled_farms_of(session: Session, person_ids: Iterable[int]) -> list[Farm]:
    """Farms that one of these people samples."""
    query = select(Farm).where(col(Farm.sampler_id).in_(list(person_ids)))
    return list(session.exec(query.order_by(col(Farm.name), col(Farm.id))))


def advises(session: Session, person_ids: Iterable[int]) -> int | None:
    """That of these people who is a farm's consultant; None where nobody is."""
    query = select(Farm.consultant_id).where(col(Farm.consultant_id).in_(list(person_ids)))
    return session.exec(query).first()


def other_names(session: Session, field_ids: Iterable[int]) -> dict[int, list[str]]:
    """Further names of fields, as they are compared, by field id."""
    found: dict[int, list[str]] = defaultdict(list)
    query = select(FieldName).where(col(FieldName.field_id).in_(list(field_ids)))
    for name in session.exec(query.order_by(col(FieldName.id))):
        found[name.field_id].append(name.field_key)
    return found
