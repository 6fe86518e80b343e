"""What is kept about one person, given out or forgotten at their request.

Forgetting keeps three things without the person: results and cuts of their fields under a neutral
name, evidence that somebody at the address once agreed, and the address in the ledger of those who
must not be written to. `services.people.retention` takes the second away in time; the third
stays, since without it the next roster that names them would have them written to again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.kept_readings import said_of
from alerts.domain.names import name_key
from alerts.services.access.senders import Sender
from alerts.services.people.addresses import read_address
from alerts.services.people.redaction import Redaction, redaction, text_of
from alerts.store import areas, documents, forgetting, links, personal, sign_ups
from alerts.store.personal import Whose
from alerts.store.session import Sessions
from alerts.store.tables import Document, LabResult, OutboxMessage, SignUp

_SECRET = frozenset({"sha256"})  # of a token: worth nothing to who asks, and best not passed on
_LONG = frozenset({"attachments", "content"})


@dataclass(frozen=True, slots=True)
class Forgotten:
    """How much was blanked, and sentences on what was not."""

    people: int
    farms: int
    results: int  # kept, without names
    messages: int
    cancelled: int  # of the messages, those that waited
    texts: int
    sign_ups: int
    links: int
    tokens: int
    documents: int  # in which their name or address stood
    parted: int  # farms of others that lose them as consultant or sampler
    kept: tuple[str, ...] = field(default=())


# ------------------------------------------------------------------------ finding


def find(session: Session, said: str, name: str = "") -> Whose:
    """The person at a phone or email; ``name`` says whose where several share it.

    CutcallError when it is neither, nothing is kept, or several people have a part in it.
    """
    try:
        channel, address = read_address(said)
    except ValueError as error:
        raise CutcallError(f"'{said}' is neither a phone nor an email address: {error}") from error
    known = sign_ups.persons_at(session, channel, address)
    parted = [one for one in known if personal.has_a_part(session, one)]
    names = {name_key(one.name): one.name for one in parted}
    if name:
        if name_key(name) not in {name_key(one.name) for one in known}:
            raise CutcallError(f"nobody named {name} is known at {said}; check the spelling")
        known = [one for one in known if name_key(one.name) == name_key(name)]
    elif len(names) > 1:
        raise CutcallError(
            f"{' and '.join(sorted(names.values()))} share {said}; say with --name whose data"
        )
    found = personal.whose(session, known, (channel, address))
    if not found.person_ids and not _anything(session, found):
        raise CutcallError(f"nothing is kept about {said}")
    return found


def _anything(session: Session, who: Whose) -> bool:
    tables = (personal.sign_ups, personal.texts_in, personal.opt_outs, personal.consents)
    return any(rows(session, who) for rows in tables)


def _redaction(session: Session, who: Whose, *, all_fields: bool = False) -> Redaction:
    """Their names only where they are whole ones: 'Ada' alone is many people's.

    Of names of fields, those that nobody else's field bears; ``all_fields``: for rows of theirs.
    """
    farms = [farm.name for farm in personal.farms(session, who)]
    others = frozenset() if all_fields else personal.keys_of_others(session, who)
    farms += [one.name for one in personal.fields(session, who) if one.key not in others]
    names = [name for name in who.names if len(name.split()) > 1]
    return redaction(names, who.at("sms"), who.at("email"), farms)


def _needles(who: Whose) -> list[str]:
    """What a message that names them holds; how else it may be written is `Redaction`'s."""
    names = [name for name in who.names if len(name.split()) > 1]
    return [*names, *(address for _, address in sorted(who.own))]


def _sources(who: Whose) -> list[str]:
    return personal.sources(who, [Sender(role, "").source for role in ("consultant", "sampler")])


def _typed_of(session: Session, who: Whose, words: Redaction) -> list[SignUp]:
    """Sign-ups that name them, also those confirmed at another address than was typed."""
    found = {one.id: one for one in personal.sign_ups(session, who)}
    for one in personal.all_sign_ups(session):
        if any(words.holds(str(value)) for value in one.form.values()):
            found.setdefault(one.id, one)
    return list(found.values())


# ---------------------------------------------------------------------- giving out


def export_person(sessions: Sessions, said: str, now: datetime, name: str = "") -> dict[str, Any]:
    """Everything kept about the person at a phone or email, as a document for JSON.

    CutcallError as `find` says.
    """
    with sessions.read() as session:
        who = find(session, said, name)
        words = _redaction(session, who)
        return {
            "about": said,
            "made_at": now.isoformat(),
            "shared_addresses": sorted(address for _, address in who.shared),
            "people": _rows(personal.people(session, who)),
            "consents": _rows(personal.consents(session, who)),
            "opt_outs": _rows(personal.opt_outs(session, who)),
            "sign_ups": _rows(_typed_of(session, who, words)),
            "texts_in": _rows(personal.texts_in(session, who)),
            "messages": _messages(session, personal.messages(session, who)),
            "links": _rows(personal.links(session, who)),
            "tokens": _rows(personal.tokens(session, who)),
            "last_digest": _rows(
                one for one in personal.digests(session) if one.person_id in who.person_ids
            ),
            "farms": _rows(personal.farms(session, who)),
            "advises": [farm.name for farm in personal.advised_farms(session, who)],
            **_fields(session, who),
            **_documents(session, who, words),
        }


def _rows(rows: Any) -> list[dict[str, Any]]:
    return [row.model_dump(mode="json", exclude=_SECRET | _LONG) for row in rows]


def _messages(session: Session, messages: Sequence[OutboxMessage]) -> list[dict[str, Any]]:
    steps: dict[int, list[dict[str, Any]]] = {}
    ids = [one.id for one in messages if one.id is not None]
    for step in personal.steps(session, ids):
        kept = step.model_dump(mode="json", include={"at", "status", "code", "detail"})
        steps.setdefault(step.message_id, []).append(kept)
    return [
        {
            **row,
            "attachments": [one["filename"] for one in message.attachments],
            "steps": steps.get(message.id or 0, []),
        }
        for message, row in zip(messages, _rows(messages), strict=True)
    ]


def _told_results(found: Sequence[LabResult]) -> list[dict[str, Any]]:
    """Each number of a result beside its name, which the table leaves out."""
    rows = zip(found, _rows(found), strict=True)
    return [{**row, "readings": said_of(result.readings)} for result, row in rows]


def _fields(session: Session, who: Whose) -> dict[str, Any]:
    fields = personal.fields(session, who)
    ids = [one.id for one in fields if one.id is not None]
    whole, each, calendar = personal.outlooks(session, who)
    return {
        "fields": _rows(fields),
        "other_field_names": _rows(personal.other_names(session, ids)),
        "results": _told_results(_results(session, who)),
        "cuts": _rows(personal.cuts(session, ids)),
        "outlooks": _rows([*whole, *each]),
        "calendar": _rows(calendar),
    }


def _documents(session: Session, who: Whose, words: Redaction) -> dict[str, Any]:
    sent = personal.documents_from(session, _sources(who))
    own = {one.id for one in sent}
    naming = [number for number in _named_in(session, words) if number not in own]
    return {
        "documents_sent": [{**row, "text": text_of(one.content)} for one, row in _with_rows(sent)],
        "documents_naming": [
            {**row, "lines": _lines(one.content, words)}
            for one, row in _with_rows(personal.documents_of(session, naming))
        ],
    }


def _with_rows(found: Sequence[Document]) -> list[tuple[Document, dict[str, Any]]]:
    return list(zip(found, _rows(found), strict=True))


def _lines(content: bytes, words: Redaction) -> list[str]:
    """The lines that name them; the others are other people's."""
    return [line for line in text_of(content).splitlines() if words.holds(line)]


def _named_in(session: Session, words: Redaction) -> list[int]:
    contents = personal.each_content(session)
    return [number for number, content in contents if words.holds(text_of(content))]


# ---------------------------------------------------------------------- forgetting


def forget_person(sessions: Sessions, said: str, now: datetime, name: str = "") -> Forgotten:
    """Blank what is kept about the person at a phone or email, in one transaction.

    Their waiting messages are cancelled, links and tokens open nothing any more, their fields are
    closed, and the addresses that are theirs alone are stopped. CutcallError as `find` says.
    """
    with sessions.read() as session:
        # Outside the write lock: every document is looked into.
        naming = _named_in(session, _redaction(session, find(session, said, name)))
    with sessions.write() as session:
        who = find(session, said, name)
        words = _redaction(session, who)
        rows_of_theirs = _redaction(session, who, all_fields=True)
        documents_done = _clean_documents(session, who, rows_of_theirs, naming)
        _clean_messages_of_others(session, who, words)
        done = _blank(session, who, words, documents_done, now)
        areas.mark_due(session, {farm.area_id for farm in personal.farms(session, who)}, now)
        return done


def _blank(
    session: Session, who: Whose, words: Redaction, documents_done: int, now: datetime
) -> Forgotten:
    messages = personal.messages(session, who, locked=True)
    texts, typed = personal.texts_in(session, who), _typed_of(session, who, words)
    consents = forgetting.blank_consents(session, who)
    results = _blank_farms(session, who, now)
    counts = {
        "cancelled": forgetting.blank_messages(session, messages, now),
        "links": links.revoke(session, personal.links(session, who), now),
        "tokens": forgetting.revoke_tokens(session, personal.tokens(session, who), now),
        "parted": forgetting.part_from_farms(session, who),
    }
    forgetting.blank_texts(session, texts, now)
    forgetting.blank_sign_ups(session, typed, now)
    stopped = forgetting.stop_addresses(session, who, now)
    for person in personal.people(session, who):
        forgetting.blank_person(session, person)
    return Forgotten(
        people=len(who.person_ids),
        farms=len(who.farm_ids),
        results=results,
        messages=len(messages),
        texts=len(texts),
        sign_ups=len(typed),
        documents=documents_done,
        kept=tuple(_kept(who, consents, results, stopped)),
        **counts,
    )


def _blank_farms(session: Session, who: Whose, now: datetime) -> int:
    """Returns how many results stay without a name."""
    fields, results = personal.fields(session, who), _results(session, who)
    ids = [one.id for one in fields if one.id is not None]
    forgetting.drop_outlooks(session, who)
    forgetting.drop_from_digests(session, who)
    forgetting.blank_cuts(session, ids, {one.name for one in fields})
    names = forgetting.rename_farms(session, who, now.date())
    return forgetting.blank_results(session, results, names)


def _results(session: Session, who: Whose) -> list[LabResult]:
    """Of their fields, and of their farms where no field was found."""
    ids = [one.id for one in personal.fields(session, who) if one.id is not None]
    return [*personal.results(session, ids), *personal.waiting_results(session, who)]


def _clean_messages_of_others(session: Session, who: Whose, words: Redaction) -> None:
    for message in personal.messages_about(session, who, _needles(who)):
        before = (message.subject, message.text, message.html)
        message.subject, message.text, message.html = (
            words.without(text, farms=True) for text in before
        )
        if before != (message.subject, message.text, message.html):
            message.attachments = []  # tables and calendars say the same
            session.add(message)


def _clean_documents(session: Session, who: Whose, words: Redaction, naming: Sequence[int]) -> int:
    """Take name, addresses and, in rows of theirs, the farm out of files; returns how many."""
    lines: dict[int, set[int]] = {number: set() for number in naming}
    for result in _results(session, who):
        lines.setdefault(result.document_id, set()).add(result.row)
    done = 0
    for number, rows in lines.items():
        document = documents.find_document(session, number)
        if document is None:
            continue
        clean = words.in_file(document.content, rows)
        done += clean != document.content
        document.content = clean
        session.add(document)
        _clean_notes(session, number, words)
    return done


def _clean_notes(session: Session, document_id: int, words: Redaction) -> None:
    rejected, notes = documents.rows_of(session, document_id)
    for row in rejected:
        if any(words.holds(str(cell)) for cell in row.raw.values()):
            row.raw, row.reason = words.in_cells(row.raw), words.without(row.reason, farms=True)
            session.add(row)
    for note in notes:
        note.text = words.without(note.text, farms=True)
        session.add(note)


def _kept(who: Whose, consents: int, results: int, stopped: int) -> list[str]:
    """Sentences on what stays, and why."""
    said = []
    if stopped:
        said.append(f"{stopped} address(es) among the stopped, so that nobody writes there again")
    if consents:
        said.append(
            f"{consents} consent(s) with address, day and way, as evidence that messages were "
            "asked for; they go after the time that [retention] sets"
        )
    if results:
        said.append(f"{results} result(s) under a neutral name, as evidence for their area")
    for _, address in sorted(who.shared):
        said.append(f"{address}, which somebody else uses too: what is filed under it alone")
    said.append("files in done/ and refused/ of the inbox, backups, and what the gateway keeps")
    return said
