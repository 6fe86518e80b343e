from __future__ import annotations

import json
from datetime import date

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import ParsedDocument
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.labmap import LabMap
from alerts.intake.parse import read_document
from alerts.intake.payload import read_body


def test_read_body_keeps_a_csv_as_it_is() -> None:
    body = "field;rfv\nKäfer;180\n".encode("latin-1")
    document = read_body("post", "text/csv; charset=iso-8859-1", body, "kestrel")
    assert document == RawDocument("post", body, "http", "kestrel")


def parsed(whole: object, lab_maps: tuple[LabMap, ...], rules: ReadingRules) -> ParsedDocument:
    body = json.dumps(whole).encode()
    return read_document(read_body("post", "application/json", body), lab_maps, rules)


def test_read_body_of_json_takes_the_same_path_as_a_file(
    lab_maps: tuple[LabMap, ...], rules: ReadingRules
) -> None:
    whole = {
        "lab": "kestrel",
        "results": [
            {"field": 'North "40", east', "sampled_on": "2031-05-12", "ndf_pct_dm": 38.2},
            {"field": "Creek", "sampled_on": "2031-05-12", "rfv": 180, "ndf_pct_dm": None},
            {"field": "Hill", "sampled_on": "2031-05-12", "ndf_pct_dm": 400},
            {"field": "Lane", "sampled_on": "2031-05-12", "ndf_pct_dm": "=cmd"},
            {"field": "two\nlines", "sampled_on": "2031-05-12", "rfv": "1.6e2"},
        ],
    }
    document = parsed(whole, lab_maps, rules)
    assert document.lab == "Kestrel Creek Forage Laboratory"
    assert [(one.row, one.field_label) for one in document.results] == [
        (2, 'North "40", east'),
        (3, "Creek"),
    ]
    assert document.results[0].sampled_on == date(2031, 5, 12)
    assert document.results[0].readings.ndf_pct_dm == 38.2
    assert [(one.row, one.column) for one in document.rejections] == [
        (4, "ndf_pct_dm"),
        (5, "ndf_pct_dm"),
        (6, "rfv"),
    ]


def test_read_body_of_json_with_stem_readings(
    lab_maps: tuple[LabMap, ...], rules: ReadingRules
) -> None:
    spots = [
        {"field": "A", "sampled_on": "2031-05-12", "height_in": height, "stage": "bud"}
        for height in (24, 25.5)
    ]
    (result,) = parsed({"results": spots}, lab_maps, rules).results
    assert [spot.height_in for spot in result.spots] == [24.0, 25.5]


def test_read_body_prefers_the_laboratory_known_from_the_sender() -> None:
    body = b'{"lab": "ouzel", "results": [{"field": "A"}]}'
    assert read_body("post", "application/json", body, "kestrel").lab == "kestrel"
    assert read_body("post", "application/json", body).lab == "ouzel"


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "is not valid JSON"),
        (b'{"results": [', "is not valid JSON"),
        (b"\xff\xfe\xfd", "is not valid JSON"),
        (b"[" * 100_000, "is not valid JSON"),
        (b"[1, 2]", "JSON of another form"),
        (b"{}", "holds no results"),
        (b'{"results": []}', "holds no results"),
        (b'{"results": {"field": "A"}}', "holds no results"),
        (b'{"lab": 7, "results": [{"field": "A"}]}', "'lab' must be a text"),
        (b'{"results": [7]}', "result 1 is not an object"),
        (b'{"results": [{"field": "A"}, {}]}', "result 2 is empty"),
        (b'{"results": [{"rfv": [180]}]}', "'rfv' of result 1 is not a single value"),
    ],
)
def test_read_body_of_json_that_is_not_of_the_form(body: bytes, says: str) -> None:
    with pytest.raises(UnreadableDocument, match=r"^post.* expected |^post.*fill it in") as caught:
        read_body("post", "application/json", body)
    assert says in str(caught.value)


@pytest.mark.parametrize("text", ["a\\ud800b", "a\\u0000b", "a\\nb"])
def test_read_body_of_json_with_characters_no_file_could_hold(
    lab_maps: tuple[LabMap, ...], rules: ReadingRules, text: str
) -> None:
    body = f'{{"results": [{{"field": "{text}", "sampled_on": "2031-05-12", "rfv": 180}}]}}'
    document = read_body("post", "application/json", body.encode())
    assert len(read_document(document, lab_maps, rules).results) == 1


def test_read_body_of_json_gives_words_that_can_be_stored_and_answered() -> None:
    row = '{"field": "A", "sampled_on": "2031-05-12", "rfv": 180}'
    body = f'{{"lab": "kes\\ud800\\u0000trel", "results": [{row}]}}'.encode()
    assert read_body("post", "application/json", body).lab == "kes? trel"
    assert read_body("post", "text/csv", b"field", "kestrel\x00").lab == "kestrel"
    with pytest.raises(UnreadableDocument, match=r"'\?' of result 1 is not a single") as caught:
        read_body("post", "application/json", b'{"results": [{"\\ud800": []}]}')
    str(caught.value).encode()


@pytest.mark.parametrize("kind", ["", "application/xml", "multipart/form-data"])
def test_read_body_of_another_type(kind: str) -> None:
    with pytest.raises(UnreadableDocument, match="send text/csv or application/json"):
        read_body("post", kind, b"field,rfv\n")
