"""A consultant's roster: what it would do, row by row, and doing it once that was confirmed.

`services.consultants.roster_scope` says which rows are theirs to enrol.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum

from itsdangerous import BadSignature, Signer
from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import Note, ParsedRoster, Rejection, RosterRow
from alerts.services.access.links import LinkRules, Visitor
from alerts.services.access.scope import NotYours
from alerts.services.consultants.roster_scope import own_rows
from alerts.services.delivery.unreached import NO_ADDRESS, NO_CONSENT, STOPPED, why_unreached
from alerts.services.people.enrol import EnrolReport, enrol_within
from alerts.store import clients, documents
from alerts.store.clients import FarmState
from alerts.store.session import Sessions
from alerts.store.tables import Document, Person

MOST_ROWS = 500
"""Rows of one roster; more come in several files. Nobody else can write while they are enrolled,
even to look, which takes some 3 ms a row."""

MOST_BYTES = 1024 * 1024

TO_DO = {
    STOPPED: "Stopped: only they can begin again, by texting START.",
    NO_CONSENT: "No consent yet: ask, then fill in consent_on.",
    NO_ADDRESS: "No address for the way they want to be told: fill in phone or email.",
}
"""What a consultant can do about a farmer who is not written to."""


class Fate(StrEnum):
    """What becomes of a row."""

    NEW_FARM = "new farm"
    NEW_FIELD = "new field"
    CHANGED = "changed"
    UNCHANGED = "unchanged"
    REJECTED = "left out"


@dataclass(frozen=True, slots=True)
class RowFate:
    row: int
    farm: str
    field: str
    fate: Fate
    says: tuple[str, ...]  # what changes, or why it is left out


@dataclass(frozen=True, slots=True)
class Unwritten:
    """A client whose farmer gets no message, and why."""

    farm: str
    farmer: str
    why: str


@dataclass(frozen=True, slots=True)
class Preview:
    """What a roster would do, or did."""

    rows: tuple[RowFate, ...]
    notes: tuple[Note, ...]
    unwritten: tuple[Unwritten, ...]
    matched: int  # results that wait for one of these fields

    def count(self, fate: str) -> int:
        return Counter(row.fate.value for row in self.rows)[fate]

    @property
    def does_something(self) -> bool:
        return any(row.fate not in (Fate.UNCHANGED, Fate.REJECTED) for row in self.rows)


@dataclass(frozen=True, slots=True)
class Upload:
    """A roster as it came, kept until it is confirmed and after."""

    token: str
    name: str
    content: bytes


# ------------------------------------------------------------------ keeping the file


def keep(
    sessions: Sessions, rules: LinkRules, visitor: Visitor, name: str, content: bytes, now: datetime
) -> Upload:
    """Store an uploaded roster; its token leads back to it, for this consultant alone."""
    with sessions.write() as session:
        document = documents.keep_document(
            session,
            name=name,
            source=_source(visitor),
            lab="",
            content=content,
            now=now,
            of_sender=True,
        )
        if document.read_at is None:
            # It is no document of results: nothing else is to read it.
            documents.close_document(session, document, now=now)
        return _upload(rules, visitor, document)


def open_upload(sessions: Sessions, rules: LinkRules, visitor: Visitor, token: str) -> Upload:
    """The roster kept under a token; NotYours when it is not this consultant's."""
    with sessions.read() as session:
        return _upload(rules, visitor, _document(session, rules, visitor, token))


def _document(session: Session, rules: LinkRules, visitor: Visitor, token: str) -> Document:
    try:
        number = int(_signer(rules, visitor).unsign(token.encode()))
    except (BadSignature, ValueError):
        raise NotYours("there is no such file here; send it again") from None
    document = documents.find_document(session, number)
    if document is None or document.source != _source(visitor):
        raise NotYours("there is no such file here; send it again")
    return document


def _upload(rules: LinkRules, visitor: Visitor, document: Document) -> Upload:
    token = _signer(rules, visitor).sign(str(document.id)).decode()
    return Upload(token, document.name, document.content)


def _source(visitor: Visitor) -> str:
    return f"{documents.FROM_CONSULTANT}{visitor.person_id}"


def _signer(rules: LinkRules, visitor: Visitor) -> Signer:
    return Signer(list(rules.secrets), salt=f"cutcall.roster.{visitor.person_id}")


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A row of a roster that was enrolled without it, and still waits to be corrected."""

    file: str
    row: int
    says: str


def left_out(sessions: Sessions, visitor: Visitor) -> list[LeftOut]:
    """What waits in this consultant's rosters, newest first; a newer one of a name settles it."""
    with sessions.read() as session:
        return [
            LeftOut(document.name, row.row, _reason(row.column, row.reason))
            for document, row in documents.rejected_of(session, _source(visitor))
        ]


def _reason(column: str, reason: str) -> str:
    return f"{column}: {reason}" if column else reason


# ------------------------------------------------------------------ looking and doing


class _Seen(Exception):
    """Carries a preview out of a transaction, which is thereby taken back."""

    def __init__(self, preview: Preview) -> None:
        super().__init__("only looked")
        self.preview = preview


def preview(
    sessions: Sessions,
    visitor: Visitor,
    roster: ParsedRoster,
    guidelines: GuidelineSet,
    name: str,
    now: datetime,
) -> Preview:
    """What enrolling the roster would do. It is enrolled and taken back: nothing is guessed."""
    try:
        with sessions.write() as session:
            raise _Seen(_carry_out(session, visitor, roster, guidelines, name, now)[0])
    except _Seen as seen:
        return seen.preview


def confirm(
    sessions: Sessions,
    rules: LinkRules,
    visitor: Visitor,
    token: str,
    roster: ParsedRoster,
    guidelines: GuidelineSet,
    now: datetime,
) -> Preview:
    """Enrol the roster kept under ``token``; says what was done, judged anew."""
    with sessions.write() as session:
        document = _document(session, rules, visitor, token)
        done, report = _carry_out(session, visitor, roster, guidelines, document.name, now)
        documents.close_document(
            session, document, now=now, rejections=report.rejected, notes=report.notes
        )
        for earlier in documents.earlier_of_this_name(session, document):
            if earlier.source == document.source:
                documents.settle(session, earlier, f"settled by a newer {document.name}")
        return done


def _carry_out(
    session: Session,
    visitor: Visitor,
    roster: ParsedRoster,
    guidelines: GuidelineSet,
    name: str,
    now: datetime,
) -> tuple[Preview, EnrolReport]:
    consultant = _consultant(session, visitor)
    assert consultant.id is not None
    before = clients.farm_states(session, consultant.id)
    own = own_rows(session, consultant, roster)
    report = enrol_within(session, own, guidelines, name, now)
    session.flush()
    after = clients.farm_states(session, consultant.id)
    rejected = {rejection.row: rejection for rejection in report.rejected}
    left_out = {(name_key(row.area), name_key(row.farm)) for row in own.rows if row.row in rejected}
    rows = [row for row in own.rows if (name_key(row.area), name_key(row.farm)) not in left_out]
    fates = [*_fates(rows, before, after), *_refusals(own.rows, rejected, left_out)]
    shown = Preview(
        rows=tuple(sorted(fates, key=lambda fate: fate.row)),
        notes=tuple(_notes_beside([*report.notes, *_kept_samplers(rows, before)], fates)),
        unwritten=tuple(_unwritten(session, rows, after)),
        matched=report.matched,
    )
    return shown, report


def _kept_samplers(
    rows: Sequence[RosterRow], before: Mapping[tuple[str, str], FarmState]
) -> Iterator[Note]:
    """A word for each farm whose row names no sampler although it has one."""
    farms = {(name_key(row.area), name_key(row.farm)): row for row in reversed(rows)}
    for key, row in farms.items():
        sampler = before[key].values["sampler"] if key in before else ""
        if sampler and not (row.sampler or row.sampler_email):
            yield Note(
                row.row,
                "sampler",
                f"Left empty, so {sampler} still samples {row.farm}; write no to end it.",
            )


def _notes_beside(notes: Sequence[Note], fates: Sequence[RowFate]) -> list[Note]:
    """Notes but those of rows that are left out, in the order of the rows."""
    left_out = {fate.row for fate in fates if fate.fate is Fate.REJECTED}
    return sorted((one for one in notes if one.row not in left_out), key=lambda note: note.row)


def _consultant(session: Session, visitor: Visitor) -> Person:
    """The visitor; CutcallError where rows could not be entered under them."""
    person = session.get(Person, visitor.person_id)
    if person is None or not person.email:
        raise CutcallError("a consultant needs an email address to enrol; ask the operator")
    return person


# ------------------------------------------------------------------ row by row


def _fates(
    rows: Sequence[RosterRow],
    before: Mapping[tuple[str, str], FarmState],
    after: Mapping[tuple[str, str], FarmState],
) -> Iterator[RowFate]:
    first: set[tuple[str, str]] = set()
    for row in rows:
        key = (name_key(row.area), name_key(row.farm))
        was, now = before.get(key), after[key]
        field = name_key(row.field)
        of_farm = [] if was is None or key in first else list(_changes(was.values, now.values))
        first.add(key)
        if was is None:
            fate, says = Fate.NEW_FARM, [f"in area {row.area}"]
        elif field not in was.fields:
            fate, says = Fate.NEW_FIELD, of_farm
        else:
            says = [*of_farm, *_changes(was.fields[field], now.fields[field])]
            fate = Fate.CHANGED if says else Fate.UNCHANGED
        yield RowFate(row.row, row.farm, row.field, fate, tuple(says))


def _refusals(
    rows: Sequence[RosterRow],
    rejected: Mapping[int, Rejection],
    left_out: set[tuple[str, str]],
) -> Iterator[RowFate]:
    """Rejected rows, and with a farm that was refused as a whole the rest of its rows."""
    for number, rejection in rejected.items():
        reason = _reason(rejection.column, rejection.reason)
        farm, field = _named(rejection.raw)
        yield RowFate(number, farm, field, Fate.REJECTED, (reason,))
    for row in rows:
        key = (name_key(row.area), name_key(row.farm))
        if key in left_out and row.row not in rejected:
            reason = "waits for the row of this farm that has to be corrected"
            yield RowFate(row.row, row.farm, row.field, Fate.REJECTED, (reason,))


def _named(raw: Mapping[str, str]) -> tuple[str, str]:
    """Farm and field of a rejected row, however the file spells their headers."""
    said = {name_key(header): value for header, value in raw.items()}
    return (
        said.get("farm") or said.get("farm name") or "",
        said.get("field") or said.get("field name") or "",
    )


def _changes(was: Mapping[str, object], now: Mapping[str, object]) -> Iterator[str]:
    """'feed target: 160, now 165'."""
    for name, value in now.items():
        if was.get(name) != value:
            yield f"{name.replace('_', ' ')}: {_told(was.get(name))}, now {_told(value)}"


def _told(value: object) -> str:
    match value:
        case None | "":
            return "nothing"
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:g}"
        case time():
            return f"{value:%H:%M}"
        case date():
            return value.isoformat()
    return str(value)


def _unwritten(
    session: Session, rows: Sequence[RosterRow], after: Mapping[tuple[str, str], FarmState]
) -> Iterator[Unwritten]:
    farms = {(name_key(row.area), name_key(row.farm)): row for row in rows}
    silent = why_unreached(session, [after[key].farmer_id for key in farms])
    for key, row in farms.items():
        if reason := silent.get(after[key].farmer_id):
            yield Unwritten(row.farm, row.farmer, TO_DO.get(reason, reason))
