from __future__ import annotations

from datetime import timedelta

from factories import NOON
from sqlmodel import select

from alerts.domain.records import Note, Rejection
from alerts.store import documents
from alerts.store.session import Sessions
from alerts.store.tables import Document, DocumentNote, RejectedRow

REJECTION = Rejection(row=3, column="NDF", reason="NDF 400 is too high.", raw={"NDF": "400"})


def keep(sessions: Sessions, content: bytes = b"a,b\n", lab: str = "", name: str = "a.csv"):
    with sessions.write() as session:
        return documents.keep_document(
            session, name=name, source="folder", lab=lab, content=content, now=NOON
        )


def close(sessions: Sessions, document: Document, **said: object) -> None:
    with sessions.write() as session:
        documents.close_document(session, document, now=NOON, **said)


def test_document_is_kept_byte_for_byte(sessions: Sessions) -> None:
    content = bytes(range(256))
    kept = keep(sessions, content)
    with sessions.read() as session:
        assert session.get_one(Document, kept.id).content == content


def test_same_bytes_again_are_the_same_document(sessions: Sessions) -> None:
    assert keep(sessions).id == keep(sessions, name="again.csv").id


def test_same_bytes_from_another_laboratory_are_another_document(sessions: Sessions) -> None:
    assert keep(sessions, lab="kestrel").id != keep(sessions, lab="ouzel").id


def test_document_stays_unread_until_it_is_closed(sessions: Sessions) -> None:
    first, second = keep(sessions, b"1"), keep(sessions, b"2")
    close(sessions, first)
    with sessions.read() as session:
        assert [d.id for d in documents.unread_documents(session)] == [second.id]


def test_second_reading_replaces_what_the_first_one_said(sessions: Sessions) -> None:
    document = keep(sessions)
    note = Note(row=2, column="RFV", text="differs")
    close(sessions, document, rejections=[REJECTION, REJECTION], notes=[note])
    close(sessions, document, rejections=[REJECTION], notes=[note])
    with sessions.read() as session:
        [(found, row)] = documents.rejected_rows(session)
        notes = session.exec(select(DocumentNote)).all()
    assert (found.id, row.row, row.column, row.reason, row.raw) == (
        document.id,
        3,
        "NDF",
        "NDF 400 is too high.",
        {"NDF": "400"},
    )
    assert [kept.text for kept in notes] == ["differs"]


def test_closing_one_document_leaves_the_rows_of_another(sessions: Sessions) -> None:
    first, second = keep(sessions, b"1"), keep(sessions, b"2")
    close(sessions, first, rejections=[REJECTION])
    close(sessions, second)
    with sessions.read() as session:
        assert len(session.exec(select(RejectedRow)).all()) == 1


def test_refused_documents_come_newest_first_with_the_reason(sessions: Sessions) -> None:
    for content, refusal in ((b"1", "It is empty."), (b"2", ""), (b"3", "It is a picture.")):
        close(sessions, keep(sessions, content), refusal=refusal)
    with sessions.read() as session:
        found = documents.refused_documents(session)
    assert [document.refusal for document in found] == ["It is a picture.", "It is empty."]


def test_document_received_keeps_its_first_instant(sessions: Sessions) -> None:
    keep(sessions)
    with sessions.write() as session:
        again = documents.keep_document(
            session,
            name="a.csv",
            source="folder",
            lab="",
            content=b"a,b\n",
            now=NOON + timedelta(days=1),
        )
    assert again.received_at == NOON
