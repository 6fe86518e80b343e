from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest
from factories import MONDAY, NOON, Service, day, results_sheet, sheet
from fakes import FakeSource
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from alerts.intake.base import RawDocument
from alerts.intake.labmap import LabMap
from alerts.services.results.accept_results import IntakeReport, accept, collect, finish_unread
from alerts.store import documents
from alerts.store.results import unmatched
from alerts.store.tables import Area, Document, DocumentNote, FarmField, RejectedRow

LAB = {"lab": "Kestrel Creek", "lab_number": "KE-101"}


def counts(report: IntakeReport) -> tuple[int, int, int, int, int]:
    return (
        report.accepted,
        report.repeated,
        report.corrected,
        report.unmatched,
        len(report.rejected),
    )


def due(service: Service) -> bool:
    """Whether the area wants a look now."""
    [area] = service.rows(Area)
    return area.due_at is not None and area.due_at <= service.clock()


@pytest.fixture
def enrolled(service: Service) -> Service:
    """Two fields on one farm; the area was looked at and is not due."""
    service.enrol({"field": "North"}, {"field": "Creek"})
    service.evaluate()
    assert not due(service)
    service.later(minutes=1)
    return service


# --------------------------------------------------------------------- each row's fate


def test_result_of_a_known_field_is_accepted_and_makes_its_area_due(enrolled: Service) -> None:
    report = enrolled.results({"rfv": 205, "method": "nir", "cutting": 1, **LAB})
    assert counts(report) == (1, 0, 0, 0, 0)
    [row] = enrolled.stored_results()
    assert (row.rfv, row.method, row.sampled_on) == (205.0, "nir", MONDAY)
    assert (row.lab, row.lab_number, row.version) == ("Kestrel Creek", "KE-101", 1)
    assert row.received_at == enrolled.clock()
    assert due(enrolled)


def test_every_row_of_a_mixed_file_ends_in_exactly_one_count(enrolled: Service) -> None:
    enrolled.results({"rfv": 190, **LAB}, {"rfv": 188, "lab": "Kestrel Creek", "lab_number": "2"})
    report = enrolled.results(
        {"rfv": 190, **LAB},  # known already
        {"rfv": 189, "lab": "Kestrel Creek", "lab_number": "2"},  # corrected
        {"rfv": 200, "lab": "Kestrel Creek", "lab_number": "3"},  # new
        {"rfv": 200, "field": "Nrth 40"},  # no such field
        {"rfv": 200, "sampled_on": "2027-05-20"},  # in the future
        {"rfv": 4000},  # impossible
    )
    assert counts(report) == (1, 1, 1, 1, 2)
    assert [rejection.row for rejection in report.rejected] == [6, 7]
    assert [rejection.column for rejection in report.rejected] == ["sampled_on", "rfv"]


def test_rejected_row_is_kept_as_it_came_with_what_to_do(enrolled: Service) -> None:
    report = enrolled.results({"rfv": 205}, {"ndf_pct_dm": 400})
    assert counts(report) == (1, 0, 0, 0, 1)
    [row] = enrolled.rows(RejectedRow)
    assert (row.row, row.column) == (3, "ndf_pct_dm")
    assert row.raw["ndf_pct_dm"] == "400"
    assert row.reason == report.rejected[0].reason
    assert "400" in row.reason


def test_same_file_twice_changes_nothing(enrolled: Service) -> None:
    content = results_sheet({"rfv": 205, **LAB}, {"rfv": 199}, {"rfv": 9999}, {"field": "X9"})
    first = enrolled.take(content)
    enrolled.evaluate()
    before = enrolled.stored_results()
    enrolled.later(hours=1)
    second = enrolled.take(content, "again.csv")
    assert counts(second)[0] == counts(second)[2] == counts(second)[3] == 0
    assert second.repeated == first.accepted + first.unmatched
    assert second.rejected == first.rejected
    assert enrolled.stored_results() == before
    assert len(enrolled.rows(RejectedRow)) == len(first.rejected)
    assert len(enrolled.rows(Document)) == 1
    assert not due(enrolled)


def test_same_result_in_another_file_is_repeated(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, **LAB})
    report = enrolled.results({"rfv": 205, **LAB}, {"rfv": 199, "field": "Creek"})
    assert counts(report) == (1, 1, 0, 0, 0)


def test_same_row_twice_in_one_file_counts_once(enrolled: Service) -> None:
    assert counts(enrolled.results({"rfv": 205}, {"rfv": 205})) == (1, 1, 0, 0, 0)


def test_two_unnumbered_clips_of_one_morning_are_two_results(enrolled: Service) -> None:
    """Two subsamples a field and morning are usual (common practice)."""
    assert counts(enrolled.results({"rfv": 205}, {"rfv": 199})) == (2, 0, 0, 0, 0)


def test_same_number_of_two_laboratories_is_two_results(enrolled: Service) -> None:
    report = enrolled.results(
        {"rfv": 205, "lab": "Kestrel Creek", "lab_number": "1"},
        {"rfv": 199, "lab": "Ouzel Bend", "lab_number": "1"},
    )
    assert counts(report) == (2, 0, 0, 0, 0)


# ------------------------------------------------------------------------- corrections


def test_corrected_result_counts_and_the_old_one_is_kept_as_replaced(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, **LAB})
    enrolled.evaluate()
    enrolled.later(minutes=1)
    assert counts(enrolled.results({"rfv": 212, **LAB})) == (0, 0, 1, 0, 0)
    old, new = enrolled.stored_results()
    assert (old.rfv, old.version, old.replaced_by) == (205.0, 1, new.id)
    assert (new.rfv, new.version, new.replaced_by) == (212.0, 2, None)
    assert due(enrolled)


def test_laboratory_number_is_compared_without_case_and_spaces(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "lab": "Kestrel Creek", "lab_number": "KE-101"})
    report = enrolled.results({"rfv": 212, "lab": "kestrel  creek", "lab_number": " ke-101 "})
    assert counts(report) == (0, 0, 1, 0, 0)


def test_corrected_field_moves_the_result_and_both_areas_are_looked_at(
    enrolled: Service,
) -> None:
    enrolled.enrol({"farm": "Stone Row", "field": "East", "area": "Otter Bend"})
    enrolled.evaluate()
    enrolled.results({"rfv": 205, **LAB})
    enrolled.evaluate()
    enrolled.later(minutes=1)
    report = enrolled.results({"rfv": 205, **LAB, "farm": "Stone Row", "field": "East"})
    assert counts(report) == (0, 0, 1, 0, 0)
    assert {area.due_at for area in enrolled.rows(Area)} == {enrolled.clock()}
    enrolled.evaluate()
    assert enrolled.line("North").results == 0
    assert enrolled.line("East").results == 1


def test_old_version_that_arrives_again_does_not_undo_the_correction(enrolled: Service) -> None:
    old, new = results_sheet({"rfv": 205, **LAB}), results_sheet({"rfv": 212, **LAB})
    enrolled.take(old, "monday.csv")
    enrolled.take(new, "corrected.csv")
    before = enrolled.stored_results()
    report = enrolled.take(old, "monday.csv")
    assert counts(report) == (0, 1, 0, 0, 0)
    assert enrolled.stored_results() == before
    [note] = [note for note in report.notes if note.column == "lab_number"]
    assert "KE-101" in note.text
    assert "correction stays" in note.text


def test_old_version_in_another_file_does_not_undo_the_correction(enrolled: Service) -> None:
    """A laboratory's weekly file may repeat a value that a correction has overtaken."""
    enrolled.results({"rfv": 205, **LAB})
    enrolled.results({"rfv": 212, **LAB})
    report = enrolled.results({"rfv": 205, **LAB}, {"rfv": 190, "field": "Creek"})
    assert counts(report) == (1, 1, 0, 0, 0)
    valid = [row.rfv for row in enrolled.stored_results() if row.replaced_by is None]
    assert valid == [212.0, 190.0]


def test_correction_of_a_correction_counts(enrolled: Service) -> None:
    for value in (205, 212, 209):
        enrolled.results({"rfv": value, **LAB})
    rows = enrolled.stored_results()
    assert [row.version for row in rows] == [1, 2, 3]
    assert [row.rfv for row in rows if row.replaced_by is None] == [209.0]


def test_two_values_of_one_number_in_one_file_leave_the_last_one(enrolled: Service) -> None:
    assert counts(enrolled.results({"rfv": 205, **LAB}, {"rfv": 212, **LAB})) == (1, 0, 1, 0, 0)
    assert [r.rfv for r in enrolled.stored_results() if r.replaced_by is None] == [212.0]


# ------------------------------------------------------------------------ which field


def test_result_of_an_unknown_field_waits_and_no_area_is_due(enrolled: Service) -> None:
    report = enrolled.results({"rfv": 205, "field": "Nrth 40"})
    assert counts(report) == (0, 0, 0, 1, 0)
    with enrolled.sessions.read() as session:
        [group] = unmatched(session)
    assert (group.farm_label, group.field_label) == ("Plum Bottom", "Nrth 40")
    assert not due(enrolled)


def test_sample_of_a_closed_field_is_sent_back(enrolled: Service) -> None:
    with enrolled.sessions.write() as session:
        [field] = [f for f in enrolled.rows(FarmField) if f.name == "Creek"]
        session.get_one(FarmField, field.id).closed_on = day(-3)
    report = enrolled.results({"rfv": 205}, {"rfv": 199, "field": "Creek"})
    assert counts(report) == (1, 0, 0, 0, 1)
    [rejection] = report.rejected
    assert (rejection.row, rejection.column) == (3, "field")
    assert "closed since 2027-05-07" in rejection.reason
    assert enrolled.rows(RejectedRow)[0].raw == {"farm": "Plum Bottom", "field": "Creek"}


def test_result_of_an_ambiguous_name_waits_and_a_note_says_which_fields(
    enrolled: Service,
) -> None:
    enrolled.enrol({"farm": "Stone Row", "field": "North"})
    report = enrolled.results({"rfv": 205, "farm": ""})
    assert counts(report) == (0, 0, 0, 1, 0)
    [note] = report.notes
    assert (note.row, note.column) == (2, "field")
    assert "Plum Bottom / North" in note.text
    assert "Stone Row / North" in note.text


# ----------------------------------------------------------------- computed and printed


def test_printed_index_far_from_the_computed_one_is_used_and_noted(enrolled: Service) -> None:
    """ADF 30 and NDF 40 give RFV 152 in print (Stallings, 2004, Relative feed value is an
    indicator of hay quality); unrounded (88.9 - 0.779 * 30) * (120 / 40) / 1.29 = 152.4."""
    report = enrolled.results({"adf_pct_dm": 30, "ndf_pct_dm": 40, "rfv": 160})
    [row] = enrolled.stored_results()
    assert row.rfv == 160.0
    assert row.computed_rfv == pytest.approx(152.4, abs=0.05)
    [note] = report.notes
    assert (note.row, note.column) == (2, "RFV")
    assert "160" in note.text
    assert "152" in note.text
    assert [kept.text for kept in enrolled.rows(DocumentNote)] == [note.text]


def test_printed_index_within_three_points_is_not_noted(enrolled: Service) -> None:
    report = enrolled.results({"adf_pct_dm": 30, "ndf_pct_dm": 40, "rfv": 155})
    assert report.notes == []


def test_index_nobody_printed_is_computed(enrolled: Service) -> None:
    enrolled.results({"adf_pct_dm": 30, "ndf_pct_dm": 40})
    [row] = enrolled.stored_results()
    assert row.rfv == row.computed_rfv == pytest.approx(152.4, abs=0.05)


def test_file_read_again_keeps_the_notes_of_its_first_reading(enrolled: Service) -> None:
    content = results_sheet({"adf_pct_dm": 30, "ndf_pct_dm": 40, "rfv": 160})
    first = enrolled.take(content)
    second = enrolled.take(content)
    assert second.notes == first.notes
    assert [note.text for note in enrolled.rows(DocumentNote)] == [first.notes[0].text]


def test_clip_taken_late_in_the_day_is_marked(enrolled: Service) -> None:
    enrolled.results(
        {"rfv": 205, "sampled_at": "06:40"}, {"rfv": 199, "sampled_at": "09:15"}, {"rfv": 201}
    )
    assert [row.late_in_day for row in enrolled.stored_results()] == [False, True, False]


def test_stem_reading_goes_the_same_way(enrolled: Service) -> None:
    """28 in at the bud stage reads RFV 164 (Weld, 2021, Calculating alfalfa stand quality)."""
    rows = [
        {"spot": spot, "height_in": 28, "stage": "bud", "farm": "Plum Bottom", "field": "North"}
        for spot in range(1, 6)
    ]
    report = enrolled.take(sheet([{**row, "sampled_on": MONDAY} for row in rows], ","))
    assert counts(report) == (1, 0, 0, 0, 0)
    [row] = enrolled.stored_results()
    assert (row.method, row.spots) == ("stem", 5)
    assert row.rfv == pytest.approx(164, abs=0.5)
    assert row.rfq is None


# -------------------------------------------------------------------- files of all kinds


@pytest.mark.parametrize(
    ("encoding", "delimiter"),
    [("utf-8", ","), ("latin-1", ","), ("utf-16", ","), ("utf-8-sig", ";"), ("latin-1", ";")],
)
def test_encoding_and_delimiter_do_not_matter(
    service: Service, encoding: str, delimiter: str
) -> None:
    service.enrol({"farm": "Åkermanns Höhe", "field": "Süd"})
    rows = [
        {"farm": "Åkermanns Höhe", "field": "Süd", "sampled_on": MONDAY, "ndf_pct_dm": value}
        for value in ("38.5", "39,1" if delimiter == ";" else "39.1")
    ]
    report = service.take(sheet(rows, delimiter).encode(encoding))
    assert counts(report) == (2, 0, 0, 0, 0)
    assert [row.ndf for row in service.stored_results()] == [38.5, 39.1]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00", ""),
        (b"some words\nwithout a table\n", ""),
    ],
)
def test_document_that_cannot_be_read_is_kept_with_the_reason(
    enrolled: Service, content: bytes, said: str
) -> None:
    report = enrolled.take(content, "odd.csv")
    assert "odd.csv" in report.refusal
    assert said in report.refusal
    assert counts(report) == (0, 0, 0, 0, 0)
    [document] = enrolled.rows(Document)
    assert (document.content, document.refusal) == (content, report.refusal)
    assert document.read_at == enrolled.clock()


# ------------------------------------------------------------------------ crashes, folder


class PowerCut(Sequence[LabMap]):
    """Lab maps whose reading the machine does not survive."""

    def __len__(self) -> int:
        return 1

    def __getitem__(self, index: object) -> LabMap:  # type: ignore[override]
        raise KeyboardInterrupt

    def __iter__(self) -> Iterator[LabMap]:
        raise KeyboardInterrupt


def test_crash_between_storing_and_reading_loses_nothing(enrolled: Service) -> None:
    rules = enrolled.parts.intake_rules()
    document = RawDocument("monday.csv", results_sheet({"rfv": 205}).encode(), "folder")
    with pytest.raises(KeyboardInterrupt):
        accept(enrolled.sessions, document, replace(rules, lab_maps=PowerCut()), NOON)
    assert enrolled.stored_results() == []
    enrolled.later(minutes=5)
    [report] = finish_unread(enrolled.sessions, rules, enrolled.clock())
    assert report.document == "monday.csv"
    assert counts(report) == (1, 0, 0, 0, 0)
    assert len(enrolled.stored_results()) == 1
    assert due(enrolled)
    assert finish_unread(enrolled.sessions, rules, enrolled.clock()) == []


def test_document_stored_unread_under_a_laboratory_is_read_as_that_laboratorys(
    enrolled: Service,
) -> None:
    content = results_sheet({"rfv": 205})
    with enrolled.sessions.write() as session:
        documents.keep_document(
            session,
            name="a.csv",
            source="folder",
            lab="plain",
            content=content.encode(),
            now=enrolled.clock(),
        )
    [report] = finish_unread(enrolled.sessions, enrolled.parts.intake_rules(), enrolled.clock())
    assert counts(report) == (1, 0, 0, 0, 0)


def waiting(*contents: str | bytes) -> list[RawDocument]:
    return [
        RawDocument(
            f"{number}.csv", content.encode() if isinstance(content, str) else content, "folder"
        )
        for number, content in enumerate(contents, start=1)
    ]


def round_of(service: Service, source: FakeSource) -> list[IntakeReport]:
    return collect(service.sessions, source, service.parts.intake_rules(), service.clock())


def test_read_and_refused_documents_are_put_aside_apart(enrolled: Service) -> None:
    source = FakeSource(waiting(results_sheet({"rfv": 205}), b""))
    first, second = round_of(enrolled, source)
    assert counts(first) == (1, 0, 0, 0, 0)
    assert second.refusal
    assert source.put_aside == [("done", "1.csv"), ("refused", "2.csv")]
    assert round_of(enrolled, source) == []


def test_full_disk_keeps_the_results_and_the_next_round_changes_nothing(
    enrolled: Service, caplog: pytest.LogCaptureFixture
) -> None:
    """A result and its correction both stay in the folder and are read again, in order."""
    source = FakeSource(
        waiting(
            results_sheet({"rfv": 205, **LAB}),
            results_sheet({"rfv": 212, **LAB}),
            results_sheet({"rfv": 9999}),
        ),
        full_disk=True,
    )
    assert [counts(report) for report in round_of(enrolled, source)] == [
        (1, 0, 0, 0, 0),
        (0, 0, 1, 0, 0),
        (0, 0, 0, 0, 1),
    ]
    assert "1.csv was read but cannot be put aside (No space left on device)" in caplog.text
    enrolled.evaluate()
    before = enrolled.stored_results()
    enrolled.later(minutes=1)
    for _ in range(2):
        reports = round_of(enrolled, source)
        assert [counts(report) for report in reports] == [
            (0, 1, 0, 0, 0),
            (0, 1, 0, 0, 0),
            (0, 0, 0, 0, 1),
        ]
    assert enrolled.stored_results() == before
    assert len(enrolled.rows(RejectedRow)) == 1
    assert not due(enrolled)
    source.full_disk = False
    round_of(enrolled, source)
    assert source.documents == []


def test_folder_that_cannot_be_read_leaves_what_was_read_before_it(
    enrolled: Service, caplog: pytest.LogCaptureFixture
) -> None:
    source = FakeSource(waiting(results_sheet({"rfv": 205})), unreadable=True)
    [report] = round_of(enrolled, source)
    assert counts(report) == (1, 0, 0, 0, 0)
    assert "the intake folder cannot be read" in caplog.text
    assert source.put_aside == [("done", "1.csv")]


@pytest.mark.sqlite_only
def test_disk_that_fills_while_rows_are_stored_leaves_no_half_read_file(
    enrolled: Service,
) -> None:
    with enrolled.sessions.engine.begin() as connection:
        connection.execute(
            text(
                "CREATE TRIGGER full BEFORE INSERT ON result WHEN NEW.row = 30 "
                "BEGIN SELECT RAISE(ABORT, 'disk full'); END"
            )
        )
    content = results_sheet(*({"rfv": 150 + n} for n in range(50)))
    with pytest.raises(IntegrityError, match="disk full"):
        enrolled.take(content)
    assert enrolled.stored_results() == []
    assert not due(enrolled)
    with enrolled.sessions.engine.begin() as connection:
        connection.execute(text("DROP TRIGGER full"))
    [report] = finish_unread(enrolled.sessions, enrolled.parts.intake_rules(), enrolled.clock())
    assert counts(report) == (50, 0, 0, 0, 0)
    assert len(enrolled.stored_results()) == 50
