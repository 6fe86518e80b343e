"""Everything that is kept about one person, found by their rows, addresses and farms."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, false
from sqlmodel import Session, SQLModel, col, or_, select

from alerts.store.documents import FROM_CONSULTANT
from alerts.store.tables import (
    AccessLink,
    ApiToken,
    CalendarEntry,
    Consent,
    Cut,
    DeliveryEvent,
    DigestSent,
    Document,
    Farm,
    FarmField,
    FarmOutlookRow,
    FieldName,
    FieldOutlookRow,
    InboundText,
    LabResult,
    MessageField,
    OptOut,
    OutboxMessage,
    Person,
    SignUp,
)
from alerts.store.withdrawn import WITH_WITHDRAWN

Address = tuple[str, str]
"""Channel and address."""

Row = TypeVar("Row", bound=SQLModel)


@dataclass(frozen=True, slots=True)
class Whose:
    """One person as the tables know them.

    ``own`` are addresses nobody else is known under, those given up among them; ``shared`` are also
    somebody else's, so that what is filed under the address alone may be theirs.
    """

    person_ids: tuple[int, ...]
    names: frozenset[str]
    own: frozenset[Address]
    shared: frozenset[Address]
    current: frozenset[Address]  # without those given up
    farm_ids: tuple[int, ...]  # that they farm

    def at(self, channel: str) -> list[str]:
        """Their own addresses of a channel."""
        return sorted(address for kind, address in self.own if kind == channel)


def whose(session: Session, people: Sequence[Person], asked: Address) -> Whose:
    """These rows are one person, who was asked for under an address."""
    ids = tuple(one.id for one in people if one.id is not None)
    current = {asked} | {
        (channel, address)
        for one in people
        for channel, address in (("sms", one.phone), ("email", one.email))
        if address
    }
    given_up = session.exec(
        select(Consent.channel, Consent.address).where(col(Consent.person_id).in_(ids))
    )
    everywhere = current | set(given_up.all())
    shared = {one for one in everywhere if _is_of_others(session, one, ids)}
    farms = session.exec(select(Farm.id).where(col(Farm.farmer_id).in_(ids)).order_by(col(Farm.id)))
    return Whose(
        person_ids=ids,
        names=frozenset(one.name for one in people if one.name),
        own=frozenset(everywhere - shared),
        shared=frozenset(shared),
        current=frozenset(current),
        farm_ids=tuple(one for one in farms if one is not None),
    )


def _is_of_others(session: Session, address: Address, person_ids: Collection[int]) -> bool:
    column = Person.phone if address[0] == "sms" else Person.email
    others = select(Person).where(column == address[1], col(Person.id).not_in(person_ids))
    return any(has_a_part(session, one) for one in session.exec(others))


def has_a_part(session: Session, person: Person) -> bool:
    """Whether somebody farms, advises or samples, or agreed to be written to.

    A name that a stranger typed beside somebody's phone in the sign-up form has none.
    """
    farms = select(Farm.id).where(
        or_(
            Farm.farmer_id == person.id,
            Farm.consultant_id == person.id,
            Farm.sampler_id == person.id,
        )
    )
    agreed = select(Consent.id).where(Consent.person_id == person.id)
    return any(session.exec(query.limit(1)).first() is not None for query in (farms, agreed))


# ------------------------------------------------------------------------- rows of them


def people(session: Session, who: Whose) -> list[Person]:
    return _rows(session, Person, col(Person.id).in_(who.person_ids))


def consents(session: Session, who: Whose) -> list[Consent]:
    mine = col(Consent.person_id).in_(who.person_ids)
    return _rows(session, Consent, or_(mine, _at(who, Consent.channel, Consent.address)))


def opt_outs(session: Session, who: Whose) -> list[OptOut]:
    return _rows(session, OptOut, _at(who, OptOut.channel, OptOut.address))


def sign_ups(session: Session, who: Whose) -> list[SignUp]:
    """Those that name them as a person, an address or a farm; `all_sign_ups` has what was typed."""
    named = col(SignUp.person_id).in_(who.person_ids) | col(SignUp.farm_id).in_(who.farm_ids)
    return _rows(session, SignUp, or_(named, _at(who, SignUp.channel, SignUp.address)))


def all_sign_ups(session: Session) -> list[SignUp]:
    return _rows(session, SignUp)


def texts_in(session: Session, who: Whose) -> list[InboundText]:
    """Texts from their own phone; from a shared one, those that were taken for theirs."""
    mine = col(InboundText.person_id).in_(who.person_ids)
    return _rows(session, InboundText, or_(mine, col(InboundText.from_address).in_(who.at("sms"))))


def messages(session: Session, who: Whose, *, locked: bool = False) -> list[OutboxMessage]:
    """Messages to them; where ``locked``, no sender takes one until the transaction ends."""
    mine = col(OutboxMessage.person_id).in_(who.person_ids)
    where = or_(mine, _at(who, OutboxMessage.channel, OutboxMessage.to_address))
    query = select(OutboxMessage).where(where).order_by(col(OutboxMessage.id))
    return list(session.exec(query.with_for_update() if locked else query))


def messages_about(session: Session, who: Whose, needles: Iterable[str]) -> list[OutboxMessage]:
    """Messages to others that may name them, locked: about their farms, to who advises them, and
    those that hold one of ``needles``."""
    advisers = {
        one
        for farm in farms(session, who)
        for one in (farm.consultant_id, farm.sampler_id)
        if one is not None
    }
    words = [
        column.icontains(needle, autoescape=True)
        for needle in needles
        for column in (col(OutboxMessage.text), col(OutboxMessage.html), col(OutboxMessage.subject))
    ]
    told = col(OutboxMessage.farm_id).in_(who.farm_ids)
    found = or_(told, col(OutboxMessage.person_id).in_(advisers), *words)
    others = col(OutboxMessage.person_id).not_in(who.person_ids)
    query = select(OutboxMessage).where(found, others).order_by(col(OutboxMessage.id))
    return list(session.exec(query.with_for_update()))


def steps(session: Session, message_ids: Collection[int]) -> list[DeliveryEvent]:
    return _rows(session, DeliveryEvent, col(DeliveryEvent.message_id).in_(message_ids))


def told_fields(session: Session, message_ids: Collection[int]) -> list[MessageField]:
    query = select(MessageField).where(col(MessageField.message_id).in_(message_ids))
    return list(session.exec(query.order_by(col(MessageField.message_id))))


def links(session: Session, who: Whose) -> list[AccessLink]:
    of_farm = col(AccessLink.farm_id).in_(who.farm_ids)
    return _rows(session, AccessLink, or_(col(AccessLink.person_id).in_(who.person_ids), of_farm))


def tokens(session: Session, who: Whose) -> list[ApiToken]:
    return _rows(session, ApiToken, col(ApiToken.person_id).in_(who.person_ids))


def digests(session: Session) -> list[DigestSent]:
    """The last digest of everybody who reads one."""
    return list(session.exec(select(DigestSent).order_by(col(DigestSent.person_id))))


# --------------------------------------------------------------------- farms and fields


def farms(session: Session, who: Whose) -> list[Farm]:
    return _rows(session, Farm, col(Farm.id).in_(who.farm_ids))


def advised_farms(session: Session, who: Whose) -> list[Farm]:
    """Farms of others that they advise or sample."""
    advises = col(Farm.consultant_id).in_(who.person_ids)
    samples = col(Farm.sampler_id).in_(who.person_ids)
    return _rows(session, Farm, or_(advises, samples))


def fields(session: Session, who: Whose) -> list[FarmField]:
    return _rows(session, FarmField, col(FarmField.farm_id).in_(who.farm_ids))


def keys_of_others(session: Session, who: Whose) -> frozenset[str]:
    """Names of other people's fields, as they are compared."""
    query = select(FarmField.key).where(col(FarmField.farm_id).not_in(who.farm_ids))
    return frozenset(session.exec(query.distinct()))


def other_names(session: Session, field_ids: Collection[int]) -> list[FieldName]:
    return _rows(session, FieldName, col(FieldName.field_id).in_(field_ids))


def results(session: Session, field_ids: Collection[int]) -> list[LabResult]:
    """All versions of all results of these fields, those taken back too."""
    query = select(LabResult).where(col(LabResult.field_id).in_(field_ids))
    everything = {WITH_WITHDRAWN: True}
    return list(session.exec(query.order_by(col(LabResult.id)), execution_options=everything))


def waiting_results(session: Session, who: Whose) -> list[LabResult]:
    """Results that found no field, under the name of a farm that is theirs alone."""
    theirs = select(Farm.key).where(col(Farm.id).not_in(who.farm_ids))
    others = set(session.exec(theirs))
    labels = [farm.name for farm in farms(session, who) if farm.key not in others]
    query = select(LabResult).where(
        col(LabResult.field_id).is_(None), col(LabResult.farm_label).in_(labels)
    )
    return list(session.exec(query, execution_options={WITH_WITHDRAWN: True}))


def cuts(session: Session, field_ids: Collection[int]) -> list[Cut]:
    return _rows(session, Cut, col(Cut.field_id).in_(field_ids))


def outlooks(
    session: Session, who: Whose
) -> tuple[list[FarmOutlookRow], list[FieldOutlookRow], list[CalendarEntry]]:
    """The newest projections of their farms and fields, and the calendar's entries."""
    whole = select(FarmOutlookRow).where(col(FarmOutlookRow.farm_id).in_(who.farm_ids))
    each = select(FieldOutlookRow).where(col(FieldOutlookRow.farm_id).in_(who.farm_ids))
    calendar = select(CalendarEntry).where(col(CalendarEntry.farm_id).in_(who.farm_ids))
    return list(session.exec(whole)), list(session.exec(each)), list(session.exec(calendar))


# --------------------------------------------------------------------------- documents


def sources(who: Whose, marks: Iterable[str]) -> list[str]:
    """Sources of documents that they sent: rosters, and what ``marks`` begin."""
    starts = (FROM_CONSULTANT, *marks)
    return [f"{start}{one}" for start in starts for one in who.person_ids]


def documents_from(session: Session, sent: Collection[str]) -> list[Document]:
    return _rows(session, Document, col(Document.source).in_(sent))


def documents_of(session: Session, ids: Collection[int]) -> list[Document]:
    return _rows(session, Document, col(Document.id).in_(ids))


def each_content(session: Session) -> Iterator[tuple[int, bytes]]:
    """Number and content of every document, one at a time."""
    ids = session.exec(select(Document.id).order_by(col(Document.id))).all()
    for number in ids:
        content = session.exec(select(Document.content).where(Document.id == number)).first()
        if number is not None and content is not None:
            yield number, content


# ----------------------------------------------------------------------------- queries


def _at(who: Whose, channel: Any, address: Any) -> ColumnElement[bool]:
    """Whether the columns of a row hold one of their own addresses."""
    mine = [(col(channel) == kind) & (col(address) == where) for kind, where in sorted(who.own)]
    return or_(false(), *mine)


def _rows(session: Session, table: type[Row], *where: ColumnElement[bool]) -> list[Row]:
    query = select(table).where(*where)
    return list(session.exec(query.order_by(table.id)))  # type: ignore[attr-defined]
