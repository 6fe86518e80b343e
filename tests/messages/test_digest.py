from __future__ import annotations

import csv
import io
from datetime import date
from html.parser import HTMLParser

import pytest

from alerts.domain.decision import Kind
from alerts.domain.delivery import Status
from alerts.domain.records import Index
from alerts.messages.digest import (
    FATE,
    DigestClient,
    DigestField,
    DigestMessage,
    by_date,
    digest,
    digest_csv,
    fate,
    plain_cell,
)
from alerts.messages.start_messages import Letter
from alerts.messages.templates import Templates

TODAY = date(2027, 5, 12)
URL = "https://cutcall.example.org/stop/abc?x=1&y=2"


def field(
    name: str = "North 40",
    median: date | None = date(2027, 5, 18),
    *,
    cut_on: date | None = None,
) -> DigestField:
    return DigestField(
        name=name,
        cutting=2 if cut_on else 1,
        index=Index.RFV,
        standing_target=185.0,
        results=3 if median else 0,
        start_p10=date(2027, 5, 15) if median else None,
        start_median=median,
        start_p90=date(2027, 5, 24) if median else None,
        evidence="RFV 205 on May 10, 3 results" if median else "no result yet",
        cut_on=cut_on,
    )


def message(
    kind: Kind = Kind.COMING,
    status: Status = Status.DELIVERED,
    channel: str = "sms",
    detail: str = "",
) -> DigestMessage:
    return DigestMessage(
        on=date(2027, 5, 11),
        to="Ida Brandvold",
        kind=kind.value,
        start_on=date(2027, 5, 18),
        channel=channel,
        status=status,
        detail=detail,
    )


def client(
    farm: str = "Alder Bottom",
    median: date | None = date(2027, 5, 18),
    fields: tuple[DigestField, ...] | None = None,
    messages: tuple[DigestMessage, ...] = (),
) -> DigestClient:
    return DigestClient(
        farm=farm,
        farmer="Ida Brandvold",
        start_p10=date(2027, 5, 15) if median else None,
        start_median=median,
        start_p90=date(2027, 5, 24) if median else None,
        fields=(field(median=median),) if fields is None else fields,
        messages=messages,
    )


@pytest.fixture
def written(templates: Templates) -> tuple[Letter, bytes]:
    clients = [
        client("Later", date(2027, 5, 20)),
        client("Nothing yet", None),
        client("Sooner", date(2027, 5, 14), messages=(message(),)),
    ]
    return digest(templates, "en", clients, TODAY, "#K7Q2B", URL)


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


class Cells(HTMLParser):
    """Words and tags of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.tags: list[str] = []
        self.links: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name == "href"]

    def handle_data(self, data: str) -> None:
        self.said.append(data.strip())


def page(html: str) -> Cells:
    cells = Cells()
    cells.feed(html)
    return cells


def test_digest_is_sorted_by_date_with_the_dateless_last(written: tuple[Letter, bytes]) -> None:
    letter, table = written
    for body in (letter.text, letter.html):
        places = [body.index(farm) for farm in ("Sooner", "Later", "Nothing yet")]
        assert places == sorted(places)
    assert [row["client"] for row in rows(table)] == ["Sooner", "Later", "Nothing yet"]


def test_clients_of_one_date_are_sorted_by_name() -> None:
    same = [client("Birch"), client("Ash"), client("Cedar", None), client("Aspen", None)]
    assert [one.farm for one in by_date(same)] == ["Ash", "Birch", "Aspen", "Cedar"]


def test_digest_headline_counts_clients_and_dates(
    written: tuple[Letter, bytes], templates: Templates
) -> None:
    assert written[0].subject == "Start dates on Wed May 12: 3 clients, 2 with a date"
    letter, _ = digest(templates, "en", [client()], TODAY, "#K7Q2B", "")
    assert letter.subject == "Start dates on Wed May 12: 1 client, 1 with a date"


def test_digest_says_the_same_in_both_forms(written: tuple[Letter, bytes]) -> None:
    letter, _ = written
    shown = page(letter.html.partition("</title>")[2])
    for words in (
        "Start Fri May 14 (likely May 15-24).",
        "No start date yet: no usable result this season.",
        "Fri May 14 (likely May 15-24)",
        "RFV 205 on May 10, 3 results",
        "May 11, text to Ida Brandvold: start about Tue May 18; arrived.",
        "Told nothing yet.",
        "The same table is attached as a CSV file.",
        "#K7Q2B",
    ):
        assert words in letter.text
        assert words in " ".join(shown.said)
    assert "not in sight" not in letter.text + letter.html


def test_digest_table_has_a_header_and_a_row_for_each_field(templates: Templates) -> None:
    fields = tuple(field(f"Field {n}", date(2027, 5, 20 - n)) for n in range(4))
    letter, _ = digest(templates, "en", [client(fields=fields)], TODAY, "#K7Q2B", "")
    shown = page(letter.html)
    assert shown.tags.count("table") == 1
    assert shown.tags.count("tr") == 1 + 4
    names = [words for words in shown.said if words.startswith("Field ")]
    assert names == ["Field 3", "Field 2", "Field 1", "Field 0"]  # earliest first


def test_digest_escapes_names(templates: Templates) -> None:
    wild = client("<script>x</script>", fields=(field("A & <i>B</i>"),))
    letter, table = digest(templates, "en", [wild], TODAY, "#K7Q2B", "")
    shown = page(letter.html)
    assert not {"script", "i"} & set(shown.tags)
    assert "<script>x</script>" in shown.said
    assert "A & <i>B</i>" in letter.text
    assert rows(table)[0]["client"] == "<script>x</script>"


def test_digest_links_to_stop_only_where_there_is_a_page(
    written: tuple[Letter, bytes], templates: Templates
) -> None:
    letter, _ = written
    assert f"Stop these emails: {URL}\n" in letter.text
    assert page(letter.html).links == [URL]
    without, _ = digest(templates, "en", [client()], TODAY, "#K7Q2B", "")
    assert "Stop these" not in without.text + without.html


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (Kind.COMING, "start about Tue May 18"),
        (Kind.MOVED, "start moved to Tue May 18"),
        (Kind.START, "start Tue May 18"),
        (Kind.PAST, "already past its target"),
        (Kind.NO_RESULTS, "no new result, clip again"),
    ],
)
def test_digest_says_what_was_told_in_plain_words(
    kind: Kind, words: str, templates: Templates
) -> None:
    told = client(messages=(message(kind, channel="email", status=Status.ACCEPTED),))
    letter, _ = digest(templates, "en", [told], TODAY, "#K7Q2B", "")
    line = f"May 11, email to Ida Brandvold: {words}; taken by the mail server."
    assert line in letter.text
    assert line in letter.html


def test_field_that_was_cut_says_so(templates: Templates) -> None:
    cut = client(median=None, fields=(field(median=None, cut_on=date(2027, 5, 9)),))
    letter, table = digest(templates, "en", [cut], TODAY, "#K7Q2B", "")
    assert "All fields cut; no result from the next cutting yet." in letter.text
    assert "North 40: cut May 9; cutting 2: no result yet" in letter.text
    assert rows(table)[0]["cutting"] == "2"


@pytest.mark.parametrize("status", Status)
def test_every_status_has_words(status: Status) -> None:
    assert fate(message(status=status)).startswith(FATE[status][:12])


def test_fate_gives_the_reason_of_a_failure_only() -> None:
    refused = message(status=Status.FAILED, detail="21211 not a number")
    assert fate(refused) == "could not be sent (21211 not a number)"
    assert fate(message(status=Status.DELIVERED, detail="delivered")) == "arrived"
    by_mail = message(status=Status.ACCEPTED, channel="email")
    assert fate(by_mail) == "taken by the mail server"
    assert fate(message(status=Status.ACCEPTED)) == "taken by the gateway, no receipt yet"


# ---------------------------------------------------------------------- the CSV


def test_csv_gives_iso_dates_and_plain_numbers() -> None:
    told = client(messages=(message(), message(Kind.MOVED, Status.UNDELIVERED)))
    (row,) = rows(digest_csv([told]))
    assert row == {
        "client": "Alder Bottom",
        "farmer": "Ida Brandvold",
        "field": "North 40",
        "cutting": "1",
        "index": "RFV",
        "standing_target": "185",
        "results": "3",
        "start_p10": "2027-05-15",
        "start_median": "2027-05-18",
        "start_p90": "2027-05-24",
        "farm_start": "2027-05-18",
        "last_told": "2027-05-11",
        "told_start": "2027-05-18",
        "fate": "did not arrive",
    }


def test_csv_leaves_unknown_dates_empty() -> None:
    (row,) = rows(digest_csv([client(median=None)]))
    empty = {"start_p10", "start_median", "start_p90", "farm_start", "last_told", "told_start"}
    assert {name for name, value in row.items() if value == ""} == empty | {"fate"}


def test_csv_starts_with_a_byte_order_mark_so_that_spreadsheets_read_accents() -> None:
    content = digest_csv([client("Peña, “Øst”\nAcres")])
    assert content.startswith(b"\xef\xbb\xbf")
    assert rows(content)[0]["client"] == "Peña, “Øst”\nAcres"


# Characters that open a formula in a spreadsheet: OWASP (n.d.), CSV Injection.
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_csv_cell_that_a_spreadsheet_would_run_is_made_text(start: str) -> None:
    wild = f"{start}cmd|' /C calc'!A0"
    assert plain_cell(wild) == f"'{wild}"
    attack = client(
        wild,
        fields=(field(wild),),
        messages=(message(status=Status.FAILED, detail=wild),),
    )
    (row,) = rows(digest_csv([attack]))
    assert row["client"] == row["field"] == f"'{wild}"
    assert not any(value[:1] in "=+-@\t\r" for value in row.values() if value)


def test_csv_cell_of_an_ordinary_name_stays() -> None:
    assert plain_cell("North 40") == "North 40"
    assert plain_cell("") == ""


def test_harvest_under_way_is_said_instead_of_a_date_to_start(templates: Templates) -> None:
    cut = field("North 40", None, cut_on=date(2027, 5, 11))
    farm = client("Alder Bottom", fields=(cut, field("Creek Piece")))
    letter, _ = digest(templates, "en", [farm], TODAY, "#K7Q2B", URL)
    assert "Cutting since Tue May 11." in letter.text
    assert "Creek Piece: on its own by Tue May 18" in letter.text
